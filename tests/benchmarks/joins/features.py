"""What may give a join away, as figures: level, spectrum, attacks and sustained energy around a line.

All are ratios within one excerpt of 2 s whose middle is the line, so that loudness and piece matter little.
Frozen before the first means of hiding joins was tried; the figures of `continuing` were added later, before
the third version of joining was tried (see RESULTS_joins.md).
"""

from __future__ import annotations

import itertools

import numpy as np
from scipy import fft

from render.arrays import Audio, Floats
from tests.benchmarks.joins.continuing import continuing

REACH_S = 1.0
_TINY = 1e-12
_BANDS_HZ = (60, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
_SLOT_S = 0.001


def features(excerpt: Audio, rate: int) -> Floats:
    """The figures of one excerpt, (frames, channels) with the line in its middle."""
    mono = excerpt.mean(axis=1).astype(np.float64)
    side = (excerpt[:, 0] - excerpt[:, -1]).astype(np.float64)
    scale = float(np.sqrt(np.mean(mono**2))) + 1e-9
    mono, side = mono / scale, side / scale
    mid = len(mono) // 2
    groups = (
        _clicks(mono, mid, rate),
        _levels(mono, mid, rate),
        _bands(mono, mid, rate),
        _sustained(mono, mid, rate),
        _attacks(mono, mid, rate),
        _width(mono, side, mid, rate),
        continuing(mono, mid, rate),
    )
    return np.concatenate(groups)


def _db(power: Floats | float) -> Floats:
    return np.asarray(10 * np.log10(np.asarray(power) + _TINY))


def _clicks(mono: Floats, mid: int, rate: int) -> Floats:
    """Sharpest bend of the waveform near the line against those elsewhere, at three widths."""
    bends = np.abs(np.diff(mono, 2))
    usual = np.sort(bends)
    ranks = [usual[int(len(usual) * q)] + 1e-9 for q in (0.9, 0.99, 0.999)]
    near = [bends[mid - round(w * rate) : mid + round(w * rate)].max() for w in (0.004, 0.015, 0.04)]
    return np.array([20 * np.log10(n / r + 1e-9) for n in near for r in ranks])


def _levels(mono: Floats, mid: int, rate: int) -> Floats:
    """Level after the line less that before it, over 5 to 800 ms, and dips just ahead of it."""
    power = np.concatenate([[0.0], np.cumsum(mono**2)])

    def mean_db(from_s: float, to_s: float) -> float:
        a, b = mid + round(from_s * rate), mid + round(to_s * rate)
        return float(_db((power[b] - power[a]) / (b - a)))

    steps = [mean_db(0, w) - mean_db(-w, 0) for w in (0.005, 0.015, 0.04, 0.12, 0.4, 0.8)]
    dips = [
        mean_db(-0.012, -0.002) - mean_db(-0.05, -0.015),
        mean_db(-0.03, -0.002) - mean_db(-0.12, -0.04),
        mean_db(0.002, 0.02) - mean_db(0.03, 0.08),
        mean_db(0.1, 0.2) - mean_db(0.02, 0.06),
        mean_db(-0.03, -0.002) - mean_db(0.002, 0.03),
    ]
    return np.array([*steps, *np.abs(steps), *dips])


def _bands(mono: Floats, mid: int, rate: int) -> Floats:
    """Steps of the octave bands across the line, and how far they pass the usual change there."""
    figures: list[float] = []
    for window_s in (0.03, 0.1):
        size = round(window_s * rate)
        starts = np.arange(mid % size, len(mono) - size + 1, size)
        power = np.abs(fft.rfft(mono[starts[:, None] + np.arange(size)] * np.hanning(size), axis=1)) ** 2
        edges = [max(round(f * window_s), 1) for f in _BANDS_HZ]
        bands = _db(np.stack([power[:, a : b + 1].sum(axis=1) for a, b in itertools.pairwise(edges)]))
        change = np.diff(bands, axis=1)  # (bands, gaps)
        at = int(np.flatnonzero(starts == mid)[0]) - 1
        here, usual = change[:, at], np.abs(np.delete(change, at, axis=1))
        figures += [*here, float(np.abs(here).mean()), float(np.abs(here).max())]
        figures += [float((np.abs(here) / (usual.mean(axis=1) + 1)).mean())]
        figures += [float((here < -6).mean()), float((here > 6).mean())]
    return np.array(figures)


def _sustained(mono: Floats, mid: int, rate: int) -> Floats:
    """What becomes of the partials that sound on one side, at several times on the other."""
    size = round(0.05 * rate)

    def spectrum(from_s: float) -> Floats:
        at = mid + round(from_s * rate)
        power = np.abs(fft.rfft(mono[at : at + size] * np.hanning(size))) ** 2
        power = power[4:250]
        return np.asarray(power[1:-1] + power[:-2] + power[2:])

    before = spectrum(-0.12) + spectrum(-0.09) + spectrum(-0.06)
    after = spectrum(0.01) + spectrum(0.04) + spectrum(0.07)
    figures = []
    for own, places in ((before, (0.0, 0.02, 0.06, 0.15, 0.3)), (after, (-0.05, -0.07, -0.11, -0.2, -0.35))):
        top = own >= np.quantile(own, 0.85)
        weight = own[top] / (own[top].sum() + _TINY)
        for at_s in places:
            kept = _db(3 * spectrum(at_s)[top] / (own[top] + _TINY)).clip(-40, 20)
            figures += [float(weight @ kept), float(np.quantile(kept, 0.2)), float(weight @ (kept < -12))]
    figures.append(float(_db(before.sum() / after.sum())))
    overlap = np.sqrt(before * after).sum() / (np.sqrt(before.sum() * after.sum()) + _TINY)
    return np.array([*figures, float(overlap)])


def _attacks(mono: Floats, mid: int, rate: int) -> Floats:
    """Where and how an attack begins near the line: its place, its rise, and what precedes it."""
    slot = round(_SLOT_S * rate)
    steps = np.diff(mono, prepend=mono[0]) ** 2
    energy = steps[mid % slot : len(steps) // slot * slot - slot + mid % slot].reshape(-1, slot).mean(axis=1)
    middle = mid // slot
    smooth = np.convolve(energy, np.ones(4) / 4, mode="same")
    rise = _db(np.roll(smooth, -3) + 1e-7) - _db(np.roll(smooth, 5) + 1e-7)
    near = rise[middle - 40 : middle + 41]
    place = int(np.argmax(near)) - 40
    far = np.concatenate([rise[60 : middle - 60], rise[middle + 60 : -60]])
    lead = [
        float(
            _db(energy[middle - w : middle].mean() + 1e-9)
            - _db(energy[middle - 90 : middle - 30].mean() + 1e-9)
        )
        for w in (2, 8, 20)
    ]
    follow = [
        float(
            _db(energy[middle : middle + w].mean() + 1e-9)
            - _db(energy[middle + 30 : middle + 90].mean() + 1e-9)
        )
        for w in (2, 8, 20)
    ]
    falls = rise[middle - 20 : middle + 21].min()
    return np.array(
        [
            place,
            abs(place),
            near.max(),
            near.max() - np.quantile(far, 0.99),
            float(falls),
            float(falls) - np.quantile(far, 0.01),
            *lead,
            *follow,
        ]
    )


def _width(mono: Floats, side: Floats, mid: int, rate: int) -> Floats:
    """Change of the ratio of side to middle across the line."""
    figures = []
    for window_s in (0.03, 0.15, 0.5):
        size = round(window_s * rate)
        ratio = [
            float(_db((side[part] ** 2).mean() + 1e-9) - _db((mono[part] ** 2).mean() + 1e-9))
            for part in (slice(mid - size, mid), slice(mid, mid + size))
        ]
        figures += [ratio[1] - ratio[0], abs(ratio[1] - ratio[0])]
    return np.array(figures)
