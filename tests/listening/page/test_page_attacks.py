"""The page as an attacker sees it: another's link and codes, used-up ones, replays, odd requests.

Ways by OWASP's Web Security Testing Guide (authorisation, session, input, HTTP methods and headers);
what is accepted is written down in SECURITY.md. Leaks of a form are in test_page_leaks.py.
"""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

from listening import links
from listening.page.host import host_names
from render.errors import StudyError
from tests.clocks import SetClock
from tests.page_api import Bench, Caller, at, bench
from tests.page_study import EVENING, copied, rendered, rendered_short
from tests.places import ROOT
from tests.serving import free_port

__all__ = ["at", "rendered", "rendered_short"]


def asked_about(caller: Caller, code: int, sitting: str) -> list[tuple[int, str]]:
    """Status and body of everything that can be asked about a code."""
    listen = f"/api/listens/{code}"
    requests: list[tuple[str, str, Any]] = [
        ("POST", "/begin", {"sitting": sitting, "key": "k" * 16}), ("POST", "/heard", {"heard_s": 1}),
        ("POST", "/end", {"heard_s": 1}), ("POST", "/answer", {"key": "k" * 16, "overall": 5}),
        ("POST", "/judged", {"could_judge": True}),
    ]  # fmt: skip
    answers = [caller.ask(method, listen + what, body) for method, what, body in requests]
    return [(response.status_code, response.text) for response in answers]


def test_anothers_code_is_answered_as_one_that_never_was(at: Bench) -> None:
    """Before, while and after ana hears it: bo learns nothing, changes nothing and hears nothing."""
    ana, bo = at.caller("ana"), at.caller("bo")
    due = ana.due()
    code = int(due["code"])
    never = next(c for c in range(100, 999) if c not in (code, bo.due()["code"]))
    for step in ("due", "begun", "rated"):
        if step == "begun":
            assert ana.begin(code).status_code == 200
        if step == "rated":
            at.pass_s(at.longest_s())
            ana.end(code, at.longest_s())
            assert ana.answer(code, 61).status_code == 200
        for sitting in (bo.sitting, ana.sitting):
            answers = asked_about(bo, code, sitting)
            assert answers == asked_about(bo, never, sitting), step
            assert all(status in (404, 409) for status, _ in answers)
        for headers in ({}, {"Range": "bytes=99-"}):
            assert bo.ask("GET", due["sound"], **headers).status_code == 404, step
    (listen,) = at.study.log.contents("ana").listens
    assert (listen.rating, listen.heard_to_the_end) == (61, True)


def test_anothers_level_check_and_sitting_are_of_no_use(at: Bench) -> None:
    ana, bo = at.caller("ana", at_home=False), at.caller("bo", at_home=False)
    for who in (ana, bo):
        who.post("/api/round")
    level = ana.post("/api/level")["ticket"]
    assert bo.ask("GET", f"/api/level/{level}").status_code == 404
    at.pass_s(60)
    sat = {"heard_on": "car", "level": level}
    assert bo.ask("POST", "/api/sitting", sat).status_code == 409
    sitting = ana.post("/api/sitting", sat)["sitting"]
    assert ana.ask("POST", "/api/sitting", sat).status_code == 409, "a level check is heard for one sitting"
    bo.sit_down()
    assert bo.ask("POST", "/api/due", {"sitting": sitting}).status_code == 409


def test_a_code_is_heard_once_and_an_answer_is_not_changed_by_its_replay(at: Bench) -> None:
    ana = at.caller("ana")
    sound = ana.due()["sound"]
    code = ana.hear(at.longest_s())
    assert ana.ask("GET", sound).status_code == 404, "its sound is not given out again"
    key = ana.key()
    body = {"key": key, "overall": 61}
    assert ana.ask("POST", f"/api/listens/{code}/answer", body).status_code == 200
    assert ana.ask("POST", f"/api/listens/{code}/answer", body | {"overall": 5}).status_code == 200
    assert ana.ask("GET", sound).status_code == 404
    assert (
        ana.ask("POST", f"/api/listens/{code}/begin", {"sitting": ana.sitting, "key": ana.key()}).status_code
        == 409
    )
    for _ in range(2):
        ana.answer(ana.hear(at.longest_s()), 50)
    ana.post("/api/round/close", {"round": 1})
    for replay in (body, body | {"key": ana.key(), "overall": 5}):
        ana.ask("POST", f"/api/listens/{code}/answer", replay)
    assert [x.rating for x in at.study.log.contents("ana").listens] == [61, 50, 50]


def test_a_renewed_link_takes_the_round_along_and_the_old_one_is_dead(at: Bench) -> None:
    ana = at.caller("ana")
    due = ana.due()
    code = int(due["code"])
    fresh = links.make(at.study, "ana", at.served.base, renew=True)
    for method, path, body in (
        ("GET", "/api/state", None),
        ("GET", due["sound"], None),
        ("POST", f"/api/listens/{code}/begin", {"sitting": ana.sitting, "key": ana.key()}),
    ):
        assert ana.ask(method, path, body).status_code == 401
    again = Caller(at.client, fresh.address.rpartition("#")[2], at.pass_s)
    assert again.get("/api/state")["stage"] == "listen"


def raw(base: str, request: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", int(base.rpartition(":")[2])), timeout=30) as line:
        line.sendall(request)
        return b"".join(iter(lambda: line.recv(1 << 16), b""))


@pytest.mark.parametrize("host", [
    b"evil.example", b"127.0.0.1:80@evil.example", b"127.0.0.1.evil.example", b"", b"127.0.0.1, evil.example",
    b"[::1]", b"xlocalhost", b"*",
])  # fmt: skip
def test_no_other_name_leads_here(rendered: Path, tmp_path: Path, host: bytes) -> None:
    with bench(
        copied(rendered, tmp_path / "study", SetClock(EVENING)), hosts=host_names(False, None)
    ) as made:
        base = made.served.base
        ask = b"GET / HTTP/1.1\r\nHost: %s\r\nConnection: close\r\n%s\r\n"
        assert raw(base, ask % (host, b"")).startswith(b"HTTP/1.1 400")
        assert raw(base, ask % (host, b"X-Forwarded-Host: localhost\r\n")).startswith(b"HTTP/1.1 400")
        assert raw(base, ask % (b"localhost", b"")).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "address", ["songs.example", "https://", "https://*", "ftp://a.example", "//a", "http://[::"]
)
def test_an_address_that_would_let_in_nobody_or_everybody_is_refused(address: str) -> None:
    with pytest.raises(StudyError, match=r"https://songs\.example"):
        host_names(False, address)


def test_an_address_lets_in_its_own_name() -> None:
    assert host_names(False, "https://songs.example:8443/way?x#y")[0] == "songs.example"


@pytest.mark.parametrize("method", ["OPTIONS", "TRACE", "PUT", "DELETE", "PATCH", "CONNECT", "FOO"])
def test_no_other_method_does_or_echoes_anything(at: Bench, method: str) -> None:
    """Another site's page may send JSON or a token only where OPTIONS allows it (Fetch: CORS-preflight)."""
    token = at.served.link("ana").rpartition("#")[2]
    for path in ("/", "/api/state", "/api/round", "/api/listens/100/answer"):
        answer = raw(
            at.served.base,
            f"{method} {path} HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {token}\r\nOrigin: https://evil.example\r\n"
            "Access-Control-Request-Method: POST\r\nConnection: close\r\n\r\n".encode(),
        )
        assert answer.startswith(b"HTTP/1.1 405") and b"access-control" not in answer.lower()
        assert token.encode() not in answer and b"evil.example" not in answer
    assert at.study.log.contents().rounds == ()


def test_a_form_of_another_site_changes_nothing(at: Bench) -> None:
    """It can bring neither the token (there is no cookie) nor JSON."""
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"):
        sent = {"Content-Type": kind, "Origin": "https://evil.example", "Cookie": "token=x"}
        response = httpx.post(f"{at.served.base}/api/round", content=b"{}", headers=sent, timeout=30)
        assert response.status_code == 401
        at.pass_s(61)
    assert at.study.log.contents().rounds == ()


def test_nothing_that_is_sent_shows_on_the_hosts_screen(rendered_short: Path, tmp_path: Path) -> None:
    """Tokens in the wrong place, requests broken off, nonsense: no traceback, no token, no path."""
    study = copied(rendered_short, tmp_path / "study")
    port = free_port()
    program = subprocess.Popen(
        [sys.executable, "-u", "-m", "listening.cli", "host", "--study", str(study.folder),
         "--port", str(port)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    said = ""
    try:
        assert program.stdout is not None
        for line in program.stdout:
            said += line
            if "until you press Ctrl-C" in line:
                break
        token = re.findall(r"/#(\S+)", said)[0]
        base = f"http://127.0.0.1:{port}"
        for _ in range(600):
            try:
                httpx.get(f"{base}/?token={token}", headers={"Referer": f"{base}/#{token}"}, timeout=30)
                break
            except httpx.ConnectError:
                time.sleep(0.05)
        httpx.get(f"{base}/api/state/{token}", timeout=30)
        httpx.get(f"{base}/api/state", headers={"Authorization": f"Bearer {token}x"}, timeout=30)
        head = f"POST /api/due HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\n"
        for rest in ("Content-Type: application/json\r\nContent-Length: 9\r\n\r\n{", "X: " + "a" * 100_000):
            with socket.create_connection(("127.0.0.1", port)) as line_:
                line_.sendall((head + rest).encode())
                time.sleep(0.2)
        raw(base, b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03")
        assert httpx.get(base, timeout=30).status_code == 200
    finally:
        program.terminate()
        out, err = program.communicate(timeout=60)
    assert set(err.splitlines()) <= {"WARNING:  Invalid HTTP request received."}, err
    assert token not in out + err and said.count(token) == 1
    assert str(tmp_path) not in out + err
