"""The outlook, and the campaigns of simulated studies that it rests on."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reports.model.gates import CLEAR, Rules
from reports.model.reading import DRAWS, SEED
from reports.simulation import campaign
from reports.simulation.outlook import PlannedPanel, RoundPlan, outlook, to_go
from reports.simulation.worlds import World, simulate
from reports.verdict.judge import judge
from tests.simulated_tables import table_of


def hearers(listeners: int, forms: int = 4) -> PlannedPanel:
    prior = np.zeros((listeners, forms))
    prior[:, 0] = 50
    return PlannedPanel(prior)


def test_a_weak_plan_is_warned_about_and_told_what_would_help() -> None:
    steps: list[tuple[int, int]] = []
    found = outlook(
        hearers(1),
        RoundPlan(12, 6),
        studies=40,
        most_rounds=12,
        gaps=(6.0, 8.0, 15.0),
        progress=lambda *s: steps.append(s),
    )
    assert not found.enough
    told = " ".join(found.sentences)
    assert "hardly settle an ordinary difference" in told and "What would help" in told
    assert "two listeners" in told and "three forms" in told
    assert found.clear_right[6] <= found.clear_right[8] < found.clear_right[15]
    assert found.rounds_needed[6] is None
    assert steps[-1][0] == steps[-1][1] and [s[0] for s in steps] == list(range(1, len(steps) + 1))
    json.dumps(found.as_json(), allow_nan=False)


def test_a_strong_plan_is_not() -> None:
    found = outlook(hearers(6), RoundPlan(10, 5), studies=40, most_rounds=10, gaps=(8.0, 15.0))
    assert found.enough and "hardly" not in " ".join(found.sentences)
    assert found.clear_right[15] > 0.9 and (found.rounds_needed[15] or 99) <= 10


def test_the_same_outlook_twice_and_another_seed() -> None:
    first, again, other = (
        outlook(hearers(2), RoundPlan(8, 4), studies=20, gaps=(10.0, 15.0), advise=False, seed=seed).as_json()
        for seed in (1, 1, 2)
    )
    assert first == again != other


def test_too_short_a_plan_can_never_be_clear() -> None:
    found = outlook(hearers(3), RoundPlan(4, 2), studies=10, gaps=(15.0,), most_rounds=8, advise=False)
    assert found.clear_right[15] == 0 and "at least five rounds over three days" in " ".join(found.sentences)
    assert "alone" not in " ".join(found.sentences)


@pytest.mark.parametrize("rounds", [7, 12])
def test_one_listener_alone_is_told_to_plan_twelve_rounds(rounds: int) -> None:
    found = outlook(hearers(1), RoundPlan(rounds, 6), studies=10, gaps=(15.0,), most_rounds=12, advise=False)
    told = "One listener alone settles hardly anything before round 12" in found.sentences[-1]
    assert told == (rounds < 12)


@pytest.mark.parametrize("world", [World(advantage=14), World(advantage=14, missed=0.2, late_joiner=True)])
def test_a_campaign_reads_as_the_verdict_does(world: World) -> None:
    """Read together by the campaign or one by one by `judge`: the same states after every round."""
    made = [simulate(world, 7, 3, noise_seed=(3, i)) for i in range(4)]
    done = campaign.run(
        made, np.full(3, 1 / 3), 7, lambda r: (r + 1) // 2, seed=SEED, leaders=(5, 6, 7), draws=DRAWS
    )
    for i, study in enumerate(made):
        table = _table(study.until(7), study.round)
        for around in (5, 6, 7):
            judgement = judge(table[table["round"] <= around])
            clear = bool(done.first[i]) and around >= done.first[i]
            assert judgement.best == f"form {done.leader[around - 1, i]}"
            if clear and around == done.first[i]:
                assert judgement.state == CLEAR
            if not clear:
                assert judgement.state != CLEAR


def test_one_listener_alone_is_not_misled_by_a_form_that_wears_off() -> None:
    """Form 1 starts 15 points high and ends 4 behind the best: what convinces three does not do for one."""
    world = World(listeners=1, advantage=4, wears_off=15, noise_sd=8)
    made = [simulate(world, 9, 1, noise_seed=(1, i)) for i in range(200)]
    of_three = replace(Rules(), own_way_chance=Rules().own_way_chance[2:3])
    misled = [
        (campaign.run(made, np.ones(1), 9, lambda r: (r + 1) // 2, seed=SEED, rules=rules).named == 1).sum()
        for rules in (of_three, Rules())
    ]
    assert misled[0] >= 2 and misled[1] == 0


def _table(seen: campaign.Observations, around: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "listener": [str(i) for i in seen.listener],
            "day": (around + 1) // 2,
            "round": around,
            "position": seen.position + 1,
            "form": [f"form {i}" for i in seen.form],
            "rating": seen.rating,
            "prior_listens": np.where(seen.form == 0, 50.0, 0.0),
        }
    )


def test_the_way_to_go() -> None:
    table = table_of(World(listeners=3, advantage=8), 4, 21)
    text = to_go(judge(table), studies=20)
    assert text is not None and "lead" in text and "round" in text
    assert to_go(judge(table_of(World(advantage=15), 8, 1))) is None
