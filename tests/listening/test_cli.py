"""The command line: exit codes, one clear message, JSON that other programs can read, never a traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import chdir
from pathlib import Path

import pytest
import soundfile
from click.testing import CliRunner

from listening.cli import main
from sessions.study import Study
from tests.command_line import told
from tests.places import ROOT
from tests.short_study import small_study
from tests.songs import make_study
from tests.terminals import Terminal


def run(folder: Path, *arguments: str, code: int = 0, **env: str) -> str:
    """Run fairhearing in `folder`, in this process; stdout, or stderr when it fails."""
    with chdir(folder):
        done = CliRunner().invoke(main, arguments, env={"COLUMNS": "120"} | env)
    assert "Traceback" not in done.output, done.output
    assert done.exit_code == code, f"exit {done.exit_code}: {done.output} {done.exception!r}"
    return done.stdout if code == 0 else done.stderr


def run_program(folder: Path, *arguments: str, code: int = 0, **env: str) -> str:
    """The same in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "listening.cli", *arguments], cwd=folder, capture_output=True, text=True,
        timeout=120, check=False, env=os.environ | {"PYTHONPATH": str(ROOT), "COLUMNS": "120"} | env,
    )  # fmt: skip
    assert "Traceback" not in done.stderr and "Traceback" not in done.stdout, done.stderr
    assert done.returncode == code, f"exit {done.returncode}: {done.stdout}{done.stderr}"
    return done.stdout if code == 0 else done.stderr


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return make_study(tmp_path / "a study")


def test_render_json_has_what_the_design_promises(study: Path) -> None:
    values = json.loads(run(study, "render", "--json"))
    assert set(values) == {"target_lufs", "ceiling_dbtp", "matching", "spread_lu", "forms"}
    assert (values["ceiling_dbtp"], values["matching"]) == (-1.0, "integrated")
    assert [form["name"] for form in values["forms"]] == ["as written", "refrain first", "twice"]
    for form in values["forms"]:
        assert set(form) == {
            "name", "wav", "lufs", "true_peak_dbtp", "lra_lu", "gain_db", "seconds", "frames", "joins",
        }  # fmt: skip
        path = study / form["wav"]
        info = soundfile.info(path)
        assert (info.frames, info.subtype) == (form["frames"], "PCM_24")
        assert form["seconds"] == form["frames"] / info.samplerate
        assert abs(form["lufs"] - values["target_lufs"]) <= 0.05 and form["gain_db"] <= 0
    assert len({(study / form["wav"]).stat().st_size for form in values["forms"]}) == 1
    assert values["forms"][0]["joins"] == [] and len(values["forms"][2]["joins"]) > 0


def test_check_json_has_what_the_design_promises(study: Path) -> None:
    values = json.loads(run(study, "check", "--json"))
    assert {"sections", "forms", "warnings"} <= set(values)
    refrain = values["sections"][2]
    assert (refrain["name"], refrain["bars"]) == ("refrain", "7-10")
    assert (refrain["start_s"], refrain["end_s"]) == (12.25, 20.25)  # 0.25 s + bars of 2 s
    twice = values["forms"][2]
    assert twice["parts"][2] == "refrain x2" and twice["bars"] == 15
    lead_in_s = 0.5 + 0.007  # the longest pickup that opens a form, and its fade: more than the song's 0.25 s
    assert twice["seconds"] == pytest.approx(lead_in_s + 15 * 2 + 0.5)  # ... bars, the song's own tail


def test_the_way_from_a_bounce_to_the_first_listen_on_the_screen(study: Path) -> None:
    assert "Next: `fairhearing check`" in run(study, "status")
    assert "Next: `fairhearing render`" in run(study, "check")
    done = run(study, "render")
    assert "All forms play at" in done and "SHA-256" in done and "Next: `fairhearing listen" in done
    assert "round 1 now" in run(study, "status")
    values = json.loads(run(study, "status", "--json"))
    assert values["listeners"][0]["name"] == "ana" and values["opened"] is False


def test_from_anywhere_with_study(study: Path, tmp_path: Path) -> None:
    assert "sealed" in run(tmp_path, "status", "--study", str(study))
    assert "sealed" in run_program(tmp_path, "status", FAIRHEARING_STUDY=str(study))


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["check"], 1, "there is no song.toml"),
        (["render"], 1, "fairhearing new AUDIO"),
        (["report"], 1, "song.toml"),
        (["listen"], 1, "song.toml"),
        (["status", "--study", "nowhere"], 1, "nowhere"),
        (["verdict", "nothing.csv"], 1, "nothing.csv"),
        (["verdict"], 2, "Missing argument"),
        (["lisen"], 2, "No such command"),
        (["ideas", "--count", "0"], 2, "--count"),
    ],
)
def test_what_is_not_in_order_is_said_in_one_message(
    tmp_path: Path, arguments: list[str], code: int, words: str
) -> None:
    assert words in run(tmp_path, *arguments, code=code)


@pytest.mark.parametrize(
    ("command", "code", "words"), [("check", 1, "no song.toml"), ("lisen", 2, "No such")]
)
def test_a_message_leaves_the_program_with_its_code(
    tmp_path: Path, command: str, code: int, words: str
) -> None:
    assert words in run_program(tmp_path, command, code=code)


def test_a_listener_with_a_typo_is_asked_back(study: Path) -> None:
    run(study, "render")
    assert 'did you mean "ana"?' in run(study, "listen", "--listener", "anna", code=1)
    assert "Add --listener NAME (ana, bo)" in run(study, "listen", code=2)


def test_a_fault_of_our_own_shows_no_traceback_unless_asked(study: Path) -> None:
    (study / "song.toml").unlink()
    (study / "song.toml").mkdir()
    assert "song.toml" in run(study, "check", code=1)


def test_ideas_are_written_below_what_is_there(study: Path) -> None:
    path = study / "song.toml"
    before = path.read_bytes().replace(b"\n", b"\r\n").replace(b"[forms]", b"# mine\r\n[forms]")
    path.write_bytes(before)
    values = json.loads(run(study, "ideas", "--count", "2", "--write", "--json"))
    after = path.read_bytes()
    assert b"# mine" in after and b"\n" not in after.replace(b"\r\n", b""), "comments and line endings stay"
    for idea in values:
        assert json.dumps(idea["name"]).encode() in after
    run(study, "check")


def test_verdict_reads_ratings_from_anywhere(tmp_path: Path) -> None:
    rows = ["listener,day,round,position,form,rating,prior_listens"]
    for round_ in range(1, 7):
        for position, (form, rating) in enumerate((("one", 40), ("two", 75)), start=1):
            rows.append(f"ana,{round_},{round_},{position},{form},{rating + round_ % 3},0")
    (tmp_path / "sheet.csv").write_text("\n".join(rows))
    values = json.loads(run(tmp_path, "verdict", "sheet.csv", "--json"))
    assert set(values) == {
        "state", "form", "p_best", "expected_loss", "settled", "order", "listens", "days", "sentence",
        "sensitivity", "vote", "may_stop", "even", "resting",
    }  # fmt: skip
    assert (values["state"], values["form"], values["order"][0]) == ("clear", "two", "two")
    assert "two" in run(tmp_path, "verdict", "sheet.csv")


def test_a_typo_in_a_table_of_ratings_is_asked_about(tmp_path: Path) -> None:
    rows = ["listener,day,round,position,form,rating,prior_listens"]
    for round_ in range(1, 7):
        for position, (form, rating) in enumerate((("hook first", 70), ("as it was", 40)), start=1):
            name = "hook frist" if (round_, position) == (4, 1) else form
            rows.append(f"ana,{round_},{round_},{position},{name},{rating + round_},0")
    (tmp_path / "sheet.csv").write_text("\n".join(rows))
    with chdir(tmp_path):
        done = CliRunner().invoke(main, ["verdict", "sheet.csv"], catch_exceptions=False)
    assert done.exit_code == 0
    said = " ".join(done.stderr.split())  # whatever the terminal's width
    assert '"hook frist" stands once' in said and '"hook first" (5 times)' in said
    assert "as it was" not in said


@pytest.mark.parametrize(
    ("broken", "cause"),
    [
        ('"refrain first" = ["refrain", "verse, "outro"]', "quotation mark is missing"),
        ('"refrain first" = ["refrain", "verse" "outro"]', "comma or a closing bracket is missing"),
        ('"twice" = ["outro"]', 'another entry of the name "twice"'),
        ("“refrain first” = []", "typographic quotes"),
        ("refrain first = []", "needs quotation marks"),
    ],
)
def test_a_syntax_error_shows_the_line_and_its_likely_cause(study: Path, broken: str, cause: str) -> None:
    path = study / "song.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith('"refrain first"'))
    lines.insert(at, broken)
    if not broken.startswith('"twice"'):
        del lines[at + 1]
    path.write_text("\n".join(lines), encoding="utf-8")
    done = run(study, "check", code=1)
    assert cause in done and "line " in done


def test_check_refuses_what_render_would_refuse(tmp_path: Path) -> None:
    forms = {"one": ["verse", "outro"], "another": ["verse bars 1-2", "verse bars 3-4", "outro"]}
    study = make_study(tmp_path / "twins", forms=forms)
    for command in ("check", "render"):
        assert 'is the same as "one"' in run(study, command, code=1)


def test_opening_early_says_what_it_ends(study: Path) -> None:
    run(study, "render")
    decide = ["decide", "twice", "--because", "it is long", "--yes"]
    with chdir(study):
        done = CliRunner().invoke(main, decide, catch_exceptions=False)
    assert done.exit_code == 0
    assert "Rounds are still open: ana (0 of 6 done), bo (0 of 6 done)" in done.stderr
    assert "Nobody could be asked who decides" in done.stderr and "--by NAME" in done.stderr
    assert "It is decided" in run(study, "status")


def test_a_person_who_decides_is_asked_whether_and_why(study: Path) -> None:
    run(study, "render")
    command = [sys.executable, "-m", "listening.cli", "decide", "twice", "--by", "Ana"]
    with Terminal(command, os.environ | {"PYTHONPATH": str(ROOT)}, study) as terminal:
        terminal.expect(r"Go on\?")
        terminal.type("y\n")
        terminal.expect(r"Why\?")
        terminal.type("it is long\n")
        terminal.expect('Decided by Ana: "twice"')
        assert terminal.wait() == 0
    (decided,) = (event for event in Study(study).log.contents().events if event.kind == "decided")
    assert decided.detail["because"] == "it is long"


def test_the_joins_never_replace_what_somebody_made(study: Path) -> None:
    audio = study / Study(study).song.audio.path.name
    before = audio.read_bytes()
    (study / "mix.wav").write_bytes(b"mine")
    assert "made of" in run(study, "check", "--joins-audio", audio.name, code=1)
    assert "is there already" in run(study, "check", "--joins-audio", "mix.wav", code=1)
    assert (audio.read_bytes(), (study / "mix.wav").read_bytes()) == (before, b"mine")
    for _again in range(2):
        run(study, "check", "--joins-audio")
    assert soundfile.info(study / "joins.wav").frames > 0


def test_sentences_are_as_wide_as_the_terminal(study: Path) -> None:
    narrow = run(study, "render", COLUMNS="60")
    assert max(map(len, narrow.splitlines()[-6:])) <= 64  # a file's name or a hash is never broken


def test_every_mistake_in_every_form_is_named_at_once(tmp_path: Path) -> None:
    """A misspelt "without" is taken for one, not for a section."""
    forms = {
        "bare": ["verse wihtout drums", "refrian", "outro"],
        "twice": ["intro", "refrain x2"],
        "short": ["verse bars 3-9", "refrain without drms"],
    }
    folder = make_study(tmp_path / "study", stems=("drums", "voice"), forms=forms)
    lines = told(folder, "check", code=1).removeprefix("Error: ").splitlines()
    assert lines == [
        'forms."bare", part 1: cannot read "wihtout drums" in "verse wihtout drums"; did you mean "without"?',
        'forms."bare", part 2: there is no section "refrian"; did you mean "refrain"?',
        'forms."short", part 1: "verse" has 4 bars (bars within a part count from its section\'s first), so '
        "there is no bar 9 in it",
        'forms."short", part 2: there is no stem "drms"; did you mean "drums"?',
    ]


def test_many_mistakes_in_forms_are_cut(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "study", forms={"one": ["vrse"] * 6, "two": ["vrse"] * 6})
    lines = told(folder, "check", code=1).splitlines()
    assert len(lines) == 9 and lines[-1] == "and 4 more"


def test_render_says_that_packets_are_out(tmp_path: Path) -> None:
    study = small_study(tmp_path)
    name = study.song.listeners[0].name
    assert "Packets are out" not in told(study.folder, "render")
    told(study.folder, "packet", name)
    assert f"answers are not back: {name} (round 1" in " ".join(told(study.folder, "status").split())
    assert f"Packets are out: {name} (round 1, written on " in " ".join(told(study.folder, "render").split())
