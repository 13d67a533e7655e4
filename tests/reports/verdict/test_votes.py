"""The vote against worked examples: Schulze's 45 ballots, Condorcet's 81 voters, a cycle, a tie."""

import csv
from collections.abc import Sequence

import numpy as np
import pytest

from reports.verdict.votes import Vote, borda, count
from tests.places import DATA

DATA = DATA / "voting_profiles.csv"


def of_ballots(ballots: Sequence[str], candidates: Sequence[str], weights: Sequence[float]) -> Vote:
    """Ballots of one letter a candidate, best first."""
    ranks = [[1.0 + ballot.index(name) for name in candidates] for ballot in ballots]
    return count(np.array(ranks), np.array(weights), candidates)


def profile(example: str) -> Vote:
    with DATA.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["example"] == example]
    assert rows, example
    ballots, weights = [row["ballot"] for row in rows], [float(row["count"]) for row in rows]
    return of_ballots(ballots, sorted(ballots[0]), weights)


def test_schulze_45_ballots() -> None:
    # Schulze (2011), example 1: ballots as widely reproduced; the answer E A C B D is from memory of the
    # paper, the matrices were computed independently for the check values.
    vote = profile("schulze45")
    d = [
        [0, 20, 26, 30, 22],
        [25, 0, 16, 33, 18],
        [19, 29, 0, 17, 24],
        [15, 12, 28, 0, 14],
        [23, 27, 21, 31, 0],
    ]
    assert vote.beats.tolist() == d
    off = ~np.eye(5, dtype=bool)
    paths = [
        [0, 28, 28, 30, 24],
        [25, 0, 28, 33, 24],
        [25, 29, 0, 29, 24],
        [25, 28, 28, 0, 24],
        [25, 28, 28, 31, 0],
    ]
    assert vote.strength[off].tolist() == np.array(paths)[off].tolist()
    assert vote.schulze == (("E",), ("A",), ("C",), ("B",), ("D",))
    assert vote.condorcet is None
    assert vote.borda == {"A": 98, "B": 92, "C": 89, "D": 69, "E": 102}
    assert "circle" in vote.sentence and '"E"' in vote.sentence


def test_condorcet_81_voters_borda_disagrees() -> None:
    # Condorcet (1785), as used by Young (1988); the profile is from memory.
    vote = profile("condorcet81")
    assert (vote.beats[0, 1], vote.beats[1, 0]) == (41, 40)
    assert (vote.beats[0, 2], vote.beats[1, 2]) == (60, 69)
    assert vote.borda == {"A": 101, "B": 109, "C": 33}
    assert vote.condorcet == "A" and vote.winners == ("A",)
    assert vote.borda_order[0] == ("B",) and "Borda" in vote.sentence


def test_tennessee() -> None:
    # an example of an encyclopedia (2002), not scholarly: cities M, N, C, K
    vote = profile("tennessee100")
    assert vote.schulze == (("N",), ("C",), ("K",), ("M",))
    assert vote.condorcet == "N" and vote.cycle == ()
    assert vote.borda == {"M": 126, "N": 194, "C": 173, "K": 107}


def test_cycle_is_said() -> None:
    # Condorcet's 60 voters; the profile is from memory.
    vote = profile("condorcet60_cycle")
    assert [vote.beats[0, 1], vote.beats[1, 2], vote.beats[2, 0]] == [33, 42, 35]
    assert vote.condorcet is None and set(vote.cycle) == {"A", "B", "C"}
    assert vote.schulze == (("B",), ("C",), ("A",))
    assert vote.borda == {"A": 58, "B": 69, "C": 53}
    assert "circle" in vote.sentence


def test_tie_is_said_and_weights_break_it() -> None:
    vote = of_ballots(["xy", "yx"], "xy", [1, 1])
    assert vote.winners == ("x", "y") and vote.ties == (("x", "y"),)
    assert vote.condorcet is None and vote.cycle == () and "tie" in vote.sentence
    assert of_ballots(["xy", "yx"], "xy", [1, 1.5]).condorcet == "y"
    thirds = of_ballots(["xy", "xy", "xy", "yx"], "xy", [0.1, 0.1, 0.1, 0.3])
    assert thirds.ties == (("x", "y"),)  # 0.1 + 0.1 + 0.1 is not 0.3 in binary


def test_equal_ranks_and_no_opinion() -> None:
    ranks = np.array([[1.0, 1.0, 2.0], [np.nan, 1.0, 2.0]])
    vote = count(ranks, np.ones(2), ["a", "b", "c"])
    assert vote.beats.tolist() == [[0, 0, 1], [0, 0, 2], [0, 0, 0]]
    assert borda(ranks, np.ones(2)).tolist() == [1.5, 2.5, 0]
    assert vote.winners == ("a", "b")


@pytest.mark.parametrize("seed", range(20))
def test_condorcet_winner_heads_schulze(seed: int) -> None:
    """A law of Schulze's method: a Condorcet winner always comes first, alone."""
    rng = np.random.default_rng(seed)
    ranks = np.array([rng.permutation(5) + 1.0 for _ in range(9)])
    vote = count(ranks, np.ones(9), list("abcde"))
    assert vote.condorcet is None or vote.winners == (vote.condorcet,)
    assert sorted(name for tier in vote.schulze for name in tier) == list("abcde")
