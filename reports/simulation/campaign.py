"""Batched simulation: many studies with one listening design, read after every round. numpy only.

Studies that share who heard what when share all the work on the model but the ratings' own part, so a
campaign of simulated studies costs a small fraction of as many single readings.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import sqrt
from statistics import NormalDist

import numpy as np

from render.arrays import Floats, Ints
from reports.model.familiarity import OWN, SLOW, Fit, Observations, Prior, fit
from reports.model.gates import CLEAR, CautiousReadings, Chances, Coverage, Rules, state_of
from reports.model.posterior import targets
from reports.simulation.worlds import Simulated

DRAWS = 2000


@dataclass(frozen=True)
class Campaign:
    """Of S studies: `first` (S,) is the round of the first clear reading (0 = never), `named` (S,) its form.

    `leader` (rounds, S): the form with the highest settled mean after each round that was read, else -1.
    """

    first: Ints
    named: Ints
    leader: Ints


def heard_after(study: Simulated, done: int, days_by: Callable[[int], int]) -> Coverage:
    """What each simulated listener has heard by round `done`; `days_by` gives the day of a round."""
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
    )


def run(
    made: Sequence[Simulated],
    weights: Floats,
    last: int,
    days_by: Callable[[int], int],
    *,
    seed: int,
    prior: Prior | None = None,
    rules: Rules | None = None,
    step: Callable[[], None] = lambda: None,
    leaders: Collection[int] = (),
    draws: int = DRAWS,
    doubtful: bool = True,
) -> Campaign:
    """Reads studies that differ in their ratings alone after every round up to `last`, until each is clear.

    After the rounds in `leaders`, every study is read, clear or not; `doubtful=False` leaves out the
    cautious readings. `step` is called after each round.
    """
    prior, rules = prior or Prior(), rules or Rules()
    first, named = np.zeros(len(made), dtype=np.int64), np.full(len(made), -1)
    leader = np.full((last, len(made)), -1)
    for done in range(1, last + 1):
        heard = heard_after(made[0], done, days_by)
        may_be_clear = heard.enough(rules.clear_listens, rules.clear_days)
        left = [i for i in range(len(made)) if done in leaders or (may_be_clear and not first[i])]
        if left:
            until = np.flatnonzero(made[0].round <= done)
            ratings = np.column_stack([made[i].seen.rating[until] for i in left])
            after = _Round(
                made[0].seen.only(until), ratings, weights, heard, rules, prior, seed, draws, doubtful
            )
            for column, study in enumerate(left):
                best, clear = after.read(column, may_be_clear and not first[study])
                leader[done - 1, study] = best
                if clear:
                    first[study], named[study] = done, best
        step()
    return Campaign(first, named, leader)


@dataclass(frozen=True)
class _Round:
    """All studies after one round; `ratings` is (n, m)."""

    seen: Observations
    ratings: Floats
    weights: Floats
    heard: Coverage
    rules: Rules
    prior: Prior
    seed: int
    draws: int
    doubtful: bool

    @cached_property
    def found(self) -> Fit:
        return fit(self.seen, self.prior, self.ratings)

    @cached_property
    def doubts(self) -> tuple[Fit, Fit]:
        return fit(self.seen, SLOW, self.ratings), fit(self.seen, OWN, self.ratings)

    def read(self, column: int, ask: bool) -> tuple[int, bool]:
        """The leader, and whether the reading is clear (only looked at with `ask`)."""
        mixture = targets(self.found, self.weights, column)
        mean, cover = mixture.moments()
        a, b = np.argsort(-mean)[:2].tolist()
        lead = (mean[a] - mean[b]) / sqrt(cover[a, a] + cover[b, b] - 2 * cover[a, b])
        if not ask or NormalDist().cdf(lead) < self.rules.clear_chance - 0.05:
            return a, False  # a leader that does not even beat the runner-up so surely needs no draws
        chances = Chances.of(mixture.draws(self.draws, self.seed))

        def doubts() -> CautiousReadings | None:
            if not self.doubtful:
                return None
            slow, own = (targets(found, self.weights, column) for found in self.doubts)
            return CautiousReadings(*(Chances.of(each.draws(self.draws, self.seed)) for each in (slow, own)))

        return chances.order[0], state_of(chances, self.heard, self.rules, doubts) == CLEAR
