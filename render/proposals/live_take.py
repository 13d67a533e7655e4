"""A grid for a live take: its beats followed, bar 1 and the first beats of the bars found on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.analysis.onsets import Onsets
from render.arrays import Audio
from render.beat.following import FollowedBeats, follow_beats
from render.beat.tempo_estimate import downbeat, find_pulses, first_sound_s, last_sound_s
from render.errors import SongError
from render.figures import clock_text
from render.song.grid import Grid, Meter, exact

_WIDE_BEATS = 16


@dataclass(frozen=True)
class LiveTake:
    """`grid` lies on the beats from bar 1 on; `followed` has all of them; `first_beat_sure`: which of them
    begins a bar is clear."""

    grid: Grid
    followed: FollowedBeats
    first_beat_sure: bool

    @property
    def beats_s(self) -> tuple[float, ...]:
        """Every beat from bar 1 on, seconds, to a tenth of a millisecond."""
        return tuple(float(beat) for beat in self.grid.beats_s)

    @property
    def unsure(self) -> tuple[tuple[float, float], ...]:
        """(from, to) in seconds, after bar 1 begins, where few attacks say where beats lie."""
        begins = self.beats_s[0]
        return tuple((max(a, begins), b) for a, b in self.followed.unsure if b > begins)

    @property
    def note(self) -> str:
        """What stands on top of beats.csv."""
        lines = ["every beat from bar 1 on, seconds; followed through the attacks, correct what is not right"]
        return "\n".join([*lines, *(f"not sure: {a:.1f} to {b:.1f} s" for a, b in self.unsure)])

    def lines(self) -> list[str]:
        """What to tell a person."""
        beats = np.array(self.beats_s)
        wide = min(_WIDE_BEATS, len(beats) - 1)
        tempos = 60 * wide / (beats[wide:] - beats[:-wide])
        lines = [
            f"{len(beats)} beats followed, one time a beat in beats.csv; the tempo sways between "
            f"{tempos.min():.1f} and {tempos.max():.1f} beats a minute"
        ]
        for start_s, stop_s in self.unsure:
            lines.append(
                f"not sure from {clock_text(start_s)} to {clock_text(stop_s)}: few attacks say where beats "
                "lie there"
            )
        if not self.followed.half_sure:
            lines.append(
                "whether these are the beats, or the places halfway between them, is not sure: "
                "`check --click` lets you hear it"
            )
        if not self.first_beat_sure:
            lines.append(
                "which of them is the first of a bar is not sure: listen, and write another as start"
            )
        return lines


def live_take(
    audio: Audio, curve: Onsets, sample_rate: int, tempo: float | None, meter: Meter, start_s: float | None
) -> LiveTake:
    """Follow the beat of `audio`, (frames, channels); `tempo` (quarters a minute) roughly, if it is known.

    Bar 1 begins on the beat nearest to `start_s`, or where harmony and low sounds say.

    Raises:
        SongError: there is no beat to follow.
    """
    quarters = meter.unit / 4
    pulses = find_pulses(curve) if tempo is None else []
    if tempo is None and not pulses:
        raise SongError(
            "no beat can be followed in this audio: it has no clear attacks; give a rough --tempo"
        )
    beat_rate = tempo * quarters if tempo else pulses[0].tempo
    followed = follow_beats(audio, sample_rate, curve, beat_rate, start_s)
    # up to the one after the last attack
    beats = followed.beats_s[: int(np.searchsorted(followed.beats_s, last_sound_s(curve))) + 1]
    if len(beats) < 2 * meter.beats:
        raise SongError("no beat can be followed in this audio: it is too short, or silent")
    begins = int(np.argmax(beats >= first_sound_s(curve) - 0.06))
    place, sure = downbeat(audio, sample_rate, curve, beats[begins:], meter.beats)
    first = begins + place
    if sure and place > meter.beats / 2 and first >= meter.beats:
        first -= meter.beats  # it begins late in its bar 1
    if start_s is not None:
        first, sure = int(np.argmin(np.abs(beats - start_s))), True
    beats = np.round(beats[first:], 4)
    mean = 60 * (len(beats) - 1) / float(beats[-1] - beats[0]) / quarters
    times = tuple(exact(float(beat)) for beat in beats)
    grid = Grid(sample_rate, times[0], exact(round(mean, 3)), meter, (), times)
    return LiveTake(grid, followed, sure)
