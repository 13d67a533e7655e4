"""Where bars and beats lie in the audio.

Times are exact fractions, and every bar line is computed from the song's start: rounding bar by
bar would drift (97 BPM in 4/4 at 44.1 kHz is 109113.402 frames a bar: 40 frames in 100 bars).
"""

from __future__ import annotations

import bisect
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Literal


def exact(number: float | int | str) -> Fraction:
    """The decimal a person wrote, exactly: 96.1 is 961/10, not the nearest binary fraction."""
    return Fraction(str(number))


@dataclass(frozen=True)
class Meter:
    """A time signature; the beat is its lower figure."""

    beats: int
    unit: int

    def __str__(self) -> str:
        return f"{self.beats}/{self.unit}"


def parse_meter(text: str) -> Meter | None:
    """ "4/4" as a meter of 1 to 32 beats; None for what is none."""
    found = re.fullmatch(r"\s*(\d{1,2})\s*/\s*(\d{1,2})\s*", text)
    if not found or not 1 <= int(found[1]) <= 32 or int(found[2]) not in (1, 2, 4, 8, 16, 32):
        return None
    return Meter(int(found[1]), int(found[2]))


@dataclass(frozen=True)
class Change:
    """A new tempo (quarter notes per minute), a new meter, or both, from a bar on."""

    bar: int
    tempo: Fraction | None = None
    meter: Meter | None = None


@dataclass(frozen=True)
class Stretch:
    """Bars of one tempo and one meter, from `bar` on, beginning `start_s` seconds into the audio."""

    bar: int
    start_s: Fraction
    tempo: Fraction
    meter: Meter

    @property
    def beat_s(self) -> Fraction:
        return Fraction(60) / self.tempo * Fraction(4, self.meter.unit)

    @property
    def bar_s(self) -> Fraction:
        return self.beat_s * self.meter.beats

    def length_s(self, length: Fraction, unit: Literal["bars", "beats"]) -> Fraction:
        """Seconds of so many bars or beats."""
        return length * (self.bar_s if unit == "bars" else self.beat_s)


@dataclass(frozen=True)
class Grid:
    """Bars (1-based) <-> frames of the audio."""

    sample_rate: int
    start_s: Fraction
    tempo: Fraction
    meter: Meter
    changes: tuple[Change, ...] = ()

    @cached_property
    def stretches(self) -> tuple[Stretch, ...]:
        found = [Stretch(1, self.start_s, self.tempo, self.meter)]
        for change in sorted(self.changes, key=lambda c: c.bar):
            last = found[-1]
            start_s = last.start_s + (change.bar - last.bar) * last.bar_s
            stretch = Stretch(change.bar, start_s, change.tempo or last.tempo, change.meter or last.meter)
            found = [*(s for s in found if s.bar < change.bar), stretch]
        return tuple(found)

    def stretch(self, bar: int) -> Stretch:
        """The stretch that `bar` lies in (bars before bar 1 count as bar 1's)."""
        at = bisect.bisect_right(self.stretches, bar, key=lambda s: s.bar)
        return self.stretches[max(at - 1, 0)]

    def line_s(self, bar: int) -> Fraction:
        """Seconds from the start of the audio to the first beat of `bar`, exactly."""
        stretch = self.stretch(bar)
        return stretch.start_s + (bar - stretch.bar) * stretch.bar_s

    def line_frame(self, bar: int) -> int:
        """The frame nearest to the first beat of `bar`."""
        return self.frame(self.line_s(bar))

    def before_line_frame(self, bar: int, beats: Fraction) -> int:
        """The frame `beats` beats before `bar`."""
        return self.frame(self.before_line_s(bar, beats))

    def before_line_s(self, bar: int, beats: Fraction) -> Fraction:
        """Seconds to `beats` beats before `bar`, counted back through the bars before it, exactly."""
        at_s = self.line_s(bar)
        while beats > 0 and bar > 1:
            bar -= 1
            stretch = self.stretch(bar)
            taken = min(beats, Fraction(stretch.meter.beats))
            at_s -= taken * stretch.beat_s
            beats -= taken
        return at_s - beats * self.stretch(1).beat_s

    def frame(self, time_s: Fraction) -> int:
        """The frame nearest to a time, halves rounded to even."""
        return round(time_s * self.sample_rate)

    def position(self, time_s: Fraction) -> tuple[int, Fraction]:
        """The bar a time lies in and the beats (from 0) into it; times before bar 1 belong to bar 1."""
        starts = [s.start_s for s in self.stretches]
        stretch = self.stretches[max(bisect.bisect_right(starts, time_s) - 1, 0)]
        bars = (time_s - stretch.start_s) // stretch.bar_s if time_s >= stretch.start_s else 0
        bar = stretch.bar + int(bars)
        return bar, (time_s - self.line_s(bar)) / stretch.beat_s
