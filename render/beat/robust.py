"""Robust statistics of offsets by bar: a line through them, and a running median."""

from __future__ import annotations

import numpy as np

from render.arrays import Floats


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
