"""Clocks for tests: one that only the test moves, and one that also goes on by itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

EVENING = datetime(2026, 3, 2, 20, 0, tzinfo=timezone(timedelta(hours=2)))  # an invented Monday
EVENING_UTC = EVENING.astimezone(UTC)


class SetClock:
    """Says `now`, as long as the test does not move it."""

    def __init__(self, now: datetime = EVENING) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **span: float) -> None:
        self.now += timedelta(**span)


class Ticking(SetClock):
    """A clock that also goes on by a second at every look."""

    def __call__(self) -> datetime:
        self.forward(seconds=1)
        return self.now
