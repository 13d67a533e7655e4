"""Agreement statistics: Friedman's test, Kendall's W, intraclass correlation ICC(2,1).

They know nothing of familiarity: Friedman's test within rounds also answers to mere novelty (it rejects too
often when the forms differ only in how well they are known), so it is shown beside the verdict and never
decides it.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from render.arrays import Floats

CHANCE = 0.05
PARTLY_W, MOSTLY_W = 0.3, 0.7


@dataclass(frozen=True)
class Friedman:
    """Friedman's test over complete blocks, with Kendall's W; two forms: the sign test's p."""

    statistic: float
    df: int
    p: float
    kendall_w: float
    blocks: int
    rank_sums: tuple[float, ...]


def friedman(blocks: Floats) -> Friedman | None:
    """Friedman's test of (n, k) ratings, one row a block (a round, or a listener); None if n or k < 2.

    Corrected for ties (Hollander and Wolfe 1973); W = statistic / (n (k - 1)). With rows that are all ties
    there is nothing to test: statistic 0, p 1.
    """
    if blocks.ndim != 2 or min(blocks.shape) < 2:
        return None
    n, k = blocks.shape
    ranks = pd.DataFrame(blocks).rank(axis=1).to_numpy()
    sums = ranks.sum(0)
    rank_sums = tuple(float(s) for s in sums)
    if (blocks == blocks[:, :1]).all():
        return Friedman(0.0, k - 1, 1.0, 0.0, n, rank_sums)
    if k == 2:  # with two columns it is the sign test
        above = int((blocks[:, 0] > blocks[:, 1]).sum())
        below = int((blocks[:, 0] < blocks[:, 1]).sum())
        statistic = (above - below) ** 2 / (above + below)
        p = sign_test(above, below)
    else:
        middle = (k + 1) / 2
        statistic = float((k - 1) * ((sums - n * middle) ** 2).sum() / ((ranks - middle) ** 2).sum())
        p = chi_square_tail(statistic, k - 1)
    return Friedman(statistic, k - 1, p, statistic / (n * (k - 1)), n, rank_sums)


def sign_test(above: int, below: int) -> float:
    """The two-sided p of the exact sign test, ties left out (Hollander and Wolfe 1973)."""
    count = above + below
    tail: float = sum(math.comb(count, i) for i in range(min(above, below) + 1)) / 2**count
    return min(1.0, 2 * tail)


def chi_square_tail(value: float, df: int) -> float:
    """The chance that a chi-square variable of `df` degrees of freedom (whole, 1 or more) exceeds `value`.

    Abramowitz and Stegun (1964), 26.4.4 and 26.4.5. (scipy.stats has it too, and takes longer to load than a
    verdict takes in all.)
    """
    if value <= 0:
        return 1.0
    half, a = value / 2, 0.5 if df % 2 else 1.0
    tail = math.erfc(math.sqrt(half)) if df % 2 else math.exp(-half)
    while a < df / 2:
        tail += math.exp(a * math.log(half) - half - math.lgamma(a + 1))
        a += 1
    return tail


def icc(ratings: Floats) -> float | None:
    """The intraclass correlation ICC(2,1) of (n targets, k judges) ratings without gaps.

    Two-way random effects, single rating, absolute agreement: Shrout and Fleiss (1979), Psychological
    Bulletin 86:420-428. None with fewer than two targets or judges, or no variance.
    """
    if ratings.ndim != 2 or min(ratings.shape) < 2:
        return None
    n, k = ratings.shape
    mean, by_target, by_judge = ratings.mean(), ratings.mean(1), ratings.mean(0)
    between = k * ((by_target - mean) ** 2).sum() / (n - 1)
    judges = n * ((by_judge - mean) ** 2).sum() / (k - 1)
    error = ((ratings - by_target[:, None] - by_judge + mean) ** 2).sum() / ((n - 1) * (k - 1))
    if between <= 0:
        return None
    return float((between - error) / (between + (k - 1) * error + k * (judges - error) / n))


@dataclass(frozen=True)
class Agreement:
    """Friedman over complete rounds and over listeners' means, and how far listeners agree.

    `listeners` uses one row for each listener who rated every form: their mean ratings; its W says how far
    their orders agree (0 not at all, 1 wholly), and `between` the same for the ratings themselves.
    """

    rounds: Friedman | None
    listeners: Friedman | None
    between: float | None

    @property
    def sentence(self) -> str:
        """Both in plain words. Where "chance" and "mostly" begin is a convention (common practice, no
        source): p < 0.05, and W from 0.3 and 0.7."""
        sentences = []
        if self.rounds:
            sentences.append(
                "Round after round the forms were ranked more alike than chance alone would make them."
                if self.rounds.p < CHANCE
                else "The ranks of the forms changed from round to round about as much as by chance alone."
            )
        if self.listeners:
            w = self.listeners.kendall_w
            much = "mostly" if w >= MOSTLY_W else "partly" if w >= PARTLY_W else "hardly"
            sentences.append(f"The listeners' mean ratings {much} agree on the order of the forms.")
        return " ".join(sentences)


def agreement(rounds: Floats, listeners: Floats) -> Agreement:
    """From complete rounds (R, C) and complete listeners' means (L, C); rows with NaN are left out."""
    whole = rounds[~np.isnan(rounds).any(1)]
    each = listeners[~np.isnan(listeners).any(1)]
    return Agreement(friedman(whole), friedman(each), icc(each.T))
