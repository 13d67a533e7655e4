"""Stumbles, cuts heard and forms that would be kept: from the log to the report, beside the verdict."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path

import pytest

from reports.facts.round_answers import FormAnswers
from reports.facts.study_facts import gather
from reports.output.report import write_report
from sessions.records import RoundAnswers
from sessions.study import Study
from tests.report_pages import Page, read
from tests.report_studies import hear, likes, rendered, song_folder


def says(who: str, listens: Mapping[str, int]) -> RoundAnswers:
    """ana hears a cut in "no intro" and keeps "early bridge"; bo, a false alarm, keeps none; cy is silent."""
    if who == "ana":
        return RoundAnswers((listens["no intro"],), "form", listens["early bridge"])
    return RoundAnswers((listens["as written"],), "none") if who == "bo" else RoundAnswers((), "no answer")


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Three listeners, three forms, five rounds; ana's "as written" stumbles by 0.2 s each time."""
    made = rendered(song_folder(tmp_path_factory.mktemp("answers") / "song"))
    late = lambda who, form: 0.2 if (who, form) == ("ana", "as written") else 0.0  # noqa: E731
    hear(made, likes(early_bridge=70), late=late, answers=says)
    return made


def test_answers_are_counted_by_form(study: Study) -> None:
    """By hand: 15 rounds, each form heard 15 times; five rounds of each listener."""
    answers = gather(study).answers
    assert answers is not None and (answers.rounds, answers.none, answers.silent) == (15, 5, 5)
    assert {one.form: one for one in answers.forms} == {
        "as written": FormAnswers("as written", 15, 5, 0),
        "early bridge": FormAnswers("early bridge", 15, 0, 5),
        "no intro": FormAnswers("no intro", 15, 5, 0),
    }


def test_the_report_shows_them_beside_the_verdict(study: Study) -> None:
    written = write_report(study)
    for text in (Page(read(written, "report.html")).text, read(written, "report.md").replace("\\", "")):
        assert "false alarms" in text and "no answer: 5" in text
    page = Page(read(written, "report.html")).text
    assert "In five listens of those rated some of the sound came late or not at all, 0.2 s at most" in page
    assert "listeners named “ early bridge ” 5 of 15 times; none of them: 5; no answer: 5" in page
    rows = list(csv.DictReader(io.StringIO(read(written, "ratings.csv"))))
    assert (
        sum(row["cut_heard"] == "1" for row in rows) == 10
        and sum(float(row["late_s"]) > 0 for row in rows) == 5
    )


def test_the_ratings_are_judged_without_them_too(study: Study, tmp_path: Path) -> None:
    judgement = gather(study).judgement
    assert judgement is not None
    ways = {change.change for change in judgement.sensitivity}
    assert "without listens in which the sound stumbled" in ways
    assert "without listens in which a cut was heard (chosen by an outcome)" in ways
    plain = rendered(song_folder(tmp_path / "song"))
    hear(plain, likes(early_bridge=70))
    same = gather(plain).judgement
    assert same is not None and gather(plain).answers is None
    assert same.p_best == judgement.p_best, "neither touches the verdict"
    assert not {"stumbled", "cut"} & set(" ".join(change.change for change in same.sensitivity).split())
