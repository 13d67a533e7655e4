"""The demo: a newcomer's first command shows the whole job, and everything in it is marked as simulated."""

from __future__ import annotations

import csv
import io
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from listening.cli import main
from listening.demo import demo_study
from listening.demo.song import song_toml, write_song
from render.renders.render_forms import render_forms
from sessions.study import Study
from tests.clocks import SetClock
from tests.short_demo import SHORT


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """The demo's study with its song cut short; everything else is the demo's own."""
    folder = tmp_path_factory.mktemp("demo")
    write_song(folder, plan=SHORT)
    (folder / "song.toml").write_text(song_toml(SHORT), encoding="utf-8")
    study = Study(folder, SetClock())
    render_forms(study.song)
    demo_study.play_through(study)
    return study


def test_scripted_rounds_keep_the_rules_of_real_ones(played: Study) -> None:
    contents = played.log.contents()
    assert contents.listeners == {"marit": True, "joao": True, "tove": True}
    for name in contents.listeners:
        rounds = contents.rounds_of(name)
        assert [r.complete for r in rounds] == [True] * 10
        assert len({r.local_date for r in rounds}) == 10
        counted = [x for x in contents.listens_of(name) if x.rating is not None]
        assert len(counted) == 50 and {x.means for x in counted} == {"simulated"}
        codes = [x.code for x in contents.listens_of(name)]
        assert len(set(codes)) == len(codes)
    voided = [x for x in contents.listens if x.void_reason]
    assert len(voided) == 1 and 0.2 < voided[0].fraction_heard < 0.3
    assert contents.opened is not None, "the plan is done, so the study is open"


def test_scripted_days_lie_in_the_past(played: Study) -> None:
    dates = {x.local_date for x in played.log.contents().listens}
    assert max(date.fromisoformat(day) for day in dates) < played.clock().date()


def test_the_report_says_simulated(played: Study) -> None:
    done = CliRunner().invoke(main, ["report", "--study", str(played.folder)])
    assert done.exit_code == 0, done.output
    page = (played.folder / "report" / "report.html").read_text(encoding="utf-8")
    assert "simulated" in page and "early bridge" in page
    rows = list(csv.DictReader(io.StringIO((played.folder / "report" / "ratings.csv").read_text("utf-8"))))
    assert len(rows) == 150 and {row["means"] for row in rows} == {"simulated"}


def test_the_demo_can_be_decided_by_hand(played: Study) -> None:
    done = CliRunner().invoke(
        main,
        ["decide", "--study", str(played.folder), "early bridge", "--because", "it lifts", "--by", "Marit"],
    )
    assert done.exit_code == 0, done.output
    assert "early bridge" in done.output
    assert played.log.contents().events[-1].kind == "decided"


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    done = CliRunner().invoke(main, ["demo", str(tmp_path)])
    assert done.exit_code == 1 and "not empty" in done.output
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
