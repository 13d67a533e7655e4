"""Scores as lists of notes: movements of music21's corpus (PyPI), arranged for a band of General MIDI.

Tempos are chosen so that an eighth note is a whole number of milliseconds and of fluidsynth's blocks of
64 frames at 48 kHz: a bar played elsewhere is then the same to the sample.
"""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

QUARTERS_MS = (600, 480, 640, 800)  # 100, 125, 93.75 and 75 quarters a minute
MOST_BARS = 20
LONGEST_S = 60
DRUMS = "drums"
BANDS = (  # General MIDI programs, counted from 0, from the melody down to the bass
    {"choir": 52, "strings": 48, "keys": 4, "bass": 33},
    {"sax": 66, "organ": 16, "guitar": 24, "bass": 32},
    {"piano": 0, "lead guitar": 30, "pad": 89, "bass": 34},
    {"voice": 53, "guitar": 27, "strings": 49, "bass": 35},
)
WORKS = (
    "bach/bwv267", "bach/bwv10.7", "bach/bwv40.8", "bach/bwv227.1", "bach/bwv145-a", "bach/bwv30.6",
    "bach/bwv248.12-2", "bach/bwv5.7", "bach/bwv110.7", "haydn/opus74no1/movement3", "mozart/k155/movement2",
    "mozart/k156/movement4", "mozart/k80/movement1", "joplin/maple_leaf_rag",
    "schumann_robert/opus41no1/movement2", "schubert/lindenbaum", "monteverdi/madrigal.3.1",
    "corelli/opus3no1/1grave", "handel/rinaldo/lascia_chio_pianga", "cpebach/h186",
    "beach/prayer_of_a_tired_child", "palestrina/agnus_0",
)  # fmt: skip


@dataclass(frozen=True)
class Note:
    """One note: onset and length in quarters from bar 1, MIDI pitch, velocity, and its player's own lag."""

    at: float
    length: float
    pitch: int
    velocity: int
    group: str
    late_ms: float = 0.0


@dataclass(frozen=True)
class Score:
    """A piece of `bars` bars of `bar_quarters`, whose first bar begins at 0; an anacrusis lies before it."""

    name: str
    bars: int
    bar_quarters: float
    quarter_ms: int
    programs: dict[str, int]
    notes: tuple[Note, ...]

    def humanised(self, seed: int) -> Score:
        """Another performance: onsets 8 ms (standard deviation, at most 20), velocities 6 off."""
        chance = random.Random(f"{self.name} {seed}")
        notes = tuple(
            replace(
                note,
                late_ms=round(min(max(chance.gauss(0, 8), -20), 20)),
                velocity=min(max(note.velocity + round(chance.gauss(0, 6)), 20), 120),
            )
            for note in self.notes
        )
        return replace(self, notes=notes)

    def reordered(self, parts: Sequence[tuple[int, int]]) -> Score:
        """The score of a form: bars (first, last), from 1, one after the other, played in one go.

        A note held over the end of a part stops with it; one held into a part's beginning is struck there.
        """
        notes: list[Note] = []
        now = 0.0
        for first, last in parts:
            start, stop = (first - 1) * self.bar_quarters, last * self.bar_quarters
            for note in self.notes:
                at, end = max(note.at, start), min(note.at + note.length, stop)
                if end - at > 1e-6 and not (note.at < start and end - at < 0.1):
                    notes.append(replace(note, at=at - start + now, length=end - at))
            now += stop - start
        bars = sum(last - first + 1 for first, last in parts)
        return replace(self, bars=bars, notes=tuple(notes))


def scores(folder: Path) -> list[Score]:
    """All pieces, read from the corpus once and kept in `folder`."""
    path = folder / "scores.json"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        made = [_score(work, number) for number, work in enumerate(WORKS)]
        path.write_text(json.dumps([asdict(score) for score in made]), encoding="utf-8")
    return [
        Score(**{**table, "notes": tuple(Note(**note) for note in table["notes"])})
        for table in json.loads(path.read_text(encoding="utf-8"))
    ]


def _score(work: str, number: int) -> Score:
    from music21 import corpus

    parts = corpus.parse(work).parts
    measures = list(parts[0].getElementsByClass("Measure"))
    bar = float(parts[0].recurse().getElementsByClass("TimeSignature")[0].barDuration.quarterLength)
    anacrusis = float(measures[1].offset) if float(measures[1].offset) < bar else 0.0
    whole = len(measures) - (1 if anacrusis else 0)
    quarter_ms = QUARTERS_MS[number % len(QUARTERS_MS)]
    bars = min(MOST_BARS, whole, int(LONGEST_S * 1000 / bar / quarter_ms))
    band = BANDS[number % len(BANDS)]
    names = [*band]
    notes = []
    for index, part in enumerate(parts):
        place = len(names) - 1 if index == len(parts) - 1 else min(index, len(names) - 2)
        for element in part.stripTies().flatten().notes:
            at, length = float(element.offset) - anacrusis, float(element.quarterLength)
            if length > 0 and -bar < at < bars * bar:
                notes += [Note(at, length, p.midi, 80, names[place]) for p in element.pitches]
    if number % 2 == 0:
        notes += _drums(bars, bar)
        band = {**band, DRUMS: 0}
    return Score(work, bars, bar, quarter_ms, dict(band), tuple(notes))


def _drums(bars: int, bar_quarters: float) -> list[Note]:
    """Bass drum and snare in turn on the quarters, closed hi-hat on the eighths, a crash every fourth bar."""
    notes = []
    for half in range(round(bars * bar_quarters * 2)):
        at = half / 2
        within = at % bar_quarters
        notes.append(Note(at, 0.25, 42, 60 if half % 2 else 72, DRUMS))
        if within == 0 and (at / bar_quarters) % 4 == 0:
            notes.append(Note(at, 1.0, 49, 80, DRUMS))
        if within % 1 == 0:
            notes.append(Note(at, 0.25, 38 if round(within) % 2 else 36, 90, DRUMS))
    return notes
