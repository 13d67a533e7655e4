"""How late a song's attacks are against a grid, bar by bar: the shortest path through bars and offsets."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from render.analysis.onsets import Onsets
from render.arrays import Floats
from render.song.grid import Grid

_STEP_S = 0.005
_REACH_S = 0.5
_CURVE_SIGMA_S = 0.012


def offset_path(curve: Onsets, grid: Grid, bars: int) -> tuple[Floats, float]:
    """How late the attacks are in each bar (seconds), and how clear that is (0 = as by chance).

    The shortest path through bars x offsets: attacks on beats are worth going there, moving costs.
    """
    steps = np.arange(-_REACH_S, _REACH_S + _STEP_S, _STEP_S)
    blurred = curve.smooth(_CURVE_SIGMA_S)
    match = np.empty((bars, len(steps)))
    for bar in range(1, bars + 1):
        stretch = grid.stretch(bar)
        beats = float(grid.line_s(bar)) + np.arange(2 * stretch.meter.beats) * float(stretch.beat_s) / 2
        weights = np.tile([1.0, 0.3], stretch.meter.beats)
        match[bar - 1] = weights @ blurred.at(beats[:, None] + steps) / weights.sum()
    padded = np.vstack([match[:1], match, match[-1:]])
    pooled = padded[:-2] + 2 * padded[1:-1] + padded[2:]  # neighbours help a bar that rests
    gain = np.log(0.3 + pooled / (pooled.mean(axis=1, keepdims=True) + 1e-9))
    beat_s = float(grid.stretch(1).beat_s)
    gain[0] -= (steps / beat_s / 0.5) ** 2  # of all the beats, the nearest
    path = _best_path(gain, np.abs(np.arange(-12, 13)) * _STEP_S / 0.02 * 0.35)
    along = match[np.arange(bars), path]
    clearness = float(along.mean() / max(match.mean(), 1e-9) - 1)
    clear = np.flatnonzero(along >= 0.3 * np.median(along))  # bars of soft attacks tell nothing: bridge them
    offsets_s: Floats = np.interp(np.arange(bars), clear, steps[path][clear]) if len(clear) else steps[path]
    return offsets_s, clearness


def _best_path(gain: Floats, cost: Floats) -> NDArray[np.intp]:
    reach = len(cost) // 2
    total, came = gain[0], []
    for row in gain[1:]:
        padded = np.pad(total, reach, constant_values=-np.inf)
        options = np.stack([padded[i : i + len(row)] - cost[i] for i in range(len(cost))])
        best = options.argmax(axis=0)
        came.append(best - reach)
        total = options.max(axis=0) + row
    path = [int(np.argmax(total))]
    for moves in reversed(came):
        path.append(path[-1] + int(moves[path[-1]]))
    return np.array(path[::-1])


def robust_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and value at 0 by Theil and Sen: the median of all slopes, deaf to a few odd bars."""
    i, j = np.triu_indices(len(x), k=max(len(x) // 4, 1))
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    return slope, float(np.median(y - slope * x))


def smooth(offsets: Floats) -> Floats:
    """Running median over 5 bars."""
    padded = np.pad(offsets, 2, mode="edge")
    medians: Floats = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return medians
