"""The maker's page killed (SIGKILL) in each state of the rounds and of the verdict: nothing is lost, nothing
doubled, and the page takes it up again. A few kills of each kind always run, more in the campaign."""

from __future__ import annotations

import random
import re
import time
from pathlib import Path

import pytest

from sessions.study import Study
from tests.far_listener import answers_of
from tests.killing import KILLS
from tests.maker import hear_one
from tests.maker_process import Doomed, doomed_page
from tests.page_api import Caller
from tests.page_study import copied, rendered_short
from tests.serving import plain_client

__all__ = ["rendered_short"]
pytestmark = pytest.mark.campaign

HEARD_S = 2.2  # longer than any form of the study lasts


@pytest.fixture
def study(rendered_short: Path, tmp_path: Path) -> Study:
    return copied(rendered_short, tmp_path / "study")


def ratings(study: Study) -> list[tuple[str, float]]:
    return [(x.listener, x.rating) for x in study.log.contents().listens if x.rating is not None]


def events(study: Study, kind: str) -> int:
    return sum(event.kind == kind for event in study.log.contents(listens=False).events)


class Guest:
    """A co-writer whose device goes on at whatever address the page is served at now."""

    def __init__(self, page: Doomed, token: str = "") -> None:
        page.do("host", {"lan": False})
        page.wait("host")
        if not token:
            html = page.do("link", {"listener": "bo"})["html"]
            token = re.findall(r"/#([\w-]+)", html)[0]
        base = re.findall(r"Served at <span class=\"file\">(\S+)</span>", page.sheet("rounds")["html"])[0]
        self.token = token
        self.caller = Caller(plain_client(base), token, lambda s: time.sleep(min(s, HEARD_S)))
        self.caller.post("/api/round")

    def begin(self) -> int:
        self.caller.sit_down()
        due = self.caller.due()
        code = int(due["code"])
        assert self.caller.ask("GET", due["sound"]).status_code == 200
        assert self.caller.begin(code).status_code == 200
        return code


def test_killed_in_each_state_of_a_round(study: Study) -> None:
    """Entered; in the middle of a form; heard and not rated; rated: the link works at the next server, what
    was acknowledged is there once, what was not is asked for again."""
    with doomed_page(study.folder) as page:
        token = Guest(page).token
    with doomed_page(study.folder) as page:
        Guest(page, token).begin()  # killed in the middle of it
    with doomed_page(study.folder) as page:
        guest = Guest(page, token)
        code = guest.begin()
        time.sleep(HEARD_S)
        assert guest.caller.end(code, HEARD_S)["counted"]
    with doomed_page(study.folder) as page:
        guest = Guest(page, token)
        assert guest.caller.get("/api/state")["stage"] == "rate", "what was heard whole is not heard again"
        assert guest.caller.answer(code, 71).status_code == 200
    with doomed_page(study.folder) as page:
        guest = Guest(page, token)
        assert "1 of 3" in page.sheet("rounds")["html"]
        state = guest.caller.get("/api/state")
        assert state["stage"] != "rate", "rated once"
    assert ratings(study) == [("bo", 71.0)]
    rounds = study.log.contents().rounds
    assert [(r.listener, r.number, r.complete) for r in rounds] == [("bo", 1, None)]
    heard = [x for x in study.log.contents().listens if x.heard_to_the_end]
    assert [x.code for x in heard] == [code], "the one that was killed in its middle does not count"


def test_killed_with_packets_and_answers(study: Study, tmp_path: Path) -> None:
    dice, answers = random.Random(3), tmp_path / "answers.json"
    for _ in range(KILLS // 4):
        with doomed_page(study.folder, lambda: dice.uniform(0, 0.2)) as page:
            page.do("packet", {"listener": "Zoë <b>", "small": False})
    with doomed_page(study.folder) as page:
        page.do("packet", {"listener": "Zoë <b>"})
        page.wait("packet")
        html = page.sheet("rounds")["html"]
        assert html.count('data-download="packet"') == 1, "one packet, whole; never half of one"
    answers_of(study, answers)
    with doomed_page(study.folder) as page:
        page.upload("answers", answers)
    (study.folder / ".answers" / ".half.json.1.part").write_bytes(b"{")  # of a server killed in an upload
    with doomed_page(study.folder) as page:
        assert "dropped and not taken in yet" in page.sheet("rounds")["html"]
        assert "rated" in page.do("collect")["html"]
    kept = ratings(study)
    assert len(kept) == 3 and not (study.folder / ".answers").exists()
    for _ in range(KILLS // 4):
        with doomed_page(study.folder) as page:
            page.upload("answers", answers)
            page.do("collect")
    assert ratings(study) == kept, "nothing is doubled"


def test_killed_while_opening_and_deciding(study: Study) -> None:
    dice = random.Random(7)
    hear_one(study, "ana", 80.0, "a word")
    before = ratings(study)
    for _ in range(KILLS // 4):
        with doomed_page(study.folder, lambda: dice.uniform(0, 0.6)) as page:
            if events(study, "opened") == 0:
                page.do("open_study", {"early": True}, "verdict")
    with doomed_page(study.folder) as page:
        settled(page)
        if events(study, "opened") == 0:
            page.do("open_study", {"early": True}, "verdict")
            page.wait("report")
    assert events(study, "opened") == 1 and ratings(study) == before
    wish = {"form": "upside down", "by": "ana", "because": "it lifts"}
    for _ in range(KILLS // 2):
        with doomed_page(study.folder, lambda: dice.uniform(0, 0.8)) as page:
            if events(study, "decided") == 0:
                page.do("decide", wish, "verdict")
        if events(study, "decided"):
            names = {p.name for p in (study.folder / "report").glob("decision 1 - *").__next__().iterdir()}
            assert {"rebuild.md", "re-record.md", "rebuild.mid"} < names, (
                "the way back is there before the decision"
            )
    with doomed_page(study.folder) as page:
        settled(page)
        if events(study, "decided") == 0:
            page.do("decide", wish, "verdict")
            page.wait("decide")
        page.do("report", sheet="verdict")
        page.wait("report")
        html = settled(page)
        assert "written before what is recorded" not in html and "it lifts" in html
        step = re.findall(r'id="tick-([0-9a-f]{12})"', html)[0]
        page.do("tick", {"step": step, "done": True}, "verdict")
    with doomed_page(study.folder) as page:
        assert "checked" in settled(page).partition(f'id="tick-{step}"')[2][:200], (
            "a tick that was taken is there"
        )
    assert (events(study, "opened"), events(study, "decided"), events(study, "step ticked")) == (1, 1, 1)
    assert ratings(study) == before


def settled(page: Doomed) -> str:
    """The verdict's sheet once the ratings are read."""
    page.sheet("verdict")
    page.wait("verdict")
    return str(page.sheet("verdict")["html"])
