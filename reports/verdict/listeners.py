"""Each listener's settled preferences, and detection of two opposed groups. numpy only."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from render.arrays import Floats
from reports.model.gates import Chances, settled_interval
from reports.model.posterior import each_listener
from reports.model.reading import Reading
from reports.verdict import phrases

SURE = 0.80  # a listener counts for a camp when this sure
WORTH = 4.0  # and when the difference is at least this many points
CAMP = 0.25  # a camp holds at least this share of the panel's weight


@dataclass(frozen=True)
class ListenerOrder:
    """A listener's ranking: settled effects, in points around that listener's own average of the forms.

    Mappings are by form, best first.
    """

    listener: str
    mean: dict[str, float]
    low: dict[str, float]
    high: dict[str, float]
    p_best: dict[str, float]

    @property
    def order(self) -> tuple[str, ...]:
        return tuple(self.mean)


@dataclass(frozen=True)
class ListenerEffects:
    """Every listener's settled effects: posterior mean (L, C) and covariance (L, C, C)."""

    mean: Floats
    cover: Floats

    @staticmethod
    def of(reading: Reading) -> "ListenerEffects":
        mean, cover = each_listener(reading.fit)
        at = list(reading.candidates)
        return ListenerEffects(mean[:, at], cover[:, at][:, :, at])

    def prefers(self, a: int, b: int) -> tuple[Floats, Floats]:
        """(L,) mean of a minus b, and its SD."""
        variance = self.cover[:, a, a] + self.cover[:, b, b] - 2 * self.cover[:, a, b]
        return self.mean[:, a] - self.mean[:, b], np.sqrt(np.maximum(variance, 1e-12))


def own_orders(
    settling: ListenerEffects, names: Sequence[str], forms: Sequence[str], seed: int
) -> tuple[ListenerOrder, ...]:
    """Each listener's order with its uncertainty; `names` (L,) and `forms` (C,)."""
    draws = int(np.clip(200_000 // max(len(names), 1), 400, 2000))
    normal = np.random.default_rng(seed).standard_normal((draws, len(forms)))
    roots = np.linalg.cholesky(settling.cover + 1e-9 * np.eye(len(forms)))
    orders = []
    for name, mean, root in zip(names, settling.mean, roots, strict=True):
        values = mean + normal @ root.T
        centred = values - values.mean(1, keepdims=True)
        low, high = settled_interval(centred)
        best = Chances.of(values).best
        order = sorted(range(len(forms)), key=lambda f: (-mean[f], forms[f]))

        def by_form(values: Floats, order: list[int] = order) -> dict[str, float]:
            return {forms[f]: float(values[f]) for f in order}

        orders.append(
            ListenerOrder(name, by_form(mean - mean.mean()), by_form(low), by_form(high), by_form(best))
        )
    return tuple(orders)


def ballots(settling: ListenerEffects, heard: Floats) -> Floats:
    """(L, C) ranks from the settled means, 1 = best; NaN where `heard` (L, C) is 0."""
    means = np.round(settling.mean, 9)
    ranks = 1.0 + (means[:, None, :] > means[:, :, None]).sum(2)
    return np.asarray(np.where(heard > 0, ranks, np.nan), dtype=np.float64)


@dataclass(frozen=True)
class Camps:
    """Two opposed groups: for each, the form it wants and its listeners' names, as they are shown."""

    forms: tuple[str, str]
    members: tuple[tuple[str, ...], tuple[str, ...]]
    shares: tuple[float, float]

    @property
    def sentence(self) -> str:
        (a, b), (ours, theirs) = self.forms, self.members
        return (
            f"The panel splits in two camps instead of agreeing on a middle: {phrases.few(ours)} "
            f'{"wants" if len(ours) == 1 else "want"} "{a}" '
            f'rather than "{b}", {phrases.few(theirs)} the reverse. An average hides that: talk about them.'
        )


def camps(
    settling: ListenerEffects, names: Sequence[str], forms: Sequence[str], weights: Floats
) -> Camps | None:
    """The pair of forms over which the panel splits most evenly, if it does.

    A listener is in a camp when that listener's own settled ratings prefer one form by WORTH points or more
    with a chance of SURE or more, and have no form more than WORTH points above it: who differ only about
    forms that none of them wants are no camps. Both must hold a share CAMP of the `weights` (L,), which sum
    to 1.
    """
    best: tuple[float, Camps] | None = None
    wanted = settling.mean >= settling.mean.max(1, keepdims=True) - WORTH
    for a in range(len(forms)):
        for b in range(a + 1, len(forms)):
            mean, sd = settling.prefers(a, b)
            sure = np.abs(mean) >= np.maximum(WORTH, NormalDist().inv_cdf(SURE) * sd)
            sides = sure & (mean > 0) & wanted[:, a], sure & (mean < 0) & wanted[:, b]
            shares = float(weights[sides[0]].sum()), float(weights[sides[1]].sum())
            if min(shares) >= CAMP and (best is None or min(shares) > best[0] + 1e-12):
                members = tuple(tuple(names[i] for i in np.flatnonzero(side).tolist()) for side in sides)
                best = min(shares), Camps((forms[a], forms[b]), (members[0], members[1]), shares)
    return best[1] if best else None
