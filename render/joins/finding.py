"""Assessment of one join, and the changes of song.toml that may mend it.

Plain data, kept in the manifest of the renders: importing it loads no numerical library.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias


@dataclass(frozen=True)
class ReplacePart:
    """Write other parts in place of entry number `entry` (from 1, as in song.toml) of a form.

    `old` is the entry as it reads, `new` the entries that take its place.
    """

    form: str
    entry: int
    old: str
    new: tuple[str, ...]
    words: str
    kind: Literal["part"] = "part"


@dataclass(frozen=True)
class SetPickup:
    """Give a section a pickup of so many beats."""

    section: str
    pickup_beats: float
    words: str
    kind: Literal["pickup"] = "pickup"


@dataclass(frozen=True)
class SetEnding:
    """Give a form another ending."""

    form: str
    ending: str
    words: str
    kind: Literal["ending"] = "ending"


Remedy: TypeAlias = ReplacePart | SetPickup | SetEnding


@dataclass(frozen=True)
class JoinFinding:
    """One join, measured and judged.

    `at_s` is where the new part takes over and `line_s` its bar line, seconds from the first frame of the
    rendered file; `bar` is counted from the form's top (1-based). `level_step_lu` is the short-term
    loudness of the 3 s after the join less that of the 3 s before; None beside a silence, at the top and
    at the end. `held_share` is the part of the energy before the cut that sounds on in the song but is
    gone in the form. `sample_step` is the largest step between neighbouring samples in the join.
    `index` counts the form's joins from 0; `done` says in a word what was done to the sound; `severity` is at
    most 1 for a clean join and grows with what is wrong; `remedy` says what to do in words, `remedies` what
    of it can be written into song.toml at once.
    """

    form: str
    at_s: float
    line_s: float
    bar: int
    before: str
    after: str
    sample_step: float
    level_step_lu: float | None
    cut_transient: bool
    held_sound: bool
    held_share: float
    pickup_forgotten: str | None
    stray_pickup: str | None
    doubtful: bool
    reason: str
    remedy: str
    index: int = 0
    done: str = ""
    severity: float = 0.0
    remedies: tuple[Remedy, ...] = ()

    @property
    def line(self) -> str:
        """One sentence for a person."""
        head = f"bar {self.bar}, {self.before} > {self.after}: {self.reason}"
        return f"{head}; {self.remedy}" if self.remedy else head
