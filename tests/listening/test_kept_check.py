"""`check` and `ideas` a second time: the same words, from what was kept, until something changes."""

import json
import os
from dataclasses import asdict, replace
from pathlib import Path

import pytest
import soundfile

from listening import checking
from listening.check_result import Checked
from listening.kept_check import beat_trouble, check_key, check_study, propose_ideas
from render.errors import AudioError
from render.kept import kept
from render.renders.render_forms import render_forms
from sessions.study import Study
from tests.command_line import told
from tests.songs import make_study


def step(_what: str, _done: int, _of: int) -> None:
    pass


@pytest.fixture
def times(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """How often the song was listened to."""
    done: list[str] = []
    examine = checking.examine_song

    def counted(study, step):  # type: ignore[no-untyped-def]
        done.append("check")
        return examine(study, step)

    monkeypatch.setattr(checking, "examine_song", counted)
    return done


def words(found: Checked) -> str:
    return json.dumps(asdict(found))


def test_an_unchanged_study_is_checked_once(tmp_path: Path, times: list[str]) -> None:
    folder = make_study(tmp_path / "study", stems=("drums", "voice"))
    first = check_study(Study(folder), step)
    assert words(check_study(Study(folder), step)) == words(first) and times == ["check"]
    path = folder / "song.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('"7-10"', '"7-9"'), encoding="utf-8")
    changed = check_study(Study(folder), step)
    assert words(changed) != words(first) and len(times) == 2
    drums = folder / "stems" / "drums.wav"
    os.utime(drums, ns=(1, 1))  # another time, the same content
    assert words(check_study(Study(folder), step)) == words(changed) and len(times) == 2
    sound, rate = soundfile.read(drums, always_2d=True)
    soundfile.write(drums, 0.5 * sound, rate, subtype="PCM_24")
    before = check_study(Study(folder), step)
    assert len(times) == 3 and before.forms[1].joins[0].done.startswith("rings over")
    render_forms(replace(Study(folder).song, joining=1))  # as a study begun with the first way of joining
    assert check_study(Study(folder), step).forms[1].joins[0].done == "crossfade" and len(times) == 4


def test_what_is_not_in_order_is_never_kept(tmp_path: Path, times: list[str]) -> None:
    folder = make_study(tmp_path / "study")
    check_study(Study(folder), step)
    (folder / "song.wav").unlink()
    with pytest.raises(AudioError, match="there is no audio file"):
        check_study(Study(folder), step)


def test_ideas_are_the_same_again_and_others_for_another_seed(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "study")
    first = propose_ideas(Study(folder), 3, 1, write=False, step=step)
    assert propose_ideas(Study(folder), 3, 1, write=False, step=step) == first
    assert len(propose_ideas(Study(folder), 2, 1, write=False, step=step)) == 2
    propose_ideas(Study(folder), 3, 1, write=True, step=step)
    assert first[0].name in (folder / "song.toml").read_text(encoding="utf-8")
    more = propose_ideas(Study(folder), 3, 1, write=False, step=step)
    assert {idea.texts for idea in more}.isdisjoint({idea.texts for idea in first})


def test_the_command_says_the_same_and_nothing_counts_as_rendered(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "study")
    first = told(folder, "check")
    assert told(folder, "check") == first
    assert told(folder, "check", "--json") == told(folder, "check", "--json")
    assert "nothing is rendered yet" in " ".join(told(folder, "status").lower().split())


def test_what_check_found_wrong_with_the_beat_is_told_by_render(tmp_path: Path, times: list[str]) -> None:
    study = Study(make_study(tmp_path / "study"))
    checked = check_study(study, step)
    assert beat_trouble(study) == "" and "Careful" not in told(study.folder, "render")
    wrong = {**checked.tempo, "better_tempo": 121.0, "headline": "121 fits this audio better than 120"}
    (study.folder / "renders" / "check.json").unlink()
    kept(
        study.folder / "renders" / "check.json",
        check_key(study),
        Checked,
        lambda: replace(checked, tempo=wrong),
    )
    said = " ".join(told(study.folder, "render").split())
    assert "Careful, `fairhearing check` found: 121 fits this audio better than 120." in said
    path = study.folder / "song.toml"
    path.write_text(path.read_text(encoding="utf-8") + "# changed\n", encoding="utf-8")
    assert "Careful" not in told(study.folder, "render") and times == ["check"]
