"""The verdict's behaviour: states and gates, what is named, what a reader is told."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from render.errors import RatingsError
from reports.model.familiarity import Prior
from reports.model.gates import (
    CLEAR,
    EVEN,
    LEANING,
    LISTEN,
    SAFE,
    Chances,
)
from reports.simulation.worlds import World
from reports.verdict.judge import Judgement, judge
from tests.simulated_tables import FORMS, table_of


def as_text(judgement: Judgement) -> str:
    return json.dumps(judgement.as_json())


def test_exact_ties_are_shared() -> None:
    chances = Chances.of(np.array([[1.0, 1.0, 0.0], [0.0, 2.0, 2.0]]))
    assert chances.best.tolist() == [0.25, 0.5, 0.25]
    assert chances.loss.tolist() == [1.0, 0.0, 0.5]


# --- states from ratings ------------------------------------------------------------------------------


def test_clear() -> None:
    judgement = judge(table_of(World(advantage=15), 8, 1))
    values = judgement.as_json()
    assert judgement.coverage.known == (0,)  # "as written" alone was heard before
    assert judgement.state == CLEAR and values["form"] == "no verse 2" == judgement.order[0]
    assert 'Choose "no verse 2". Even allowing for habit, these listeners' in judgement.sentence
    assert f'points ahead of "{judgement.order[1]}"' in judgement.sentence
    assert set(values) == {
        *("state", "form", "p_best", "expected_loss", "settled", "order", "listens", "days", "sentence"),
        *("sensitivity", "vote", "may_stop", "even", "resting"),
    }
    assert sum(judgement.p_best.values()) == pytest.approx(1)
    assert values["listens"] == dict.fromkeys(FORMS, 24) and values["days"] == 4
    for settled in judgement.settled.values():
        assert 0 <= settled.low < settled.mean < settled.high <= 100
    json.dumps(values, allow_nan=False)


def test_even_when_the_forms_are_much_alike() -> None:
    judgement = judge(table_of(World(listeners=5, noise_sd=3, dev_sd=1, position_sd=0), 8, 2))
    assert judgement.may_stop and judgement.even is not None
    assert "choose freely" in judgement.sentence
    assert f'even with "{judgement.even[1]}"' in judgement.sentence or judgement.state == EVEN


def test_safe_to_choose_never_says_best() -> None:
    states = [judge(table_of(World(advantage=6), 8, seed)) for seed in (14, 18, 19, 21)]
    safe = [judgement for judgement in states if judgement.state == SAFE]
    assert safe
    for judgement in safe:
        said = judgement.sentence.split(" But it depends")[0]
        assert (
            f'"{judgement.best}" is safe to choose' in said
            and " of 100 on average, and listening may stop" in said
        )
        assert "best" not in said and judgement.form == judgement.best and judgement.may_stop
        assert 1.5 * judgement.expected_loss[judgement.best] <= judgement.safe_risk < 3
        assert judgement.as_json(sealed=True)["may_stop"] and "listening may stop" in judgement.sealed


@pytest.mark.parametrize(("seed", "said"), [(9, "names another form"), (51, "is less sure of it")])
def test_what_sinks_late_is_not_called_safe_and_a_note_says_why(seed: int, said: str) -> None:
    """A form six points ahead until its eighth listen and four behind from then on, after thirteen rounds."""
    judgement = judge(table_of(World(advantage=6, sinks=10), 13, seed))
    assert not judgement.may_stop and judgement.best == "no verse 2"
    (note,) = (note for note in judgement.notes if "is not called safe to choose yet" in note)
    assert f"the later half of the listens, read on its own, {said}" in note


def test_keep_listening_and_leaning_on_the_way() -> None:
    table = table_of(World(advantage=12), 8, 3)
    states = [judge(table[table["round"] <= r]).state for r in range(1, 9)]
    assert states[0] == LISTEN and states[1] == LISTEN
    assert CLEAR not in states[:4] and LEANING in states and states[-1] == CLEAR
    early = judge(table[table["round"] == 1])
    assert early.form is None and early.best in early.risk  # somebody may have to decide today


def test_sealed_gives_nothing_away() -> None:
    for rounds in (1, 8):
        judgement = judge(table_of(World(advantage=15), rounds, 1))
        sealed = json.dumps(judgement.as_json(sealed=True))
        assert judgement.state in sealed
        assert not any(name in sealed for name in [*FORMS, "listener", "%"])


def test_the_order_of_rows_does_not_matter() -> None:
    table = table_of(World(advantage=6, missed=0.2), 5, 4)
    expected = as_text(judge(table))
    for seed in range(5):
        assert as_text(judge(table.sample(frac=1, random_state=seed))) == expected
    assert as_text(judge(table, seed=1)) != expected  # the seed is not for show


def test_names_right_form_in_easy_worlds() -> None:
    named = [judge(table_of(World(advantage=15), 6, seed)).best for seed in range(20)]
    assert named.count("no verse 2") >= 19


# --- panels of all kinds ------------------------------------------------------------------------------


@pytest.mark.parametrize("listeners", [1, 2, 6])
@pytest.mark.parametrize("forms", [2, 3, 8])
def test_sizes(listeners: int, forms: int) -> None:
    names = [f"form {i}" for i in range(forms)]
    judgement = judge(table_of(World(listeners=listeners, forms=forms), 3, 5, names))
    assert sorted(judgement.order) == names
    assert (judgement.p_best_people_like_them is None) == (listeners == 1)
    assert len(judgement.beside.listeners) == listeners


def test_what_has_no_data_is_named() -> None:
    table = table_of(World(listeners=2, advantage=25), 6, 5)
    judgement = judge(table, listeners=["listener 0", "zoe", "yan", "xi"], forms=[*FORMS, "new end"])
    notes = " ".join(judgement.notes)
    assert '"new end": not heard by anybody yet' in notes and "zoe" in notes
    assert judgement.order[-1] == "new end" and judgement.listens["new end"] == 0
    assert 0 < judgement.p_best["new end"] < 1
    assert judgement.state != CLEAR  # nobody has heard every form five times
    assert judgement.behind == ("listener 0", "listener 1", "xi", "yan", "zoe")
    without = judge(table, listeners=["zoe", "yan"])  # two of four have heard enough: half
    assert without.state == CLEAR and without.behind == ("yan", "zoe")
    assert judge(table, listeners=["zoe", "yan", "xi"]).state != CLEAR
    assert judge(table, listeners=["zoe", "yan", "xi"], weights={"xi": 0}).state == CLEAR


def test_nothing_rated_yet() -> None:
    table = table_of(World(), 1, 1).iloc[:0]
    judgement = judge(table, forms=FORMS, listeners=["ana"])
    assert judgement.state == LISTEN and judgement.days == 0 and judgement.behind == ("ana",)
    json.dumps(judgement.as_json(), allow_nan=False)


def test_retired_forms_inform_but_are_not_judged() -> None:
    judgement = judge(table_of(World(advantage=15), 8, 1), retired=["long end"])
    assert "long end" not in judgement.order and '"long end": retired' in " ".join(judgement.notes)
    assert judgement.state == CLEAR


def test_form_added_later_and_late_joiner() -> None:
    table = table_of(World(advantage=12, late_joiner=True), 8, 7)
    added = table[(table["form"] != "no verse 2") | (table["round"] >= 4)]
    judgement = judge(added)
    assert judgement.listens["no verse 2"] < judgement.listens["long end"]
    assert judgement.best == "no verse 2"


def test_weights_move_the_verdict() -> None:
    one = table_of(World(listeners=1, advantage=20, noise_sd=5), 6, 8).assign(listener="ana")
    other = one.assign(listener="bo", form=one["form"].map(dict(zip(FORMS, FORMS[::-1], strict=True))))
    other["prior_listens"] = 0.0
    both = pd.concat([one, other])
    assert judge(both, weights={"ana": 5, "bo": 1}).best == "no verse 2"
    assert judge(both, weights={"ana": 1, "bo": 5}).best == "as written"


def test_a_heard_but_voided_listen_counts_as_exposure() -> None:
    table = table_of(World(listeners=1, head_start=0), 3, 9)
    counted = table.groupby(["listener", "form"]).cumcount()
    more = counted + 6.0 * (table["form"] == "long end")
    assert as_text(judge(table.assign(exposure=counted))) == as_text(judge(table))
    assert judge(table.assign(exposure=more)).p_best["long end"] < judge(table).p_best["long end"]


def test_prior_listens_take_the_head_start_away() -> None:
    table = table_of(World(listeners=3, gap=(15, 15), advantage=6), 4, 10)
    unaware = table.drop(columns="prior_listens")
    assert judge(table).p_best["no verse 2"] > judge(unaware).p_best["no verse 2"]


def test_refuses_what_it_cannot_judge() -> None:
    table = table_of(World(), 2, 1)
    with pytest.raises(RatingsError, match="two"):
        judge(table[table["form"] == "long end"])
    with pytest.raises(RatingsError, match="position"):
        judge(table.drop(columns="position"))
    with pytest.raises(RatingsError, match="twice in round 1"):
        judge(pd.concat([table, table.iloc[:1]]))


# --- what stands beside it ----------------------------------------------------------------------------


def test_sensitivity_says_when_another_method_names_another_form() -> None:
    world = World(listeners=3, gap=(14, 14), gap_wobble=0, tau=(3, 3), advantage=6, noise_sd=4)
    judgement = judge(table_of(world, 6, 11))
    changes = {change.change: change for change in judgement.sensitivity}
    assert {
        *("without allowing for familiarity", "every listener's scale made equal"),
        *("ranks within each round only", "the later half of the rounds only", "without listener 0"),
        *("declared prior listens halved", "declared prior listens doubled"),
        "declared prior listens taken as none",
    } <= set(changes)
    unaware = changes["without allowing for familiarity"]
    assert judgement.best == "no verse 2" and unaware.best == "as written" and not unaware.same
    words = judgement.sentence + " ".join(judgement.notes)
    assert 'without allowing for familiarity, "as written" would come first' in words


def test_two_camps_are_said() -> None:
    one = table_of(World(listeners=2, advantage=15, dev_sd=1), 5, 12)
    other = one.assign(
        listener="other " + one["listener"],
        form=one["form"].map(dict(zip(FORMS, [*FORMS[:2], *FORMS[:1:-1]], strict=True))),
    )
    judgement = judge(pd.concat([one, other]))
    assert judgement.beside.camps is not None
    assert set(judgement.beside.camps.forms) == {"long end", "no verse 2"}
    assert "two camps" in " ".join(judgement.notes)
    assert judge(one).beside.camps is None


def test_who_differ_about_what_neither_wants_are_no_camps() -> None:
    """All want "no verse 2"; which of two others comes last is all that divides them."""
    one = table_of(World(listeners=2, advantage=25, dev_sd=1), 6, 12)
    lower = one["rating"] - np.where(one["form"] == "long end", 15, 0)
    other = one.assign(
        listener="other " + one["listener"],
        rating=one["rating"] - np.where(one["form"] == "as written", 15, 0),
    )
    judgement = judge(pd.concat([one.assign(rating=lower), other]))
    divided = {
        own.listener: own.mean["long end"] - own.mean["as written"] for own in judgement.beside.listeners
    }
    assert min(divided.values()) < -5 and max(divided.values()) > 5
    assert judgement.beside.camps is None


def test_the_vote_is_of_settled_orders() -> None:
    judgement = judge(table_of(World(listeners=3, advantage=20), 5, 13), weights={"listener 0": 2})
    assert judgement.beside.vote.condorcet == "no verse 2"
    assert judgement.beside.vote.ballots == 4
    assert all(own.order[0] == "no verse 2" for own in judgement.beside.listeners)


def test_plain_tables_and_classical_tests() -> None:
    table = table_of(World(advantage=8), 5, 14)
    judgement = judge(table)
    plain = judgement.beside.plain
    assert plain.forms["mean"].to_dict() == pytest.approx(table.groupby("form")["rating"].mean().to_dict())
    assert plain.forms["rounds_won"].sum() == pytest.approx(15)
    assert plain.rank_by_day.mean(axis=1).to_numpy() == pytest.approx(2.5)
    assert list(plain.by_listen.index) == [1, 2, 3, 4, 5]
    rounds = judgement.beside.agreement.rounds
    assert rounds is not None and rounds.blocks == 15 and rounds.df == 3


def test_familiarity_is_stated_only_when_the_data_show_it() -> None:
    big = World(gap=(18, 18), gap_wobble=0, tau=(3, 3), noise_sd=5, listeners=4)
    curve = judge(table_of(big, 8, 15)).beside.diagnostics.curve
    assert curve.learned and curve.low[0] < -18 < curve.high[0]
    equal = judge(table_of(replace(big, head_start=0), 8, 15)).beside.diagnostics.curve
    assert not equal.learned and "cannot show" in equal.statement


def test_odd_ratings_are_pointed_out() -> None:
    table = table_of(World(noise_sd=5, dev_sd=1, position_sd=0), 8, 16)
    flat = table.copy()
    flat.loc[flat["listener"] == "listener 2", "rating"] = 50.0
    flat.loc[3, "rating"] = 0.0
    diagnostics = judge(flat).beside.diagnostics
    assert diagnostics.flat == ("listener 2",)
    assert [outlier.rating for outlier in diagnostics.outliers] == [0.0]
    assert any("always the same number" in text for text in diagnostics.warnings)
    tired = table.copy()
    of_one = tired["listener"] == "listener 1"
    tired.loc[of_one, "rating"] -= 6 * tired.loc[of_one, "position"]
    drifts = judge(tired).beside.diagnostics.drifts
    assert [drift.name for drift in drifts] == ["listener 1"]
    assert drifts[0].mean == pytest.approx(-6, abs=2)
    calm = judge(table).beside.diagnostics
    assert calm.flat == () and calm.drifts == () and calm.outliers == ()


def test_order_effects_are_learned() -> None:
    table = table_of(World(listeners=5, noise_sd=4, position_sd=0), 8, 17)
    table.loc[table["position"] == 1, "rating"] += 8
    positions = judge(table).beside.diagnostics.positions
    assert positions[0].low > 2 and positions[0].mean > positions[1].mean + 5


def test_prior_of_the_model_sums_to_one() -> None:
    prior = Prior()
    for weighted in (prior.q, prior.dev, prior.own_gap, prior.common_gap, prior.tau):
        assert sum(weight for _, weight in weighted) == pytest.approx(1)
