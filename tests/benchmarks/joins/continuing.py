"""What goes on across a line, as figures: single samples that no sound explains, and whether what sounds on
one side is continued on the other, in phase and at the same level.

An all-pole model of one side (render/audio/prediction.py) says what the other should hold if nothing were
edited: its error is a click's (S. J. Godsill and P. J. W. Rayner, "Digital Audio Restoration", 1998, ch. 5,
from memory), and the gain at which its continuation is found there is a level step's.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter, lfiltic

from render.arrays import Floats
from render.audio.prediction import burg

_TINY = 1e-12
_CLICK_ORDERS = (12, 40)
_CONTINUED_ORDER = 160
_FITTED_MS = 80
_GAPS_MS = ((0, 6, 14, 22), (0, 6, 14))  # the model's side ends so long before the line; after it, reversed
_RATIOS_S = ((0.03, 0.005), (0.03, 0.012), (0.06, 0.005), (0.06, 0.03))  # window, distance from the line


def continuing(mono: Floats, mid: int, rate: int) -> Floats:
    """The figures of an excerpt of unit power, (frames,), whose line is at `mid`."""
    noise = np.random.default_rng(0).standard_normal(len(mono))
    mono = mono + 1e-6 * noise  # digital silence has no model
    figures = [*_unexplained(mono, mid, rate)]
    for side, middle, gaps in ((mono, mid, _GAPS_MS[0]), (mono[::-1], len(mono) - mid, _GAPS_MS[1])):
        for gap_ms in gaps:
            figures += _continued(side, middle, gap_ms, rate)
    for window_s, away_s in _RATIOS_S:
        figures += _ratios(mono, mid, round(window_s * rate), round(away_s * rate), window_s)
    return np.nan_to_num(np.array(figures))


def _db(power: Floats | float) -> Floats:
    return np.asarray(10 * np.log10(np.asarray(power) + _TINY))


def _level_db(near: float, usual: float) -> float:
    return float(20 * np.log10((near + 1e-9) / (usual + 1e-9)))


def _unexplained(mono: Floats, mid: int, rate: int) -> list[float]:
    """Prediction errors at the line, from the past, from the future, and the lesser of both, in dB."""
    figures: list[float] = []
    half, ms = round(0.03 * rate), round(0.001 * rate)
    around = mono[mid - half : mid + half]
    for order in _CLICK_ORDERS:
        past = burg(around[: half - ms], order)
        future = burg(around[half + ms :][::-1], order)
        forward = np.abs(lfilter(past, [1.0], around))
        backward = np.abs(lfilter(future, [1.0], around[::-1]))[::-1]
        for reach_s in (0.0003, 0.003):
            reach = round(reach_s * rate)
            for error in (forward, backward, np.minimum(forward, backward)):
                near = float(error[half - reach : half + reach].max())
                before = error[half - round(0.02 * rate) : half - reach - 40]
                after = error[half + reach + 40 : half + round(0.02 * rate)]
                beside = max(
                    error[half - round(0.012 * rate) : half - reach - 20].max(),
                    error[half + reach + 20 : half + round(0.012 * rate)].max(),
                )
                usual = (np.sqrt((before**2).mean()), np.sqrt((after**2).mean()), beside)
                figures += [_level_db(near, float(level)) for level in usual]
    return figures


def _continued(mono: Floats, mid: int, gap_ms: int, rate: int) -> list[float]:
    """How much of what the model continues is found across the line, at what gain, and what is beside it."""
    ms = rate // 1000
    start = mid - gap_ms * ms
    past, actual = mono[start - _FITTED_MS * ms : start], mono[start : mid + 30 * ms]
    model = burg(past, _CONTINUED_ORDER)
    foreseen = np.zeros(len(actual))
    if len(model) > 1:
        foreseen = lfilter([1.0], model, foreseen, zi=lfiltic([1.0], model, past[: -len(model) : -1]))[0]
    figures: list[float] = []
    for from_ms, to_ms in ((0, 3), (5, 10), (5, 20)):
        part = slice((gap_ms + from_ms) * ms, (gap_ms + to_ms) * ms)
        x, y = foreseen[part], actual[part]
        xx, xy, yy = float(x @ x), float(x @ y), float(y @ y)
        gain = xy / (xx + _TINY)
        figures += [
            float(np.clip(gain, -1, 4)),
            abs(float(np.clip(20 * np.log10(abs(gain) + 1e-3), -30, 15))),
            xy / float(np.sqrt(xx * yy + _TINY)),
            float(_db(xx / (yy + _TINY)).clip(-40, 20)),
            float(_db(float((y - x) @ (y - x)) / (xx + _TINY)).clip(-40, 40)),
        ]
    return figures


def _ratios(mono: Floats, mid: int, size: int, away: int, window_s: float) -> list[float]:
    """Change of each bin across the line: quantiles, that of steady bins, and where most changes lie."""

    def power(start: int) -> Floats:
        spectrum = np.abs(np.fft.rfft(mono[start : start + size] * np.hanning(size))) ** 2
        return np.asarray(spectrum[2 : round(6000 * window_s)])

    before, after, earlier = power(mid - away - size), power(mid + away), power(mid - away - size - size // 2)
    change = _db(after / (before + 1e-9)).clip(-30, 30)
    weight = before**0.3
    order = np.argsort(change)
    share = np.cumsum(weight[order]) / weight.sum()
    figures = [float(change[order][np.searchsorted(share, q)]) for q in (0.1, 0.25, 0.5, 0.75)]
    steady = change[(np.abs(_db(before / (earlier + 1e-9))) < 3) & (before > np.quantile(before, 0.6))]
    middle = float(np.median(steady)) if len(steady) > 3 else 0.0
    figures += [middle, abs(middle), float((np.abs(steady) < 1).mean()) if len(steady) > 3 else 0.0]
    counts = np.convolve(np.histogram(change, np.arange(-9, 9.1), weights=weight)[0], [0.5, 1, 0.5], "same")
    most = int(np.argmax(counts[2:-2])) + 2
    total = float(counts.sum()) + _TINY
    return [
        *figures,
        most - 8.5,
        abs(most - 8.5),
        float(counts[most]) / total,
        float(counts[8:10].sum()) / total,
    ]
