"""Decisions: any form, with a reason where one is due, on recorded grounds, never erased."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import shutil
import struct
from pathlib import Path

import pytest

from render.audio.containers import wav_audio_sha256
from render.errors import DecisionError, NotRenderedError, SongError, StudyError, WriteError
from render.renders.render_forms import render_forms
from reports.facts import seals
from reports.facts.study_facts import Facts, gather
from reports.files import file_name
from reports.output.decide import decide, is_against, reopen
from reports.output.report import write_report
from reports.way_back.package import step_id, way_to
from sessions.checksums import fill_sums
from sessions.plan import seed_sha256
from sessions.study import Study
from tests.clocks import SetClock
from tests.report_pages import Page, read
from tests.report_studies import RATE, hear, likes, quick, rendered, song_folder

GROUNDS = ("song.toml", "the bounce", "the renders", "the log", "the plan's seed")


def heard(folder: Path) -> Study:
    """Five rounds done by three listeners; "early bridge" is clearly ahead; not opened yet."""
    made = rendered(song_folder(folder))
    hear(made, likes(early_bridge=75), finish=False)
    return made


@pytest.fixture(scope="module")
def in_its_folder(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """One for all tests whose log is in the study's folder: they get a copy of it."""
    return heard(tmp_path_factory.mktemp("heard") / "song")


@pytest.fixture
def study(in_its_folder: Study, tmp_path: Path, request: pytest.FixtureRequest) -> Study:
    if "postgresql" in request.node.name:
        return heard(tmp_path / "song")
    folder = shutil.copytree(in_its_folder.folder, tmp_path / "song")
    return quick(Study(folder, SetClock(in_its_folder.clock())))


def unchanged(facts: Facts, number: int = 1) -> dict[str, bool]:
    return {check.what: check.same for check in facts.decisions[number - 1].checks}


def test_a_decision_opens_the_study_and_says_why(study: Study) -> None:
    decided = decide(study, "Early Bridge", "it lifts off", "ana")
    event = study.log.contents().opened
    assert event is not None and event.kind == "decided"
    assert (event.detail["form"], event.detail["by"], event.detail["because"], event.detail["against"]) == (
        "early bridge", "ana", "it lifts off", False,
    )  # fmt: skip
    assert event.detail["verdict"]["state"] == "clear" and event.detail["verdict"]["form"] == "early bridge"
    page = next(path for path in decided.paths if path.name == "report.html").read_text(encoding="utf-8")
    head = Page(page.split('<section id="forms">')[0]).text
    assert (
        "by ana : “ early bridge ”" in head and "it lifts off" in head and "against the verdict" not in head
    )
    assert not write_report(study).sealed


def test_the_recorded_hashes_are_those_of_the_files(study: Study) -> None:
    decide(study, "early bridge", "", "ana")
    recorded = study.log.contents().events[-1].detail["seals"]
    assert (
        recorded["song_toml_sha256"] == hashlib.sha256((study.folder / "song.toml").read_bytes()).hexdigest()
    )
    assert recorded["bounce_sha256"] == hashlib.sha256((study.folder / "bounce.wav").read_bytes()).hexdigest()
    for form in study.manifest.forms:
        assert recorded["renders"][form.name]["sha256"] == wav_audio_sha256(study.folder / form.wav)
    assert recorded["seed_sha256"] == seed_sha256(study.log.secret("plan_seed"))
    assert unchanged(gather(study)) == dict.fromkeys(GROUNDS, True)


def test_against_the_verdict_a_reason_is_asked_for_and_told(study: Study) -> None:
    with pytest.raises(DecisionError, match="--because"):
        decide(study, "no intro", "  ", "ana")
    assert study.log.contents().opened is None, "a refused decision leaves no trace"
    decided = decide(study, "no intro", "the label wants it short", "ana")
    assert "against the verdict" in decided.lines[0]
    text = Page(read(decided, "report.html")).text
    assert "against the verdict" in text.split("Each form as a road map")[0]
    assert "This went against the verdict of the day" in text
    head = text.split("Each form as a road map")[0]
    assert "less than 1 % chance that “ no intro ” is the best" in head
    assert "lost on average by choosing “ no intro ”" in head  # the figures are those of the form decided on
    assert "By the ratings “ early bridge ” comes first" in head
    assert "What speaks against “ no intro ”" in text
    assert "against the verdict of the day" in read(decided, "report.md")


def test_what_a_decision_hands_over(study: Study) -> None:
    """The sheet, the map and the audio of the form chosen, in a folder of this decision's own."""
    listens = [x for x in study.log.contents().listens if x.listener == "bo" and x.round_number == 2]
    form_id = next(f.id for f in study.log.contents().forms if f.name == "early bridge")
    study.log.comment(next(x.id for x in listens if x.form_id == form_id), "here it lifts off", 9.0)
    decided = decide(study, "early bridge", "", "ana")
    names = {path.name for path in decided.paths if path.parent.name == "decision 1 - early bridge"}
    assert names == {
        "rebuild.md", "rebuild.csv", "rebuild.mid", "re-record.md", "re-record.csv",
        "Invented - early bridge.wav",
    }  # fmt: skip
    form = study.manifest.forms[1]
    wav = next(path for path in decided.paths if path.suffix == ".wav")
    assert wav_audio_sha256(wav) == form.sha256
    cues_read = cues_of(wav.read_bytes())
    lead = study.manifest.lead_frames
    starts = [0, 4, 8, 12, 13, 17]  # bars; 2 s each, by hand
    assert [frame for frame, _ in cues_read] == [lead + 2 * RATE * bar for bar in starts]
    assert [label for _, label in cues_read] == [
        "intro",
        "bridge",
        "verse",
        "silence 1 bar",
        "refrain",
        "refrain",
    ]
    text = Page(read(decided, "report.html")).text
    assert "How to rebuild “ early bridge ”" in text
    sheet = next(path for path in decided.paths if path.name == "rebuild.md").read_text(encoding="utf-8")
    first_edit = re.findall(r"^- \[ \] 1\. (.*?)  $", sheet, flags=re.MULTILINE)[0]
    assert first_edit in text.replace("\u2060", "")
    again = next(path for path in decided.paths if path.name == "re-record.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(again)))
    said = [row for row in rows if row["comments"]]
    assert {(row["first_bar"], row["last_bar"], row["part"]) for row in said} == {
        ("4", "5", "intro › bridge")
    }
    assert read(decided, "report.md").count("here it lifts off") == 2  # once said, once placed
    assert all(row["comments"] == "bo, listen 2: here it lifts off" for row in said)
    assert "What to perform again for “ early bridge ”" in text and "bo , listen 2" in text


def cues_of(data: bytes) -> list[tuple[int, str]]:
    """Frames and labels of a WAV's cue points: "cue " and LIST "adtl" of RIFF/WAVE (1991), read by hand."""
    frames: dict[int, int] = {}
    labels: dict[int, str] = {}
    at = 12
    while at < len(data):
        name, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        body = data[at + 8 : at + 8 + length]
        if name == b"cue ":
            for k in range(int.from_bytes(body[:4], "little")):
                number, *_rest, frame = struct.unpack("<II4sIII", body[4 + 24 * k : 28 + 24 * k])
                frames[number] = frame
        if name == b"LIST" and body[:4] == b"adtl":
            inner = 4
            while inner < len(body):
                size = int.from_bytes(body[inner + 4 : inner + 8], "little")
                number = int.from_bytes(body[inner + 8 : inner + 12], "little")
                labels[number] = body[inner + 12 : inner + 8 + size].rstrip(b"\0").decode("utf-8")
                inner += 8 + size + size % 2
        at += 8 + length + length % 2
    return [(frames[number], labels[number]) for number in sorted(frames)]


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ('a/b\\c: "d"?', "a b c d"),
        ("  ends with dots...", "ends with dots"),
        ("???", "form"),
        ("橋" * 100, "橋" * 40),  # 3 bytes each in UTF-8
        ("line\nbreak", "line break"),
    ],
)
def test_file_names_for_every_system(text: str, name: str) -> None:
    assert file_name(text) == name


def test_a_refusal_does_not_name_the_form_that_leads(study: Study) -> None:
    """The study is still sealed when the reason is asked for."""
    with pytest.raises(DecisionError) as refused:
        decide(study, "no intro", "", "ana")
    assert "early bridge" not in str(refused.value)


def test_what_a_decision_needs(study: Study) -> None:
    with pytest.raises(SongError, match='did you mean "early bridge"'):
        decide(study, "early bride", "", "ana")
    with pytest.raises(DecisionError, match="--by"):
        decide(study, "early bridge", "", " ")
    toml = study.folder / "song.toml"
    toml.write_text(toml.read_text().replace('"silence 1 bar", ', ""))
    with pytest.raises(StudyError, match="fairhearing render"):
        decide(Study(study.folder, study.clock), "early bridge", "", "ana")


def test_while_nothing_is_settled_any_form_may_be_chosen(tmp_path: Path) -> None:
    study = rendered(song_folder(tmp_path / "song"))
    hear(study, likes(early_bridge=75), rounds=1, finish=False)
    judgement = gather(study).judgement
    assert judgement is not None and judgement.state == "keep listening"
    assert not is_against(judgement, "no intro") and not is_against(None, "no intro")
    decide(study, "no intro", "", "ana")
    assert not gather(study).decisions[0].against


@pytest.mark.usefixtures("on_both_stores")
def test_a_second_decision_does_not_erase_the_first(study: Study) -> None:
    first = decide(study, "early bridge", "it lifts off", "ana")
    second = decide(study, "as written", "we changed our minds", "bo")
    facts = gather(study)
    assert [d.form for d in facts.decisions] == ["early bridge", "as written"]
    assert facts.decision is not None and facts.decision.form == "as written" and facts.decision.against
    text = Page(read(second, "report.html")).text
    decisions = text.split("The decisions")[1]
    assert decisions.index("2. “ as written ”") < decisions.index("1. “ early bridge ”")
    assert "since replaced by a later decision" in decisions and "it lifts off" in decisions
    assert all(path.exists() for path in (*first.paths, *second.paths))
    assert unchanged(facts, 1)["the log"] and unchanged(facts, 2)["the log"]


def alter(study: Study, statement: str) -> None:
    """Change one row behind fairhearing's back, and give it a sum that fits."""
    with study.log.store.writing() as connection:
        assert connection.exec_driver_sql(statement).rowcount == 1
        for table in seals.SEALED_TABLES:
            fill_sums(connection, table)


ALTERATIONS = {
    "a rating": "UPDATE ratings SET value = 99, row_sum = NULL WHERE id = 5",
    "a comment removed": "DELETE FROM comments WHERE id = 1",
    "a date": "UPDATE listens SET local_date = '2020-01-01', row_sum = NULL WHERE id = 3",
    "a voided listen": "UPDATE listen_ends SET void_reason = 'x', row_sum = NULL WHERE listen_id = 7",
    "an earlier event": "UPDATE events SET detail = '{}', row_sum = NULL WHERE kind = 'noted'",
}


@pytest.mark.usefixtures("on_both_stores")
def test_an_altered_log_is_noticed(study: Study) -> None:
    """Also where the row's own sum, which finds damage, was made anew by whoever altered it. Each alteration
    is met by a decision that was taken on the log as the one before had left it."""
    study.log.comment(1, "a word")
    study.log.add_event("noted", {"what": "a note"})
    decide(study, "early bridge", "", "ana")
    for number, (what, statement) in enumerate(ALTERATIONS.items(), 1):
        assert unchanged(gather(study), number)["the log"], what
        alter(study, statement)
        assert not unchanged(gather(study), number)["the log"], what
        grounds = seals.seals(study, study.manifest)
        study.log.add_event("decided", {"form": "early bridge", "by": "ana", "seals": grounds})
    text = Page(read(write_report(study), "report.html")).text
    assert "the log: entries that the decision rests on were altered or removed" in text


@pytest.mark.usefixtures("on_both_stores")
def test_a_log_that_only_grows_is_the_same_log(study: Study) -> None:
    """Later rounds, ratings, events and decisions, also rows dated earlier (a packet collected late)."""
    decide(study, "early bridge", "", "ana")
    reopen(study, "one more day")
    hear(study, likes(early_bridge=75), rounds=2, first=6, finish=False)
    last = "(SELECT max(id) FROM ratings)"
    alter(study, f"UPDATE ratings SET at_utc = '2001-01-01', row_sum = NULL WHERE id = {last}")
    with study.log.store.writing() as connection:
        connection.exec_driver_sql("ALTER TABLE ratings ADD COLUMN of_a_later_version TEXT DEFAULT 'x'")
    assert unchanged(gather(study))["the log"]
    with study.log.store.writing() as connection:  # a server's database is used again
        connection.exec_driver_sql("ALTER TABLE ratings DROP COLUMN of_a_later_version")


def test_a_later_change_of_song_or_renders_shows(study: Study) -> None:
    decide(study, "early bridge", "", "ana")
    render = study.folder / study.manifest.forms[1].wav
    sound = bytearray(render.read_bytes())
    sound[20000] ^= 1
    render.write_bytes(sound)
    toml = study.folder / "song.toml"
    toml.write_text(toml.read_text() + "\n# a thought\n")
    facts = gather(Study(study.folder, study.clock))
    assert unchanged(facts) == dict.fromkeys(GROUNDS, True) | {"song.toml": False, "the renders": False}
    text = Page(read(write_report(Study(study.folder, study.clock)), "report.html")).text
    assert "song.toml: has been edited since the decision" in text
    assert f'altered on the disk: "{study.manifest.forms[1].name}"' in text


def test_a_form_changed_after_the_decision_is_not_taken_for_the_one_chosen(study: Study) -> None:
    """A later form may bear the name: what was decided on is known by its content."""
    decide(study, "early bridge", "", "ana")
    toml = study.folder / "song.toml"
    toml.write_text(toml.read_text().replace('"silence 1 bar", ', ""))
    later = Study(study.folder, study.clock)
    later.register(render_forms(later.song))  # as `fairhearing render` does
    facts = gather(later)
    assert facts.chosen == facts.decided_form == "early bridge (earlier version)"
    assert facts.form("early bridge").road_map.bars == 20 and facts.form(facts.chosen).road_map.bars == 21
    head = Page(read(write_report(later), "report.html").split('<section id="forms">')[0]).text
    assert "The form decided on early bridge (earlier version)" in head and "silence 1 bar" in head


def test_a_form_renamed_after_the_decision_is_still_the_one_chosen(study: Study) -> None:
    decide(study, "early bridge", "", "ana")
    toml = study.folder / "song.toml"
    toml.write_text(toml.read_text().replace('"early bridge"', '"the one"'))
    later = Study(study.folder, study.clock)
    later.register(render_forms(later.song))  # as `fairhearing render` does
    assert gather(later).chosen == "the one" and unchanged(gather(later))["the renders"]


@pytest.mark.usefixtures("on_both_stores")
def test_reopening_seals_again_and_keeps_the_decision(study: Study) -> None:
    with pytest.raises(DecisionError, match="sealed as it is"):
        reopen(study, "why not")
    decide(study, "early bridge", "it lifts off", "ana")
    with pytest.raises(DecisionError, match="reason"):
        reopen(study, " ")
    reopened = reopen(study, "bo wants another evening")
    assert any("raise `rounds`" in line for line in reopened.lines)
    sealed = write_report(study)
    assert sealed.sealed
    text = read(sealed, "report.html")
    assert "bo wants another evening" in text and "early bridge" not in text and "it lifts off" not in text
    hear(study, likes(early_bridge=75), rounds=1, first=6, finish=False)
    assert not study.log.contents().listens[-1].after_opening
    assert [d.form for d in gather(study).decisions] == ["early bridge"]
    decided = decide(study, "early bridge", "it still does", "bo")
    values = json.loads(read(decided, "verdict.json"))
    assert [d["because"] for d in values["decisions"]] == ["it lifts off", "it still does"]


def test_a_decision_that_cannot_be_handed_over_is_not_recorded(study: Study) -> None:
    """The render is gone; then the disk refuses (a file lies where the report's folder should)."""
    render = study.folder / study.manifest.forms[1].wav
    kept = render.read_bytes()
    render.unlink()
    with pytest.raises(NotRenderedError, match="fairhearing render"):
        decide(study, "early bridge", "", "ana")
    render.write_bytes(kept)
    (study.folder / "report").write_text("not a folder")
    with pytest.raises(WriteError, match="could not be written"):
        decide(study, "early bridge", "", "ana")
    assert study.log.contents().opened is None
    (study.folder / "report").unlink()
    decide(study, "early bridge", "", "ana")


def test_ranges_of_rows() -> None:
    assert seals._ranges([1, 2, 3, 7, 9, 10]) == "1-3,7,9-10"
    assert seals._within("1-3,7,9-10") == [(1, 3), (7, 7), (9, 10)]
    assert seals._ranges([]) == "" and seals._within("") == []


def test_nothing_is_left_half_written(study: Study) -> None:
    decide(study, "early bridge", "", "ana")
    names = [path.name for path in study.folder.rglob("*")]
    assert not [name for name in names if re.search(r"\.part$|\.tmp$", name)]


def test_the_way_back_as_steps_to_tick_off(study: Study) -> None:
    """ "early bridge": where each step's material stands in the bounce (bar 1 at 0.5 s, bars of 2 s), and
    where it shows in the form's file."""
    facts = gather(study)
    way = way_to(facts, study.song.form("early bridge"))
    steps = way.sheet.steps
    moved = next(step for step in steps if step.edit.text.startswith("Move"))
    assert (moved.edit.text, moved.edit.effect) == ("Move bars 13-16 to before bar 5.", "bridge before verse")
    assert moved.edit.start is not None and moved.edit.to is not None
    places_s = (moved.edit.start.bounce_s, moved.edit.to.bounce_s, moved.form_s)
    assert places_s == (24.5, 8.5, 8.5 - study.manifest.lead_s)
    assert [step.number for step in steps] == list(range(1, len(steps) + 1))
    ids = [step_id(way, step) for step in steps]
    assert len(set(ids)) == len(steps)
    again = way_to(facts, study.song.form("early bridge"))
    assert ids == [step_id(again, step) for step in again.sheet.steps]
