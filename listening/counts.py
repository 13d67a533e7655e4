"""When a listen in a browser counts, on the page as in a packet, and what is said when it does not."""

from __future__ import annotations

from typing import Literal

EARLY_S = 0.05  # as for a sound device: clocks differ
EARLY_SHARE = 0.0005
TOO_EARLY = "it ended sooner than it lasts"

Reason = Literal["stopped", "left", "paused", "elsewhere", "broke"]
REASONS: dict[Reason, str] = {
    "stopped": "stopped by the listener",
    "left": "the page was left or loaded again",
    "paused": "the sound stood still (the device was locked, asleep or busy)",
    "elsewhere": "it was begun again, in another tab, on another device or after an interruption",
    "broke": "the sound broke up (under-run)",
}


def is_too_early(duration_s: float, *passed_s: float) -> bool:
    """Whether less time has passed, by any of several clocks, than the sound lasts."""
    return min(passed_s) < duration_s - EARLY_S - EARLY_SHARE * duration_s
