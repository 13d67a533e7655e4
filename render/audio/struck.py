"""Where the next attack in a sound begins: energy in frequencies that did not have it.

Against all the energy of the moments before; or against that of one of two upper bands, so that a drum beside
a loud held note counts as struck too.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from render.arrays import Audio, Floats

_WINDOW_S, _HOP_S, _BACK_S = 0.02, 0.002, 0.08
_LOWEST_HZ, _HIGHEST_HZ = 50, 10000
_BANDS_HZ = (400, 2000)  # their lower ends; below, a band is too narrow to be steady in noise
_NEW_SHARE, _LOUDER = 0.3, 1.5
_LEAST_SHARE = 0.01  # of all energy, for an attack in one band
_AT_ONCE = 48  # windows looked at before the next: the attack is mostly among the first


def struck(sound: Audio, first: int, rate: int, in_bands: bool) -> int | None:
    """The frame of (frames, channels) from `first` on at which the next attack begins; None without one."""
    size, hop = round(_WINDOW_S * rate), max(round(_HOP_S * rate), 1)
    back = round(_BACK_S / _HOP_S)
    begin = first - back * hop - size // 2
    begin = begin if begin >= 0 else begin % hop
    windows = range(begin, len(sound) - size, hop)
    mono = sound @ np.full(sound.shape[1], 1 / sound.shape[1], np.float32)
    floor = 1e-4 * float((mono.astype(np.float64) ** 2).mean()) * size**2 / 8 + 1e-9
    low, high = round(_LOWEST_HZ * _WINDOW_S), round(min(_HIGHEST_HZ, 0.45 * rate) * _WINDOW_S)
    power_of, spectra = _PowerSpectra(mono, size, slice(low, high)), np.zeros((0, high - low))
    for seen in range(back, len(windows), _AT_ONCE):
        known = spectra[len(spectra) - back :] if len(spectra) else spectra
        spectra = np.concatenate([known, power_of(windows[seen - back + len(known) : seen + _AT_ONCE])])
        places = np.flatnonzero(_attack_seen(spectra, back, low, floor, in_bands))
        if len(places):
            return windows[seen + int(places[0])] + size // 2
    return None


class _PowerSpectra:
    """Power spectra of windows of `mono`, the bins `used` of them, by way of memory that is used again:
    fresh pages cost more than the transforms."""

    def __init__(self, mono: Audio, size: int, used: slice) -> None:
        self._excerpts = np.lib.stride_tricks.sliding_window_view(mono, size)
        self._shape, self._used = np.hanning(size).astype(np.float32), used
        self._shaped = np.empty((_AT_ONCE, size))
        self._transforms = np.empty((_AT_ONCE, size // 2 + 1), np.complex128)

    def __call__(self, windows: range) -> Floats:
        """(windows, bins), of those that begin at these frames."""
        power = np.empty((len(windows), self._used.stop - self._used.start))
        for first in range(0, len(windows), _AT_ONCE):
            some = windows[first : first + _AT_ONCE]
            shaped, transforms = self._shaped[: len(some)], self._transforms[: len(some)]
            np.multiply(self._excerpts[some.start : some.stop : some.step], self._shape, out=shaped)
            np.fft.rfft(shaped, axis=1, out=transforms)
            size = np.abs(transforms[:, self._used].astype(np.complex64))
            np.square(size, dtype=np.float64, out=power[first : first + len(some)])
        return power


def _attack_seen(spectra: Floats, back: int, low: int, floor: float, in_bands: bool) -> NDArray[np.bool_]:
    """Whether an attack is seen in each window but the first `back`; (windows - back,).

    `spectra` is (windows, bins) from bin `low` on; the outermost two only count as neighbours of others.
    """
    power = spectra[:, 1:-1]
    around = power + spectra[:, :-2] + spectra[:, 2:]
    # the 60 ms before, but for the last 10, in which the window begins to see the attack itself
    loudest = _loudest_of_25(around)[back - 30 : len(power) - 30]
    fresh = np.maximum(power[back:] - _LOUDER * loudest, 0)
    usual = _usual(power, back)
    begins: NDArray[np.bool_] = fresh.sum(axis=1) > _NEW_SHARE * usual + floor
    if in_bands:
        edges = [*(round(hertz * _WINDOW_S) - low - 1 for hertz in _BANDS_HZ), power.shape[1]]
        for lo, hi in itertools.pairwise(edges):
            own = fresh[:, lo:hi].sum(axis=1)
            least = np.maximum(_NEW_SHARE * _usual(power[:, lo:hi], back), _LEAST_SHARE * usual + floor)
            begins |= own > least
    return begins


def _loudest_of_25(power: Floats) -> Floats:
    """The maxima over the 25 windows from each on, by those over 2, 4, 8 and 16; (windows - 24, bins)."""
    for step in (1, 2, 4, 8):
        power = np.maximum(power[:-step], power[step:])
    return np.maximum(power[:-9], power[9:])


def _usual(power: Floats, back: int) -> Floats:
    """Mean energy of windows 20 to 6 before each window from `back` on, (windows,)."""
    sums = np.concatenate([[0.0], np.cumsum(power.sum(axis=1))])
    at = np.arange(back, len(power))
    usual: Floats = (sums[at - 5] - sums[at - 20]) / 15
    return usual
