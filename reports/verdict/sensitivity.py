"""Sensitivity analysis: the same ratings under other assumptions, and the form each names. numpy only."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from render.arrays import Floats, Ints
from reports.model.familiarity import Observations, Prior
from reports.model.reading import Reading, later_half, read
from reports.verdict import phrases

MOST_LISTENERS = 12  # beyond that, fifths of the panel are left out, not single listeners

_FIFTHS = ("the first", "the second", "the third", "the fourth", "the last")


@dataclass(frozen=True)
class AlternativeReading:
    """One alternative reading: `best` is the form it would name, `p_best` its chance of being best."""

    change: str
    best: str
    p_best: float
    p_same: float  # the chance that it gives to the form that the verdict names
    same: bool

    def as_json(self) -> dict[str, object]:
        return {
            "change": self.change,
            "best": self.best,
            "p_best": round(self.p_best, 4),
            "p_same": round(self.p_same, 4),
            "same": self.same,
        }


@dataclass(frozen=True)
class SensitivityBasis:
    """Inputs of all alternative readings: names of forms (F,), of listeners (L,) as shown, weights (L,)."""

    reading: Reading
    listeners: Sequence[str]
    forms: Sequence[str]
    weights: Floats
    prior: Prior
    seed: int
    prior_listens: Floats  # (n,)
    round: Ints  # (n,)
    heard_on: Sequence[str] = ()  # (n,) what each was heard on, if known
    stumbled: Sequence[bool] = ()  # (n,) whether some of its sound was late or missing
    cut_heard: Sequence[bool] = ()  # (n,) whether its listener heard a cut in it

    def again(self, seen: Observations, weights: Floats | None = None, prior: Prior | None = None) -> Reading:
        return read(
            seen,
            self.weights if weights is None else weights,
            candidates=self.reading.candidates,
            prior=prior or self.prior,
            seed=self.seed,
            draws=len(self.reading.draws),
        )


def sensitivity(basis: SensitivityBasis, leader: int) -> tuple[AlternativeReading, ...]:
    """All other ways of judging; `leader` is the code of the form that the verdict puts first."""
    return tuple(
        _change(text, reading, basis, leader) for text, reading in _readings(basis) if reading is not None
    )


def _change(text: str, reading: Reading, basis: SensitivityBasis, leader: int) -> AlternativeReading:
    best = reading.leader
    chance = dict(zip(reading.candidates, reading.chances.best.tolist(), strict=True))
    return AlternativeReading(text, basis.forms[best], chance[best], chance[leader], best == leader)


def _readings(basis: SensitivityBasis) -> Iterable[tuple[str, Reading | None]]:
    seen = basis.reading.seen
    yield "without allowing for familiarity", basis.again(seen, prior=replace(basis.prior, tau=((0.0, 1.0),)))
    yield "every listener's scale made equal", basis.again(replace(seen, rating=standardised(seen)))
    yield "ranks within each round only", basis.again(replace(seen, rating=ranked(seen)))
    later = later_half(seen.listener, basis.round)
    yield "the later half of the rounds only", basis.again(seen.only(later)) if len(later) else None
    if basis.prior_listens.any():
        for text, factor in (("halved", 0.5), ("doubled", 2.0), ("taken as none", 0.0)):
            exposure = seen.exposure + (factor - 1) * basis.prior_listens
            yield f"declared prior listens {text}", basis.again(replace(seen, exposure=exposure))
    for device in sorted(set(basis.heard_on)) if len(set(basis.heard_on)) > 1 else ():
        left = np.flatnonzero(np.array(basis.heard_on) != device)
        most = 2 * len(left) < len(basis.heard_on)  # without most of the ratings it is another study
        yield (
            f"without what was heard {phrases.heard_on(device)}",
            None if most else basis.again(seen.only(left)),
        )
    for text, out in (
        ("without listens in which the sound stumbled", basis.stumbled),
        ("without listens in which a cut was heard (chosen by an outcome)", basis.cut_heard),
    ):
        left = np.flatnonzero(~np.array(out, dtype=bool))
        yield text, basis.again(seen.only(left)) if any(out) and len(left) else None
    yield from _without_some(basis)


def _without_some(basis: SensitivityBasis) -> Iterable[tuple[str, Reading]]:
    count = len(basis.listeners)
    if count < 2:
        return
    if count <= MOST_LISTENERS:
        parts = [(f"without {name}", np.array([i])) for i, name in enumerate(basis.listeners)]
    else:
        parts = [
            (f"without {name} fifth of the listeners", np.arange(i, count, 5))
            for i, name in enumerate(_FIFTHS)
        ]
    for text, out in parts:
        weights = basis.weights.copy()
        weights[out] = 0.0
        if weights.sum() > 0:
            seen = basis.reading.seen
            left = seen.only(np.flatnonzero(~np.isin(seen.listener, out)))
            yield text, basis.again(left, weights / weights.sum())


def standardised(seen: Observations) -> Floats:
    """(n,) ratings with every listener's spread within rounds brought to the panel's.

    Spreads are shrunk towards the panel's as if 2 more ratings had shown that, so a listener with few
    ratings, or one who always says the same, is not blown up.
    """
    size = np.bincount(seen.group)
    levels = np.bincount(seen.group, weights=seen.rating) / np.maximum(size, 1)
    off = seen.rating - levels[seen.group]
    squares = np.bincount(seen.listener, weights=off**2, minlength=seen.listeners)
    free = np.bincount(seen.listener, weights=1 - 1 / size[seen.group], minlength=seen.listeners)
    panel = squares.sum() / max(free.sum(), 1e-9)
    if panel <= 0:
        return seen.rating
    own = (squares + 2 * panel) / (free + 2)
    return np.asarray(levels[seen.group] + off * np.sqrt(panel / own)[seen.listener], dtype=np.float64)


def ranked(seen: Observations) -> Floats:
    """(n,) ranks within each round, ties shared, spread as widely as the ratings were."""
    order = np.lexsort((seen.rating, seen.group))
    group, rating = seen.group[order], seen.rating[order]
    new = np.r_[True, (np.diff(group) != 0) | (np.diff(rating) != 0)]
    start = np.flatnonzero(new)
    run = np.cumsum(new) - 1
    width = np.diff(np.r_[start, len(rating)])
    first = np.flatnonzero(np.r_[True, np.diff(group) != 0])
    begin = first[np.cumsum(np.r_[True, np.diff(group) != 0]) - 1]
    ranks = np.empty(len(rating))
    ranks[order] = (start + (width - 1) / 2)[run] - begin
    rank_off, own_off = _within(ranks, seen), _within(seen.rating, seen)
    spread = np.sqrt((own_off**2).sum() / max((rank_off**2).sum(), 1e-9))
    return np.asarray(50.0 + spread * rank_off, dtype=np.float64)


def _within(values: Floats, seen: Observations) -> Floats:
    size = np.maximum(np.bincount(seen.group), 1)
    return np.asarray(values - (np.bincount(seen.group, weights=values) / size)[seen.group], dtype=np.float64)
