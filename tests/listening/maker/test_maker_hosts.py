"""Two makers' pages and two hosts on one store: links, ratings and the state of each are those of both; what
is done on a page is in the log as the commands write it."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest

from listening import links
from sessions.study import Study
from tests.clocks import SetClock
from tests.command_line import told
from tests.maker import MakerPage, hear_one, maker_page
from tests.page_api import Caller
from tests.page_study import copied, rendered_short
from tests.postgres import Server
from tests.serving import plain_client
from tests.short_study import do_round

__all__ = ["rendered_short"]


def begin_serving(page: MakerPage) -> str:
    page.do("host", {"lan": False}, "rounds")
    page.wait("host")
    return re.findall(r"Served at <span class=\"file\">(\S+)</span>", page.sheet("rounds")["html"])[0]


def token_for(page: MakerPage, name: str, *, renew: bool = False) -> str:
    html = page.do("link", {"listener": name, "renew": renew}, "rounds")["html"]
    return re.findall(r"/#([\w-]+)", html)[0]


def stage(base: str, token: str) -> int:
    with plain_client(base) as client:
        return Caller(client, token, time.sleep).ask("GET", "/api/state").status_code


def test_what_the_maker_sets_for_the_rounds(rendered_short: Path, tmp_path: Path) -> None:
    clock = SetClock()
    study = copied(rendered_short, tmp_path / "study", clock)
    do_round(study, "ana")
    clock.forward(hours=3)
    with maker_page(study.folder, clock=clock) as page:
        base = begin_serving(page)
        with plain_client(base) as client:
            ana = Caller(client, token_for(page, "ana"), time.sleep)
            stages = [ana.ask("GET", "/api/state").json()["stage"]]
            for any_day in (True, False):
                page.do("any_day", {"any_day": any_day}, "rounds")
                stages.append(ana.ask("GET", "/api/state").json()["stage"])
        page.do("matching", {"same_gain": True}, "rounds")
        assert page.study.song.matching == "same gain" and page.sheet("first")["sheet"] == "rounds"
        page.do("render", {}, "rounds")
        page.wait("render")
        assert "Same gain for all" in page.sheet("rounds")["html"]
        page.do("matching", {"same_gain": False}, "rounds")
        assert "same gain" not in page.work.text(), "as it was"
    assert stages == ["rest", "ready", "rest"]


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_two_makers_who_serve_one_store(
    kind: str, rendered_short: Path, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    server: Server | None = request.getfixturevalue("server") if kind == "postgresql" else None
    store = server.new_database() if server is not None else None
    folder = copied(rendered_short, tmp_path / "study").folder
    with maker_page(folder, store) as one, maker_page(folder, store) as two:
        bases = begin_serving(one), begin_serving(two)
        assert bases[0] != bases[1], "the second takes another port, and says so"
        assert "taken" in two.sheet("rounds")["html"]
        first = token_for(one, "ana")
        assert [stage(base, first) for base in bases] == [200, 200], "a link of either works at both"
        assert "1 given out" in two.sheet("rounds")["html"]
        pulse = two.ask("GET", "/api/pulse").json()["pulse"]
        hear_one(one.study, "bo", 44.0, "a word")
        assert two.ask("GET", "/api/pulse").json()["pulse"] != pulse, "the other page looks again"
        assert "1 of 3" in two.sheet("rounds")["html"]
        second = token_for(two, "ana", renew=True)
        assert [stage(base, first) for base in bases] == [401, 401]
        two.do("stop_host", {}, "rounds")
        assert stage(bases[0], second) == 200, "the other goes on"
        assert "Served at" in one.sheet("rounds")["html"]


def test_links_on_the_page_are_the_events_of_the_commands(rendered_short: Path, tmp_path: Path) -> None:
    by_page, by_command = (copied(rendered_short, tmp_path / name) for name in ("page", "command"))
    with maker_page(by_page.folder) as page:
        refused = page.try_("link", {"listener": "ana"}, "rounds")
        assert refused.status_code == 422 and "nothing is served" in refused.json()["text"].lower()
        begin_serving(page)
        html = page.do("link", {"listener": "ana"}, "rounds")["html"]
        assert "/#" in html and "keep the screen on" in html.replace("\n", " ")
        token_for(page, "ana", renew=True)
        page.do("withdraw", {"listener": "ana"}, "rounds")
        assert "1 given out" not in page.sheet("rounds")["html"]
    links.make(by_command, "ana", "http://127.0.0.1:1")  # as `host` does for a listener without one
    links.make(by_command, "ana", "http://127.0.0.1:1", renew=True)  # as `host --renew ana` does
    told(by_command.folder, "host", "--withdraw", "ana")

    def entries(study: Study) -> list[tuple[str, object]]:
        events = Study(study.folder).log.contents(listens=False).events
        return [(e.kind, dict(e.detail)) for e in events if e.kind.startswith("link")]

    assert entries(by_page) == entries(by_command)
    assert [kind for kind, _ in entries(by_page)] == ["link made", "link renewed", "links withdrawn"]
