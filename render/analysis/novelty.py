"""Self-similarity of a song's bars, and its novelty at each bar line.

Novelty along the diagonal of the bars' self-similarity matrix (J. Foote, "Automatic audio segmentation using
a measure of audio novelty", ICME 2000), on harmony, timbre, level and rhythm; and where bars stop or start to
recur (J. Serra et al., "Unsupervised music structure annotation by time series structure features and
segment similarity", IEEE Trans. Multimedia 2014).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from render.analysis.bar_features import SegmentSound
from render.arrays import Floats

KERNEL_BARS = (4, 8)
RHYTHM_SHARE = 0.3
_TIMBRE_COEFFICIENTS = 10
_LEVEL_SCALE_DB = 6.0
_TIMBRE_SCALE_DB = 24.0


def bar_likeness(sound: SegmentSound, rhythm: Floats | None = None) -> tuple[Floats, Floats]:
    """Self-similarity of the bars, 0..1, `(bars, bars)`: in all, and in colour (all but harmony) alone.

    `rhythm` (bars, n): attacks by place in the bar; None leaves it out.
    """
    mean_db = sound.bands_db - sound.bands_db.mean(axis=1, keepdims=True)
    timbre = mean_db @ _cosines(mean_db.shape[1])
    harmony = np.clip((sound.chroma @ sound.chroma.T - 0.5) / 0.5, 0, 1)  # unlike chords still share half
    distance = _distances(timbre)
    scale = np.clip(float(np.percentile(distance, 75)), _TIMBRE_SCALE_DB / 2, _TIMBRE_SCALE_DB)
    level = np.abs(sound.level_db[:, None] - sound.level_db[None]) / _LEVEL_SCALE_DB
    colour: Floats = 0.7 * np.exp(-((distance / scale) ** 2)) + 0.3 * np.exp(-(level**2))
    alike: Floats = 0.45 * harmony + 0.55 * colour
    if rhythm is None:
        return alike, colour
    apart = _distances(rhythm)
    same_rhythm = np.exp(-0.7 * (apart / max(float(np.median(apart)), 1e-9)) ** 2)
    alike = (1 - RHYTHM_SHARE) * alike + RHYTHM_SHARE * same_rhythm
    return alike, (1 - RHYTHM_SHARE) * colour + RHYTHM_SHARE * same_rhythm


def _cosines(bands: int) -> Floats:
    """The first coefficients of a discrete cosine transform (type II, orthonormal), as columns."""
    turns = np.outer(np.arange(bands) + 0.5, np.arange(1, 1 + _TIMBRE_COEFFICIENTS)) * np.pi / bands
    cosines: Floats = np.sqrt(2 / bands) * np.cos(turns)
    return cosines


def _distances(rows: Floats) -> Floats:
    """Euclidean distances between all rows, `(n, n)`."""
    squares = (rows**2).sum(axis=1)
    distances: Floats = np.sqrt(np.maximum(squares[:, None] + squares[None] - 2 * rows @ rows.T, 0.0))
    return distances


def bar_novelty(likeness: Floats, colour: Floats) -> Floats:
    """Novelty at each bar line: entry i is the line before bar i + 1; 0 = not at all.

    A checkerboard in two sizes, and, because chord loops make single bars unlike their neighbours, the change
    of the time-lag matrix.
    """
    smoothed = along_diagonals(likeness)
    foote = np.mean([_checkerboard(smoothed, half) for half in KERNEL_BARS], axis=0)
    players = np.mean([_checkerboard(colour, half) for half in KERNEL_BARS], axis=0)
    lag = lag_change(likeness)
    lag = np.maximum(lag - np.median(lag), 0.0)
    sharp = _checkerboard(colour, 2)  # who plays, and how loud, changes from one bar to the next
    recurs = np.maximum(recurrence_edges(likeness) - 0.35, 0.0) * (1 - loop_goes_on(likeness))
    novelty: Floats = np.maximum(0.6 * foote + 0.3 * players + 0.2 * sharp, 0.0) + 0.8 * lag + 0.3 * recurs
    return novelty


def lag_change(likeness: Floats) -> Floats:
    """RMS change of the rows of the time-lag matrix across each bar line, 4 bars on each side."""
    bars, reach = len(likeness), 4
    lagged = np.full((bars, 2 * bars - 1), np.nan)
    for i in range(bars):
        lagged[i, bars - 1 - i : 2 * bars - 1 - i] = likeness[i]
    curve = np.zeros(bars)
    for line in range(2, bars - 1):
        before, after = lagged[max(line - reach, 0) : line], lagged[line : line + reach]
        both = ~np.isnan(before).any(axis=0) & ~np.isnan(after).any(axis=0)
        both[bars - 1] = False  # lag 0
        if both.any():
            change = after[:, both].mean(axis=0) - before[:, both].mean(axis=0)
            curve[line] = np.sqrt(np.mean(change**2))
    return curve


def recurrence_edges(likeness: Floats) -> Floats:
    """At each bar line, how sharply a passage that comes back elsewhere begins or ends there, 0..1.

    A stripe of 5 bars, at least 8 bars off the diagonal, that 3 bars on its other side lack.
    """
    bars, long, short = len(likeness), 5, 3
    edges = np.zeros(bars + 1)
    for lag in range(8, bars - long - short):
        stripe = np.diagonal(likeness, lag)
        windows = np.lib.stride_tricks.sliding_window_view(stripe, long)
        strong = np.where(
            (windows.min(axis=1) > 0.6) & (windows.mean(axis=1) > 0.85), windows.mean(axis=1), 0
        )
        aside = np.lib.stride_tricks.sliding_window_view(stripe, short).mean(axis=1)
        begins, ends = strong[short:] - aside[: len(strong) - short], strong[:-short] - aside[long:]
        for offset in (0, lag):  # the passage and its return
            np.maximum.at(edges, np.arange(len(begins)) + short + offset, begins)
            np.maximum.at(edges, np.arange(len(ends)) + long + offset, ends)
    return edges[:bars]


def recurring_share(likeness: Floats) -> float:
    """Share of the song's two-bar passages that come back, or go on, elsewhere (0..1)."""
    pairs = np.minimum(likeness[:-1, :-1], likeness[1:, 1:])
    near = np.abs(np.subtract.outer(np.arange(len(pairs)), np.arange(len(pairs)))) <= 1
    return float(np.mean(np.where(near, 0.0, pairs).max(axis=1, initial=0.0) > 0.8)) if len(pairs) else 0.0


def loop_goes_on(likeness: Floats) -> Floats:
    """At each bar line, how much the next 3 bars are like those 1 to 4 bars before them, 0..1."""
    bars = len(likeness)
    most = np.zeros(bars)
    for lag in range(1, 5):
        stripe = np.diagonal(likeness, lag)  # entry k: bar k + lag against bar k
        if len(stripe) >= 3:
            means = np.lib.stride_tricks.sliding_window_view(stripe, 3).mean(axis=1)
            most[lag : lag + len(means)] = np.maximum(most[lag : lag + len(means)], means)
    goes_on: Floats = np.clip((most - 0.6) / 0.3, 0, 1)
    return goes_on


def along_diagonals(likeness: Floats) -> Floats:
    """Pool the best of the nearby offsets, so that a loop of 2 or 4 chords counts as one colour."""
    padded = np.pad(likeness, ((0, 0), (2, 2)), mode="edge")
    pooled = 0.5 * likeness + 0.5 * np.lib.stride_tricks.sliding_window_view(padded, 5, axis=1).max(axis=2)
    symmetric: Floats = (pooled + pooled.T) / 2
    return symmetric


def _checkerboard(likeness: Floats, half: int) -> Floats:
    """Correlation of a tapered checkerboard of 2 x `half` bars with the diagonal, edges by what there is."""
    bars = len(likeness)
    curve = np.zeros(bars)
    taper = np.exp(-0.5 * (np.arange(half) + 0.5) ** 2 / (0.6 * half) ** 2)
    for line in range(1, bars):
        before = np.arange(max(line - half, 0), line)[::-1]
        after = np.arange(line, min(line + half, bars))
        if min(len(before), len(after)) < 2:
            continue
        wb, wa = taper[: len(before)], taper[: len(after)]
        within = _mean(likeness, before, before, wb, wb) + _mean(likeness, after, after, wa, wa)
        across = _mean(likeness, before, after, wb, wa)
        curve[line] = within / 2 - across
    return curve


def _mean(likeness: Floats, rows: Any, columns: Any, row_weights: Floats, column_weights: Floats) -> float:
    weights = np.outer(row_weights, column_weights)
    block = likeness[np.ix_(rows, columns)]
    if np.array_equal(rows, columns):
        weights = weights * (1 - np.eye(len(rows)))  # a bar is always like itself
    return float((block * weights).sum() / max(weights.sum(), 1e-12))
