"""The log as a table: what counts, how often somebody had heard a form before, names that stay apart."""

from __future__ import annotations

from pathlib import Path

import pytest

from listening.rounds import enter_round
from reports.facts.ratings import COLUMNS, StudyRatings, study_ratings
from sessions.study import Study
from tests.clocks import SetClock
from tests.short_study import FORMS, do_round, hear, rendered

pytestmark = pytest.mark.usefixtures("on_both_stores")


def table(study: Study) -> StudyRatings:
    return study_ratings(study.song, study.manifest, study.log.contents())


def test_no_ratings_yet_is_an_empty_table(tmp_path: Path) -> None:
    ratings = table(rendered(tmp_path))
    assert list(ratings.table.columns) == list(COLUMNS) and ratings.table.empty
    assert (ratings.listeners, ratings.forms, ratings.retired) == (
        ("ana", "bo"),
        ("as written", "turned", "twice"),
        (),
    )


def test_listens_exposures_and_prior_listens(tmp_path: Path) -> None:
    clock = SetClock()
    study = rendered(tmp_path, clock)
    round_ = enter_round(study, "ana")
    demand = round_.next_demand
    assert demand is not None
    sitting = study.log.sit_down("ana", "car", "device")
    quarter = round_.begin(demand, sitting)
    study.log.end_listen(quarter.id, demand.render.frames // 4, "stopped by the listener")
    while round_.next_demand is not None:
        hear(study, round_)
    round_.finish()
    clock.forward(days=1)
    do_round(study, "ana")
    rows = table(study).table
    assert len(rows) == 6, "the voided listen is no row"
    first = rows[rows["form"] == demand.render.name].sort_values("round")
    assert list(first["listen"]) == [1, 2]
    assert [round(x, 2) for x in first["exposure"]] == [0.25, 1.25], "a void counts by the part heard"
    prior = rows.groupby("form")["prior_listens"].first()
    assert prior.to_dict() == {"as written": 20, "turned": 0, "twice": 0}
    assert set(rows["day"]) == {"2026-03-02", "2026-03-03"}


def test_a_revision_inherits_familiarity_but_no_ratings(tmp_path: Path) -> None:
    clock = SetClock()
    study = rendered(tmp_path, clock)
    do_round(study, "ana")
    forms = {"turned": {"parts": ["b", "a bars 1"], "replaces": "turned"}, "twice": FORMS["twice"]}
    revised = rendered(tmp_path, clock, forms=forms)
    clock.forward(days=1)
    do_round(revised, "ana")
    ratings = table(revised)
    assert ratings.retired == ("turned (earlier version)",)
    rows = ratings.table[ratings.table["form"] == "turned"]
    assert len(rows) == 1 and list(rows["listen"]) == [1] and list(rows["prior_listens"]) == [1.0]


def test_what_is_heard_after_the_opening_is_kept_apart(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    hear(study, enter_round(study, "ana"))
    study.log.add_event("opened", {"why": "asked for"})
    hear(study, enter_round(study, "ana"))
    ratings = table(study)
    assert (len(ratings.table), len(ratings.after), len(ratings.both)) == (1, 1, 2)
