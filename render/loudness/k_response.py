"""The K-weighting's response (ITU-R BS.1770-5, Annex 1): its two sections, and its power by frequency."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from render.arrays import Floats
from render.errors import AudioError

Float64 = npt.NDArray[np.float64]

LOWEST_RATE = 8_000
_PRINTED_RATE = 48_000

# ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2: b0 b1 b2 a0 a1 a2 at 48 kHz.
_PRINTED_48K = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585),
    (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621),
)


def k_weighting_sos(sample_rate: int) -> Float64:
    """The two second-order sections of the K-weighting, shape (2, 6), as scipy.signal takes them.

    At 48 kHz these are the printed coefficients. At other rates they come from pyloudnorm's filter class
    "DeMan" (its default class is an approximation, about 0.04 LU off), the analogue prototype behind the
    printed ones by the bilinear transform. As in every meter built that way, the response at other rates is
    that of 48 kHz nearly, not quite (the second section's numerator stays 1, -2, 1): up to 3 kHz within
    0.006 dB at 44.1 kHz, 0.03 dB at 96 kHz, 0.43 dB at 8 kHz. Forms of one song share a rate, so this
    cancels where they are matched.

    Raises AudioError below 8 kHz.
    """
    if sample_rate < LOWEST_RATE:
        raise AudioError(
            f"A sample rate of {sample_rate} Hz cannot be measured: {LOWEST_RATE} Hz or more is needed."
            " Bounce the song again at 44100 or 48000 Hz."
        )
    if sample_rate == _PRINTED_RATE:
        return np.array(_PRINTED_48K)
    from pyloudnorm.iirfilter import IIRfilter  # which imports all of scipy.signal

    shelf = IIRfilter(3.99984385397, 0.7071752369554193, 1681.9744509555319, sample_rate, "high_shelf_DeMan")
    high_pass = IIRfilter(0.0, 0.5003270373253953, 38.13547087613982, sample_rate, "high_pass_DeMan")
    return np.array([[*stage.b, *stage.a] for stage in (shelf, high_pass)])


def k_power(frequencies_hz: Floats) -> Floats:
    """|K-weighting|^2 at frequencies in hertz: of the printed filter, whatever the audio's rate; that of
    its top above it."""
    z = np.exp(-2j * np.pi * np.minimum(frequencies_hz, _PRINTED_RATE / 2) / _PRINTED_RATE)
    response = np.ones_like(z)
    for b0, b1, b2, a0, a1, a2 in _PRINTED_48K:
        response *= (b0 + b1 * z + b2 * z**2) / (a0 + a1 * z + a2 * z**2)
    power: Floats = np.abs(response) ** 2
    return power
