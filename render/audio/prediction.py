"""Continuation of a sound beyond its end by linear prediction.

Burg's method fits an all-pole model to the last moments (S. M. Kay and S. L. Marple, "Spectrum analysis: a
modern perspective", Proc. IEEE 69, 1981); run on without input it continues each partial in phase for some
tens of milliseconds. Its poles lie within the unit circle, so the continuation dies away and cannot grow.
(Least squares follow clean tones much longer, but hid joins no better, and need not be stable.)
"""

from __future__ import annotations

import numpy as np

from render.arrays import Audio, Floats

ORDER = 256
FITTED_S = 0.12
_BLOCK_FRAMES = 64


def model_of(past: Audio) -> Floats:
    """The prediction error filter of `past` (frames, channels), one for all channels."""
    return burg(past.mean(axis=1, dtype=np.float64), min(ORDER, len(past) // 3))


def continued(past: Audio, frames: int, model: Floats) -> Audio:
    """What `past` (frames, channels) would go on as by a model: (`frames`, channels); linear in `past`.

    A block of new samples at a time, from those before it: within a block the recursion is a triangular
    system (block processing as in render/loudness/kweighting.py; scipy.signal's filter, which the tests
    compare with, takes longer to import than a command spends on its joins).
    """
    order = len(model) - 1
    if order < 1:
        return np.zeros((frames, past.shape[1]), np.float32)
    impulse = np.zeros(_BLOCK_FRAMES)
    impulse[: order + 1] = model[:_BLOCK_FRAMES]
    lags = np.subtract.outer(np.arange(_BLOCK_FRAMES), np.arange(_BLOCK_FRAMES))
    within = np.where(lags >= 0, impulse[lags], 0.0)
    # what each of the `order` samples before the block gives to each of its own
    reach = np.subtract.outer(np.arange(_BLOCK_FRAMES), np.arange(-order, 0))
    from_past = np.where(reach <= order, model[np.minimum(reach, order)], 0.0)
    onward = -np.linalg.solve(within, from_past)
    blocks = -(-frames // _BLOCK_FRAMES)
    out = np.concatenate(
        [past[-order:].astype(np.float64), np.zeros((blocks * _BLOCK_FRAMES, past.shape[1]))]
    )
    for start in range(order, len(out), _BLOCK_FRAMES):
        out[start : start + _BLOCK_FRAMES] = onward @ out[start - order : start]
    return out[order : order + frames].astype(np.float32)


def burg(signal: Floats, order: int) -> Floats:
    """The prediction error filter (1, a1, ..., a_order) of a signal by Burg's method; (1,) for silence."""
    forward, backward = signal[1:].copy(), signal[:-1].copy()
    model = np.zeros(order + 1)
    model[0] = 1.0
    for grown in range(1, order + 1):
        power = float(forward @ forward + backward @ backward)
        if power < 1e-12:
            return model[:grown].copy()
        reflection = -2 * float(forward @ backward) / power
        model[: grown + 1] += reflection * model[grown::-1]
        ahead = reflection * backward
        backward += reflection * forward
        forward += ahead
        forward, backward = forward[1:], backward[:-1]
    return model
