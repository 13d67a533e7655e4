"""A reading: the model fitted to ratings, with draws of the settled effects. numpy only."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from render.arrays import Floats, Ints
from reports.model.familiarity import Fit, Observations, Prior, fit
from reports.model.gates import Chances
from reports.model.posterior import Targets

DRAWS = 4000
SEED = 1949  # the draws' own seed; any will do, but it must not change between two readings


def later_half(listener: Ints, rounds: Ints) -> Ints:
    """Indices of the ratings in the later half of each listener's own rounds; the middle one is left out."""
    late = np.zeros(len(listener), dtype=bool)
    for own in np.unique(listener):
        at = np.flatnonzero(listener == own)
        numbers, rank = np.unique(rounds[at], return_inverse=True)
        late[at] = rank + 1 > np.ceil(len(numbers) / 2)
    return np.flatnonzero(late)


def prior_listens(seen: Observations) -> Floats:
    """(L, F) how often each listener had heard each form before rating it first; 0 where nothing is rated."""
    first = np.full((seen.listeners, seen.forms), np.inf)
    np.minimum.at(first, (seen.listener, seen.form), seen.exposure)
    return np.where(np.isinf(first), 0.0, first)


@dataclass(frozen=True)
class Reading:
    """The posterior of the candidate forms' settled effects for these listeners.

    draws (N, C) and `chances` are over the candidates, in the order of `candidates` (codes of forms);
    `fit` covers every form, retired ones too.
    """

    candidates: tuple[int, ...]
    draws: Floats
    chances: Chances
    seen: Observations = field(repr=False)
    fit: Fit = field(repr=False)

    @property
    def leader(self) -> int:
        """The code of the form with the least expected loss."""
        return self.candidates[self.chances.order[0]]


def read(
    seen: Observations,
    weights: Floats,
    *,
    candidates: Sequence[int] | None = None,
    prior: Prior | None = None,
    seed: int = SEED,
    draws: int = DRAWS,
) -> Reading:
    """Fits `seen` and draws the settled effects for the listeners weighted by `weights` (L,), sum 1."""
    chosen = tuple(range(seen.forms)) if candidates is None else tuple(candidates)
    fitted = fit(seen, prior or Prior())
    values = Targets.of(fitted, weights).draws(draws, seed)[:, list(chosen)]
    return Reading(chosen, values, Chances.of(values), seen, fitted)


def level(reading: Reading, weights: Floats) -> float:
    """The average settled rating of the forms heard: ratings with what novelty took from them given back.

    Cells of listener and form count by the listener's weight, however many listens each has.
    """
    seen, fitted = reading.seen, reading.fit
    if not len(seen):
        return float("nan")
    given_back = seen.rating + _novelty(seen, fitted)
    cell = seen.listener * seen.forms + seen.form
    size = np.bincount(cell, minlength=seen.listeners * seen.forms)
    sums = np.bincount(cell, weights=given_back, minlength=size.size)
    means = np.divide(sums, size, out=np.zeros_like(sums), where=size > 0)
    each = np.repeat(weights, seen.forms) * (size > 0)
    return float(each @ means / each.sum())


def _novelty(seen: Observations, fitted: Fit) -> Floats:
    """(n,) the posterior mean of what being new took from each rating, in points."""
    taken = np.zeros(len(seen))
    weight = fitted.weight[:, 0]
    for tau in np.unique(fitted.tau):
        at = fitted.tau == tau
        if tau > 0:
            gap = weight[at] @ (
                fitted.mean[at][:, fitted.where.own_gap, 0] + fitted.mean[at][:, fitted.where.common_gap, 0]
            )
            gap = gap + weight[at].sum() * fitted.gap_mean
            taken += gap[seen.form] * np.exp(-seen.exposure / tau)
    return taken
