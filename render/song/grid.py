"""Where bars and beats lie in the audio.

Times are exact fractions, and every bar line is computed from the song's start: rounding bar by
bar would drift (97 BPM in 4/4 at 44.1 kHz is 109113.402 frames a bar: 40 frames in 100 bars).
"""

from __future__ import annotations

import bisect
import itertools
import re
from collections.abc import Iterator
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
    match = re.fullmatch(r"\s*(\d{1,2})\s*/\s*(\d{1,2})\s*", text)
    if not match or not 1 <= int(match[1]) <= 32 or int(match[2]) not in (1, 2, 4, 8, 16, 32):
        return None
    return Meter(int(match[1]), int(match[2]))


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

    @cached_property
    def beat_s(self) -> Fraction:
        return Fraction(60) / self.tempo * Fraction(4, self.meter.unit)

    @cached_property
    def bar_s(self) -> Fraction:
        return self.beat_s * self.meter.beats

    def length_s(self, length: Fraction, unit: Literal["bars", "beats"]) -> Fraction:
        """Seconds of so many bars or beats."""
        return length * (self.bar_s if unit == "bars" else self.beat_s)


@dataclass(frozen=True)
class Grid:
    """Bars (1-based) <-> frames of the audio.

    `beats_s`: for a live take, the time of every beat from bar 1 on, rising, two or more (seconds; the first
    is `start_s`). Bar lines then lie on them, and only changes of meter count; after the last beat the
    tempo goes on as it was.
    """

    sample_rate: int
    start_s: Fraction
    tempo: Fraction
    meter: Meter
    changes: tuple[Change, ...] = ()
    beats_s: tuple[Fraction, ...] = ()

    @cached_property
    def stretches(self) -> tuple[Stretch, ...]:
        if self.beats_s:
            return tuple(self._bars_of_beats())
        stretches = [Stretch(1, self.start_s, self.tempo, self.meter)]
        for change in sorted(self.changes, key=lambda c: c.bar):
            last = stretches[-1]
            start_s = last.start_s + (change.bar - last.bar) * last.bar_s
            stretch = Stretch(change.bar, start_s, change.tempo or last.tempo, change.meter or last.meter)
            stretches = [*(s for s in stretches if s.bar < change.bar), stretch]
        return tuple(stretches)

    def _bars_of_beats(self) -> Iterator[Stretch]:
        """Each bar that begins on one of the beats, with the tempo that its own beats have on average."""
        meters = {change.bar: change.meter for change in self.changes if change.meter}
        meter, bar, first = self.meter, 1, 0
        while first < len(self.beats_s):
            meter = meters.get(bar, meter)
            bar_s = self.beat_s(first + meter.beats) - self.beats_s[first]
            yield Stretch(bar, self.beats_s[first], 240 * meter.beats / (meter.unit * bar_s), meter)
            bar, first = bar + 1, first + meter.beats

    def beat_s(self, beat: int | Fraction) -> Fraction:
        """Seconds to a beat of `beats_s` (from 0), exactly; between and beyond them in a straight line."""
        at = min(max(int(beat // 1), 0), len(self.beats_s) - 2)
        one, two = self.beats_s[at : at + 2]
        return one + (beat - at) * (two - one)

    @cached_property
    def _beats_before(self) -> tuple[int, ...]:
        """Beats from bar 1 to the beginning of each stretch."""
        lengths = [(two.bar - one.bar) * one.meter.beats for one, two in itertools.pairwise(self.stretches)]
        return (0, *itertools.accumulate(lengths))

    def beats_before(self, bar: int) -> int:
        """Beats from bar 1 to the line of `bar`."""
        at = self._stretch_index(bar)
        stretch = self.stretches[at]
        return self._beats_before[at] + (bar - stretch.bar) * stretch.meter.beats

    def beat_time_s(self, bar: int, beats: int | Fraction) -> Fraction:
        """Seconds to `beats` beats (from 0) into `bar`, exactly."""
        if self.beats_s:
            return self.beat_s(self.beats_before(bar) + beats)
        return self.line_s(bar) + beats * self.stretch(bar).beat_s

    def stretch(self, bar: int) -> Stretch:
        """The stretch that `bar` lies in (bars before bar 1 count as bar 1's)."""
        return self.stretches[self._stretch_index(bar)]

    def _stretch_index(self, bar: int) -> int:
        return max(bisect.bisect_right(self.stretches, bar, key=lambda s: s.bar) - 1, 0)

    def line_s(self, bar: int) -> Fraction:
        """Seconds from the start of the audio to the first beat of `bar`, exactly."""
        known = self._lines_s.get(bar)
        if known is None:
            stretch = self.stretch(bar)
            known = self._lines_s[bar] = stretch.start_s + (bar - stretch.bar) * stretch.bar_s
        return known

    @cached_property
    def _lines_s(self) -> dict[int, Fraction]:
        """Bar lines asked for before: exact arithmetic is slow, and laying out forms asks again and again."""
        return {}

    def line_frame(self, bar: int) -> int:
        """The frame nearest to the first beat of `bar`."""
        return self.frame(self.line_s(bar))

    def before_line_frame(self, bar: int, beats: Fraction) -> int:
        """The frame `beats` beats before `bar`."""
        return self.frame(self.before_line_s(bar, beats))

    def before_line_s(self, bar: int, beats: Fraction) -> Fraction:
        """Seconds to `beats` beats before `bar`, counted back through the bars before it, exactly."""
        if self.beats_s:
            return self.beat_s(self.beats_before(bar) - beats)
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
        if self.beats_s and time_s >= self.start_s:
            at = min(bisect.bisect_right(self.beats_s, time_s), len(self.beats_s) - 1) - 1
            into = (time_s - self.beats_s[at]) / (self.beats_s[at + 1] - self.beats_s[at])
            return bar, at + into - self.beats_before(bar)
        return bar, (time_s - self.line_s(bar)) / stretch.beat_s
