"""A form as a strip: its parts in words, to scale by bars, tinted by where in the song they come from."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from render.audio.timeline import lay_out
from render.song.forms import Form, Piece, Section
from render.song.song import Song
from reports.inks import TINTS

WIDE_LETTERS = 112  # letters that a strip takes on a desk's screen and on paper, and on a phone
NARROW_LETTERS = 44


@dataclass(frozen=True)
class StripPart:
    """A part as it is drawn. `first_bar` and `last_bar` count the form's own bars from 1; a silence
    shorter than a bar is a bar of its own. Seconds count from the form's first bar line. `tint` is None
    for silence and for bars that no section names."""

    number: int
    text: str
    first_bar: int
    last_bar: int
    bars: float
    start_s: float
    stop_s: float
    tint: int | None
    silent: bool

    @property
    def bars_text(self) -> str:
        """ "bars 5-12", "bar 5"."""
        if self.first_bar == self.last_bar:
            return f"bar {self.first_bar}"
        return f"bars {self.first_bar}–{self.last_bar}"


@dataclass(frozen=True)
class Strip:
    """A form's parts and the beginning of each of its bars, in seconds after the first bar line."""

    parts: tuple[StripPart, ...]
    lines_s: tuple[float, ...]

    @property
    def bars(self) -> float:
        return sum(part.bars for part in self.parts)

    def bar_at(self, time_s: float) -> int:
        """The bar that sounds at a time; what lies outside belongs to the first or the last one."""
        return max(sum(line <= time_s + 1e-6 for line in self.lines_s), 1)

    def part_at(self, time_s: float) -> StripPart:
        """The part that sounds at a time."""
        later = [part for part in self.parts if part.stop_s > time_s + 1e-6]
        return later[0] if later else self.parts[-1]

    def share(self, part: StripPart, longest: float) -> float:
        """A part's width in percent of the longest form's."""
        return 100 * part.bars / max(longest, 1e-9)

    def numbered(self, part: StripPart, longest: float, letters: int) -> bool:
        """Whether the part's number fits into its width."""
        return len(str(part.number)) + 0.8 <= self.share(part, longest) / 100 * letters

    def all_fit(self, longest: float, letters: int) -> bool:
        """Whether every part's words fit: on a phone names and numbers are not mixed."""
        return all(self.fits(part, longest, letters) for part in self.parts)

    def fits(self, part: StripPart, longest: float, letters: int) -> bool:
        """Whether the part's words fit into its width on at most three lines."""
        width = int(self.share(part, longest) / 100 * letters) - 1
        lines, room = 1, width
        for word in part.text.split():
            wide = letters_wide(word)
            if wide > width:
                return False
            if wide > room:
                lines, room = lines + 1, width
            room -= wide + 1
        return lines <= 3


def bars_words(bars: float) -> str:
    """ "8 bars", "1 bar", "1.5 bars"."""
    shown = f"{bars:.2f}".rstrip("0").rstrip(".")
    return f"{shown} bar{'' if shown == '1' else 's'}"


def letters_wide(text: str) -> int:
    """How wide a text is in letters; the full-width characters of East Asia take two."""
    wide = sum(unicodedata.east_asian_width(c) in "WF" for c in text)
    return wide + sum(not unicodedata.combining(c) for c in text)


def strip_of(song: Song, described: Sequence[Mapping[str, Any]], form: Form | None) -> Strip:
    """The strip of a described form (the parts of the log's or the manifest's description, in seconds
    after the first bar line). With `form`, the form of song.toml that it still is, bar lines are exact."""
    parts, bar = [], 1
    for number, part in enumerate(described, 1):
        count = max(math.ceil(part["bars"] - 1e-9), 1)
        section = _section(part["text"], song.sections)
        parts.append(
            StripPart(
                number=number,
                text=part["text"],
                first_bar=bar,
                last_bar=bar + count - 1,
                bars=part["bars"],
                start_s=part["start_s"],
                stop_s=part["stop_s"],
                tint=None if section is None else tint_of(section, song.sections),
                silent=part["text"].casefold().startswith("silence "),
            )
        )
        bar += count
    lines = _exact_lines(song, form) if form is not None else _even_lines(parts)
    return Strip(tuple(parts), tuple(lines))


def _section(text: str, sections: Sequence[Section]) -> Section | None:
    """The section that a part's words begin with: the longest name that fits."""
    fitting = [s for s in sections if f"{text} ".casefold().startswith(f"{s.name} ".casefold())]
    return max(fitting, key=lambda s: len(s.name), default=None)


def tint_of(section: Section, sections: Sequence[Section]) -> int:
    """The tint of a section: light at the song's beginning, dark at its end."""
    at = list(sections).index(section)
    return round(at * (TINTS - 1) / max(len(sections) - 1, 1))


def _exact_lines(song: Song, form: Form) -> list[float]:
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
    return lines


def _even_lines(parts: Sequence[StripPart]) -> list[float]:
    """Bar lines evenly within each part: what can be said of a form whose bars are no longer known."""
    return [
        part.start_s + (part.stop_s - part.start_s) * k / max(part.bars, 1e-9)
        for part in parts
        for k in range(part.last_bar - part.first_bar + 1)
    ]
