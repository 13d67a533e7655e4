"""Gains of a crossfade, and the correlation of two sides that they depend on."""

from __future__ import annotations

import numpy as np

from render.arrays import Audio


def rise(frames: int) -> Audio:
    """A raised-cosine rise from 0 to 1, sampled between its ends: (frames, 1)."""
    steps = (np.arange(frames, dtype=np.float64) + 0.5) / max(frames, 1)
    return (0.5 - 0.5 * np.cos(np.pi * steps)).astype(np.float32)[:, None]


def crossfade_gains(frames: int, r: float) -> tuple[Audio, Audio]:
    """Falling and rising gains, (frames, 1) each, of constant power for sides of correlation r (0..1)."""
    up = rise(frames).astype(np.float64)
    down = 1.0 - up
    power = np.sqrt(down**2 + up**2 + 2 * up * down * min(max(r, 0.0), 1.0))
    return (down / power).astype(np.float32), (up / power).astype(np.float32)


def correlation(one: Audio, two: Audio) -> float:
    """Correlation of two excerpts of equal shape over all channels, limited to 0..1 (0 for silence)."""
    x, y = one.astype(np.float64).ravel(), two.astype(np.float64).ravel()
    scale = float(np.sqrt(np.dot(x, x) * np.dot(y, y)))
    return min(max(float(np.dot(x, y)) / scale, 0.0), 1.0) if scale > 0 else 0.0
