"""When a listener's next round is due: a plan's rounds lie on its days, and an hour lies between two."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Literal

from sessions.clock import utc_time
from sessions.log import SITTING_PAUSE
from sessions.records import RoundRecord

Wait = Literal["day", "hour"]


@dataclass(frozen=True)
class Due:
    """The first day of the next round by the plan, and (if that is still to come) its first moment."""

    now: datetime
    day: date
    not_before: datetime | None

    def waits_for(self, *, any_day: bool = False) -> Wait | None:
        """What the round waits for: its day (`any_day` lifts that), or the hour since the last one."""
        if self.day > self.now.date() and not any_day:
            return "day"
        return "hour" if self.not_before is not None else None

    @property
    def moment(self) -> datetime:
        """The first moment at which the round can begin."""
        day = datetime.combine(self.day, time(), self.now.tzinfo)
        return max(self.now, day, self.not_before or self.now)


def next_due(now: datetime, done: Sequence[RoundRecord], planned: int, days: int) -> Due | None:
    """When the round after those `done` is due; None when all that are `planned` are done.

    The plan spreads rounds evenly over its days. A round that ended in the future was heard by a clock that
    has been set back since: nobody waits for it.
    """
    if len(done) >= planned:
        return None
    if not done or done[-1].ended_utc is None or utc_time(done[-1].ended_utc) - now > SITTING_PAUSE:
        return Due(now, now.date(), None)
    last_day = done[-1].local_date
    on_that_day = sum(r.local_date == last_day for r in done)
    full = on_that_day >= math.ceil(planned / days)
    day = date.fromisoformat(last_day) + timedelta(days=1 if full else 0)
    rested = utc_time(done[-1].ended_utc) + SITTING_PAUSE
    waits = timedelta(0) < rested - now <= SITTING_PAUSE
    return Due(now, day, rested.astimezone(now.tzinfo) if waits else None)
