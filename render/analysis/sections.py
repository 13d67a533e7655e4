"""Sections by bar, suggested from the audio: where the song changes, and what comes back.

Boundaries are peaks of novelty along the diagonal of the bars' self-similarity matrix (J. Foote,
"Automatic audio segmentation using a measure of audio novelty", ICME 2000), on harmony, timbre and
level; sections that sound alike, bar against bar, get the same letter.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy import fft

from render.analysis.bar_features import SegmentSound, describe
from render.arrays import Audio, Floats
from render.song.forms import Section
from render.song.grid import Grid

# Our own settings, chosen on invented songs whose sections are known.
KERNEL_BARS = (4, 8)
SHORTEST_BARS = 3
PRICE = 0.12  # the novelty that a boundary must have
CLEAR = 0.3  # the novelty of a boundary nobody would doubt
ALIKE = 0.82
RECURRING = 0.3
_TIMBRE_COEFFICIENTS = 10
_LEVEL_SCALE_DB = 6.0
_TIMBRE_SCALE_DB = 24.0


@dataclass(frozen=True)
class Suggestion:
    """Suggested sections, in order, covering bars 1 to the last.

    `letters`: per section, the same for sections that sound alike; `boundary_strength`: per section, how
    clearly it begins (0..1; 1 for the first); `confidence` (0..1) of the whole; `warning` is set where
    the material gives no boundaries to speak of.
    """

    sections: tuple[Section, ...]
    letters: tuple[str, ...]
    boundary_strength: tuple[float, ...]
    confidence: float
    warning: str | None

    def as_json(self) -> dict[str, Any]:
        return {
            "sections": [asdict(s) | {"pickup_beats": float(s.pickup_beats)} for s in self.sections],
            "letters": list(self.letters),
            "boundary_strength": list(self.boundary_strength),
            "confidence": self.confidence,
            "warning": self.warning,
        }

    def lines(self) -> list[str]:
        """What to tell a person."""
        told = [f"{s.name}: bars {s.bars_text}" for s in self.sections]
        return ([self.warning] if self.warning else []) + told


def sections(audio: Audio, grid: Grid, last_bar: int) -> Suggestion:
    """Suggest sections for bars 1 to `last_bar` of `audio`, (frames, channels)."""
    edges = np.array([float(grid.line_s(bar)) for bar in range(1, last_bar + 2)])
    likeness, colour = bar_likeness(describe(audio, grid.sample_rate, edges))
    novelty = bar_novelty(likeness, colour)
    starts, strengths = boundaries(novelty, last_bar)
    letters = name_alike(likeness, starts)
    contrast = float(np.mean(strengths[1:])) if len(strengths) > 1 else 0.0
    recurring = recurring_share(likeness)
    warning = None
    if len(starts) < 2 or contrast < 0.25:
        warning = (
            "the audio gives no clear sections (it changes too little, or too gradually): these are only "
            "equal lengths of 8 bars; set them by ear"
        )
        starts = [*range(1, max(last_bar - 3, 2), 8)]
        letters, strengths = name_alike(likeness, starts), [1.0] + [0.0] * (len(starts) - 1)
    elif recurring < RECURRING and last_bar >= 16:
        warning = (
            "hardly anything in this audio comes back (free or through-composed music, or bar lines that do "
            "not fit it): the sections only mark where the sound changes; set them by ear"
        )
    confidence = 0.0 if warning else min(contrast, 1.0) * min(recurring / 0.6, 1.0)
    found = _named(starts, letters, last_bar)
    return Suggestion(found, tuple(letters), tuple(strengths), confidence, warning)


def bar_likeness(sound: SegmentSound) -> tuple[Floats, Floats]:
    """How alike each two bars are, 0..1, `(bars, bars)`: in all, and in colour (timbre and level) alone."""
    mean_db = sound.bands_db - sound.bands_db.mean(axis=1, keepdims=True)
    timbre = fft.dct(mean_db, type=2, norm="ortho", axis=1)[:, 1 : 1 + _TIMBRE_COEFFICIENTS]
    harmony = np.clip((sound.chroma @ sound.chroma.T - 0.5) / 0.5, 0, 1)  # unlike chords still share half
    distance = np.linalg.norm(timbre[:, None] - timbre[None], axis=2)
    scale = np.clip(float(np.percentile(distance, 75)), _TIMBRE_SCALE_DB / 2, _TIMBRE_SCALE_DB)
    level = np.abs(sound.level_db[:, None] - sound.level_db[None]) / _LEVEL_SCALE_DB
    colour: Floats = 0.7 * np.exp(-((distance / scale) ** 2)) + 0.3 * np.exp(-(level**2))
    return 0.45 * harmony + 0.55 * colour, colour


def bar_novelty(likeness: Floats, colour: Floats) -> Floats:
    """How new the song sounds at each bar line: entry i is the line before bar i + 1; 0 = not at all.

    Foote's checkerboard in two sizes, and, because chord loops make single bars unlike their neighbours,
    the change of the time-lag matrix (J. Serra et al., "Unsupervised music structure annotation by time
    series structure features and segment similarity", IEEE Trans. Multimedia 2014): where bars stop or
    start to recur.
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
    bars = len(likeness)
    out = likeness.copy()
    for i in range(bars):
        for j in range(bars):
            window = likeness[i, max(j - 2, 0) : j + 3]
            out[i, j] = 0.5 * likeness[i, j] + 0.5 * float(np.max(window))
    return (out + out.T) / 2


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


def boundaries(novelty: Floats, last_bar: int) -> tuple[list[int], list[float]]:
    """First bars of sections, and how clear each is: the choice of lines with most novelty in all.

    Every boundary costs something, and lengths that are not phrases of 4, 8, 16 bars cost a little more:
    enough to decide between neighbouring lines, not against a clear change.
    """
    scale = min(float(np.percentile(novelty, 97)), CLEAR)
    awkward = np.array([0.0, *(scale * _awkward(length) for length in range(1, last_bar + 1))])
    best, came = np.full(last_bar + 1, -np.inf), np.zeros(last_bar + 1, int)
    best[0] = 0.0
    for stop in range(1, last_bar + 1):
        starts = np.arange(stop)
        shortest = np.where(starts == 0, SHORTEST_BARS - 1, SHORTEST_BARS)
        allowed = (stop - starts >= shortest) | ((starts == 0) & (stop == last_bar))
        totals = np.where(allowed, best[:stop] - awkward[stop - starts], -np.inf)
        came[stop] = int(np.argmax(totals))
        best[stop] = totals[came[stop]] + (float(novelty[stop]) - PRICE if stop < last_bar else 0.0)
    lines, at = [], last_bar
    while came[at] > 0:
        at = int(came[at])
        lines.append(at)
    lines.reverse()
    return [1, *(line + 1 for line in lines)], [1.0, *(min(float(novelty[k]) / CLEAR, 1.0) for k in lines)]


def _awkward(length: int) -> float:
    """What a length costs, as a share of a clear boundary."""
    if length % 4 == 0:
        return 0.0
    return (0.05 if length % 2 == 0 else 0.12) + (0.1 if length < 4 else 0.0)


def name_alike(likeness: Floats, starts: list[int]) -> list[str]:
    """Letters: a section gets that of the earlier one it is most like, if it is like one at all."""
    spans = [(a - 1, b - 1) for a, b in zip(starts, [*starts[1:], len(likeness) + 1], strict=True)]
    letters: list[str] = []
    for index, span in enumerate(spans):
        likes = [_alike(likeness, span, other) for other in spans[:index]]
        best = int(np.argmax(likes)) if likes else 0
        new = chr(ord("A") + len(set(letters))) if len(set(letters)) < 26 else "Z"
        letters.append(letters[best] if likes and likes[best] >= ALIKE else new)
    return letters


def _alike(likeness: Floats, one: tuple[int, int], two: tuple[int, int]) -> float:
    """Mean likeness of two spans of bars at their best offset; 0 if one is twice as long as the other."""
    short, long = sorted([one, two], key=lambda s: s[1] - s[0])
    n, m = short[1] - short[0], long[1] - long[0]
    if n < 0.5 * m:
        return 0.0
    best = 0.0
    for offset in range(m - n + 1):
        rows, columns = np.arange(*short), np.arange(long[0] + offset, long[0] + offset + n)
        best = max(best, float(np.mean(likeness[rows, columns])))
    return best


def _named(starts: list[int], letters: list[str], last_bar: int) -> tuple[Section, ...]:
    """Sections "A", or "A 1", "A 2" where a letter comes back."""
    found, counts = [], dict.fromkeys(letters, 0)
    for start, stop, letter in zip(starts, [*starts[1:], last_bar + 1], letters, strict=True):
        counts[letter] += 1
        name = f"{letter} {counts[letter]}" if letters.count(letter) > 1 else letter
        found.append(Section(name, start, stop - 1))
    return tuple(found)
