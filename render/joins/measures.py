"""What can be measured on the sound around a cut: steps, levels, attacks, and what is held across it.

Everything here takes short excerpts, float32 `(frames, channels)`, whose middle is the cut, so that a
join is judged in milliseconds of work.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from render.arrays import Audio, Floats
from render.loudness.k_response import k_power

SHORT_TERM_S = 3.0  # the short-term window of EBU Tech 3341
CONTEXT_S = 0.16  # what is read on each side of a cut to find what is held across it
_BLOCK_FRAMES = 8192
_SLOT_S = 0.001  # attacks are placed to the millisecond
_ATTACK_RATIO = 5.0  # energy after / before that makes an attack (7 dB)
WINDOW_S = 0.05
_HOP_S = 0.01
_MEDIAN_BINS = 21  # a partial stands out from this many bins around it: 400 Hz
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
    for block in padded.reshape(-1, _BLOCK_FRAMES):  # one by one: fresh memory costs more than the transform
        spectrum = np.fft.rfft(block)
        power += spectrum.real**2 + spectrum.imag**2
    power[1:-1] *= 2  # the negative frequencies
    mean_square = float(np.dot(power, _k_power(sample_rate))) / _BLOCK_FRAMES / len(samples)
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
    size, hop = round(WINDOW_S * sample_rate), max(round(hop_s * sample_rate), 1)
    mono = samples @ np.full(samples.shape[1], 1 / samples.shape[1], np.float32)
    if len(mono) < size:
        return np.zeros((0, 1))
    windows = np.lib.stride_tricks.sliding_window_view(mono, size)[::hop]
    power = np.abs(np.fft.rfft(windows * np.hanning(size).astype(np.float32), axis=1)).astype(np.float64) ** 2
    low, high = int(_LOWEST_HZ * WINDOW_S), int(min(_HIGHEST_HZ, sample_rate * 0.45) * WINDOW_S)
    summed: Floats = power[:, low:high] + power[:, low - 1 : high - 1] + power[:, low + 1 : high + 1]
    return summed


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

    A partial, a bin that stands out from those around it, is held where it stands out all the way and neither
    dips nor jumps at the middle: a note that ends there falls, one that is struck again dips or jumps.
    (Limits set on notes of known length laid over played music, tests/benchmarks/RESULTS_joins.md.)
    """
    power = spectra(samples, sample_rate)
    centre = (np.arange(len(power)) * _HOP_S + WINDOW_S / 2) - len(samples) / sample_rate / 2
    before = power[(centre < -0.03) & (centre > -0.11)].mean(axis=0)
    after = power[(centre > 0.03) & (centre < 0.11)].mean(axis=0)
    across = power[np.abs(centre) <= 0.05]
    dip = across.min(axis=0) / (before + 1e-20)
    rise = after / (before + 1e-20)
    jump = np.maximum(rise, across.max(axis=0) / (before + 1e-20))
    stands_out = (before > 4 * _around(before)) & (after > 2.5 * _around(after))
    stands_out &= (across > 1.5 * _around(across)).all(axis=0)
    held = stands_out & (dip > 0.3) & (rise > 0.3) & (jump < 4)
    total = float(before.sum())
    weights: Floats = np.where(held, np.minimum(before, after), 0.0)
    return Held(float(weights.sum()) / total if total > 1e-12 else 0.0, weights, before, after)


def _around(power: Floats) -> Floats:
    """The running median over bins, of the same shape (..., bins); at the ends, bins are mirrored."""
    margin = [(0, 0)] * (power.ndim - 1) + [(_MEDIAN_BINS // 2,) * 2]
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(power, margin, mode="symmetric"), _MEDIAN_BINS, axis=-1
    )
    medians: Floats = np.median(windows, axis=-1)
    return medians


def missing_share(held: Held, instead: Floats) -> float:
    """Of the energy before a cut, how much the source holds across it but `instead` lacks (0..1)."""
    total = float(held.before.sum())
    gone = np.where(instead < 0.25 * held.weights, held.weights, 0.0)
    return float(gone.sum()) / total if total > 1e-12 else 0.0
