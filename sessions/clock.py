"""The clock, passed in wherever time matters, so that tests and the demo can set it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

Clock = Callable[[], datetime]


def system_clock() -> datetime:
    """Now, with the machine's own time zone."""
    return datetime.now().astimezone()


@dataclass(frozen=True)
class Moment:
    """A moment as the log keeps it: UTC, and the listener's own date beside it."""

    utc: str
    local_date: str


def moment(now: datetime) -> Moment:
    """A zone-aware time as the log keeps it (UTC with microseconds, so that texts sort as times do)."""
    return Moment(now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ"), now.date().isoformat())


def utc_time(text: str) -> datetime:
    """A UTC text of the log as a time."""
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)
