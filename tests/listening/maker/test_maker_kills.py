"""The page's server killed (SIGKILL) in the middle of an upload, the first listening, suggesting sections,
rendering, a packet and the report: it comes back where it was, with nothing half-written.

Each is killed at a share of its work drawn beforehand, as the page tells it, whatever the machine's speed.
"""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import soundfile

from render.renders.manifest import manifest_path, read_manifest
from render.song.song import load_song, song_from_text
from sessions.study import Study
from tests.maker import maker_page
from tests.maker_process import Doomed, doomed_page
from tests.short_study import do_round, rendered
from tests.songs import invented_song, make_study

KILLS = max(int(os.environ.get("FAIRHEARING_CAMPAIGN", "0")) // 5, 3)
COMMENT = "# the bridge was written on a train, keep this\n"


def whole(folder: Path) -> None:
    """The page is there again: every sheet answers, and nothing lies about under a temporary name."""
    with maker_page(folder) as page:
        for sheet in ("first", "song", "sections", "forms", "listeners", "rounds", "verdict"):
            page.sheet(sheet)
        for kind in ("joins", "levels"):  # begun by looking
            if page.work.jobs.last(kind) is not None:
                page.wait(kind)
    assert [path.name for path in folder.rglob("*.part")] == []


def shares(seed: int) -> list[float]:
    """Where in its work each kill falls."""
    rng = random.Random(seed)
    return [rng.uniform(0, 1.05) for _ in range(KILLS)]


def test_in_an_upload(tmp_path: Path) -> None:
    source = make_study(tmp_path / "elsewhere", bars=4, sections={"a": "1-4"}, forms={}) / "song.wav"
    content, folder = source.read_bytes(), tmp_path / "study"
    folder.mkdir()
    pieces = [content[at : at + 50_000] for at in range(0, len(content), 50_000)]
    for share in shares(1):
        with doomed_page(folder) as victim:

            def sent(stop: int, victim: Doomed) -> Iterator[bytes]:
                for piece in pieces[:stop]:
                    yield piece
                    victim.client.get("/api/pulse")  # what was sent has come to the server
                if stop < len(pieces):
                    os.kill(victim.worker.pid, signal.SIGKILL)
                    raise ConnectionResetError

            with suppress(ConnectionResetError):
                headers = {"Content-Length": str(len(content))}
                body = sent(int(share * len(pieces)), victim)
                victim.client.put(
                    "/api/upload/bounce", params={"name": "song.wav"}, content=body, headers=headers
                )
        whole(folder)
        for path in folder.iterdir():
            assert path.read_bytes() == content, "whole, or not there"
            path.unlink()


def test_in_the_first_listening(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "song.wav", invented_song(22050, 1, 2.0, 0.25, 24, 0.5), 22050)
    for share in shares(2):
        with doomed_page(tmp_path) as victim:
            victim.do("begin", {"bounce": "song.wav", "tempo": "120"}, "song")
            victim.until("begin", share)
        whole(tmp_path)
        written = tmp_path / "song.toml"
        if not written.exists():
            with maker_page(tmp_path) as page:
                assert "Which song?" in page.sheet("first")["html"]
                page.do("begin", {"bounce": "song.wav", "tempo": "120"})  # nothing stands in its way
                page.wait("begin")
        load_song(tmp_path)
        with maker_page(tmp_path) as page:
            assert "suggested; hear it" in page.sheet("sections")["html"], "nobody has heard them yet"
        written.unlink()
        (tmp_path / "log.sqlite").unlink(missing_ok=True)


def test_in_suggesting_sections(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "study", rate=22050, bars=24, sections={"all": "1-24"}, forms={})
    path = folder / "song.toml"
    path.write_text(path.read_text().replace("[sections]", f"{COMMENT}[sections]"))
    before = path.read_text()
    for share in shares(3):
        with doomed_page(folder) as victim:
            victim.do("suggest", {}, "sections")
            victim.until("suggest", share)
        whole(folder)
        assert COMMENT in path.read_text()
        if path.read_text() != before:
            song_from_text(path.read_text(), folder)
            with maker_page(folder) as page:
                assert "suggested; hear it" in page.sheet("sections")["html"]
        path.write_text(before)


def test_in_rendering_and_in_writing_a_packet(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "study", rate=22050)
    for share in shares(4):
        with doomed_page(folder) as victim:
            victim.do("render", {}, "rounds")
            victim.until("render", share)
        whole(folder)
    with maker_page(folder) as page:
        page.do("render", {}, "rounds")
        page.wait("render")
    manifest = read_manifest(manifest_path(folder))
    assert all((folder / form.wav).is_file() for form in manifest.forms)
    for share in shares(5):
        with doomed_page(folder) as victim:
            victim.do("packet", {"listener": "ana"}, "rounds")
            time.sleep(share / 5)
        whole(folder)
        for packet in (folder / "packets").glob("*"):
            assert packet.read_bytes().rstrip().endswith(b"</html>")


def test_in_opening_and_reporting(tmp_path: Path) -> None:
    for number, share in enumerate(shares(6)[: max(2, KILLS // 2)]):
        study = rendered(tmp_path / f"study {number}")
        for name in ("ana", "bo"):
            do_round(study, name)
        with doomed_page(study.folder) as victim:
            victim.do("open_study", {"early": True}, "verdict")
            victim.until("report", share)
        whole(study.folder)
        opened = [e for e in Study(study.folder).log.contents(listens=False).events if e.kind == "opened"]
        report = study.folder / "report" / "report.html"
        assert len(opened) <= 1
        if report.exists():
            assert opened and report.read_text().rstrip().endswith("</html>")
