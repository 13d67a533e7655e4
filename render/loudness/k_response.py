"""The K-weighting's response (ITU-R BS.1770-5, Annex 1): its two sections, and its power by frequency."""

from __future__ import annotations

import math

import numpy as np

from render.arrays import Floats

_PRINTED_RATE = 48_000

# ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2: b0 b1 b2 a0 a1 a2 at 48 kHz.
_PRINTED_48K = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585),
    (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621),
)
# The analogue prototype behind them (B. De Man, "Evaluation of implementations of the EBU R128 loudness
# measurement", AES convention 2018; source from memory): gain, Q and corner frequency.
_SHELF_DB, _SHELF_Q, _SHELF_HZ = 3.99984385397, 0.7071752369554193, 1681.9744509555319
_SHELF_SLOPE = 0.499666774155  # the exponent of the middle gain: the square root of the whole, nearly
_HIGH_PASS_Q, _HIGH_PASS_HZ = 0.5003270373253953, 38.13547087613982


def k_weighting_sos(sample_rate: int) -> Floats:
    """The two second-order sections of the K-weighting, shape (2, 6), as scipy.signal takes them.

    At 48 kHz these are the printed coefficients. At other rates they are the analogue prototype behind the
    printed ones by the bilinear transform (as in pyloudnorm's filter class "DeMan", with which a test
    compares them; its default class is an approximation, about 0.04 LU off). As in every meter built that
    way, the response at other rates is that of 48 kHz nearly, not quite (the second section's numerator
    stays 1, -2, 1): up to 3 kHz within 0.006 dB at 44.1 kHz, 0.03 dB at 96 kHz, 0.43 dB at 8 kHz. Forms of
    one song share a rate, so this cancels where they are matched.
    """
    if sample_rate == _PRINTED_RATE:
        return np.array(_PRINTED_48K)
    high = 10 ** (_SHELF_DB / 20)
    middle = high**_SHELF_SLOPE
    k, poles = _bilinear(_SHELF_HZ, _SHELF_Q, sample_rate)
    shelf = np.array(
        [high + middle * k / _SHELF_Q + k**2, 2 * (k**2 - high), high - middle * k / _SHELF_Q + k**2]
    )
    shelf /= 1 + k / _SHELF_Q + k**2
    _, slow_poles = _bilinear(_HIGH_PASS_HZ, _HIGH_PASS_Q, sample_rate)
    return np.array([[*shelf, *poles], [1.0, -2.0, 1.0, *slow_poles]])


def _bilinear(corner_hz: float, q: float, sample_rate: int) -> tuple[float, list[float]]:
    """(the warped corner frequency, the denominator a0 a1 a2) of a second-order section with these poles."""
    k = math.tan(math.pi * corner_hz / sample_rate)
    scale = 1 + k / q + k**2
    return k, [1.0, 2 * (k**2 - 1) / scale, (1 - k / q + k**2) / scale]


def k_power(frequencies_hz: Floats) -> Floats:
    """|K-weighting|^2 at frequencies in hertz: of the printed filter, whatever the audio's rate; that of
    its top above it."""
    z = np.exp(-2j * np.pi * np.minimum(frequencies_hz, _PRINTED_RATE / 2) / _PRINTED_RATE)
    response = np.ones_like(z)
    for b0, b1, b2, a0, a1, a2 in _PRINTED_48K:
        response *= (b0 + b1 * z + b2 * z**2) / (a0 + a1 * z + a2 * z**2)
    power: Floats = np.abs(response) ** 2
    return power
