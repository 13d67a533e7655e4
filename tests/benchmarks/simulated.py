"""Campaigns of simulated studies for bench_verdict, and the worlds that they are simulated in."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from reports.simulation import campaign
from reports.simulation.worlds import Simulated, World, simulate

SEED = 30_000
BATCH = 50  # studies that share the orders of listening
PANELS = (1, 3, 5)
ALONE_LAST = 14  # one listener is hardly ever clear before the twelfth listen


def day_of(around: int) -> int:
    """Two rounds a day."""
    return (around + 1) // 2


@dataclass(frozen=True)
class Cell:
    """Results of one world: first clear round (0 = never), form named then, leader by round, plain mean's."""

    first: np.ndarray
    named: np.ndarray
    leader: np.ndarray
    plain: np.ndarray  # (rounds, S)
    best: int

    def clear(self, last: int) -> np.ndarray:
        return (self.first > 0) & (self.first <= last)

    def right_when_clear(self, last: int) -> tuple[int, int]:
        clear = self.clear(last)
        return int((self.named[clear] == self.best).sum()), int(clear.sum())


def studies(world: World, rounds: int, count: int, seed: int) -> Iterator[list[Simulated]]:
    for batch in range(count // BATCH):
        yield [simulate(world, rounds, (seed, batch), noise_seed=(seed, batch, i)) for i in range(BATCH)]


def run_cell(
    world: World,
    last: int,
    count: int,
    seed: int,
    leaders: tuple[int, ...] = (),
    doubtful: bool = True,
) -> Cell:
    weights = np.full(world.listeners, 1 / world.listeners)
    parts, plain = [], []
    for made in studies(world, last, count, seed):
        parts.append(campaign.run(made, weights, last, day_of, seed=seed, leaders=leaders, doubtful=doubtful))
        if leaders:
            plain.append(np.column_stack([_plain_leaders(study, last) for study in made]))
    return Cell(
        np.concatenate([part.first for part in parts]),
        np.concatenate([part.named for part in parts]),
        np.concatenate([part.leader for part in parts], axis=1),
        np.concatenate(plain, axis=1) if plain else np.zeros((last, 0)),
        world.best % world.forms,
    )


def _plain_leaders(study: Simulated, last: int) -> np.ndarray:
    """The form with the highest mean of all ratings so far, after each round."""
    sums = np.zeros((last, study.seen.forms, 2))
    np.add.at(sums[..., 0], (study.round - 1, study.seen.form), study.seen.rating)
    np.add.at(sums[..., 1], (study.round - 1, study.seen.form), 1)
    total = np.cumsum(sums, axis=0)
    return (total[..., 0] / np.maximum(total[..., 1], 1)).argmax(1)


def share(hits: int, of: int) -> str:
    """ "0.953 (41/43)"."""
    return f"{hits / of:.3f} ({hits}/{of})" if of else "- (0)"


NAMED = {
    "gap 6": World(advantage=6),
    "gap 10": World(advantage=10),
    "gap 6, incumbent best": World(advantage=6, best=0),
    "gap 10, incumbent best": World(advantage=10, best=0),
    "gap 6, no incumbent": World(advantage=6, head_start=0),
    "gap 6, noise 12": World(advantage=6, noise_sd=12),
    "gap 10, three forms": World(advantage=10, forms=3),
    "gap 10, six forms": World(advantage=10, forms=6),
}

ODD = {
    "tau 8": World(tau=(8, 8)),
    "tau 14": World(tau=(14, 14)),
    "20-point gap": World(gap=(20, 20)),
    "one form starts 8 high, wears off": World(wears_off=8),
    "one form starts 12 high, wears off": World(wears_off=12),
    "no familiarity effect at all": World(gap=(0, 0), gap_wobble=0),
    "gaps differ widely (SD 6)": World(gap_wobble=6),
    "fatigue after the 6th listen": World(fatigue=1.0),
    "heavy-tailed noise (t, 3 df)": World(tail_df=3),
    "a listener who always rates 50": World(flat_rater=True),
    "a fifth of the rounds missed": World(missed=0.2),
    "a late joiner": World(late_joiner=True),
    "unequal scales (log SD 0.5)": World(scale_sd=0.5),
    "ceiling (ratings near 100)": World(ceiling=30),
}
