"""Private links: unguessable, hashed at rest, withdrawn and renewed."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from sqlalchemy import select

from listening import links
from render.errors import SongError
from sessions.links import all_links, listener_of
from sessions.study import LOG_FILE, Study
from sessions.tables import metadata
from tests.clocks import SetClock
from tests.page_study import EVENING, SONG_TOML, write_bounce

pytestmark = pytest.mark.usefixtures("on_both_stores")
BASE = "http://192.0.2.7:8421"


@pytest.fixture
def study(tmp_path: Path) -> Study:
    write_bounce(tmp_path / "bounce.wav")
    (tmp_path / "song.toml").write_text(SONG_TOML, encoding="utf-8")
    return Study(tmp_path, SetClock(EVENING))


def token_of(link: links.FreshLink) -> str:
    return link.address.removeprefix(f"{BASE}/#")


def test_a_link_belongs_to_one_listener(study: Study) -> None:
    ana, bo = (links.make(study, name, BASE) for name in ("ANA", "bo"))
    assert (ana.listener, bo.listener) == ("ana", "bo")
    assert listener_of(study.log, token_of(ana)) == "ana"
    assert listener_of(study.log, token_of(bo)) == "bo"
    assert [link.listener for link in links.links(study)] == ["ana", "bo"]


def test_a_token_cannot_be_guessed_and_is_not_in_the_log(study: Study) -> None:
    """RFC 6819 section 5.1.4.2.2 asks for at least 128 bits of entropy; base64url carries 6 a character."""
    made = [links.make(study, "ana", BASE) for _ in range(50)]
    tokens = {token_of(link) for link in made}
    assert len(tokens) == 50
    assert all(6 * len(token) >= 160 for token in tokens)
    counts = [sum(t.count(c) for t in tokens) for c in "abcABC019-_"]
    expected = sum(map(len, tokens)) / 64
    assert all(abs(count - expected) < 6 * math.sqrt(expected) for count in counts)
    with study.log.store.reading() as connection:
        kept = str([connection.execute(select(table)).all() for table in metadata.sorted_tables])
    if (file := study.folder / LOG_FILE).exists():  # also what no table shows any more
        kept += file.read_bytes().decode("latin-1")
    assert not any(token in kept for token in tokens)


def test_a_renewed_link_replaces_the_old_one(study: Study) -> None:
    old = links.make(study, "ana", BASE, renew=True)
    new = links.make(study, "ana", BASE, renew=True)
    assert listener_of(study.log, token_of(old)) is None
    assert listener_of(study.log, token_of(new)) == "ana"


def test_withdrawn_links_stop_at_once_and_stay_recorded(study: Study) -> None:
    ana, bo = (links.make(study, name, BASE) for name in ("ana", "bo"))
    assert links.withdraw(study, ["Ana"]) == 1
    assert listener_of(study.log, token_of(ana)) is None
    assert listener_of(study.log, token_of(bo)) == "bo"
    assert links.withdraw(study, ["ana"]) == 0
    assert [(x.listener, x.ended_utc is None) for x in all_links(study.log)] == [("ana", False), ("bo", True)]


@pytest.mark.parametrize("token", ["", "x" * 27, "é\ud800", "' OR 1=1 --"])
def test_no_other_token_opens_anything(study: Study, token: str) -> None:
    links.make(study, "ana", BASE, renew=True)
    assert listener_of(study.log, token) is None


def test_a_stranger_gets_no_link(study: Study) -> None:
    with pytest.raises(SongError, match='no listener "eve"'):
        links.make(study, "eve", BASE, renew=True)


@pytest.mark.parametrize("base, here_only", [
    ("http://127.0.0.1:8421", True), ("http://127.9.9.9", True), ("http://[::1]:80", True),
    ("http://localhost:8421", True), ("https://song.localhost", True), ("http://0.0.0.0:1", True),
    (BASE, False), ("http://[2001:db8::7]", False), ("https://songs.example", False),
])  # fmt: skip
def test_whether_another_device_can_open_a_link(study: Study, base: str, here_only: bool) -> None:
    """Addresses for documentation (RFC 5737, RFC 3849) and those of the reader's own machine."""
    assert links.make(study, "ana", base).leads_here_only is here_only


def test_the_qr_code_is_drawn_for_a_terminal(study: Study) -> None:
    link = links.make(study, "ana", BASE, renew=True)
    lines = link.qr_lines().splitlines()
    assert len(lines) > 10
    assert any("█" in line or "▄" in line or "▀" in line for line in lines)


def test_links_made_renewed_and_withdrawn_are_events_without_a_token(study: Study) -> None:
    made = links.make(study, "ana", BASE)
    again = links.make(study, "ana", BASE, renew=True)
    assert links.withdraw(study, ["ana", "bo"]) == 1
    events = study.log.contents(listens=False).events
    assert [(e.kind, dict(e.detail)) for e in events] == [
        (kind, {"listener": "ana"}) for kind in ("link made", "link renewed", "links withdrawn")
    ]
    assert not [link for link in (made, again) if token_of(link) in str(events)]
