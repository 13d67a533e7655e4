"""The maker's page on a full disk and under a clock that is set back: said at its place, nothing lost."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from listening.packet.packet_file import write_packet
from render.song.song import SONG_FILE
from sessions.study import Study
from tests.clocks import SetClock
from tests.disks import fill, small_disk
from tests.far_listener import answers_of
from tests.maker import MakerPage, hear_one, maker_page
from tests.page_study import copied, rendered_short

__all__ = ["rendered_short"]


def failed(page: MakerPage, kind: str) -> str:
    """What a job that must fail says on the page."""
    with pytest.raises(AssertionError) as said:
        page.wait(kind)
    return str(said.value)


def test_on_a_full_disk_each_action_says_so_and_works_when_there_is_room(
    rendered_short: Path, tmp_path: Path
) -> None:
    study = copied(rendered_short, tmp_path / "study")
    hear_one(study, "ana", 80.0, "a word")
    answers = tmp_path / "answers.json"
    answers_of(study, answers)
    with small_disk(tmp_path / "small", 24 << 20) as remount:
        folder = tmp_path / "small" / "study"
        shutil.copytree(study.folder, folder)
        if not remount("rw"):
            pytest.skip("no small file system can be mounted here (it takes root, on Linux)")
        ballast, before = tmp_path / "small" / "ballast", Study(folder).log.contents()
        with maker_page(folder) as page:
            page.do("open_study", {"early": True}, "verdict")
            page.wait("report")
            read(page)
            fill(ballast)
            text = (folder / SONG_FILE).read_text()
            for action, args, sheet in (
                ("title", {"title": "Another"}, "song"), ("plan", {"rounds": 3}, "listeners"),
            ):  # fmt: skip
                answer = page.try_(action, args, sheet)
                assert answer.status_code == 422 and "make room" in answer.json()["text"], answer.text
            assert (folder / SONG_FILE).read_text() == text
            answer = page.ask(
                "PUT", "/api/upload/answers", params={"name": "a.json"}, content=answers.read_bytes()
            )
            assert answer.status_code == 422 and "make room" in answer.json()["text"]
            assert not (folder / ".answers").exists()
            page.do("packet", {"listener": "bo"}, "rounds")
            assert "No space left" in failed(page, "packet") or "full" in failed(page, "packet")
            page.do("decide", {"form": "upside down", "by": "ana", "because": "kept"}, "verdict")
            assert re.search("No space left|full", failed(page, "decide"))
            html = page.sheet("verdict")["html"]
            assert re.search("No space left|full", html) and "kept</textarea>" in html, (
                "and nothing typed is lost"
            )
            assert Study(folder).log.contents().listens == before.listens
            assert not [e for e in Study(folder).log.contents().events if e.kind == "decided"]
            ballast.unlink()
            page.do("part_set", {"form": "no middle at all", "entry": 1, "part": "middle"}, "forms")
            fill(ballast)
            page.do("render", {}, "rounds")
            assert re.search("No space left|full|make room", failed(page, "render"))
            assert page.sheet("rounds")["stands"]["rounds"] == "asks something"
            ballast.unlink()
            page.do("render", {}, "rounds")
            page.wait("render")
            page.upload("answers", answers)
            page.do("collect", {}, "rounds")
            page.do("decide", {"form": "upside down", "by": "ana", "because": "kept"}, "verdict")
            page.wait("decide")
        kinds = [event.kind for event in Study(folder).log.contents(listens=False).events]
        assert kinds.count("decided") == 1


def test_a_clock_set_back_a_day_loses_nothing_and_doubles_nothing(
    rendered_short: Path, tmp_path: Path
) -> None:
    clock = SetClock()
    study = copied(rendered_short, tmp_path / "study", clock)
    answers = tmp_path / "answers.json"
    with maker_page(study.folder, clock=clock) as page:
        hear_one(study, "ana", 80.0, "a word")
        write_packet(study, "bo")
        answers_of(study, answers)
        clock.forward(days=-1)
        html = page.sheet("rounds")["html"]
        assert "1 of 3" in html
        hear_one(study, "ana", 60.0, "another word")
        page.upload("answers", answers)
        assert "rated" in page.do("collect", {}, "rounds")["html"]
        before = study.log.contents().listens
        page.upload("answers", answers)
        page.try_("collect", {}, "rounds")
        assert study.log.contents().listens == before
        assert {60.0, 80.0} <= {x.rating for x in before if x.listener == "ana"}
        clock.forward(days=1)
        page.do("open_study", {"early": True}, "verdict")
        page.wait("report")
        page.do("decide", {"form": "upside down", "by": "ana", "because": "it lifts"}, "verdict")
        page.wait("decide")
        clock.forward(days=-1)
        html = read(page)
        assert "it lifts" in html, "the decision stands"
        step = re.findall(r'id="tick-([0-9a-f]{12})"', html)[0]
        page.do("tick", {"step": step, "done": True}, "verdict")
        clock.forward(days=-1)
        page.do("tick", {"step": step, "done": False}, "verdict")
        assert "checked" not in read(page).partition(f'id="tick-{step}"')[2][:200], "the last one holds"
        page.do("reopen", {"because": "one more"}, "verdict")
        assert "Sealed" in read(page), "the last one holds, whatever the clock says"
    kinds = [event.kind for event in study.log.contents(listens=False).events]
    assert [kinds.count(kind) for kind in ("opened", "decided", "reopened")] == [1, 1, 1]


def read(page: MakerPage) -> str:
    """The verdict's sheet once the ratings are read."""
    page.sheet("verdict")
    page.wait("verdict")
    return str(page.sheet("verdict")["html"])
