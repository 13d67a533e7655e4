"""What can be measured on the sound around a cut: steps, levels, attacks, and what is held across it.

Everything here takes short excerpts, float32 `(frames, channels)`, whose middle is the cut, so that a
join is judged in milliseconds of work.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from render.arrays import Audio, Floats
from render.loudness.k_response import k_power

SHORT_TERM_S = 3.0  # the short-term window of EBU Tech 3341
CONTEXT_S = 0.16  # what is read on each side of a cut to find what is held across it
_BLOCK_FRAMES, _BLOCKS_AT_ONCE = 8192, 4
_SLOT_S = 0.001  # attacks are placed to the millisecond
_ATTACK_RATIO = 5.0  # energy after / before that makes an attack (7 dB)
WINDOW_S = 0.05
_HOP_S = 0.01
_MEDIAN_BINS = 21  # a partial stands out from this many bins around it: 400 Hz
_STEADY = 0.2  # of a bin's magnitude may be unforeseen where it sounds on
_LOWEST_HZ, _HIGHEST_HZ = 90.0, 5000.0  # where notes and voices have their partials


def sample_step(samples: Audio) -> float:
    """The largest step between neighbouring samples of any channel, linear (full scale = 1)."""
    return float(np.max(np.abs(np.diff(samples, axis=0)))) if len(samples) > 1 else 0.0


def short_term_lufs(samples: Audio, sample_rate: int) -> float:
    """Short-term loudness of an excerpt (3 s, ungated), LUFS; -inf for silence.

    BS.1770-5's K-weighting applied to the power spectrum: for 3 s, a third of the work of filtering.
    """
    if len(samples) == 0:
        return float("-inf")
    blocks = -(-len(samples) // _BLOCK_FRAMES)
    padded = np.zeros((samples.shape[1], blocks * _BLOCK_FRAMES), np.float32)
    padded[:, : len(samples)] = samples.T
    power = np.zeros(_BLOCK_FRAMES // 2 + 1)
    spectra: NDArray[Any] = np.empty((_BLOCKS_AT_ONCE, len(power)), np.complex64)
    rows = padded.reshape(-1, _BLOCK_FRAMES)
    for first in range(0, len(rows), _BLOCKS_AT_ONCE):  # few: fresh memory costs more than the transform
        some = rows[first : first + _BLOCKS_AT_ONCE]
        spectrum = np.fft.rfft(some, axis=1, norm="forward", out=spectra[: len(some)])
        power += (spectrum.real**2 + spectrum.imag**2).sum(axis=0)
    power[1:-1] *= 2  # the negative frequencies
    mean_square = float(np.dot(power, _k_power(sample_rate))) * _BLOCK_FRAMES / len(samples)
    return -0.691 + 10 * float(np.log10(mean_square)) if mean_square > 1e-13 else float("-inf")


@lru_cache(maxsize=4)
def _k_power(sample_rate: int) -> Floats:
    """|K-weighting|^2 at the frequencies of a block's spectrum."""
    return k_power(np.arange(_BLOCK_FRAMES // 2 + 1) * sample_rate / _BLOCK_FRAMES)


def brightness(samples: Audio, sample_rate: int) -> Floats:
    """Energy of the sample-to-sample differences in slots of 1 ms: attacks stand out in it. `(slots,)`."""
    slot = max(round(_SLOT_S * sample_rate), 1)
    steps = np.diff(samples.astype(np.float64), axis=0, prepend=samples[:1]) ** 2
    whole = len(steps) // slot * slot
    energy: Floats = steps[:whole].sum(axis=1).reshape(-1, slot).mean(axis=1)
    return energy


def attacks(energy: Floats) -> list[int]:
    """Slots of `brightness` in which an attack begins: the clearest rise over the 10 ms before it."""
    if len(energy) < 24:
        return []
    sums = np.concatenate([[0.0], np.cumsum(energy)])
    floor = 1e-3 * float(np.mean(energy)) + 1e-12
    at = np.arange(10, len(energy) - 4)
    after = (sums[at + 4] - sums[at]) / 4
    before = (sums[at] - sums[at - 10]) / 10
    rise = after / (before + floor)
    loud = after > 0.1 * float(np.max(after))
    slots = []
    for i in np.flatnonzero((rise > _ATTACK_RATIO) & loud):
        if rise[i] == rise[max(i - 6, 0) : i + 7].max():
            slot = int(at[i])
            peak = energy[slot : slot + 6].max()
            slots.append(slot + int(np.argmax(energy[slot : slot + 6] > 0.2 * peak)))
    return slots


def spectra(samples: Audio, sample_rate: int, hop_s: float = _HOP_S) -> Floats:
    """Power spectra of 50 ms windows, `(windows, bins)`, between 90 Hz and 5 kHz, neighbouring bins summed.

    Summing three bins keeps a voice's vibrato in one place.
    """
    return _summed(_transforms(samples, sample_rate, hop_s))


def _transforms(samples: Audio, sample_rate: int, hop_s: float) -> NDArray[np.complex128]:
    """Fourier transforms of the windows, `(windows, bins + 2)`: one bin more at either end."""
    size, hop = round(WINDOW_S * sample_rate), max(round(hop_s * sample_rate), 1)
    mono = samples @ np.full(samples.shape[1], 1 / samples.shape[1], np.float32)
    if len(mono) < size:
        return np.zeros((0, 3), np.complex128)
    windows = np.lib.stride_tricks.sliding_window_view(mono, size)[::hop]
    low, high = int(_LOWEST_HZ * WINDOW_S), int(min(_HIGHEST_HZ, sample_rate * 0.45) * WINDOW_S)
    # numpy transforms float32 in less than half the time if it also scales, by 1 / size
    shape = (np.hanning(size) * size).astype(np.float32)
    transforms = np.fft.rfft(windows * shape, axis=1, norm="forward")
    return transforms[:, low - 1 : high + 1].astype(np.complex128)


def _summed(transforms: NDArray[np.complex128]) -> Floats:
    power = transforms.real**2 + transforms.imag**2
    summed: Floats = power[:, 1:-1] + power[:, :-2] + power[:, 2:]
    return summed


def _deviation(transforms: NDArray[np.complex128]) -> Floats:
    """How far each bin is from what the two windows before it foresee, `(windows, bins)`: 0 to 1.

    A partial that sounds on turns by as much from window to window; one that is struck does not (onset
    detection in the complex domain: J. P. Bello, C. Duxbury, M. Davies and M. Sandler, IEEE Signal
    Processing Letters 11(6), 2004, from memory; scaled here by both magnitudes).
    """
    size = np.abs(transforms)
    turn = transforms / (size + 1e-12)
    deviation = np.ones(transforms.shape)
    foreseen = size[1:-1] * turn[1:-1] ** 2 * turn[:-2].conj()
    deviation[2:] = np.abs(transforms[2:] - foreseen) / (size[2:] + size[1:-1] + 1e-12)
    return deviation[:, 1:-1]


@dataclass(frozen=True)
class Held:
    """What sounds on across the middle of an excerpt.

    `share`: of the energy before the middle, how much is held across it (0..1); `weights`: the same per
    bin, `(bins,)`; `before`, `after`: mean power per bin on each side.
    """

    share: float
    weights: Floats
    before: Floats
    after: Floats


def held_across(samples: Audio, sample_rate: int) -> Held:
    """What is held across the middle of an excerpt of 2 x `CONTEXT_S`.

    A partial, a bin that stands out from those around it, is held where it stands out all the way, turns
    steadily and is neither gone at the middle nor struck there: a note that ends falls, one that is struck
    again begins at another phase. (Limits chosen on half of the lines of
    tests/benchmarks/RESULTS_join_flags.md, on which notes of known length are held or not.)
    """
    transforms = _transforms(samples, sample_rate, _HOP_S)
    power = _summed(transforms)
    centre = (np.arange(len(power)) * _HOP_S + WINDOW_S / 2) - len(samples) / sample_rate / 2
    before = power[(centre < -0.03) & (centre > -0.11)].mean(axis=0)
    after = power[(centre > 0.03) & (centre < 0.11)].mean(axis=0)
    middle = np.abs(centre) <= 0.05
    across = power[middle]
    dip = across.min(axis=0) / (before + 1e-20)
    rise = after / (before + 1e-20)
    jump = np.maximum(rise, across.max(axis=0) / (before + 1e-20))
    stands_out = (before > 4 * _around(before)) & (after > 2.5 * _around(after))
    stands_out[stands_out] = (across[:, stands_out] > 1.5 * _around(across, stands_out)).all(axis=0)
    steady = (_deviation(transforms)[middle] < _STEADY).all(axis=0)
    held = stands_out & steady & (dip > 0.1) & (rise > 0.3) & (jump < 20)
    total = float(before.sum())
    weights: Floats = np.where(held, np.minimum(before, after), 0.0)
    return Held(float(weights.sum()) / total if total > 1e-12 else 0.0, weights, before, after)


def _around(power: Floats, bins: NDArray[np.bool_] | None = None) -> Floats:
    """The running median over bins, of the same shape (..., bins), or of `bins` alone; at the ends, bins are
    mirrored."""
    margin = [(0, 0)] * (power.ndim - 1) + [(_MEDIAN_BINS // 2,) * 2]
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(power, margin, mode="symmetric"), _MEDIAN_BINS, axis=-1
    )
    near = windows if bins is None else windows[..., bins, :]
    return np.partition(near, _MEDIAN_BINS // 2, axis=-1)[..., _MEDIAN_BINS // 2]


def missing_share(held: Held, instead: Floats) -> float:
    """Of the energy before a cut, how much the source holds across it but `instead` lacks (0..1)."""
    total = float(held.before.sum())
    gone = np.where(instead < 0.25 * held.weights, held.weights, 0.0)
    return float(gone.sum()) / total if total > 1e-12 else 0.0


def carried_in_db(samples: Audio, sample_rate: int) -> float:
    """Level ahead of the middle of an excerpt (100 ms) less that after it: how loud its end sounds on there.

    Of all that is known of a join this foretells best how far the part that begins in the middle is from a
    performance of it (tests/benchmarks/RESULTS_join_flags.md).
    """
    middle, power = len(samples) // 2, samples.astype(np.float64) ** 2
    ahead = float(power[middle - round(0.1 * sample_rate) : middle].mean())
    return 10 * float(np.log10((ahead + 1e-12) / (float(power[middle:].mean()) + 1e-12)))


def audible(power: Floats) -> bool:
    """Whether the power per bin is more than the noise of a room (about -60 dBFS)."""
    return float(power.sum()) > 1e-6 * 1e5
