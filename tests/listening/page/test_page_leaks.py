"""Nothing tells which form a code is: headers, sizes, source, answers, errors; and nobody gets further."""

from __future__ import annotations

import json
import re
import shutil
import socket
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from listening.page.answers import MOST_BODY_BYTES
from listening.page.server import STATIC
from sessions.study import Study
from tests.clocks import SetClock
from tests.page_api import Bench, Caller, at, bench
from tests.page_study import EVENING, copied, rendered

__all__ = ["at", "rendered"]


@pytest.fixture(scope="module")
def house(rendered: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """One bench for tests that leave nothing behind which another would mind."""
    folder = tmp_path_factory.mktemp("house") / "study"
    with bench(copied(rendered, folder, SetClock(EVENING))) as made:
        yield made


def secrets_of(study: Study) -> list[str]:
    """What would tell a form: its name, file, hashes, length, loudness, and the order of the plan."""
    secrets = [study.log.secret("plan_seed"), study.log.secret("page_key"), study.manifest.set_id]
    for form in study.manifest.forms:
        secrets += [form.name, form.content_hash, form.sha256, Path(form.wav).stem, str(form.frames)]
        secrets += [f"{form.seconds:.3f}", f"{form.gain_db:.4f}", f"{form.lufs:.3f}"]
    return secrets


@pytest.fixture(scope="module")
def ana(house: Bench) -> Caller:
    """Somebody who has been through a whole round; `seen` holds all answers they got."""
    ana = house.caller("ana")
    for _ in range(3):
        ana.ask("GET", "/api/state")
        code = ana.hear(house.longest_s())
        ana.ask("POST", f"/api/listens/{code}/heard", {"heard_s": 1})
        ana.answer(code, 50, comments=[{"text": "x", "time_s": 1}])
    ana.post("/api/round/close", {"round": 1})
    return ana


def test_no_answer_in_a_whole_round_tells_a_form(house: Bench, ana: Caller) -> None:
    hidden = secrets_of(house.study)
    json_answers = [r for r in ana.seen if r.headers["content-type"] == "application/json"]
    assert len(json_answers) > 15
    for response in json_answers:
        text = f"{response.url} {response.headers} {response.text}"
        assert not [word for word in hidden if word in text]
        assert not re.search(r"\b(frames|length|duration|seconds|form_id|sha256|path)\b", response.text)


def test_sound_is_the_same_from_outside_whatever_form_it_is(ana: Caller) -> None:
    sounds = [r for r in ana.seen if r.url.path.startswith("/api/sounds/")]
    assert len(sounds) == 3
    assert len({r.content for r in sounds}) == 3
    assert len({len(r.content) for r in sounds}) == 1
    shown = [{k: v for k, v in r.headers.items() if k != "date"} for r in sounds]
    assert shown[0] == shown[1] == shown[2]
    assert not {"etag", "last-modified", "content-disposition", "server"} & set(shown[0])
    assert shown[0]["content-type"] == "application/octet-stream"


def test_requests_of_a_listen_are_answered_alike_whatever_form_it_is(ana: Caller) -> None:
    """Every form takes the same requests, with answers of the same size."""
    sizes: dict[str, set[int]] = {}
    for response in ana.seen:
        where = re.sub(r"\d{3,}", "CODE", re.sub(r"sounds/\w+", "sounds/TICKET", response.url.path))
        if "/listens/" in where or "/sounds/" in where or where == "/api/due":
            sizes.setdefault(where, set()).add(len(response.content))
    assert len(sizes) == 6 and all(len(lengths) == 1 for lengths in sizes.values()), sizes


def test_the_pages_source_is_the_same_for_everybody_and_knows_nothing(house: Bench) -> None:
    hidden = [*secrets_of(house.study), "ana", "Zoë", house.study.song.title]
    for path in ("/", *(f"/static/{name}" for name in STATIC)):
        text = httpx.get(house.served.base + path).text
        leaks = [word for word in hidden if re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text)]
        assert not leaks, (path, leaks)
        assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", text), "nothing is loaded from elsewhere"


def test_an_error_on_the_hosts_side_says_nothing_about_forms(at: Bench) -> None:
    ana = at.caller("ana")
    sound = ana.due()["sound"]
    shutil.move(at.study.folder / "renders", at.study.folder / "gone")
    for method, path, body in (
        ("GET", sound, None),
        ("POST", "/api/level", None),
        ("GET", "/api/state", None),
    ):
        response = ana.ask(method, path, body)
        assert response.status_code == 503 and "retry-after" in response.headers
        assert response.json()["word"] == "busy"
        assert not [
            word for word in [*secrets_of_names(at), "render", str(at.study.folder)] if word in response.text
        ]


def secrets_of_names(at: Bench) -> list[str]:
    return [form.name for form in at.study.song.forms]


def test_every_answer_carries_the_strict_headers(house: Bench) -> None:
    """OWASP's secure headers; the policy allows only what the page itself brings."""
    bo = house.caller("bo", at_home=False)
    base = house.served.base
    answers = [bo.ask("GET", "/api/state"), bo.ask("GET", "/api/nothing"), httpx.get(base),
               httpx.get(f"{base}/static/page.js"), httpx.get(f"{base}/api/state"), httpx.put(f"{base}/"),
               httpx.get(base, headers={"Range": "bytes=0-1"}),
               bo.ask("POST", "/api/due", "x" * (MOST_BODY_BYTES + 1))]  # fmt: skip
    assert {r.status_code for r in answers} >= {200, 401, 404, 405, 413}
    for response in answers:
        policy = response.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "*" not in policy
        assert "frame-ancestors 'none'" in policy and "form-action 'none'" in policy
        assert response.headers["cache-control"] == "no-store"  # RFC 9111 section 5.2.2.5
        assert response.headers["x-content-type-options"] == "nosniff"
        assert response.headers["referrer-policy"] == "no-referrer"
        assert response.headers["cross-origin-resource-policy"] == "same-origin"
        assert "server" not in response.headers and "set-cookie" not in response.headers
        assert "access-control-allow-origin" not in response.headers


@pytest.mark.parametrize("path", [
    "/static/", "/static", "/static/..", "/static/../desk.py", "/static/%2e%2e/desk.py", "/static/..%5cx.py",
    "/log.sqlite", "/song.toml", "/renders/", "/renders/manifest.json", "//etc/passwd", "/static/page.html",
    "/api", "/api/", "/api/listens/", "/api/listens/100", "/docs", "/openapi.json", "/api/level/..%2f..",
    "/.git/config",
])  # fmt: skip
def test_nothing_else_is_reachable(house: Bench, path: str) -> None:
    token = house.served.link("ana").rpartition("#")[2]
    with socket.create_connection(("127.0.0.1", int(house.served.base.rpartition(":")[2]))) as raw:
        asked = (
            f"GET {path} HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {token}\r\nConnection: close\r\n\r\n"
        )
        raw.sendall(asked.encode())
        answer = b"".join(iter(lambda: raw.recv(1 << 16), b""))
    assert answer.split(b" ", 2)[1] in (b"404", b"405", b"409"), answer[:300]


@pytest.fixture(scope="module")
def sound(house: Bench) -> tuple[Caller, str, bytes]:
    """A listener, where the sound of their due listen is, and the sound."""
    zoe = house.caller("Zoë <b>")
    path = zoe.due()["sound"]
    return zoe, path, zoe.ask("GET", path).content


class TestRanges:
    """RFC 9110 section 14: ranges; section 15.3.7 and 15.5.17: their answers."""

    @pytest.mark.parametrize(("asked", "start"), [("bytes=500-", 500), ("BYTES=0-", 0)])
    def test_from_a_place_on(self, sound: tuple[Caller, str, bytes], asked: str, start: int) -> None:
        zoe, path, whole = sound
        part = zoe.ask("GET", path, Range=asked)
        assert part.status_code == 206 and part.content == whole[start:]
        assert part.headers["content-range"] == f"bytes {start}-{len(whole) - 1}/{len(whole)}"
        assert int(part.headers["content-length"]) == len(part.content)

    @pytest.mark.parametrize("asked", [
        "bytes=5-2", "bytes=a-b", "bytes=", "bytes=-", "items=0-1", "bytes=0-1,4-5", "bytes 0-1", "bytes=٣-٤",
        "bytes=0-0", "bytes=-7",
    ])  # fmt: skip
    def test_other_ranges_are_ignored(self, sound: tuple[Caller, str, bytes], asked: str) -> None:
        zoe, path, whole = sound
        sent = {"Authorization": f"Bearer {zoe.token}", "Range": asked.encode()}
        response = zoe.client.get(path, headers=sent)  # type: ignore[arg-type]
        assert response.status_code == 200 and response.content == whole

    def test_a_range_outside(self, sound: tuple[Caller, str, bytes]) -> None:
        zoe, path, whole = sound
        response = zoe.ask("GET", path, Range="bytes=999999999-")
        assert response.status_code == 416 and response.headers["content-range"] == f"bytes */{len(whole)}"

    def test_conditions_never_match_and_never_fail(self, sound: tuple[Caller, str, bytes]) -> None:
        """Section 13.1.5: If-Range without a matching validator means the whole."""
        zoe, path, whole = sound
        response = zoe.ask("GET", path, **{"Range": "bytes=1-", "If-Range": '"x"'})
        assert response.status_code == 200 and response.content == whole
        for name in ("If-None-Match", "If-Modified-Since"):
            assert zoe.ask("GET", path, **{name: "Mon, 09 Mar 2026 19:00:00 GMT"}).status_code == 200

    def test_a_head_is_a_get_without_the_body(self, sound: tuple[Caller, str, bytes]) -> None:
        zoe, path, whole = sound
        response = zoe.ask("HEAD", path)
        assert response.status_code == 200 and response.content == b""
        assert int(response.headers["content-length"]) == len(whole)
        assert response.headers["accept-ranges"] == "bytes"


def test_no_number_of_unknown_tokens_lets_anybody_in_or_locks_a_neighbour_out(at: Bench) -> None:
    guess = Caller(at.client, "guess", at.pass_s)
    assert {guess.ask("GET", "/api/state").status_code for _ in range(30)} == {401}
    assert at.caller("bo", at_home=False).ask("GET", "/api/state").status_code == 200


@pytest.mark.parametrize("sent", ["", "Bearer", "Basic YTpi", "Bearer a b", "Token x"])
def test_no_way_in_without_a_token(house: Bench, sent: str) -> None:
    response = httpx.get(f"{house.served.base}/api/state", headers={"Authorization": sent} if sent else {})
    assert response.status_code == 401 and response.headers["www-authenticate"] == "Bearer"


def test_bodies_are_limited_also_when_they_hide_their_size(house: Bench) -> None:
    bo = house.caller("bo", at_home=False)
    headers = {"Authorization": f"Bearer {bo.token}", "Content-Type": "application/json"}

    def chunks() -> Iterator[bytes]:
        for _ in range(40):
            yield b" " * (MOST_BODY_BYTES // 20)

    for body in (b" " * (MOST_BODY_BYTES + 1), chunks()):
        try:
            response = httpx.post(f"{house.served.base}/api/due", content=body, headers=headers)
            assert response.status_code == 413
        except httpx.WriteError:
            pass  # the door was closed while we were still talking
    assert bo.get("/api/state")["stage"] == "ready"


def test_only_json_is_taken(house: Bench) -> None:
    """A form of another site can send text/plain or a form, never JSON, without asking first."""
    bo = house.caller("bo")
    headers = {"Authorization": f"Bearer {bo.token}"}
    for kind in ("text/plain", "application/x-www-form-urlencoded", ""):
        sent = headers | ({"Content-Type": kind} if kind else {})
        body = json.dumps({"sitting": bo.sitting})
        assert httpx.post(f"{house.served.base}/api/due", content=body, headers=sent).status_code == 415


@pytest.mark.parametrize("body", [
    "[]", "null", "{", '{"key":1}', '{"key":"kkkkkkkkkkkkkkkk","overall":NaN}', '{"key":"kkkkkkkkkkkkkkkk"}',
    '{"key":"kkkkkkkkkkkkkkkk","overall":101}', '{"key":"kkkkkkkkkkkkkkkk","overall":-1}',
    '{"key":"kkkkkkkkkkkkkkkk","overall":"<b>"}', '{"key":"kkkkkkkkkkkkkkkk","overall":1e999}',
    '{"key":"kkkkkkkkkkkkkkkk","overall":50,"more":1}', '{"key":"../../../../etc","overall":50}',
    '{"key":"kkkkkkkkkkkkkkkk","overall":50,"comments":[{"text":"\\ud800"}]}',
    "[" * 5000, '{"key":"kkkkkkkkkkkkkkkk","overall":50,"comments":[{"text":"' + "x" * 4001 + '"}]}',
])  # fmt: skip
def test_what_is_not_an_answer_is_refused(house: Bench, heard: tuple[Caller, int], body: str) -> None:
    bo, code = heard
    headers = {"Authorization": f"Bearer {bo.token}", "Content-Type": "application/json"}
    response = httpx.post(f"{house.served.base}/api/listens/{code}/answer", content=body, headers=headers)
    assert response.status_code == 422
    assert response.json()["word"] == "shape"
    assert house.study.log.contents("bo").listens[0].rating is None


@pytest.fixture(scope="module")
def heard(house: Bench) -> tuple[Caller, int]:
    bo = house.caller("bo")
    return bo, bo.hear(house.longest_s())


def test_another_name_for_this_machine_is_refused(rendered: Path, tmp_path: Path) -> None:
    """A foreign site's name pointed at this machine (DNS rebinding) does not open the page."""
    study = copied(rendered, tmp_path / "study", SetClock(EVENING))
    with bench(study, hosts=["127.0.0.1"]) as at:
        assert httpx.get(at.served.base).status_code == 200
        assert httpx.get(at.served.base, headers={"Host": "evil.example"}).status_code == 400


def test_comments_keep_their_letters_and_lose_control_characters(at: Bench) -> None:
    ana = at.caller("ana")
    code = ana.hear(at.longest_s())
    text = "مرحبا 好 é 🙂 <script>alert(1)</script>\n\t' \" \\ {{7*7}}"
    assert ana.answer(code, 1, comments=[{"text": f"\x00{text}\x1b"}]).status_code == 200
    assert at.study.log.contents().listens[0].comments == ((None, text),)
