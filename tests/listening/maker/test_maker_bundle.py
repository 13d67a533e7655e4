"""A whole study from one maker to the next: taken from one page, opened by dropping it onto another's."""

from __future__ import annotations

from pathlib import Path

import pytest

from listening.maker.opening import open_page
from render.errors import BundleError, StudyError
from sessions.bundle.opening import HALF_OPENED, open_bundle_here
from sessions.study import Study
from tests.maker import hear_one, maker_page, snapshot
from tests.page_study import copied, rendered_short

__all__ = ["rendered_short"]


@pytest.fixture
def bundle(rendered_short: Path, tmp_path: Path) -> Path:
    """The bundle of a study in which somebody has rated, as its page gives it."""
    study = copied(rendered_short, tmp_path / "theirs")
    hear_one(study, "ana", 50.0, "a word")
    with maker_page(study.folder) as page:
        asked = page.ask("POST", "/api/ticket/bundle", json={})
        assert asked.status_code == 409 and "seed" in asked.json()["text"], "sealed: asked twice"
        html = page.sheet("verdict")["html"]
        assert "who rated and said what" in html and " MB" in html, "what is in it and its size are said"
        ticket = page.ask("POST", "/api/ticket/bundle", json={"name": "sealed too"}).json()["ticket"]
        path = tmp_path / "Gulls & Gales, study.zip"
        path.write_bytes(page.client.get(f"/file/{ticket}").content)
    return path


def test_a_bundle_dropped_onto_an_empty_folder_is_the_study(bundle: Path, tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    with maker_page(folder) as page:
        assert "whole study" in page.sheet("song")["html"]
        name = page.upload("bundle", bundle)
        page.do("open_bundle", {"bundle": Path(name).name})
        page.wait("bundle")
        landed = page.sheet("song")  # the tab that dropped it looks again
        assert landed["sheet"] == "rounds" and "all sums right" in landed["notice"], "where the study stands"
        html = page.sheet("song")["html"]
        assert "all sums right" in html and "Gulls" in html
        refused = page.ask("PUT", "/api/upload/bundle", params={"name": "x.zip"}, content=b"PK")
        assert refused.status_code == 422 and "already" in refused.json()["text"]
    theirs = tmp_path / "theirs"
    assert Study(folder).log.contents().listens == Study(theirs).log.contents().listens
    here, there = snapshot(folder), snapshot(theirs)
    assert here == {name: there[name] for name in here} and "song.toml" in here
    assert {p.name for p in folder.iterdir()} == {"song.toml", "bounce.wav", "renders", "log.sqlite"}


def test_a_bundle_that_cannot_be_written_is_said_in_its_place(bundle: Path, tmp_path: Path) -> None:
    """A render that song.toml's forms need is gone from the disk in the midst; then it is there again."""
    folder = tmp_path / "theirs"
    with maker_page(folder) as page:
        assert not (folder / ".downloads").exists(), "what was taken away does not stay"
        (folder / "bounce.wav").rename(tmp_path / "away.wav")
        answer = page.ask("POST", "/api/ticket/bundle", json={"name": "sealed too"})
        assert answer.status_code == 422 and "bounce.wav" in answer.json()["text"]
        (tmp_path / "away.wav").rename(folder / "bounce.wav")
        ticket = page.ask("POST", "/api/ticket/bundle", json={"name": "sealed too"}).json()["ticket"]
        assert page.client.get(f"/file/{ticket}").status_code == 200
        assert page.ask("GET", "/api/pulse").json()["jobs"].get("bundling") is None
    assert bundle.is_file()


def test_a_bundle_that_is_none_or_damaged_is_said_and_nothing_is_left(bundle: Path, tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    damaged = tmp_path / "damaged.zip"
    content = bytearray(bundle.read_bytes())
    content[len(content) // 2] ^= 1
    damaged.write_bytes(content)
    with maker_page(folder) as page:
        answer = page.ask("PUT", "/api/upload/bundle", params={"name": "x.zip"}, content=b"no archive")
        assert answer.status_code == 422 and "no bundle" in answer.json()["text"]
        name = page.upload("bundle", damaged)
        page.do("open_bundle", {"bundle": Path(name).name})
        with pytest.raises(AssertionError, match="damaged"):
            page.wait("bundle")
        assert "is damaged" in page.sheet("song")["html"].replace("\n", " ")
        assert [*folder.iterdir()] == []
        assert page.try_("open_bundle", {"bundle": "../theirs/x.zip"}).status_code == 422


def test_nothing_that_lies_there_is_replaced(bundle: Path, tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "bounce.wav").write_bytes(b"my own")
    with pytest.raises(BundleError, match=r"bounce\.wav: the bundle holds this too"):
        open_bundle_here(bundle, folder)
    assert [p.name for p in folder.iterdir()] == ["bounce.wav"]
    with pytest.raises(StudyError, match="drop it onto the page"):
        open_page(bundle, browser=False)


def test_an_opening_that_broke_off_goes_on(
    bundle: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The server is killed after some files have their place: the folder is no study yet, and becomes one."""
    folder = tmp_path / "mine"
    folder.mkdir()
    rename = Path.rename
    moved: list[Path] = []

    def killed(path: Path, to: Path) -> Path:
        if len(moved) == 2:
            raise KeyboardInterrupt
        moved.append(to)
        return rename(path, to)

    monkeypatch.setattr(Path, "rename", killed)
    with pytest.raises(KeyboardInterrupt):
        open_bundle_here(bundle, folder)
    monkeypatch.undo()
    (folder / ".bundle-left").mkdir()
    assert (folder / HALF_OPENED / "song.toml").is_file() and not (folder / "song.toml").exists()
    with pytest.raises(BundleError, match="half opened"):
        open_bundle_here(bundle, folder)
    with maker_page(folder) as page:
        assert "when the server ended" in page.sheet("song")["html"]
        landed = page.do("finish_bundle")
        assert landed["sheet"] == "rounds" and landed["notice"] == "It is open."
        assert "Gulls" in page.sheet("song")["html"]
        assert page.try_("finish_bundle").status_code == 409
    assert snapshot(folder).keys() <= snapshot(tmp_path / "theirs").keys()


def test_the_page_of_a_bundle_that_lies_in_the_folder(bundle: Path, tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    mine = bundle.rename(folder / bundle.name)
    with maker_page(folder) as page:
        assert "open-bundle-1" in page.sheet("song")["html"]
        page.do("open_bundle", {"bundle": mine.name})
        page.wait("bundle")
    assert mine.is_file() and (folder / "song.toml").is_file()
