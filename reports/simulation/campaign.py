"""Batched simulation: many studies with one listening design, read after every round. numpy only.

Studies that share who heard what when share all the work on the model but the ratings' own part, so a
campaign of simulated studies costs a small fraction of as many single readings. Studies in which some
listener's ratings repeat clearly worse than the others' (see `precision`) are read one by one.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from math import sqrt
from statistics import NormalDist

import numpy as np

from render.arrays import Floats, Ints
from reports.model.familiarity import OWN, SLOW, Observations, Prior, fading, fit
from reports.model.gates import (
    CLEAR,
    CLOSE_POINTS,
    MAY_STOP,
    CautiousReadings,
    Chances,
    Coverage,
    Rules,
    even_risk,
    known_before,
    rule,
    safe_risk,
)
from reports.model.posterior import Targets
from reports.model.precision import noise_ratios, unsteady
from reports.model.reading import later_half, prior_listens
from reports.simulation.worlds import Simulated

DRAWS = 2000
NORMAL = NormalDist()


@dataclass(frozen=True)
class Campaign:
    """Results of S studies, (rounds, S) each: row r is the reading after round r + 1.

    `leader`: the form with the least expected loss, -1 where it was not read; `clear`, `enough` (clear or
    safe to choose) and `even`: whether the state allowed it; `risk`: the expected loss stated with `enough`
    (NaN elsewhere); `pair` (rounds, S, 2) and `even_risk`: the forms called even, and the bound stated.
    A study is not read after it was first clear, unless asked for.
    """

    leader: Ints
    clear: Floats
    enough: Floats
    even: Floats
    risk: Floats
    pair: Ints
    even_risk: Floats

    @staticmethod
    def empty(rounds: int, studies: int) -> "Campaign":
        shape = (rounds, studies)
        return Campaign(
            leader=np.full(shape, -1),
            clear=np.zeros(shape),
            enough=np.zeros(shape),
            even=np.zeros(shape),
            risk=np.full(shape, np.nan),
            pair=np.full((*shape, 2), -1),
            even_risk=np.full(shape, np.nan),
        )


def first_round(happened: Floats) -> Ints:
    """(S,) the first round, from 1, in which something (rounds, S) happened; 0 = never."""
    some = happened > 0
    return np.where(some.any(0), some.argmax(0) + 1, 0)


def coverage_after(study: Simulated, done: int, days_by: Callable[[int], int]) -> Coverage:
    """Listens and days of each simulated listener by round `done`; `days_by` gives the day of a round."""
    seen = study.seen
    until = study.round <= done
    cells = np.zeros((seen.listeners, seen.forms), dtype=np.int64)
    np.add.at(cells, (seen.listener[until], seen.form[until]), 1)
    rounds = [np.unique(study.round[until & (seen.listener == i)]).tolist() for i in range(seen.listeners)]
    return Coverage(
        names=[str(i) for i in range(seen.listeners)],
        listens=cells.min(1).tolist(),
        days=[len({days_by(r) for r in own}) for own in rounds],
        rounds=max((len(own) for own in rounds), default=0),
        known=known_before(prior_listens(seen).mean(0)),
    )


def run(
    made: Sequence[Simulated],
    weights: Floats,
    last: int,
    days_by: Callable[[int], int],
    *,
    seed: int,
    rules: Rules | None = None,
    step: Callable[[], None] = lambda: None,
    leaders: Collection[int] = (),
    draws: int = DRAWS,
    until_enough: bool = False,
    equally_precise: bool = False,
    ask_even: bool = True,
) -> Campaign:
    """Reads studies that differ in their ratings alone after every round up to `last`, until each is clear.

    After the rounds in `leaders`, every study is read, clear or not. `step` is called after each round.
    With `until_enough`, a study is left alone once it is safe to choose.
    `equally_precise` reads all listeners with the same precision, where the world is known to be so. Without
    `ask_even`, readings that could only be even are left out.
    """
    rules = rules or Rules()
    campaign = Campaign.empty(last, len(made))
    for done in range(1, last + 1):
        heard = coverage_after(made[0], done, days_by)
        may_stop = heard.enough(rules.clear_listens, rules.clear_days)
        over = (campaign.enough if until_enough else campaign.clear)[: done - 1].sum(0)
        left = np.flatnonzero((over == 0) & may_stop)
        left = np.arange(len(made)) if done in leaders else left
        if len(left):
            until_now = np.flatnonzero(made[0].round <= done)
            seen = made[0].seen.only(until_now)
            ratings = np.column_stack([made[i].seen.rating[until_now] for i in left.tolist()])
            after = _Round(
                seen, made[0].round[until_now], ratings, weights, heard, rules, seed, draws, ask_even
            )
            alike = [(after, list(range(len(left))))]
            for after_round, columns in alike if equally_precise else after.by_precision():
                for own, column in enumerate(columns):
                    after_round.read_into(campaign, done - 1, int(left[column]), own, may_stop)
        step()
    return campaign


@dataclass(frozen=True)
class _Round:
    """All studies after one round; `ratings` is (n, m), `round` (n,)."""

    seen: Observations
    round: Ints
    ratings: Floats
    weights: Floats
    heard: Coverage
    rules: Rules
    seed: int
    draws: int
    ask_even: bool

    def by_precision(self) -> list[tuple["_Round", list[int]]]:
        """The studies in groups that share their listeners' noise ratios, with their columns."""
        alike: dict[bool, list[int]] = {False: [], True: []}  # by whether a listener is unsteady
        groups: list[tuple[_Round, list[int]]] = []
        warned = replace(self.heard, unsteady=True)
        for column in range(self.ratings.shape[1]):
            own = replace(self.seen, rating=self.ratings[:, column])
            ratio = noise_ratios(own)
            if (ratio == 1).all():
                alike[unsteady(own)].append(column)
            else:
                seen = replace(self.seen, noise_ratio=ratio)
                one = replace(self, seen=seen, ratings=self.ratings[:, [column]], heard=warned)
                groups.append((one, [column]))
        for warn, columns in alike.items():
            if columns:
                heard = warned if warn else self.heard
                groups.append((replace(self, ratings=self.ratings[:, columns], heard=heard), columns))
        return groups

    @cached_property
    def main(self) -> Targets:
        return Targets.of(fit(self.seen, Prior(), self.ratings), self.weights)

    @cached_property
    def slow(self) -> Targets:
        return Targets.of(fit(self.seen, SLOW, self.ratings), self.weights)

    @cached_property
    def own_way(self) -> Targets:
        return Targets.of(fit(self.seen, OWN, self.ratings), self.weights)

    @cached_property
    def late(self) -> Targets:
        later = later_half(self.seen.listener, self.round)
        return Targets.of(fit(self.seen.only(later), Prior(), self.ratings[later]), self.weights)

    @cached_property
    def ahead(self) -> Ints:
        """(m,) the form with the highest mean."""
        return np.asarray(self.moments[0].argmax(1))

    @cached_property
    def fading(self) -> dict[int, Targets]:
        """By the form that fades, for the studies in which it is ahead; each read when first asked for."""
        return {}

    @cached_property
    def moments(self) -> tuple[Floats, Floats]:
        return self.main.moments()

    def _chances(self, reading: str, column: int) -> Chances:
        targets: Targets = getattr(self, reading)
        return Chances.of(targets.draws(self.draws, self.seed, column))

    def _fading(self, column: int, form: int) -> Chances:
        if self.ahead[column] != form:  # it leads by expected loss alone: hardly ever
            only = Targets.of(fit(self.seen, fading(form), self.ratings[:, [column]]), self.weights)
            return Chances.of(only.draws(self.draws, self.seed))
        columns = np.flatnonzero(self.ahead == form)
        if form not in self.fading:
            self.fading[form] = Targets.of(
                fit(self.seen, fading(form), self.ratings[:, columns]), self.weights
            )
        at = int(np.searchsorted(columns, column))
        return Chances.of(self.fading[form].draws(self.draws, self.seed, at))

    def read_into(self, campaign: Campaign, row: int, study: int, column: int, ask: bool) -> None:
        """Reads one study; the gates are only looked at with `ask`."""
        mean, cover = self.moments[0][column], self.moments[1][column]
        if not ask or not _may_stop(mean, cover, self.rules, self.ask_even):
            campaign.leader[row, study] = int(mean.argmax())
            return
        chances = self._chances("main", column)
        cautious = CautiousReadings(
            partial(self._chances, "slow", column),
            partial(self._chances, "own_way", column),
            partial(self._chances, "late", column),
            partial(self._fading, column),
        )
        ruling = rule(chances, self.heard, self.rules, cautious)
        leader = chances.order[0]
        campaign.leader[row, study] = leader
        campaign.clear[row, study] = ruling.state == CLEAR
        if ruling.state in MAY_STOP[:2]:
            campaign.enough[row, study] = True
            campaign.risk[row, study] = safe_risk(leader, chances, cautious)
        if ruling.even is not None:
            campaign.even[row, study] = True
            campaign.pair[row, study] = ruling.even
            campaign.even_risk[row, study] = even_risk(ruling.even, chances, cautious)


def _may_stop(mean: Floats, cover: Floats, rules: Rules, ask_even: bool) -> bool:
    """Whether the posterior's moments leave it possible that a reading is clear, safe or (if asked) even.

    A normal approximation with room to spare; it saves the draws of most readings.
    """
    a, b = np.argsort(-mean)[:2]
    lead = float(mean[a] - mean[b])
    sd = sqrt(float(cover[a, a] + cover[b, b] - 2 * cover[a, b]))
    z = lead / sd
    loss = sd * NORMAL.pdf(z) - lead * NORMAL.cdf(-z)
    close = NORMAL.cdf((CLOSE_POINTS - lead) / sd) - NORMAL.cdf((-CLOSE_POINTS - lead) / sd)
    return (
        NORMAL.cdf(z) >= rules.clear_chance - 0.05
        or loss <= 1.2 * rules.safe_loss
        or (ask_even and close >= rules.even_chance - 0.12)
    )
