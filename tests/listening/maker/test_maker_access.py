"""Who may come in to the maker's page and what may be put in: refused, said, nothing written."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from listening import links
from listening.maker import uploads
from tests.maker import MakerPage, maker_page, snapshot
from tests.songs import make_study


@pytest.fixture
def page(tmp_path: Path) -> Iterator[MakerPage]:
    """The page of a small study."""
    with maker_page(make_study(tmp_path / "study")) as running:
        yield running


def refused(page: MakerPage, told: httpx.Response, status: int, before: dict[str, bytes]) -> str:
    assert told.status_code == status, told.text
    assert snapshot(page.folder) == before, "something was written"
    text = str(told.json()["text"])
    assert len(text) > 10
    return text


def test_a_link_works_once(page: MakerPage) -> None:
    key = page.link().partition("#")[2]
    first = page.client.post("/api/enter", json={"key": key})
    assert first.status_code == 200 and len(first.json()["token"]) >= 40
    again = page.client.post("/api/enter", json={"key": key})
    assert again.status_code == 401 and "used" in again.json()["text"]
    assert not first.cookies and "set-cookie" not in first.headers


@pytest.mark.parametrize("token", ["", "Bearer", "Bearer wrong", "Basic abc"])
def test_without_a_token_nothing_is_told(page: MakerPage, token: str) -> None:
    before = snapshot(page.folder)
    for method, path in (("GET", "/api/sheet/song"), ("GET", "/api/pulse"), ("POST", "/api/do/title"),
                         ("PUT", "/api/upload/bounce?name=x.wav"), ("GET", "/api/sound/song?from=0&frames=9"),
                         ("POST", "/api/key"), ("POST", "/api/ticket/report")):  # fmt: skip
        answer = page.client.request(method, path, headers={"Authorization": token}, json={})
        refused(page, answer, 401, before)


def test_a_listeners_token_opens_nothing_here(page: MakerPage) -> None:
    token = links.make(page.study, "ana", page.base).address.partition("#")[2]
    before = snapshot(page.folder)
    answer = page.client.get("/api/sheet/song", headers={"Authorization": f"Bearer {token}"})
    refused(page, answer, 401, before)
    assert page.client.post("/api/enter", json={"key": token}).status_code == 401


def test_another_host_is_refused(page: MakerPage) -> None:
    answer = page.ask("GET", "/api/sheet/song", headers={"Host": "songs.example"})
    assert answer.status_code == 400


@pytest.mark.parametrize("headers", [
    {"Origin": "http://songs.example"}, {"Origin": "null"}, {"Origin": "http://127.0.0.1:1"},
    {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"},
])  # fmt: skip
def test_another_origin_is_refused(page: MakerPage, headers: dict[str, str]) -> None:
    before = snapshot(page.folder)
    body = {"args": {"title": "Taken"}, "version": page.work.version(), "sheet": "song"}
    answer = page.ask("POST", "/api/do/title", json=body, headers=headers)
    refused(page, answer, 403, before)


@pytest.mark.parametrize("name", [
    "../out.wav", "..\\out.wav", "/etc/x.wav", "a/b.wav", ".hidden.wav", "C:x.wav", "x\n.wav", "",
    "x" * 300 + ".wav",
    "song.toml", "log.sqlite", "page.html",
])  # fmt: skip
def test_an_upload_never_leaves_the_folder_nor_takes_another_kind(page: MakerPage, name: str) -> None:
    before = snapshot(page.folder.parent)
    answer = page.ask("PUT", "/api/upload/bounce", params={"name": name}, content=b"RIFF")
    assert answer.status_code == 422, answer.text
    assert snapshot(page.folder.parent) == before


def test_an_upload_replaces_nothing(page: MakerPage) -> None:
    song = page.folder / "song.wav"
    before = song.read_bytes()
    assert page.upload("bounce", song) == "song 2.wav"
    assert song.read_bytes() == before == (page.folder / "song 2.wav").read_bytes()


def test_a_wav_that_is_none_is_said(page: MakerPage) -> None:
    before = snapshot(page.folder)
    for content in (b"RIFF" + os.urandom(4000), b"not sound at all", b""):
        answer = page.ask("PUT", "/api/upload/bounce", params={"name": "take.wav"}, content=content)
        assert "take.wav" in refused(page, answer, 422, before)
    answer = page.ask("PUT", "/api/upload/map", params={"name": "map.mid"}, content=b"not MIDI")
    assert "Standard MIDI File" in refused(page, answer, 422, before)


def test_an_upload_of_five_gigabytes_is_refused_at_once(page: MakerPage) -> None:
    before = snapshot(page.folder)
    host, _, port = page.base.removeprefix("http://").partition(":")
    head = (
        f"PUT /api/upload/bounce?name=big.wav HTTP/1.1\r\nHost: {host}:{port}\r\n"
        f"Connection: close\r\n"
        f"Content-Length: {5 << 30}\r\nAuthorization: Bearer {page.token}\r\n\r\n"
    )
    with socket.create_connection((host, int(port)), timeout=30) as line:
        line.sendall(head.encode() + b"RIFF")  # a client that would send on for minutes
        answer = b"".join(iter(lambda: line.recv(4096), b"")).decode()
    assert answer.startswith("HTTP/1.1 413 ") and "too large" in answer
    assert snapshot(page.folder) == before


def test_an_upload_that_does_not_say_its_size_ends_at_the_limit(
    page: MakerPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(uploads.KINDS, "bounce", (uploads.SOUND_ENDINGS, 1 << 20, ""))
    before = snapshot(page.folder)
    pieces = (b"x" * 65536 for _ in range(64))
    answer = page.ask("PUT", "/api/upload/bounce", params={"name": "endless.wav"}, content=pieces)
    assert "too large" in refused(page, answer, 413, before)


def test_a_link_out_of_the_folder_is_not_offered(page: MakerPage, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    outside = tmp_path / "elsewhere" / "secret.wav"
    outside.write_bytes((page.folder / "song.wav").read_bytes())
    (page.folder / "song.toml").unlink()
    (page.folder / "link.wav").symlink_to(outside)
    (page.folder / "linked").symlink_to(outside.parent)
    html = page.sheet("song")["html"]
    assert "song.wav" in html and "link.wav" not in html and "linked" not in html
    for args in ({"bounce": "link.wav"}, {"bounce": "../elsewhere/secret.wav"}, {"bounce": str(outside)},
                 {"bounce": "song.wav", "folder": "linked"},
                 {"bounce": "song.wav", "folder": "../elsewhere"}):  # fmt: skip
        answer = page.try_("begin", args)
        assert answer.status_code == 422, answer.text
        assert not (page.folder / "song.toml").exists()


@pytest.mark.parametrize("path", [
    "/static/../server.py", "/static/%2e%2e/server.py", "/file/x", "/report/x/report.html",
    "/api/sheet/../song", "/api/sound/../../song.wav", "/song.toml", "/log.sqlite",
])  # fmt: skip
def test_no_path_comes_from_the_browser(page: MakerPage, path: str) -> None:
    answer = page.ask("GET", path)
    assert answer.status_code in (404, 405), path
    assert b"import" not in answer.content and b"[song]" not in answer.content


def test_markup_in_a_field_stays_text(page: MakerPage) -> None:
    sheet = page.do("title", {"title": "<img src=x onerror=alert(1)> & 'so'"})
    assert "<img src=x" not in sheet["html"] and "&lt;img src=x" in sheet["html"]
    sheet = page.do("rename_section", {"section": "verse", "name": "<b>v</b>"}, "sections")
    assert "<b>v</b>" not in sheet["html"] and "&lt;b&gt;v&lt;/b&gt;" in sheet["html"]


def test_every_answer_carries_the_policy(page: MakerPage) -> None:
    for path in ("/", "/static/maker.js", "/api/sheet/song", "/nothing"):
        answer = page.ask("GET", path)
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["cache-control"] == "no-store" and "server" not in answer.headers
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_too_much_json_is_refused(page: MakerPage) -> None:
    answer = page.ask("POST", "/api/do/title", json={"args": {"title": "x" * (2 << 20)}})
    assert answer.status_code == 413
