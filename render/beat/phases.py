"""A song's attacks against its grid: mean phase vectors of beats and their parts, bar by bar.

In the grid's own count of beats u(t), an attack on a 1/h part of a beat has the phase 0 in exp(2 pi i h u).
Where the grid fits, the vectors of all bars point the same way, whichever parts of the beat are accented;
where the tempo is wrong or sways, they turn from bar to bar. (Circular statistics of the onset curve; a
predominant local pulse, as in Grosche and Mueller, IEEE TASLP 2011, from memory, but relative to a grid.)
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from render.analysis.onsets import Onsets
from render.arrays import Floats
from render.song.grid import Grid

Vectors = NDArray[np.complex128]
PARTS = (1, 2, 3, 4)  # of a beat: itself, halves, thirds, quarters
WINDOW_S = 4.0  # bars are pooled until a window is about so long
# Counts of the beat at which nothing of a song on its grid repeats: what agreement is there by chance.
_NO_GRID = (0.871, 0.913, 1.093, 1.157)


@dataclass(frozen=True)
class BeatPhases:
    """`vectors` (parts, bars): sums of attack strength as vectors of phase; `weight` (bars,): its sum.

    `pool`: bars to a window; `beat_s`: the median beat.
    """

    beat_s: float
    vectors: Vectors
    weight: Floats
    pool: int

    @cached_property
    def pooled(self) -> Vectors:
        """The same over windows of several bars around each bar."""
        return np.array([np.convolve(row, np.ones(self.pool), mode="same") for row in self.vectors])

    @cached_property
    def clearest(self) -> int:
        """The part of the beat on which attacks agree most within windows."""
        return max(PARTS, key=self.local_agreement)

    def local_agreement(self, part: int) -> float:
        """|mean phase vector| of attacks within windows, on average, 0..1: high for any steady playing near
        the grid's tempo."""
        return _agreement(self.pooled[PARTS.index(part)], self.weight, self.pool)

    def coherence(self, part: int) -> float:
        """How much the windows point the same way, 0..1: 1 on a grid that fits."""
        row = self.pooled[PARTS.index(part)]
        return float(abs(row.sum()) / max(float(np.abs(row).sum()), 1e-12))

    def clarity(self, part: int) -> Floats:
        """How strong and how agreed the attacks around each bar are, (bars,)."""
        agreement: Floats = np.abs(self.pooled[PARTS.index(part)])
        return agreement

    def offsets_s(self, part: int) -> Floats:
        """How late the attacks are in each bar against a part of the beat, followed from bar to bar, (bars,).

        Where the grid fits, offsets are those nearest to the common one: an accent that moves to another
        part of the beat changes nothing. Bars without attacks are bridged.
        """
        row = self.pooled[PARTS.index(part)]
        clear = np.flatnonzero(np.abs(row) > 0.25 * np.median(np.abs(row)))
        if not len(clear):
            return np.zeros(len(row))
        mean = row.sum() / max(float(np.abs(row).sum()), 1e-12)
        if abs(mean) > 0.6:
            angles = np.angle(row[clear] / mean) + np.angle(mean)
        else:
            angles = np.unwrap(np.angle(row[clear]))
        late = angles / (2 * np.pi * part) * self.beat_s
        offsets_s: Floats = np.interp(np.arange(len(row)), clear, late)
        return offsets_s


def strays_s(rest_s: Floats, clarity: Floats, share: float) -> float:
    """The quantile `share` of the bars' absolute offsets (bars,), each weighted by its clarity."""
    order = np.argsort(np.abs(rest_s))
    counted = np.cumsum(clarity[order]) / max(float(clarity.sum()), 1e-12)
    at = min(int(np.searchsorted(counted, share)), len(order) - 1)
    return float(np.abs(rest_s)[order][at])


def beat_phases(curve: Onsets, grid: Grid, bars: int) -> BeatPhases:
    """Phase vectors of the first `bars` bars."""
    attacks = _Attacks(curve, grid, bars)
    turns: Vectors = np.exp(2j * np.pi * attacks.position)
    rows, vectors = [], attacks.weights + 0j
    for _part in PARTS:
        vectors = vectors * turns
        rows.append(attacks.by_bar(vectors))
    weight = attacks.by_bar(attacks.weights)
    return BeatPhases(attacks.beat_s, np.array(rows), weight, attacks.pool)


def chance_agreement(curve: Onsets, grid: Grid, bars: int, part: int) -> float:
    """What `local_agreement` is, on average, for the same song on grids that are none of it."""
    attacks = _Attacks(curve, grid, bars)
    weight, values = attacks.by_bar(attacks.weights), []
    for count in _NO_GRID:
        row = attacks.by_bar(attacks.weights * np.exp(2j * np.pi * count * part * attacks.position))
        values.append(_agreement(np.convolve(row, np.ones(attacks.pool), mode="same"), weight, attacks.pool))
    return float(np.mean(values))


def _agreement(pooled: Vectors, weight: Floats, pool: int) -> float:
    """How much attacks agree within windows of `pool` bars, 0..1, on average."""
    total = float(np.convolve(weight, np.ones(pool), mode="same").sum())
    return float(np.abs(pooled).sum() / max(total, 1e-12))


class _Attacks:
    """A song's attacks in the count of a grid's beats: `weights` and `position` in beats, (steps,)."""

    def __init__(self, curve: Onsets, grid: Grid, bars: int) -> None:
        beats, edges = beat_lines(grid, bars)
        first = max(int(np.ceil(beats[0] * curve.rate)), 0)
        stop = min(int(beats[-1] * curve.rate), len(curve.strength))
        times = np.arange(first, stop) / curve.rate
        self.weights = curve.strength[first:stop]
        self.position: Floats = np.interp(times, beats, np.arange(len(beats)))
        self.beat_s = float(np.median(np.diff(beats)))
        self.pool = max(round(WINDOW_S / float(np.median(np.diff(beats[edges])))), 1)
        self._bounds = np.searchsorted(times, beats[edges])

    def by_bar(self, values: NDArray[Any]) -> NDArray[Any]:
        """Sums of (steps,) by bar, (bars,)."""
        total = np.concatenate([[0], np.cumsum(values)])
        sums: NDArray[Any] = np.diff(total[self._bounds])
        return sums


@lru_cache(maxsize=4)
def beat_lines(grid: Grid, bars: int) -> tuple[Floats, list[int]]:
    """Times of all beats of the first `bars` bars and of the line after them; which of them begin a bar.

    Exact arithmetic is slow, and one song is asked about again and again: do not change what is returned.
    """
    times: list[float] = []
    edges = []
    for bar in range(1, bars + 1):
        edges.append(len(times))
        times += [float(grid.beat_time_s(bar, beat)) for beat in range(grid.stretch(bar).meter.beats)]
    edges.append(len(times))
    times.append(float(grid.line_s(bars + 1)))
    return np.array(times), edges
