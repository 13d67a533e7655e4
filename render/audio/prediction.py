"""Continuation of a sound beyond its end by linear prediction.

Burg's method fits an all-pole model to the last moments (S. M. Kay and S. L. Marple, "Spectrum analysis: a
modern perspective", Proc. IEEE 69, 1981); run on without input it continues each partial in phase for some
tens of milliseconds. Its poles lie within the unit circle, so the continuation dies away and cannot grow.
(Least squares follow clean tones much longer, but hid joins no better, and need not be stable.)
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter, lfiltic

from render.arrays import Audio, Floats

ORDER = 256
FITTED_S = 0.12


def model_of(past: Audio) -> Floats:
    """The prediction error filter of `past` (frames, channels), one for all channels."""
    return burg(past.mean(axis=1, dtype=np.float64), min(ORDER, len(past) // 3))


def continued(past: Audio, frames: int, model: Floats) -> Audio:
    """What `past` (frames, channels) would go on as by a model: (`frames`, channels); linear in `past`."""
    out = np.zeros((frames, past.shape[1]), np.float32)
    if len(model) > 1:
        for channel in range(past.shape[1]):
            backwards = past[: -len(model) : -1, channel].astype(np.float64)
            state = lfiltic([1.0], model, backwards)
            out[:, channel] = lfilter([1.0], model, np.zeros(frames), zi=state)[0]
    return out


def burg(signal: Floats, order: int) -> Floats:
    """The prediction error filter (1, a1, ..., a_order) of a signal by Burg's method; (1,) for silence."""
    forward, backward = signal[1:].copy(), signal[:-1].copy()
    model = np.ones(1)
    for _ in range(order):
        power = float(forward @ forward + backward @ backward)
        if power < 1e-12:
            break
        reflection = -2 * float(forward @ backward) / power
        grown = np.append(model, 0.0)
        model = grown + reflection * grown[::-1]
        forward, backward = (
            (forward + reflection * backward)[1:],
            (backward + reflection * forward)[:-1],
        )
    return model
