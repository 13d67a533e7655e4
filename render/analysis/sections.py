"""Sections by bar, suggested from the audio: where the song changes, and what comes back.

Boundaries are the bar lines with most novelty in all, weighed against what sections usually are: phrases of 8
and 16 bars that begin on one grid of 8. Sections that sound alike, bar against bar, get the same letter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.analysis.bar_features import describe, rhythm
from render.analysis.novelty import bar_likeness, bar_novelty, recurring_share
from render.analysis.onsets import onsets
from render.arrays import Audio, Floats
from render.song.forms import Section
from render.song.grid import Grid

# Our own settings, chosen on invented songs and on the half of the real songs that is there for it.
SHORTEST_BARS = 3
PHRASE_BARS = 8
PRICE = 0.35  # what a boundary must be worth, in units of the song's clear changes
LEAST_UNIT = 0.2  # novelty: where nothing clearly changes, small differences are not made large
GRID_SHARE = 0.08
# What a section's length costs, in units of a clear boundary's novelty: a multiple of 4 bars, not of 8; other
# lengths; 4 bars (more below); every 8 bars over 16; and what intros and tails, which have any, cost at most.
FOUR_COST, ODD_COST, SHORT_COST, LONG_COST, EDGE_COST = 0.05, 0.1, 0.3, 0.3, 0.1
CLEAR = 0.3  # the novelty of a boundary nobody would doubt
ALIKE = 0.8  # of the way from what any two bars of the song share to what its most alike bars do
ALIKE_WITHIN = (0.66, 0.9)
IDENTICAL = 0.95  # every bar of one section against its like in the other
RECURRING = 0.3


@dataclass(frozen=True)
class Suggestion:
    """Suggested sections, in order, covering bars 1 to the last; those that sound alike share a letter.

    `boundary_strength`: per section, how clearly it begins (0..1; 1 for the first); `repeats`: per section,
    the number (from 0) of an earlier one that it repeats bar for bar, or None; `warning` is set where the
    material gives no boundaries to speak of.
    """

    sections: tuple[Section, ...]
    boundary_strength: tuple[float, ...]
    repeats: tuple[int | None, ...]
    warning: str | None


def sections(audio: Audio, grid: Grid, last_bar: int) -> Suggestion:
    """Suggest sections for bars 1 to `last_bar` of `audio`, (frames, channels)."""
    edges = np.array([float(grid.line_s(bar)) for bar in range(1, last_bar + 2)])
    sound = describe(audio, grid.sample_rate, edges)
    likeness, colour = bar_likeness(sound, rhythm(onsets(audio, grid.sample_rate), edges))
    novelty = bar_novelty(likeness, colour)
    starts = boundaries(novelty, last_bar)
    strengths = [1.0, *(min(float(novelty[bar - 1]) / CLEAR, 1.0) for bar in starts[1:])]
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
    named = _named(starts, letters, last_bar)
    repeats = identical_repeats(likeness, starts)
    return Suggestion(named, tuple(strengths), repeats, warning)


def _length_costs(most: int) -> Floats:
    """Costs of sections of 0 to `most` bars, `(most + 1,)`, in units of a clear boundary's novelty."""
    bars = np.arange(most + 1)
    uneven = np.where(bars % 8 == 0, 0.0, np.where(bars % 4 == 0, FOUR_COST, ODD_COST))
    costs: Floats = (
        uneven + SHORT_COST * np.maximum(8 - bars, 0) / 4 + LONG_COST * np.maximum(bars - 16, 0) / 8
    )
    return costs


def boundaries(novelty: Floats, last_bar: int) -> list[int]:
    """First bars of sections: the choice of bar lines with most novelty, less what the lengths between cost.

    Novelty counts in units of the song's own clear changes, so that a song of small differences is divided,
    too; a boundary must be worth `PRICE`, a little less where the song's phrases of 8 bars begin.
    """
    clearest = np.sort(novelty)[::-1][: max(last_bar // 12, 3)]
    unit = max(float(clearest.mean()), LEAST_UNIT)
    worth = np.minimum(novelty / unit, 1.3) - PRICE + _phrase_grid(novelty / unit, last_bar)
    cost = _length_costs(last_bar)
    at_edge = np.where(np.arange(last_bar + 1) <= 16, np.minimum(cost, EDGE_COST), cost)
    best, came = np.full(last_bar + 1, -np.inf), np.zeros(last_bar + 1, int)
    best[0] = 0.0
    for stop in range(1, last_bar + 1):
        span = stop - np.arange(stop)
        inside = np.where(span >= SHORTEST_BARS, cost[span], np.inf)
        inside[0] = at_edge[stop]
        totals = best[:stop] - (at_edge[span] if stop == last_bar else inside)
        came[stop] = int(np.argmax(totals))
        best[stop] = totals[came[stop]] + (float(worth[stop]) if stop < last_bar else 0.0)
    lines, at = [], last_bar
    while came[at] > 0:
        at = int(came[at])
        lines.append(at)
    return [1, *(line + 1 for line in reversed(lines))]


def _phrase_grid(novelty: Floats, last_bar: int) -> Floats:
    """How usual a change is at this place of the song's phrases of 8 bars, as an advantage, `(bars,)`."""
    if last_bar < 4 * PHRASE_BARS:
        return np.zeros(last_bar)
    clipped = np.minimum(novelty[:last_bar], 1.0)
    clipped[0] = 0.0
    mean = np.array([clipped[place::PHRASE_BARS].mean() for place in range(PHRASE_BARS)])
    usual = GRID_SHARE * (mean - mean.mean()) / max(float(mean.std()), 1e-9)
    advantage: Floats = usual[np.arange(last_bar) % PHRASE_BARS]
    return advantage


def name_alike(likeness: Floats, starts: list[int]) -> list[str]:
    """Letters: a section gets that of the earlier one it is most like, if it is like one at all."""
    apart = ~np.eye(len(likeness), dtype=bool)
    usual, most = np.percentile(likeness[apart], [50, 98]) if apart.any() else (0.0, 1.0)
    enough = np.clip(usual + ALIKE * (most - usual), *ALIKE_WITHIN)
    letters: list[str] = []
    spans = _spans(likeness, starts)
    for index, span in enumerate(spans):
        likes = [_alike(likeness, span, other) for other in spans[:index]]
        best = int(np.argmax(likes)) if likes else 0
        new = chr(ord("A") + len(set(letters))) if len(set(letters)) < 26 else "Z"
        letters.append(letters[best] if likes and likes[best] >= enough else new)
    return letters


def identical_repeats(likeness: Floats, starts: list[int]) -> tuple[int | None, ...]:
    """Per section, the first earlier one of the same length whose bars are all like its own, or None."""
    spans = _spans(likeness, starts)

    def same(one: tuple[int, int], two: tuple[int, int]) -> bool:
        if one[1] - one[0] != two[1] - two[0]:
            return False
        return float(likeness[np.arange(*one), np.arange(*two)].min()) >= IDENTICAL

    return tuple(
        next((number for number, other in enumerate(spans[:index]) if same(span, other)), None)
        for index, span in enumerate(spans)
    )


def _spans(likeness: Floats, starts: list[int]) -> list[tuple[int, int]]:
    """Sections as rows of the likeness matrix, from and to."""
    return [(a - 1, b - 1) for a, b in zip(starts, [*starts[1:], len(likeness) + 1], strict=True)]


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
    sections, counts = [], dict.fromkeys(letters, 0)
    for start, stop, letter in zip(starts, [*starts[1:], last_bar + 1], letters, strict=True):
        counts[letter] += 1
        name = f"{letter} {counts[letter]}" if letters.count(letter) > 1 else letter
        sections.append(Section(name, start, stop - 1))
    return tuple(sections)
