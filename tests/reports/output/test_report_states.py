"""What the report says of a study that went on: late rounds, a reopened decision, forms nobody has heard."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import pytest

from render.renders.render_forms import render_forms
from reports.facts.ratings_csv import read_ratings
from reports.facts.study_facts import gather
from reports.files import message
from reports.output.decide import decide, reopen
from reports.output.figures import curly
from reports.output.report import write_report
from sessions.study import Study
from tests.clocks import SetClock
from tests.report_pages import Page, read
from tests.report_studies import hear, likes, rendered, song_folder


def edited(study: Study, old: str, new: str) -> Study:
    """The study after an edit of song.toml and a render, as `fairhearing render` does it."""
    toml = study.folder / "song.toml"
    text = toml.read_text(encoding="utf-8")
    assert old in text
    toml.write_text(text.replace(old, new), encoding="utf-8")
    later = Study(study.folder, study.clock)
    later.register(render_forms(later.song))
    return later


def test_listens_that_count_and_those_kept_apart_are_told_apart(tmp_path: Path) -> None:
    """ana: three listens that count; then the study is open, and bo rates three forms."""
    study = rendered(song_folder(tmp_path / "song", listeners=("ana",)))
    hear(study, likes(early_bridge=70), rounds=1)
    ana = '"ana" = { prior_listens = 20 }\n'
    alone = edited(study, ana, '"bo" = {}\n')
    hear(alone, likes(no_intro=80), rounds=1, finish=False)
    later = edited(alone, '"bo"', f'{ana}"bo"')
    killed_in_writing = later.folder / "report" / "audio" / ".fairhearing-abc"
    killed_in_writing.mkdir(parents=True)
    (killed_in_writing / "form.opus").write_bytes(b"Ogg")
    written = write_report(later)
    assert not killed_in_writing.exists()
    head = Page(read(written, "report.html").split('<section id="forms">')[0]).text
    assert "3 listens count by one listener over one day; 3 since the opening are kept apart" in head
    assert "bo: three ratings since the opening, kept apart; none before it." in head
    assert "no ratings yet" not in head
    assert (
        "6 whole listens rated (3 of them since the opening, kept apart)"
        in Page(read(written, "report.html")).text
    )
    text = read(written, "report.md")
    assert "Listens that count: 3, by one listener over one day; 3 since the opening are kept apart." in text


@pytest.fixture
def reopened(tmp_path: Path) -> Study:
    """ "no intro" was decided on, against the verdict; then it was reopened, and the last round opened it."""
    study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=75), finish=False)
    decide(study, "no intro", "the label wants it short", "ana")
    assert isinstance(study.clock, SetClock)
    study.clock.forward(days=31)
    reopen(study, "bo wants another evening")
    hear(study, likes(early_bridge=75), rounds=1, first=6)
    return study


def test_a_reopened_decision_no_longer_stands(reopened: Study) -> None:
    facts = gather(reopened)
    assert facts.decision is None and facts.decided_form is None and facts.chosen == "early bridge"
    assert facts.reopening is not None and [d.form for d in facts.decisions] == ["no intro"]
    written = write_report(reopened)
    page = Page(read(written, "report.html")).text
    date = facts.decisions[0].local_date
    assert date != facts.reopening.local_date
    assert (
        f"The decision of {date} (“ no intro ”, by ana ) was reopened on {facts.reopening.local_date}" in page
    )
    assert "No decision stands now" in page and "Decided on" not in page
    assert "What speaks against “ early bridge ”" in page and "What speaks against “ no intro ”" not in page
    text = read(written, "report.md")
    assert f"The decision of {date} (no intro, by ana) was reopened on" in text
    assert "## What speaks against early bridge" in text and "## Decision 1: no intro" in text


def test_a_decision_taken_anew_stands_again(reopened: Study) -> None:
    decide(reopened, "early bridge", "", "bo")
    facts = gather(reopened)
    assert facts.reopening is None and facts.decision is not None and facts.decision.by == "bo"
    page = Page(read(write_report(reopened), "report.html")).text
    assert "Decided on" in page and "No decision stands now" not in page


def test_a_form_that_nobody_has_rated_has_no_figures(tmp_path: Path) -> None:
    """Decided on all the same, there is no round to count: nothing "in 0 of no rounds"."""
    study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=75))
    later = edited(study, "[listeners]", '"brand new" = ["verse", "intro"]\n[listeners]')
    written = write_report(later)
    row = next(x for x in read(written, "report.md").splitlines() if x.startswith("| brand new"))
    assert row == "| brand new | – | – | – | – | 0 |"
    page = read(written, "report.html")
    assert curly("not heard by anybody yet; nothing is known about it") in Page(page).text
    cells = page.split("<td><bdi>brand new</bdi></td>")[1].split("</tr>")[0]
    assert Page(cells).text.split() == ["–", "–", "–", "–", "0", "–", "–", "–", "0"]
    settled = page.split("Settled ratings. Best first")[1].split("</figure>")[0]
    assert "brand new" not in settled
    assert json.loads(read(written, "verdict.json"))["unheard"] == ["brand new"]
    decide(later, "brand new", "on a whim", "ana")
    text = read(write_report(later), "report.md")
    assert "## What speaks against brand new" in text and "of no rounds" not in text


def test_where_every_form_was_replaced_there_is_a_report_and_no_verdict(tmp_path: Path) -> None:
    study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=75))
    match = re.search(r"start = ([\d.]+)", (study.folder / "song.toml").read_text(encoding="utf-8"))
    assert match
    later = edited(study, match.group(0), f"start = {float(match.group(1)) + 0.02:g}")
    written = write_report(later)
    assert "no form as it is now has been heard" in written.sentence
    assert "no form as it is now has been heard" in Page(read(written, "report.html")).text
    decided = decide(later, "early bridge", "it lifts", "ana")
    assert any("so there was no verdict" in line for line in decided.lines)
    assert "no form as it is now has been heard" in read(write_report(later), "report.md")


def test_names_that_a_spreadsheet_would_run_are_kept_as_text(tmp_path: Path) -> None:
    """A field that begins with = + - @ is run as a formula (OWASP, "CSV Injection"); an apostrophe stops it.
    Read back by `read_ratings`, the names are what they were."""
    names = ("=1+1", "@bo", "-cy", "+dee", "e=mc")
    study = rendered(song_folder(tmp_path / "song", {"=HYPERLINK": '["verse", "intro"]'}, names))
    hear(study, likes(), rounds=1)
    path = next(path for path in write_report(study).paths if path.name == "ratings.csv")
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    assert {row["listener"] for row in rows} == {"'=1+1", "'@bo", "'-cy", "'+dee", "e=mc"}
    assert {row["form"] for row in rows} == {"as written", "'=HYPERLINK"}
    table, _ = read_ratings(path)
    assert set(table["listener"]) == set(names) and set(table["form"]) == {"as written", "=HYPERLINK"}


def test_commands_in_markdown_are_code(tmp_path: Path) -> None:
    """What people wrote is escaped, our own commands are not."""
    assert message("run `fairhearing render` *now* `x`") == "run `fairhearing render` \\*now\\* \\`x\\`"
