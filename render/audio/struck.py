"""Where the next attack in a sound begins: energy in frequencies that did not have it.

Against all the energy of the moments before; or against that of one of two upper bands, so that a drum beside
a loud held note counts as struck too.
"""

from __future__ import annotations

import itertools

import numpy as np

from render.arrays import Audio, Floats

_WINDOW_S, _HOP_S, _BACK_S = 0.02, 0.002, 0.08
_LOWEST_HZ, _HIGHEST_HZ = 50, 10000
_BANDS_HZ = (400, 2000)  # their lower ends; below, a band is too narrow to be steady in noise
_NEW_SHARE, _LOUDER = 0.3, 1.5
_LEAST_SHARE = 0.01  # of all energy, for an attack in one band


def struck(sound: Audio, first: int, rate: int, in_bands: bool) -> int | None:
    """The frame of (frames, channels) from `first` on at which the next attack begins; None without one."""
    size, hop = round(_WINDOW_S * rate), max(round(_HOP_S * rate), 1)
    back = round(_BACK_S / _HOP_S)
    starts = np.arange(first - back * hop - size // 2, len(sound) - size, hop)
    starts = starts[starts >= 0]
    if len(starts) <= back:
        return None
    mono = sound.mean(axis=1)
    windows = np.lib.stride_tricks.sliding_window_view(mono, size)[starts]
    spectra = (
        np.abs(np.fft.rfft(windows * np.hanning(size).astype(np.float32), axis=1)).astype(np.float64) ** 2
    )
    low, high = round(_LOWEST_HZ * _WINDOW_S), round(min(_HIGHEST_HZ, 0.45 * rate) * _WINDOW_S)
    power = spectra[:, low + 1 : high - 1]
    around = power + spectra[:, low : high - 2] + spectra[:, low + 2 : high]
    # the 60 ms before, but for the last 10, in which the window begins to see the attack itself
    near = np.lib.stride_tricks.sliding_window_view(around, 25, axis=0)  # the 25 windows from each on
    loudest = near[back - 30 : len(power) - 30].max(axis=-1)
    fresh = np.maximum(power[back:] - _LOUDER * loudest, 0)
    floor = 1e-4 * float((mono.astype(np.float64) ** 2).mean()) * size**2 / 8 + 1e-9
    usual = _usual(power, back)
    found = fresh.sum(axis=1) > _NEW_SHARE * usual + floor
    if in_bands:
        edges = [*(round(hertz * _WINDOW_S) - low - 1 for hertz in _BANDS_HZ), power.shape[1]]
        for lo, hi in itertools.pairwise(edges):
            own = fresh[:, lo:hi].sum(axis=1)
            least = np.maximum(_NEW_SHARE * _usual(power[:, lo:hi], back), _LEAST_SHARE * usual + floor)
            found |= own > least
    places = np.flatnonzero(found)
    return int(starts[back + places[0]]) + size // 2 if len(places) else None


def _usual(power: Floats, back: int) -> Floats:
    """Mean energy of windows 20 to 6 before each window from `back` on, (windows,)."""
    sums = np.concatenate([[0.0], np.cumsum(power.sum(axis=1))])
    at = np.arange(back, len(power))
    usual: Floats = (sums[at - 5] - sums[at - 20]) / 15
    return usual
