"""The report: what it says, what it keeps to itself, and that it stands alone."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import json
import re
from pathlib import Path

import pytest

from render.errors import NotRenderedError
from render.figures import clock_text
from render.renders.render_forms import render_forms
from reports.facts.ratings import COLUMNS
from reports.facts.study_facts import Facts, gather
from reports.output.figures import clock, curly
from reports.output.report import Written, why_opened, write_report
from sessions.resting import KIND, PanelReading
from sessions.study import Study
from tests.clocks import SetClock
from tests.report_pages import Page, read, shown
from tests.report_studies import EIGHT, hear, likes, rendered, song_folder

LONG = "and then it goes on " * 150


@pytest.fixture(scope="module")
def panel(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Three listeners, three forms, five rounds, comments; done and opened."""
    study = rendered(song_folder(tmp_path_factory.mktemp("panel") / "song"))

    def says(who: str, form: str, number: int) -> list[tuple[float | None, str]]:
        if (who, form, number) == ("bo", "early bridge", 2):
            return [(9.0, "here it lifts off"), (None, "wants a shorter end")]
        if (who, form, number) == ("cy", "no intro", 3):
            return [(1.0, "too sudden for me")]
        return []

    def liking(who: str, form: str) -> float:
        if form == "no intro" and who == "cy":
            return 80.0
        return {"early bridge": 70.0, "no intro": 48.0}.get(form, 52.0)

    hear(study, liking, says=says, simulated=("cy",))
    return study


@pytest.fixture(scope="module")
def report(panel: Study) -> Written:
    return write_report(panel)


@pytest.fixture(scope="module")
def crowd(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Forty listeners, eight forms, names in many scripts, and comments of all lengths."""
    names = [f"listener {i}" for i in range(1, 38)] + ["Þórður", "王小明", "محمد"]
    folder = song_folder(tmp_path_factory.mktemp("crowd") / "song", EIGHT, names, rounds=1)
    study = rendered(folder)

    def says(who: str, _form: str, _number: int) -> list[tuple[float | None, str]]:
        if who == "王小明":
            return [(9.0, LONG), (5.0, "<script>alert('no')</script> & <img src=x onerror=alert(1)>")]
        return [(None, "هذا هو الأفضل\nسطر ثان")] if who == "محمد" else []

    hear(study, likes(half=70), rounds=1, says=says, aspects=True)
    return study


@pytest.fixture(scope="module")
def crowd_report(crowd: Study) -> Written:
    return write_report(crowd)


@pytest.fixture(scope="module")
def facts(panel: Study) -> Facts:
    return gather(panel)


def test_the_page_stands_alone(report: Written) -> None:
    """No network: no address, no script but its own, no import, nothing that a browser would fetch."""
    text = read(report, "report.html")
    page = Page(text)
    assert not page.wrong
    assert page.tags.count("script") == 1 and "link" not in page.tags and "img" not in page.tags
    script = re.findall(r"<script>(.*?)</script>", text, flags=re.DOTALL)[0]
    allowed = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{allowed}'" in text  # and no other script could run
    for _tag, name, value in page.attributes:
        assert name not in ("src", "srcset", "action", "onload", "onclick", "xlink:href")
        if name == "href":
            assert value.startswith("#")
    assert "//" not in text and "@import" not in text
    assert all(match[1].startswith("#") for match in re.finditer(r"url\(([^)]*)\)", text))
    assert "default-src 'none'" in text


def test_identifiers_are_unique_and_all_lead_somewhere(report: Written) -> None:
    page = Page(read(report, "report.html"))
    ids = [value for _tag, name, value in page.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    wanted = {value[1:] for _tag, name, value in page.attributes if name == "href"}
    wanted |= set(re.findall(r"url\(#([^)]+)\)", read(report, "report.html")))
    assert wanted <= set(ids)


def test_the_first_screen_says_what_was_found(report: Written, facts: Facts) -> None:
    head = read(report, "report.html").split('<section id="forms">')[0]
    judgement = facts.judgement
    assert judgement is not None
    text = Page(head).text
    assert report.sentence == judgement.sentence and shown(judgement.sentence) in text
    assert judgement.best in text
    assert "1 intro 4 1 0:00 2 bridge 4 5 0:08 3 verse 4 9 0:16 4 silence 1 bar 1 13 0:24" in text
    assert "45 listens" in text and "by three listeners over three days" in text


def test_scripted_listeners_are_marked_wherever_they_appear(report: Written) -> None:
    """The page in words, the charts and the Markdown: "cy" never stands there like a person's name."""
    page = Page(read(report, "report.html")).text.replace("\u2068", "").replace("\u2069", "")
    for text in (page, read(report, "report.md").replace("\\", "")):
        assert "cy (simulated)" in text
        for match in re.finditer(r"\bcy\b(?! \(simulated\))", text):
            around = text[max(match.start() - 60, 0) : match.end() + 60]
            assert "imulated listener" in around or "without cy" in around, around
    assert json.loads(read(report, "verdict.json"))["simulated"] == ["cy"]


def test_comments_stand_at_their_bar_and_part(report: Written, facts: Facts) -> None:
    """120 quarter notes a minute: a bar of 4/4 lasts 2 s, so 9.0 s is in bar 5, the bridge's first."""
    comment = next(c for c in facts.comments if c.text == "here it lifts off")
    assert (comment.bar, comment.part and comment.part.text) == (5, "bridge")
    text = Page(read(report, "report.html")).text
    said = text.split("What was said, bar by bar")[1].split("How to rebuild")[0]
    before, after = said.split("here it lifts off")
    assert before.rstrip().endswith("2 bridge bars 5–8")
    assert after.lstrip().startswith("bo , listen 2, rated")
    assert "bar 5 (0:09)" in after


def test_what_speaks_against_the_winner_is_told(report: Written) -> None:
    text = Page(read(report, "report.html")).text
    against = text.split("What speaks against “ early bridge ”")[1].split("What was said")[0]
    assert "1 of three listeners has another form first" in against and "cy (simulated)" in against
    assert "too sudden for me" in against  # said of a form that was rated above it in that round


def test_ratings_csv_has_one_documented_row_a_listen(report: Written, panel: Study) -> None:
    rows = list(csv.DictReader(io.StringIO(read(report, "ratings.csv"))))
    assert list(rows[0]) == list(COLUMNS) and len(rows) == 45
    listens = {(x.listener, x.code): x for x in panel.log.contents().listens}
    for row in rows:
        listen = listens[row["listener"], int(row["code"])]
        assert float(row["rating"]) == listen.rating and int(row["round"]) == listen.round_number
    page = Page(read(report, "report.html")).text
    assert all(column in page and meaning in page for column, meaning in COLUMNS.items())


def test_charts_are_texts_in_the_page_s_own_ink(report: Written) -> None:
    text = read(report, "report.html")
    charts = re.findall(r"<svg.*?</svg>", text, flags=re.DOTALL)
    assert len(charts) >= 4
    for chart in charts:
        assert "<text" in chart and "<image" not in chart and "<metadata" not in chart
        assert not re.search(r"#[0-9a-f]{6}\b", chart), "a colour that does not follow the page"
    labels = [v for tag, name, v in Page(text).attributes if tag == "figure" and name == "aria-label"]
    assert len(labels) == len(charts) and all(len(label) > 40 for label in labels)


def test_a_curve_is_drawn_only_where_the_ratings_could_teach_it(tmp_path: Path) -> None:
    """verdict-model, pitfall 1: with equal prior exposure a common curve is absorbed by the rounds' level."""
    folder = song_folder(tmp_path / "song")
    toml = folder / "song.toml"
    toml.write_text(toml.read_text().replace("prior_listens = 20", "prior_listens = 0"))
    study = rendered(folder)
    hear(study, likes(early_bridge=70))
    text = Page(read(write_report(study), "report.html")).text
    judgement = gather(study).judgement
    assert judgement is not None and not judgement.beside.diagnostics.curve.learned
    assert "Dashed: what the model learned" not in text and "No curve is drawn" in text


def test_a_crowd_with_names_in_any_script(crowd_report: Written) -> None:
    text = read(crowd_report, "report.html")
    page = Page(text)
    assert not page.wrong and page.tags.count("script") == 1 and "img" not in page.tags and "b" in page.tags
    for name in ("橋を先に、そして静かに終わる", "الجسر أولاً", '<b>$x_1$ & "cut"</b>', "王小明", "محمد"):
        assert name in page.text.replace("\u2068", "").replace("\u2069", "")
    assert "<script>alert('no')</script>" in page.text
    assert " ".join(LONG.split()) in page.text
    assert "opening" in page.text and "50 (40)" in page.text
    assert len(read(crowd_report, "report.md")) > 2000


def test_markdown_takes_no_text_for_markup(crowd_report: Written) -> None:
    text = read(crowd_report, "report.md")
    assert "\\<script\\>" in text and "<script>" not in text
    assert all(line.count("|") - line.count("\\|") in (0, 6, 7, 5) for line in text.splitlines())


def test_a_sealed_report_ties_nothing_to_a_form(tmp_path: Path) -> None:
    """Neither names of forms nor codes nor ratings nor comments, in none of the four files."""
    study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=77.0), rounds=3, finish=False, says=lambda *_: [(3.0, "I know this one")])
    written = write_report(study)
    assert written.sealed
    contents = study.log.contents()
    for path in written.paths:
        text = path.read_text(encoding="utf-8")
        for form in study.song.forms:
            assert form.name not in text, path.name
        assert "I know this one" not in text and "intro" not in text
        for listen in contents.listens:
            assert not re.search(
                rf"\b{listen.code}\b", re.sub(r"<style>.*?</style>|SHA-256", "", text, flags=re.S)
            ), path
    head = read(written, "ratings.csv").splitlines()[0]
    assert head == "listener,day,round,position,sitting,heard_on,means", "no times: they tell lengths"
    values = json.loads(read(written, "verdict.json"))
    assert values["sealed"] and set(values["verdict"]) == {"state", "may_stop", "sentence"}
    assert values["progress"][0] == {"listener": "ana", "rounds": 3, "of": 5, "days": 3}
    text = Page(read(written, "report.html")).text
    assert "3 of 5" in text and shown(written.sentence) in text and str(contents.seed_sha256) in text


def test_a_sealed_report_says_that_listening_may_stop(tmp_path: Path) -> None:
    study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=90.0), finish=False)
    written = write_report(study)
    sentence = (
        "Clear: one form wins, and listening may stop; its name stays sealed until the study is opened."
    )
    assert written.sealed and written.sentence == sentence
    for text in (Page(read(written, "report.html")).text, read(written, "report.md")):
        assert "is regular, not early" in text and "a round in progress may be finished first" in text
    assert why_opened(study) == "regularly: by the ratings listening might stop (clear)"


@pytest.mark.usefixtures("on_both_stores")
def test_open_now_opens_once_and_is_kept(tmp_path: Path) -> None:
    study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=70), rounds=3, finish=False)
    assert not write_report(study, open_now=True).sealed
    assert not write_report(study, open_now=True).sealed
    (event,) = study.log.contents().events
    assert event.kind == "opened" and event.detail["why"] == "early, before the planned rounds were done"
    # what people were told holds, though the ratings may not allow it by the rules of another version
    study.log.add_event(KIND, PanelReading("safe", True, 5, {}).as_detail() | {"resting": []})
    assert why_opened(study) == "regularly: by the ratings listening might stop (safe to choose)"


@pytest.mark.usefixtures("on_both_stores")
def test_listens_after_the_opening_stay_out_and_are_shown(tmp_path: Path) -> None:
    study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=60), rounds=4)
    before = gather(study).judgement
    hear(study, likes(no_intro=95), rounds=2, first=5, finish=False)
    facts = gather(study)
    assert before is not None and facts.judgement is not None and facts.judgement_after is not None
    assert facts.judgement.p_best == before.p_best and facts.judgement_after.p_best != before.p_best
    text = Page(read(write_report(study), "report.html")).text
    assert "18 listens rated since then are kept and marked, and out of the verdict" in text
    assert shown(facts.judgement_after.sentence) in text


def test_one_listener(tmp_path: Path) -> None:
    study = rendered(song_folder(tmp_path / "song", listeners=("ana",)))
    hear(study, likes(early_bridge=70))
    text = Page(read(write_report(study), "report.html")).text
    assert "by one listener over three days" in text
    assert "For other people like these listeners" not in text  # never stated with one listener
    assert "Nobody has written a comment" in text


@pytest.mark.usefixtures("on_both_stores")
def test_nothing_rated_yet(tmp_path: Path) -> None:
    study = rendered(song_folder(tmp_path / "song"))
    written = write_report(study, open_now=True)
    assert written.sentence == "Nothing has been rated yet, so there is no verdict." and written.sealed
    study.register(study.manifest)
    assert write_report(study, open_now=True).sealed, "there is nothing to open, so nothing is opened"
    assert study.log.contents().events == ()
    study.log.add_event("opened", {"why": "all the same"})
    written = write_report(study)
    assert "early bridge" in Page(read(written, "report.html")).text
    assert read(written, "ratings.csv").splitlines() == [",".join(COLUMNS)]


def test_not_rendered_yet(tmp_path: Path) -> None:
    study = Study(song_folder(tmp_path / "song"), SetClock())
    with pytest.raises(NotRenderedError, match="run `fairhearing render` first"):
        write_report(study, open_now=True)
    assert not (study.folder / "report").exists()
    assert not (study.folder / "log.sqlite").exists()  # a report alone starts nothing


@pytest.mark.usefixtures("on_both_stores")
def test_a_form_taken_out_later_keeps_its_comments(tmp_path: Path) -> None:
    study = rendered(song_folder(tmp_path / "song"))
    hear(
        study, likes(early_bridge=70), says=lambda _w, form, n: [(9.0, "gone?")] if form == "no intro" else []
    )
    toml = study.folder / "song.toml"
    lines = [line for line in toml.read_text().splitlines() if not line.startswith('"no intro"')]
    toml.write_text("\n".join(lines) + "\n")
    later = Study(study.folder, study.clock)
    render_forms(later.song)
    text = Page(read(write_report(later), "report.html")).text
    assert "no intro retired: taken out after it had been heard" in text and "gone?" in text


def test_a_changed_song_toml_is_said(tmp_path: Path) -> None:
    study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=70))
    toml = study.folder / "song.toml"
    toml.write_text(toml.read_text().replace('"silence 1 bar", ', ""))
    text = Page(read(write_report(Study(study.folder, study.clock)), "report.html")).text
    assert 'song.toml has changed since the last render ("early bridge")' in text


def test_statistics_are_folded_behind_a_plain_sentence(report: Written, facts: Facts) -> None:
    text = read(report, "report.html")
    folded = " ".join(re.findall(r"<details>.*?</details>", text, flags=re.DOTALL))
    open_ = re.sub(r"<details>.*?</details>", "", text, flags=re.DOTALL)
    for name in ("Schulze", "Borda", "Friedman", "Kendall", "ICC"):
        assert name in folded and name not in open_, name
    judgement = facts.judgement
    assert judgement is not None
    for sentence in (judgement.beside.vote.plain, judgement.beside.agreement.sentence):
        assert sentence and curly(sentence) in Page(open_).text
    assert (
        "go by settled ratings: what each form would get" in Page(text.split('<section id="forms">')[0]).text
    )


def test_a_form_has_one_length_its_file_s(report: Written, facts: Facts) -> None:
    """The length that `fairhearing render` gives; "early bridge" by hand: 0.5 + 21 * 2 + 0.5 = 43 s."""
    form = facts.form("early bridge")
    assert form.render is not None and form.seconds == form.render.seconds
    page = Page(read(report, "report.html")).text
    assert page.count("21 bars, 0:43.0") == 2 and "0:42" not in page.split("How to rebuild")[0]
    assert "21 bars, 0:43.0." in read(report, "report.md")
    assert [clock_text(t) for t in (167.25, 59.96, 167.31)] == ["2:47.2", "1:00.0", "2:47.3"]


def test_a_time_is_shown_as_a_counter_shows_it() -> None:
    """Whole seconds that have passed, so that 0:54 and 0:54.902 are the same moment."""
    assert [clock(t) for t in (0, 67.4, 59.6, 3599.7, 54.902, -0.2)] == [
        "0:00", "1:07", "0:59", "59:59", "0:54", "0:00",
    ]  # fmt: skip
