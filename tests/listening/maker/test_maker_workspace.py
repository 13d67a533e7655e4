"""song.toml under the maker's page: changed elsewhere, in the middle of a write, killed, undone."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from listening.maker import workspace
from listening.maker.sheets import road_maps
from listening.maker.workspace import Workspace
from render.audio.timeline import lay_out
from render.edits.forms import set_form
from render.edits.sections import rename_section
from render.edits.settings import set_keys
from render.errors import FormError, PageError
from render.joins import remedies
from render.joins.finding import SetEnding, SetPickup
from render.song.song import song_from_text
from render.steps import no_step
from tests.killing import Say, kill
from tests.maker import MakerPage, maker_page
from tests.songs import make_study

COMMENT = "# the bridge was written on a train, keep this\n"
KILLS = int(os.environ.get("FAIRHEARING_CAMPAIGN", "12"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A small study whose song.toml has a comment of its author's."""
    made = make_study(tmp_path / "study")
    path = made / "song.toml"
    path.write_text(path.read_text().replace("[sections]", f"{COMMENT}[sections]"))
    return made


@pytest.fixture
def page(folder: Path) -> Iterator[MakerPage]:
    """Its page."""
    with maker_page(folder) as running:
        yield running


def test_a_change_keeps_every_comment_and_the_order(page: MakerPage) -> None:
    path = page.folder / "song.toml"
    before = path.read_text()
    page.do("rename_section", {"section": "verse", "name": "verse 1"}, "sections")
    after = path.read_text()
    assert COMMENT in after
    changed = [line for line in after.splitlines() if line not in before.splitlines()]
    assert len(changed) == 3, changed  # the section, and the two forms that play it
    assert "verse 1 bars 1-2" in after


def test_what_an_editor_changed_is_never_written_over(page: MakerPage) -> None:
    path = page.folder / "song.toml"
    shown = page.work.version()
    path.write_text(path.read_text().replace('"Invented"', '"By hand"'))
    body = {"args": {"title": "By page"}, "version": shown, "sheet": "song", "shown": {}}
    answer = page.ask("POST", "/api/do/title", json=body)
    assert answer.status_code == 409 and answer.json()["word"] == "changed"
    assert "offered again" in answer.json()["text"]
    assert "By hand" in path.read_text() and "By page" not in path.read_text()
    assert "By hand" in page.sheet("song")["html"]
    page.do("title", {"title": "By page"})  # taken again, on what stands now
    assert "By page" in path.read_text()


def test_a_change_at_the_very_moment_of_a_write_wins(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    work = Workspace(folder)
    path = work.path
    by_hand = path.read_text().replace('"Invented"', '"By hand"')
    real = song_from_text

    def edited_meanwhile(text: str, where: Path) -> object:
        path.write_text(by_hand)  # an editor saves after the page has read, before it writes
        return real(text, where)

    monkeypatch.setattr(workspace, "song_from_text", edited_meanwhile)
    with pytest.raises(PageError, match="changed elsewhere"):
        work.change("a title", work.version(), set_keys, "song", {"title": "By page"})
    assert path.read_text() == by_hand
    assert [p.name for p in folder.iterdir() if p.name.endswith(".part")] == []


def test_a_change_that_is_not_in_order_is_refused_and_nothing_written(page: MakerPage) -> None:
    before = (page.folder / "song.toml").read_bytes()
    answer = page.try_("part_set", {"form": "refrain first", "entry": 1, "part": "refrian"}, "forms")
    assert answer.status_code == 422 and 'did you mean "refrain"' in answer.json()["text"]
    answer = page.try_("part_set", {"form": "refrain first", "entry": 1, "part": "refrain bars 3-9"}, "forms")
    assert answer.status_code == 422
    answer = page.try_("move_line", {"section": "verse", "by": 60}, "sections")
    assert answer.status_code == 422
    assert (page.folder / "song.toml").read_bytes() == before


def test_the_same_words_as_in_the_terminal(page: MakerPage) -> None:
    answer = page.try_("part_set", {"form": "twice", "entry": 1, "part": "refrian"}, "forms")
    text = (page.folder / "song.toml").read_text()
    with pytest.raises(FormError) as refused:
        set_form(text, page.folder, "twice", ["refrian", "outro"])
    assert answer.json()["text"].partition(": ")[2] == str(refused.value).partition(": ")[2]


def test_a_section_of_a_name_that_is_there_is_numbered_with_it(page: MakerPage) -> None:
    one, two = (section.name for section in page.work.song().sections[:2])
    page.do("rename_section", {"section": one, "name": "chant"}, "sections")
    page.do("rename_section", {"section": two, "name": "chant"}, "sections")
    assert [section.name for section in page.work.song().sections[:2]] == ["chant 1", "chant 2"]
    page.do("undo")
    assert page.work.song().sections[0].name == "chant"


def test_undo_goes_back_step_by_step_and_stops_where_an_editor_was(page: MakerPage) -> None:
    path = page.folder / "song.toml"
    first = path.read_bytes()
    page.do("title", {"title": "One"})
    second = path.read_bytes()
    page.do("pickup", {"section": "verse", "pickup": 1}, "sections")
    assert page.do("undo")["undo"] and path.read_bytes() == second
    path.write_text(path.read_text() + "# a remark\n")
    answer = page.try_("undo")
    assert answer.status_code == 409 and "changed elsewhere" in answer.json()["text"]
    assert path.read_text().endswith("# a remark\n")
    path.write_bytes(second)
    page.do("undo")
    assert path.read_bytes() == first and not page.sheet("song")["undo"]


def test_two_tabs_see_each_other(page: MakerPage) -> None:
    first = page.ask("GET", "/api/pulse").json()["pulse"]
    assert page.ask("GET", "/api/pulse").json()["pulse"] == first, "nothing happened"
    page.do("title", {"title": "Seen"})
    second = page.ask("GET", "/api/pulse").json()["pulse"]
    assert second != first
    (page.folder / "song.toml").write_text((page.folder / "song.toml").read_text() + "\n")
    assert page.ask("GET", "/api/pulse").json()["pulse"] != second


def test_a_song_that_is_not_in_order_is_said_and_the_page_stays(page: MakerPage) -> None:
    path = page.folder / "song.toml"
    good = path.read_text()
    path.write_text(good.replace("120", "99999999"))
    sheet = page.sheet("song")
    assert "song.tempo" in sheet["html"] and sheet["stands"]["forms"] == "not yet"
    for name in ("sections", "forms", "listeners", "rounds", "verdict"):
        page.sheet(name)
    path.write_text(good)
    assert "Invented" in page.sheet("song")["html"]


def change_again_and_again(folder: Path, say: Say) -> None:
    work = Workspace(folder)
    say("begun")
    for turn in range(100_000):
        work.change("t", work.version(), set_keys, "song", {"title": f"title {turn}"})
        there = {section.name for section in work.song().sections}
        names = ("verse", "strophe") if "verse" in there else ("strophe", "verse")
        work.change("r", work.version(), rename_section, *names)


def test_a_kill_in_the_middle_of_a_change_leaves_a_whole_song(folder: Path) -> None:
    rng = random.Random(11)
    for _ in range(KILLS):
        kill(partial(change_again_and_again, folder), rng.uniform(0.0, 0.15), after_lines=1)
        text = (folder / "song.toml").read_text()
        assert COMMENT in text
        song = song_from_text(text, folder)
        assert len(song.forms) == 3 and {s.name for s in song.sections} & {"verse", "strophe"}


def test_remedies_beside_a_join_are_written_into_song_toml(page: MakerPage) -> None:
    work, name = page.work, "refrain first"
    song = work.song()
    earlier = remedies.bar_earlier(song, song.form(name), 0)
    assert earlier is not None
    for remedy in (SetPickup(song.sections[1].name, 1, "a pickup"), SetEnding(name, "cut", "a cut"), earlier):
        road_maps.judge_joins(work, no_step)
        key = road_maps.findings_key(work.song(), lay_out(work.song(), work.song().form(name)))
        first, *others = work.cache[key]
        work.cache[key] = (replace(first, remedies=(remedy,)), *others)
        # seen from the sheet Song: Forms would judge the joins anew, beside the next turn of this loop
        page.do("mend", {"form": name, "index": 0, "which": 0})
    mended = work.song()
    assert mended.sections[1].pickup_beats == 1
    assert str(mended.form(name).ending) == "cut"
    assert mended.form(name).texts[: len(earlier.new)] == earlier.new
    assert page.try_("mend", {"form": name, "index": 0, "which": 0}, "forms").status_code == 409
