"""A clock for tests that only the test moves."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone


class SetClock:
    """Starts on an invented Monday evening in a zone two hours ahead of UTC."""

    def __init__(self, now: datetime | None = None) -> None:
        self.now = now or datetime(2026, 3, 2, 20, 0, tzinfo=timezone(timedelta(hours=2)))

    def __call__(self) -> datetime:
        return self.now

    def pass_(self, **span: float) -> None:
        self.now += timedelta(**span)
