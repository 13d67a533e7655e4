"""The demo's song as a piece of the corpus: half a verse, a refrain and its bridge, played by a MIDI band."""

from __future__ import annotations

from listening.demo.score import bar_notes
from tests.benchmarks.joins.scores import DRUMS, Note, Score

QUARTER_MS = 600  # 100 quarters a minute; the demo has 97.3, at which bars are no whole number of blocks
PROGRAMS = {"bass": 33, "piano": 0, "pad": 89, "guitar": 27, "voice": 53, DRUMS: 0}  # counted from 0
PERCUSSION = {
    "kick": 36, "snare": 38, "rim": 37, "hat": 42, "open hat": 46, "shaker": 70, "tom": 45, "crash": 49,
}  # fmt: skip
PLAYED = (("verse 1", range(4, 12)), ("refrain", range(8)), ("bridge", range(7)))


def demo_piece() -> Score:
    """Twenty-three bars of 4/4; pickups sound in the bars before, as in the song."""
    bars = [(section, index) for section, indices in PLAYED for index in indices]
    notes = []
    for bar, (section, index) in enumerate(bars):
        for note in bar_notes(section, index):
            drum = note.stem == DRUMS
            velocity = round(90 * 10 ** (note.level_db / 40))  # General MIDI's usual curve
            notes.append(
                Note(
                    4 * bar + note.beat,
                    0.25 if drum else note.beats,
                    PERCUSSION[note.sound] if drum else round(note.pitch),
                    min(max(velocity, 20), 120),
                    note.sound if note.stem == "keys" else note.stem,
                )
            )
    kept = tuple(note for note in notes if note.at > -2 and note.length > 0)
    return Score("lanterns on the weir", len(bars), 4.0, QUARTER_MS, PROGRAMS, kept)
