"""Rules by which a listen in a browser counts, on the page as in a packet, and what is said otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from sessions.records import MOST_BLEMISH_S, MOST_JUDGED_S, NOT_JUDGED, ListenRecord, Stumble

EARLY_S = 0.05  # as for a sound device: clocks differ
EARLY_SHARE = 0.0005
TOO_EARLY = "it ended sooner than it lasts"

Reason = Literal["stopped", "left", "paused", "elsewhere", "broke"]
Hearing = Literal["counts", "ask", "void"]
REASONS: dict[Reason, str] = {
    "stopped": "stopped by the listener",
    "left": "the page was left or loaded again",
    "paused": "the sound stood still (the device was locked, asleep or busy)",
    "elsewhere": "it was begun again, in another tab, on another device or after an interruption",
    "broke": "the sound broke up (under-run)",
}
SPOILT = frozenset({REASONS["paused"], REASONS["broke"], NOT_JUDGED})
ADVICE = (
    "The sound has failed twice in a row. What helps: close other programs and tabs, turn power saving off, "
    "plug the device in; or ask whoever sent you the link for a packet, which plays without a network."
)


def is_too_early(duration_s: float, *passed_s: float) -> bool:
    """Whether less time has passed, by any of several clocks, than the sound lasts."""
    return min(passed_s) < duration_s - EARLY_S - EARLY_SHARE * duration_s


def hearing(late_s: float) -> Hearing:
    """What becomes of a listen that was heard to its end with `late_s` seconds late or missing in all."""
    if late_s > MOST_JUDGED_S:
        return "void"
    return "ask" if late_s > MOST_BLEMISH_S else "counts"


def longest_stumble(late_s: float, stumbles: Sequence[Stumble]) -> Stumble:
    """The stumble that the listener is asked about; where none was located, all of it, at the top."""
    return max(stumbles, key=lambda stumble: stumble.length_s, default=Stumble(0.0, late_s))


def advice_after(listens: Sequence[ListenRecord]) -> str:
    """ADVICE if the last two of a listener's listens were spoilt by their sound, else ""."""
    ended = [listen for listen in listens if listen.ended_utc is not None]
    last_two = [listen.void_reason in SPOILT for listen in ended[-2:]]
    return ADVICE if last_two == [True, True] else ""
