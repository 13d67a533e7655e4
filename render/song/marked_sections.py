"""Sections from named places in the song: a map's markers, or cue points of the bounce."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from render.figures import clock_text, counted
from render.song.forms import RESERVED_WORDS, Section
from render.song.grid import Grid

LONGEST_NAME = 80
ON_THE_LINE_BEATS = Fraction(
    1, 16
)  # nearer to a bar line or quarter of a beat, a marker is meant to be there
_INSTEAD = {"silence": "pause"}  # words of the part language that no section's name may hold


@dataclass(frozen=True)
class Mark:
    """A named place: seconds into the audio, exactly."""

    time_s: Fraction
    name: str


@dataclass(frozen=True)
class MarkedSections:
    """Sections with the marks' own names; `notes` say what was moved, renamed or left out."""

    sections: tuple[Section, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Begin:
    bar: int
    pickup_beats: Fraction
    name: str


def marked_sections(marks: Sequence[Mark], grid: Grid, last_bar: int) -> MarkedSections:
    """A section from each mark to the next, the last one to `last_bar`.

    A mark in mid-bar begins its section at the nearest bar line; before that line, it implies a pickup.
    Of two that fall on one line the later counts.
    """
    notes: list[str] = []
    begins: dict[int, _Begin] = {}
    beyond = []
    for mark in sorted(marks, key=lambda mark: mark.time_s):
        name = _plain(mark.name)
        if not name:
            continue
        begin = _begin(mark.time_s, name, grid, notes)
        if not 1 <= begin.bar <= last_bar:
            notes[:] = [note for note in notes if not note.startswith(f'"{name}" stands')]
            beyond.append(f'"{name}"')
            continue
        if begin.bar in begins:
            notes.append(
                f'"{begins[begin.bar].name}" and "{name}" begin in bar {begin.bar}; the latter counts'
            )
        begins[begin.bar] = begin
    if beyond:
        notes.append(f"outside the song's bars, and left out: {', '.join(beyond)}")
    ordered = [begins[bar] for bar in sorted(begins)]
    if not ordered:
        return MarkedSections((), tuple(notes))
    if ordered[0].bar > 1:
        notes.append(f'what comes before "{ordered[0].name}" (bar {ordered[0].bar}) has no name')
    names = _numbered([begin.name for begin in ordered])
    ends = [*(begin.bar - 1 for begin in ordered[1:]), last_bar]
    return MarkedSections(
        tuple(
            Section(name, begin.bar, end, begin.pickup_beats)
            for name, begin, end in zip(names, ordered, ends, strict=True)
        ),
        tuple(notes),
    )


def _begin(time_s: Fraction, name: str, grid: Grid, notes: list[str]) -> _Begin:
    bar, beats = grid.position(time_s)
    rest = grid.stretch(bar).meter.beats - beats
    at = clock_text(float(time_s))
    if beats <= ON_THE_LINE_BEATS and beats >= -ON_THE_LINE_BEATS:
        return _Begin(bar, Fraction(0), name)
    if rest <= ON_THE_LINE_BEATS:
        return _Begin(bar + 1, Fraction(0), name)
    if beats < 0:  # before bar 1
        notes.append(f'"{name}" stands {counted(_rounded(-beats), "beat")} before bar 1: a pickup')
        return _Begin(1, _rounded(-beats), name)
    if rest <= beats:
        notes.append(
            f'"{name}" stands {counted(_rounded(rest), "beat")} before bar {bar + 1} ({at}): a pickup'
        )
        return _Begin(bar + 1, _rounded(rest), name)
    notes.append(
        f'"{name}" stands {counted(_rounded(beats), "beat")} after the line of bar {bar} ({at}), and '
        "begins on that line"
    )
    return _Begin(bar, Fraction(0), name)


def _rounded(beats: Fraction) -> Fraction:
    """To a quarter of a beat where it is near one (cues are set by hand), else to a thousandth."""
    quarter = Fraction(round(beats * 4), 4)
    return quarter if abs(beats - quarter) < ON_THE_LINE_BEATS else Fraction(round(beats * 1000), 1000)


def _plain(text: str) -> str:
    """A mark's text as a section's name: printable, with single spaces, without words that mean something."""
    words = "".join(c if c.isprintable() else " " for c in text).split()
    words = [
        _INSTEAD.get(word.casefold(), "") if word.casefold() in RESERVED_WORDS else word for word in words
    ]
    return " ".join(words)[: LONGEST_NAME - 4].strip()


def _numbered(names: Sequence[str]) -> Iterator[str]:
    """ "verse", "verse" as "verse 1", "verse 2"; numbers that are taken are passed over."""
    count = Counter(name.casefold() for name in names)
    taken = {name for name, times in count.items() if times == 1}
    for name in names:
        if count[name.casefold()] == 1:
            yield name
            continue
        number = 1
        while (numbered := f"{name} {number}").casefold() in taken:
            number += 1
        taken.add(numbered.casefold())
        yield numbered
