"""A form's road map: its parts in order, numbered, with their bars and their times in the form's file."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from render.audio.timeline import lay_out
from render.song.forms import Form, Piece
from render.song.song import Song


@dataclass(frozen=True)
class RoadMapPart:
    """One line of a road map. `first_bar` and `last_bar` count the form's own bars from 1; a silence
    shorter than a bar has a bar number of its own. Seconds count from the first frame of the form's file."""

    number: int
    text: str
    first_bar: int
    last_bar: int
    bars: float
    start_s: float
    stop_s: float

    @property
    def bars_text(self) -> str:
        """ "bars 5-12", "bar 5"."""
        if self.first_bar == self.last_bar:
            return f"bar {self.first_bar}"
        return f"bars {self.first_bar}–{self.last_bar}"


@dataclass(frozen=True)
class RoadMap:
    """A form's parts and the beginning of each of its bars, in seconds of the form's file."""

    parts: tuple[RoadMapPart, ...]
    lines_s: tuple[float, ...]

    @property
    def bars(self) -> float:
        """Bars of music: a rest of half a bar adds half a bar."""
        return sum(part.bars for part in self.parts)

    @property
    def words(self) -> str:
        """The parts in one line."""
        return " › ".join(part.text for part in self.parts)

    @property
    def has_short_bar(self) -> bool:
        """Whether a rest of no whole number of bars has a bar number of its own."""
        return any(part.bars % 1 for part in self.parts)

    def bar_at(self, time_s: float) -> int:
        """The bar that sounds at a time; what lies outside belongs to the first or the last one."""
        return max(sum(line <= time_s + 1e-6 for line in self.lines_s), 1)

    def part_at(self, time_s: float) -> RoadMapPart:
        """The part that sounds at a time."""
        later = [part for part in self.parts if part.stop_s > time_s + 1e-6]
        return later[0] if later else self.parts[-1]

    def approach_s(self, time_s: float) -> float:
        """The line of the bar before the one that sounds at a time (0 in the first bar)."""
        bar = self.bar_at(time_s)
        return self.lines_s[bar - 2] if bar > 1 else 0.0


def road_map_of(
    song: Song, described: Sequence[Mapping[str, Any]], form: Form | None, lead_s: float
) -> RoadMap:
    """The road map of a described form: parts with `text`, `bars`, and `start_s` and `stop_s` in seconds of
    the file, whose first bar line lies at `lead_s`. With `form`, the form of song.toml that it still is, bar
    lines are exact."""
    parts, bar = [], 1
    for number, part in enumerate(described, 1):
        count = max(math.ceil(part["bars"] - 1e-9), 1)
        parts.append(
            RoadMapPart(
                number, part["text"], bar, bar + count - 1, part["bars"], part["start_s"], part["stop_s"]
            )
        )
        bar += count
    lines = _exact_lines(song, form, lead_s) if form is not None else _even_lines(parts)
    return RoadMap(tuple(parts), tuple(lines))


def _exact_lines(song: Song, form: Form, lead_s: float) -> list[float]:
    lines = []
    for placed in lay_out(song, form).parts:
        start = Fraction(placed.start, song.grid.sample_rate)
        part = placed.part
        if isinstance(part, Piece):
            top = song.grid.line_s(part.first_bar)
            bars = range(part.first_bar, part.last_bar + 1)
            lines += [float(start + song.grid.line_s(bar) - top) for bar in bars]
        else:
            length = Fraction(placed.stop - placed.start, song.grid.sample_rate)
            lines += [float(start + k / placed.bars * length) for k in range(math.ceil(placed.bars))]
    return [line + lead_s for line in lines]


def _even_lines(parts: Sequence[RoadMapPart]) -> list[float]:
    """Bar lines evenly within each part: what can be said of a form whose bars are no longer known."""
    return [
        part.start_s + (part.stop_s - part.start_s) * k / max(part.bars, 1e-9)
        for part in parts
        for k in range(part.last_bar - part.first_bar + 1)
    ]
