"""Grid and sections from the project's tempo map, or sections from cue points in the bounce."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from render.analysis.onsets import Onsets
from render.analysis.sections import Suggestion
from render.arrays import Audio
from render.beat.map_start import MapStart, find_tick_0
from render.errors import SongError
from render.figures import counted
from render.riff import read_cues
from render.song.grid import Grid, exact
from render.song.marked_sections import Mark, MarkedSections, marked_sections
from render.song.song_map import SongMap, bar_of_map, is_lead_in, lay_map
from render.song.tempo_map import TempoMap, read_tempo_map


@dataclass(frozen=True)
class LaidMap:
    """A map on the bounce; `start` is how its place was found, None where it was given."""

    map: SongMap
    start: MapStart | None

    @property
    def question(self) -> str:
        """What to ask before song.toml is written, "" where the place is clear."""
        if self.start is None or self.start.sure:
            return ""
        others = ", ".join(f"{other:.3f}" for other in self.start.others)
        return (
            f"Where the map begins in the audio is not clear: at {float(self.map.tick_0_s):.3f} s"
            f"{f', or at {others}' if others else ''} (negative: before the audio). Is "
            f"{float(self.map.tick_0_s):.3f} s right? (If not, give it with --start SECONDS.)"
        )

    @property
    def lines(self) -> list[str]:
        """Where the map lies, and what it leaves open."""
        why = "as --start says" if self.start is None else self.start.reason
        why += "; this is not clear, so listen to the beat" if self.question else ""
        name, grid = self.map.path.name, self.map.grid
        place = f"{name}: tick 0 falls at {float(self.map.tick_0_s):.3f} s of the audio ({why}), "
        place += f"bar 1 at {float(grid.start_s):.3f} s; tempo {float(grid.tempo):.6g}, {grid.meter}"
        if grid.beats_s:
            place += ", every beat as the map has it"
        elif grid.changes:
            place += f", {counted(len(grid.changes), 'change')} of tempo or meter"
        return [place, *self.map.notes]


def map_on_bounce(
    path: Path, audio: Audio, sample_rate: int, tick_0_s: float | None, curve: Onsets
) -> LaidMap:
    """The map laid where `tick_0_s` says, or the song's attacks.

    Bars before the audio, or named as its lead-in, are not counted.

    Raises:
        SongError: no map, or none that fits there.
    """
    tempo_map = read_tempo_map(path)
    if tick_0_s is not None and not math.isfinite(tick_0_s):
        raise SongError(f"start {tick_0_s}: it says where tick 0 of {path.name} falls, in seconds")
    lay_map(tempo_map, path, 1, Fraction(0), sample_rate, len(audio))  # absurd tempos are refused first
    start = find_tick_0(audio, sample_rate, tempo_map, curve) if tick_0_s is None else None
    at_s = start.tick_0_s if start is not None else exact(tick_0_s or 0.0)
    first = _first_bar(tempo_map, at_s, path)
    start_s = at_s + tempo_map.time_s(bar_of_map(tempo_map, first, path).quarters)
    if start_s * sample_rate >= len(audio):
        raise SongError(
            f"{path.name}: with tick 0 at {float(at_s):.3f} s its first bar lies beyond the audio"
        )
    start_s = exact(round(float(max(start_s, Fraction(0))), 9))
    return LaidMap(lay_map(tempo_map, path, first, start_s, sample_rate, len(audio)), start)


def _first_bar(tempo_map: TempoMap, tick_0_s: Fraction, path: Path) -> int:
    """The first of the map's bars that the audio has, after its lead-in."""
    begins = tempo_map.quarters(max(-tick_0_s, Fraction(0))) if tick_0_s < 0 else Fraction(0)
    if tempo_map.markers and is_lead_in(tempo_map.markers[0]):
        later = [m.quarters for m in tempo_map.markers[1:]]
        begins = max(begins, min(later, default=Fraction(1)))
    a_little = Fraction(1, 1000)
    number = 1
    for bar in tempo_map.bars(begins + 1024):
        number = bar.number
        if bar.quarters >= begins - a_little:
            break
    return bar_of_map(tempo_map, number, path).number


def cued_sections(path: Path, grid: Grid, last_bar: int) -> MarkedSections:
    """Sections from the labelled cue points of a WAV file; none where it has fewer than two."""
    cues = [cue for cue in read_cues(path) if cue.label.strip()]
    if len(cues) < 2:
        return MarkedSections((), ())
    return marked_sections([Mark(Fraction(c.frame, grid.sample_rate), c.label) for c in cues], grid, last_bar)


def as_suggestion(marked: MarkedSections) -> Suggestion:
    """The user's own sections in the place of suggested ones."""
    many = len(marked.sections)
    return Suggestion(marked.sections, (1.0,) * many, (None,) * many, None)
