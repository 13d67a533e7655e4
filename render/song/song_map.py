"""The map of a song's project (tempo, meter, markers) laid on the bounce: grid and sections."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from render.errors import SongError
from render.figures import clock_text
from render.song.grid import Change, Grid
from render.song.marked_sections import Mark, MarkedSections, marked_sections
from render.song.tempo_map import MICROSECOND, MapBar, Marker, TempoMap

SLOWEST, FASTEST = 3, 1000  # quarters a minute; SMF's three bytes reach down to 3.58
LEAD_IN = "lead-in"  # what our own maps call the bars before bar 1
RE_RECORD, BY_EAR = "re-record: ", "check by ear: "  # markers of our own maps that begin no section
SAME_END_S = 1  # a map that ends so near to the audio's end is as long as it


@dataclass(frozen=True)
class SongMap:
    """A map laid on an audio file: bar `first_bar` of the map is bar 1, at `grid.start_s`.

    `tick_0_s`: where tick 0 falls in the audio (negative: before it begins).
    """

    path: Path
    tempo_map: TempoMap
    first_bar: int
    grid: Grid
    tick_0_s: Fraction
    seconds: Fraction

    @property
    def marks(self) -> list[Mark]:
        """The markers as places in the audio."""
        return [
            Mark(self.tick_0_s + self.tempo_map.time_s(m.quarters), m.text)
            for m in self.tempo_map.markers
            if not ((is_lead_in(m) and self.first_bar > 1) or m.text.startswith((RE_RECORD, BY_EAR)))
        ]

    @property
    def last_bar(self) -> int:
        """The last bar that the audio fills."""
        last, frames = 1, self.seconds * self.grid.sample_rate
        while self.grid.line_frame(last + 2) <= frames:
            last += 1
        return last

    def sections(self, last_bar: int | None = None) -> MarkedSections:
        """Sections from the markers; what lies before bar 1 is not the song's."""
        earliest_s = self.grid.start_s - self.grid.stretch(1).bar_s / 2
        within = [mark for mark in self.marks if mark.time_s > earliest_s]
        return marked_sections(within, self.grid, last_bar or self.last_bar)

    @property
    def notes(self) -> tuple[str, ...]:
        """Where map and audio do not end together, and bars that are counted otherwise."""
        said = []
        if self.first_bar > 1:
            said.append(f"bar 1 here is bar {self.first_bar} of {self.path.name}")
        if not self.tempo_map.says_tempo:
            said.append(
                f"{self.path.name} names no tempo: 120 quarters a minute hold, as the standard has it"
            )
        end_s = self.tick_0_s + self.tempo_map.time_s(self.tempo_map.end_quarters)
        ends = f"{self.path.name} ends at {clock_text(float(end_s))} of the audio, which is "
        ends += f"{clock_text(float(self.seconds))} long"
        if end_s <= 0:
            ends = f"{self.path.name} ends before the audio begins"
        if end_s < self.seconds - SAME_END_S:
            said.append(f"{ends}: its last tempo and meter hold until the end")
        elif end_s > self.seconds + SAME_END_S:
            said.append(f"{ends}: what comes later in the map is left out")
        return tuple(said)


def lay_map(
    tempo_map: TempoMap, path: Path, first_bar: int, start_s: Fraction, sample_rate: int, frames: int
) -> SongMap:
    """Lay bar `first_bar` of a map, which was read from `path`, at `start_s` (seconds).

    Raises:
        SongError: it holds what no song can have.
    """
    seconds = Fraction(frames, sample_rate)
    first = bar_of_map(tempo_map, first_bar, path)
    tick_0_s = start_s - tempo_map.time_s(first.quarters)
    _require_tempos(tempo_map, first, seconds - tick_0_s, path)
    try:
        end = tempo_map.quarters(seconds - tick_0_s)
        bars = [bar for bar in tempo_map.bars(end) if bar.number >= first_bar] or [first]
    except SongError as error:
        raise SongError(f"{path.name}: {error}") from None
    changes = _by_changes(tempo_map, bars, sample_rate, start_s)
    grid = changes or _by_beats(tempo_map, bars, sample_rate, tick_0_s)
    return SongMap(path, tempo_map, first_bar, grid, tick_0_s, seconds)


def is_lead_in(marker: Marker) -> bool:
    """Whether a marker names what comes before the song, at tick 0."""
    return marker.quarters == 0 and marker.text.casefold() in (LEAD_IN, "lead in", "count-in", "count in")


def bar_of_map(tempo_map: TempoMap, number: int, path: Path) -> MapBar:
    """A bar of the map by its number.

    Raises:
        SongError: the map would need very many tempos or signatures to have it.
    """
    until, step = tempo_map.meters[-1][0] + 1, Fraction(4 * number * tempo_map.meters[-1][1].beats)
    for bar in tempo_map.bars(until + step):
        if bar.number == number:
            return bar
    raise SongError(f"song.map_bar: {path.name} has no bar {number}")


def _require_tempos(tempo_map: TempoMap, first: MapBar, until_s: Fraction, path: Path) -> None:
    """Refuse a tempo that no song has, from bar `first` on to the audio's end (seconds after tick 0)."""
    in_force = max(p.quarters for p in tempo_map.tempos if p.quarters <= first.quarters)
    for point in tempo_map.tempos:
        tempo = 60 / (point.us_per_quarter * MICROSECOND)
        if in_force <= point.quarters and point.time_s < until_s and not SLOWEST <= tempo <= FASTEST:
            *_, bar = tempo_map.bars(max(point.quarters, first.quarters) + Fraction(1, 10**6))
            raise SongError(
                f"{path.name}: bar {bar.number} has a tempo of {float(tempo):.0f} a minute; expected "
                f"{SLOWEST} to {FASTEST}; export the map again"
            )


def _by_changes(
    tempo_map: TempoMap, bars: Sequence[MapBar], sample_rate: int, start_s: Fraction
) -> Grid | None:
    """Bars of whole beats whose tempos all begin on bar lines, as changes; None for others."""
    lines = {bar.quarters for bar in bars}
    inside = [
        p for p in tempo_map.tempos if bars[0].quarters < p.quarters < bars[-1].quarters + _length(bars[-1])
    ]
    whole = all(two.quarters - one.quarters == _length(one) for one, two in itertools.pairwise(bars))
    if not whole or any(point.quarters not in lines for point in inside):
        return None
    points = {p.quarters: p for p in inside}
    first = bars[0]
    tempo = _tempo_at(tempo_map, first.quarters)
    changes, last = [], first
    for bar in bars[1:]:
        point = points.get(bar.quarters)
        meter = bar.meter if bar.meter != last.meter else None
        if point is not None or meter is not None:
            new = 60 / (point.us_per_quarter * MICROSECOND) if point else None
            changes.append(Change(bar.number - first.number + 1, new, meter))
        last = bar
    return Grid(sample_rate, start_s, tempo, first.meter, tuple(changes))


def _by_beats(tempo_map: TempoMap, bars: Sequence[MapBar], sample_rate: int, tick_0_s: Fraction) -> Grid:
    """Every beat at its own time: for ramps, and for bars that a time signature cuts short."""
    beats = [
        tick_0_s + tempo_map.time_s(bar.quarters + Fraction(4 * beat, bar.meter.unit))
        for bar in bars
        for beat in range(bar.meter.beats)
    ]
    last = bars[-1]
    beats.append(tick_0_s + tempo_map.time_s(last.quarters + _length(last)))
    changes, meter = [], bars[0].meter
    for number, bar in enumerate(bars, 1):
        if bar.meter != meter:
            meter = bar.meter
            changes.append(Change(number, meter=meter))
    tempo = _tempo_at(tempo_map, bars[0].quarters)
    return Grid(sample_rate, beats[0], tempo, bars[0].meter, tuple(changes), tuple(beats))


def _tempo_at(tempo_map: TempoMap, quarters: Fraction) -> Fraction:
    point = next(p for p in reversed(tempo_map.tempos) if p.quarters <= quarters)
    return 60 / (point.us_per_quarter * MICROSECOND)


def _length(bar: MapBar) -> Fraction:
    return Fraction(4 * bar.meter.beats, bar.meter.unit)
