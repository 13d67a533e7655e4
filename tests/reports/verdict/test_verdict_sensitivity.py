"""Other ways of judging the same ratings, and what the numeric core may import."""

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from render.arrays import Floats
from reports.model.familiarity import Observations
from reports.simulation.worlds import World, simulate
from reports.verdict.judge import judge
from reports.verdict.sensitivity import ranked, standardised
from tests.simulated_tables import table_of


def within(values: Floats, seen: Observations) -> Floats:
    means = np.bincount(seen.group, weights=values) / np.bincount(seen.group)
    return np.asarray(values - means[seen.group])


@pytest.mark.parametrize("seed", range(5))
def test_ranks_are_those_of_scipy(seed: int) -> None:
    seen = simulate(World(listeners=3, missed=0.2, noise_sd=2), 4, seed).seen
    ranks = ranked(seen)
    assert (np.bincount(seen.group) >= 2).all()
    for group in range(seen.group.max() + 1):
        at = seen.group == group
        expected = stats.rankdata(seen.rating[at])  # ties share the mean of their ranks
        steps = (ranks[at] - ranks[at].mean()) / (expected - expected.mean() + 1e-300)
        assert np.ptp(stats.rankdata(ranks[at]) - expected) == 0
        assert np.nanstd(steps[np.abs(expected - expected.mean()) > 0.1]) < 1e-9
    assert (within(ranks, seen) ** 2).sum() == pytest.approx((within(seen.rating, seen) ** 2).sum())


def test_standardised_scales_are_alike() -> None:
    seen = simulate(World(listeners=2, dev_sd=0, noise_sd=3), 12, 1).seen
    levels = seen.rating - within(seen.rating, seen)
    wide = np.where(seen.listener == 1, 4.0, 1.0)
    stretched = Observations(**{**vars(seen), "rating": levels + wide * within(seen.rating, seen)})
    before, after = (
        [np.std(within(values, seen)[seen.listener == i]) for i in (0, 1)]
        for values in (stretched.rating, standardised(stretched))
    )
    assert before[1] / before[0] > 3 and after[1] / after[0] < 1.3


def test_what_was_heard_on_is_left_out_only_where_most_remains() -> None:
    """Without what nearly all was heard on it is another study, and none to hold against the verdict."""
    table = table_of(World(listeners=2, advantage=20), 5, 3)
    for cars, expected in ((4, {"in a car"}), (len(table) // 2, {"in a car", "on headphones"})):
        table["heard_on"] = ["car"] * cars + ["headphones"] * (len(table) - cars)
        texts = {reading.change for reading in judge(table).sensitivity}
        assert {text.removeprefix("without what was heard ") for text in texts if "heard" in text} == expected


def test_who_always_says_the_same_is_not_blown_up() -> None:
    seen = simulate(World(listeners=3, flat_rater=True), 6, 2).seen
    scaled = standardised(seen)
    assert (scaled[seen.listener == 2] == 50).all() and np.isfinite(scaled).all()


@pytest.mark.parametrize(
    "module",
    [
        *("model.familiarity", "model.posterior", "model.reading", "model.gates"),
        *("verdict.votes", "verdict.sensitivity", "verdict.listeners", "simulation.outlook"),
    ],
)
def test_the_numeric_core_needs_numpy_alone(module: str) -> None:
    code = f"import sys, reports.{module}; print([m for m in ('pandas', 'scipy') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
