"""Single bars of another length, found from the downbeats: half a bar before the last refrain, say.

Where the beat that sounds like the first of a bar moves for good, a bar before it was shorter (or longer).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from render.analysis.onsets import Onsets
from render.arrays import Audio, Floats
from render.beat.tempo_estimate import beat_scores, downbeat_path
from render.song.grid import Change, Grid, Meter

CLEAR_GAIN = 12.0  # in units of beat scores; half a bar moved in 20 clear bars gains about 50
FEWEST_BARS = 4  # that a moved first beat must last


@dataclass(frozen=True)
class OddBars:
    """`first_offset`: the beat (from 0) of the grid's bar 1 that is rather the first of its bar.

    `bars`: (bar, beats) of bars of another length than the meter's, numbered as they will be once they
    are written down; empty where there are none, or where it is not clear.
    """

    first_offset: int
    bars: tuple[tuple[int, int], ...]

    def changes(self, meter: Meter) -> tuple[Change, ...]:
        """The meter changes to write into song.changes."""
        changes: dict[int, Change] = {}
        for bar, beats in self.bars:
            changes[bar] = Change(bar, meter=Meter(beats, meter.unit))
            changes[bar + 1] = Change(bar + 1, meter=meter)
        return tuple(changes[bar] for bar in sorted(changes))

    def text(self, meter: Meter) -> str:
        """The same as song.toml has it."""
        entries = [f'{{ bar = {c.bar}, meter = "{c.meter}" }}' for c in self.changes(meter)]
        return f"changes = [{', '.join(entries)}]"

    def line(self, meter: Meter) -> str:
        """What to tell a person."""
        named = " and ".join(f"bar {bar} ({beats}/{meter.unit})" for bar, beats in self.bars)
        many = len(self.bars) > 1
        return (
            f"{named} {'are' if many else 'is'} probably of another length than {meter}, as first beats move "
            f"there: {self.text(meter)}"
        )


NO_ODD_BARS = OddBars(0, ())


def odd_bars(audio: Audio, sample_rate: int, curve: Onsets, grid: Grid, bars: int) -> OddBars:
    """Look for bars of another length in a grid of one tempo and one meter, in its first `bars` bars."""
    meter = grid.meter
    if grid.changes or meter.beats < 2 or bars < 2 * FEWEST_BARS:
        return NO_ODD_BARS
    beat_s, start_s = float(grid.stretch(1).beat_s), float(grid.start_s)
    beats: Floats = start_s + np.arange(bars * meter.beats, dtype=np.float64) * beat_s
    scores = beat_scores(audio, sample_rate, curve, beats)
    path, gain = downbeat_path(scores, meter.beats)
    runs = [(offset, len(list(same))) for offset, same in itertools.groupby(path)]
    if gain < CLEAR_GAIN or any(length < FEWEST_BARS for _, length in runs):
        return NO_ODD_BARS
    return OddBars(path[0], bars_between(path, meter.beats, scores))


def bars_between(path: list[int], per_bar: int, scores: Floats) -> tuple[tuple[int, int], ...]:
    """(bar, beats) of the odd bars that lie between first beats, bars numbered from 1.

    `path`: for each bar of the regular grid, which of its beats is a first beat; `scores`: for each beat,
    how much it is like one.
    """
    firsts = [bar * per_bar + offset for bar, offset in enumerate(path)]
    odd, number = [], 0
    for one, two in itertools.pairwise(firsts):
        number += 1
        beats = two - one
        if beats > per_bar:  # a whole bar and a short one: which comes first, its first beat tells
            beats -= per_bar
            short_first = scores[one + beats] > scores[one + per_bar]
            odd.append((number if short_first else number + 1, beats))
            number += 1
        elif beats < per_bar:
            odd.append((number, beats))
    return tuple(odd)
