"""Campaigns of simulated studies for bench_verdict, and the worlds that they are simulated in."""

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace

import numpy as np

from reports.model.gates import Rules
from reports.simulation.campaign import Campaign, first_round, run
from reports.simulation.worlds import Simulated, World, simulate

SEED = 9_000_000  # not used for anything before the rules were settled
BATCH = 50  # studies that share the orders of listening
LAST = 16  # rounds read
FORM_MINUTES = 2.5


def day_of(around: int) -> int:
    """Two rounds a day."""
    return (around + 1) // 2


@dataclass(frozen=True)
class Cell:
    """Results of one world: the campaign (rounds, S) and the truths (S, F) at the end."""

    world: World
    campaign: Campaign
    truth: np.ndarray
    plain: np.ndarray  # (S,) leader by the plain mean of all ratings after round 8

    @property
    def count(self) -> int:
        return len(self.truth)

    @property
    def equal(self) -> bool:
        """All forms are equally good."""
        return bool(np.ptp(self.truth, axis=1).max() < 1e-9)

    @property
    def clear(self) -> np.ndarray:
        """(S,) the round of the first clear reading, 0 = never."""
        return first_round(self.campaign.clear)

    @property
    def enough(self) -> np.ndarray:
        """(S,) the round of the first reading that was clear or safe to choose, 0 = never."""
        return first_round(self.campaign.enough)

    def by(self, first: np.ndarray, around: int) -> float:
        """The share of studies in which something happened by a round."""
        return float(((first > 0) & (first <= around)).mean())

    def cost(self, form: np.ndarray) -> np.ndarray:
        """(S,) points given away by choosing a form in each study."""
        return np.asarray(self.truth.max(1) - self.truth[np.arange(self.count), np.maximum(form, 0)])

    def named(self, around: int) -> float:
        """The share of studies in which the leader after a round is the best, or as good."""
        return float((self.cost(self.campaign.leader[around - 1]) <= 0).mean())

    @property
    def named_plain(self) -> float:
        return float((self.cost(self.plain) <= 0).mean())

    def minutes(self, first: np.ndarray) -> float:
        """Mean minutes of listening per listener until `first` (S,); at most LAST rounds."""
        return float(np.where(first > 0, first, LAST).mean() * self.world.forms * FORM_MINUTES)

    def right(self, first: np.ndarray) -> tuple[int, int, float]:
        """(right, reached, points given away) of the leaders at the rounds `first` (S,), 0 = never."""
        at = first > 0
        cost = self._cost_at(first)[at]
        return int((cost <= 0).sum()), int(at.sum()), float(cost.mean()) if at.any() else float("nan")

    def _cost_at(self, first: np.ndarray) -> np.ndarray:
        return self.cost(self.campaign.leader[np.maximum(first, 1) - 1, np.arange(self.count)])

    def lost_error(self, first: np.ndarray) -> float:
        """Standard error of the points given away by the leaders at the rounds `first`."""
        cost = self._cost_at(first)[first > 0]
        return float(cost.std() / np.sqrt(len(cost))) if len(cost) else float("nan")

    def stated(self, first: np.ndarray) -> float:
        """The mean risk stated at the rounds `first`."""
        at = first > 0
        values = self.campaign.risk[np.maximum(first, 1) - 1, np.arange(self.count)][at]
        return float(values.mean()) if at.any() else float("nan")

    def even(self) -> tuple[float, float, float, float]:
        """(share called even by round 8, by the last, cost of a free choice then, bound stated)."""
        first = first_round(self.campaign.even)
        at, index = first > 0, (np.maximum(first, 1) - 1, np.arange(self.count))
        pair = np.take_along_axis(self.truth, np.maximum(self.campaign.pair[index], 0), 1)
        cost = (self.truth.max(1) - pair.mean(1))[at]
        bound = self.campaign.even_risk[index][at]
        by_8 = float((at & (first <= 8)).mean())
        nothing = float("nan")
        return by_8, float(at.mean()), *((cost.mean(), bound.mean()) if at.any() else (nothing, nothing))


def studies(world: World, rounds: int, count: int, seed: int) -> Iterator[list[Simulated]]:
    for batch in range(count // BATCH):
        yield [simulate(world, rounds, (seed, batch), noise_seed=(seed, batch, i)) for i in range(BATCH)]


def run_cell(
    world: World,
    count: int,
    seed: int,
    last: int = LAST,
    days_by: Callable[[int], int] = day_of,
    *,
    rules: Rules | None = None,
    leaders: Collection[int] = (5, 8, 12),
) -> Cell:
    """Reads `count` studies of a world after every round to the last one; after `leaders` clear ones too."""
    weights = np.full(world.listeners, 1 / world.listeners)
    parts, truths, plain = [], [], []
    for made in studies(world, last, count, seed):
        parts.append(run(made, weights, last, days_by, seed=seed, rules=rules, leaders=leaders))
        truths += [_final(study.truth, world) for study in made]
        plain += [_plain_leader(study) for study in made]
    names = ("leader", "clear", "enough", "even", "risk", "pair", "even_risk")
    whole = Campaign(*(np.concatenate([getattr(part, name) for part in parts], axis=1) for name in names))
    return Cell(world, whole, np.array(truths), np.array(plain))


def _final(truth: np.ndarray, world: World) -> np.ndarray:
    """What the forms are worth at the end, where one sinks late."""
    truth = truth.copy()
    truth[world.best] -= world.sinks
    return truth


def _plain_leader(study: Simulated) -> int:
    """The form with the highest mean of all ratings by round 8."""
    by_8 = study.round <= 8
    sums = np.bincount(study.seen.form[by_8], study.seen.rating[by_8], study.seen.forms)
    return int(
        (sums / np.maximum(np.bincount(study.seen.form[by_8], minlength=study.seen.forms), 1)).argmax()
    )


def share(hits: int, of: int) -> str:
    """ "0.953 (41/43)"."""
    return f"{hits / of:.3f} ({hits}/{of})" if of else "- (0)"


THREE, FIVE, ALONE = World(), World(listeners=5), World(listeners=1)

WORLDS: dict[str, World] = {
    "3 x 4, gap 6": replace(THREE, advantage=6),
    "3 x 4, gap 8": replace(THREE, advantage=8),
    "3 x 4, all equal": THREE,
    "3 x 4, truths of SD 5": replace(THREE, spread=5),
    "3 x 4, gap 6, one form starts 8 high, wears off": replace(THREE, advantage=6, wears_off=8),
    "3 x 4, gap 6, tau 8": replace(THREE, advantage=6, tau=(8, 8)),
    "3 x 4, gap 6, one answers at random": replace(THREE, advantage=6, random_rater=True),
    "3 x 4, gap 10, one answers at random": replace(THREE, advantage=10, random_rater=True),
    "3 x 4, gap 10, unequal scales (log SD 0.5)": replace(THREE, advantage=10, scale_sd=0.5),
    "3 x 4, 6 ahead, from the 9th listen 4 behind": replace(THREE, advantage=6, sinks=10),
    "3 x 5, gap 8": replace(THREE, advantage=8, forms=5),
    "1 x 4, gap 10": replace(ALONE, advantage=10),
    "1 x 5, gap 10": replace(ALONE, advantage=10, forms=5),
    "3 x 5, truths of SD 5": replace(THREE, spread=5, forms=5),
    "3 x 5, gap 6, one form starts 8 high, wears off": replace(THREE, advantage=6, wears_off=8, forms=5),
    "3 x 4, all equal, one loyal to the incumbent by 10": replace(THREE, loyal=10),
    "3 x 4, gap 10": replace(THREE, advantage=10),
    "1 x 3, gap 8": replace(ALONE, advantage=8, forms=3),
    "3 x 4, gap 6, incumbent best": replace(THREE, advantage=6, best=0),
    "3 x 4, all equal, no incumbent": replace(THREE, head_start=0),
    "5 x 4, all equal": FIVE,
    "1 x 4, all equal": ALONE,
    "5 x 4, gap 6": replace(FIVE, advantage=6),
    "2 x 4, gap 8": World(listeners=2, advantage=8),
    "1 x 4, truths of SD 5": replace(ALONE, spread=5),
    "1 x 4, gap 6, one form starts 8 high, wears off": replace(ALONE, advantage=6, wears_off=8),
    "3 x 4, all equal, one form starts 8 high, wears off": replace(THREE, wears_off=8),
    "3 x 4, all equal, tau 8": replace(THREE, tau=(8, 8)),
    "3 x 4, gap 6, 20-point familiarity gap": replace(THREE, advantage=6, gap=(20, 20)),
    "3 x 4, gap 6, heavy-tailed noise (t, 3 df)": replace(THREE, advantage=6, tail_df=3),
    "3 x 4, gap 6, a fifth of the rounds missed": replace(THREE, advantage=6, missed=0.2),
    "3 x 4, gap 6, ceiling": replace(THREE, advantage=6, ceiling=30),
    "3 x 4, gap 6, one always rates 50": replace(THREE, advantage=6, flat_rater=True),
}

# the worlds that are told first: those that the rules were asked about
KEY = (
    "3 x 4, gap 6",
    "3 x 4, gap 8",
    "3 x 4, gap 10",
    "1 x 4, gap 10",
    "3 x 5, gap 8",
    "3 x 4, all equal",
    "3 x 4, truths of SD 5",
    "3 x 4, gap 6, one form starts 8 high, wears off",
    "3 x 4, gap 6, tau 8",
    "3 x 4, gap 6, one answers at random",
    "3 x 4, gap 10, one answers at random",
    "3 x 4, gap 10, unequal scales (log SD 0.5)",
    "3 x 4, 6 ahead, from the 9th listen 4 behind",
    "3 x 4, all equal, one loyal to the incumbent by 10",
)
