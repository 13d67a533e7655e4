"""Downbeat phase and bar 1, relative to a grid, and by how many beats most sections begin early or late.

The beat of the bar is told by what `new` goes by (harmony, low sounds, level); which of the bars it is, by
where the song changes most. A start is named only where both are clear: a false alarm is worse than silence.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from render.analysis.bar_features import describe
from render.analysis.novelty import bar_likeness, bar_novelty
from render.analysis.onsets import Onsets
from render.arrays import Audio, Counts, Floats
from render.beat.phases import beat_lines
from render.beat.tempo_estimate import beat_scores, first_sound_s
from render.song.grid import Grid, exact

# Our own settings, chosen on invented songs whose starts are known.
DOWNBEAT_MARGIN = 0.6  # mean z-scores; songs with a clear first beat have 1.2 and more
CLEAR_CHANGE = 1.15  # a bar line takes the sections where it has so many times the novelty of its neighbour
NO_WORSE = 0.9  # and no less than this share of what the grid's own lines have
FEWEST_SECTIONS = 3
MOST_ODD_BARS = 2  # more of them are rather a wrong tempo or meter
SURE_MARGIN = 0.8


@dataclass(frozen=True)
class BarOne:
    """`place`: the beat (from 0) of the grid's bars that is rather their first, None where it is not clear.

    `start_s`: where bar 1 then begins, None where it is not clear which of two bars it is. `agreeing` of
    `sections` section starts (the first left out) are clearer there than where the grid has them.
    """

    place: int | None
    start_s: float | None
    agreeing: int = 0
    sections: int = 0


def bar_one(
    audio: Audio, sample_rate: int, curve: Onsets, grid: Grid, bars: int, shift_s: float,
    section_bars: Sequence[int],
) -> BarOne:  # fmt: skip
    """Look for bar 1, given how late the beats are against the grid's (`shift_s`), in its first `bars` bars.

    `section_bars`: first bars of the song's sections.
    """
    place = first_beat(audio, sample_rate, curve, grid, bars, shift_s)
    beat_s = float(grid.stretch(1).beat_s)
    start_s = float(grid.start_s) + shift_s
    if not place:
        return BarOne(place, start_s if place == 0 and start_s >= 0 else None)
    later = start_s + place * beat_s
    earlier = later - grid.meter.beats * beat_s
    firsts = [bar for bar in section_bars if 1 < bar <= bars]
    by_sound = BarOne(place, _where_it_sounds(curve, later, earlier, beat_s))
    if earlier < -beat_s / 4 or len(firsts) < FEWEST_SECTIONS:
        return by_sound
    given, late, early = (
        changes_at(audio, grid, max(at_s, 0.0), bars, firsts)
        for at_s in (float(grid.start_s), later, earlier)
    )
    chosen, best, other = (later, late, early) if late.sum() >= early.sum() else (earlier, early, late)
    if best.sum() < NO_WORSE * given.sum():  # the sections say something else than the beats
        return BarOne(None, None)
    silent_s = first_sound_s(curve) - chosen
    if best.sum() < CLEAR_CHANGE * other.sum() or silent_s > grid.meter.beats * beat_s / 2:
        return by_sound
    return BarOne(place, chosen, int((best > given).sum()), len(firsts))


def first_beat(
    audio: Audio, sample_rate: int, curve: Onsets, grid: Grid, bars: int, shift_s: float
) -> int | None:
    """Which beat (from 0) of the grid's bars is like a first one, None where none clearly is."""
    per_bar = grid.meter.beats
    if per_bar < 2 or bars < 8:
        return None
    times, firsts, _ = _beats(grid, bars, shift_s)
    scores = beat_scores(audio, sample_rate, curve, times)
    evidence = np.array([scores[firsts + place].mean() for place in range(per_bar)])
    ranked = np.sort(evidence)
    return int(np.argmax(evidence)) if ranked[-1] - ranked[-2] > DOWNBEAT_MARGIN else None


def changes_are_sure(audio: Audio, curve: Onsets, grid: Grid, bars: int) -> bool:
    """Whether bars of another length, which `grid` has, are few, and first beats clear between them."""
    odd = [bar for bar in range(1, bars + 1) if grid.stretch(bar).meter != grid.meter]
    if len(odd) > MOST_ODD_BARS:
        return False
    times, firsts, numbers = _beats(grid, bars, 0.0)
    scores = beat_scores(audio, grid.sample_rate, curve, times)
    for after, before in itertools.pairwise([0, *odd, bars + 1]):
        here = firsts[(numbers > after) & (numbers < before)]
        if not len(here):
            continue
        mean = np.array([scores[here + place].mean() for place in range(grid.meter.beats)])
        if mean[0] - mean[1:].max() < SURE_MARGIN:
            return False
    return True


def _beats(grid: Grid, bars: int, shift_s: float) -> tuple[Floats, Counts, Counts]:
    """Times of all beats; which of them begin a bar of the song's own meter; those bars' numbers."""
    lines, edges = beat_lines(grid, bars)
    times, begins = lines[:-1] + shift_s, np.array(edges[:-1])
    own = [grid.stretch(bar).meter == grid.meter for bar in range(1, bars + 1)]
    numbers = np.flatnonzero(np.array(own) & (times[begins] >= 0))
    return np.maximum(times, 0.0), begins[numbers], numbers + 1


def changes_at(audio: Audio, grid: Grid, start_s: float, bars: int, firsts: Sequence[int]) -> Floats:
    """How new the song sounds at the bar lines of `firsts`, were bar 1 at `start_s`."""
    moved = replace(grid, start_s=exact(round(start_s, 6)))
    edges = np.array([float(moved.line_s(bar)) for bar in range(1, bars + 2)])
    edges = np.minimum(edges, len(audio) / grid.sample_rate)
    novelty = bar_novelty(*bar_likeness(describe(audio, grid.sample_rate, edges)))
    changes: Floats = novelty[np.array(firsts) - 1]
    return changes


def _where_it_sounds(curve: Onsets, later: float, earlier: float, beat_s: float) -> float | None:
    """Of two places for bar 1, the one where the song's first sound is; None where it is at neither."""
    begins_s = first_sound_s(curve)
    near = [at_s for at_s in (later, earlier) if at_s >= 0 and abs(at_s - begins_s) < beat_s / 4]
    return near[0] if near else None
