"""Sealed is sealed: what the maker's browser gets until the study opens, searched for what tells a form."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from listening.rounds import Round, enter_round
from sessions.study import Study
from tests.far_listener import answers_of
from tests.maker import MakerPage, maker_page
from tests.page_study import copied, rendered_short

__all__ = ["rendered_short"]

SHEETS = ("song", "sections", "forms", "listeners", "rounds", "verdict")


@pytest.fixture
def page(rendered_short: Path, tmp_path: Path) -> Iterator[MakerPage]:
    """The page of a rendered study whose maker listens too: a round of ana's is open, bo has rated a form."""
    study = copied(rendered_short, tmp_path / "study")
    with maker_page(study.folder) as running:
        yield running


def hear_one(study: Study, name: str, rating: float, text: str) -> tuple[Round, int]:
    """One form of the listener's round, heard whole, rated and commented; the round stays open."""
    round_ = enter_round(study, name, any_day=True)
    demand = round_.next_demand
    assert demand is not None
    sitting = study.log.sit_down(name, "headphones", "page")
    listen = round_.begin(demand, sitting)
    study.log.end_listen(listen.id, demand.render.frames)
    study.log.rate(listen.id, {"overall": rating})
    study.log.comment(listen.id, text, 1.0)
    round_.refresh()
    return round_, listen.code


def test_nothing_that_reaches_the_makers_browser_tells_a_form(page: MakerPage) -> None:
    study = page.study
    secrets: list[str] = []
    for name, rating, words in (("ana", 83.0, "zzyzx guitars"), ("bo", 17.0, "qwvx ending")):
        round_, code = hear_one(study, name, rating, words)
        secrets += [str(code), words, json.dumps(list(round_.record.order))]
        secrets += [d.render.sha256 for d in round_.demands] + [
            Path(d.render.wav).name for d in round_.demands
        ]
    received = []
    for _ in range(2):
        for sheet in SHEETS:
            received.append(page.ask("GET", f"/api/sheet/{sheet}").text)
        received.append(page.ask("GET", "/api/pulse").text)
        if page.work.jobs.last("verdict") is not None:
            page.wait("verdict")
    received.append(page.try_("report", sheet="verdict").text)
    page.wait("report")
    ticket = page.ask("POST", "/api/ticket/report", json={}).json()["ticket"]
    received.append(page.client.get(f"/report/{ticket}/report.html").text)
    assert "names stay sealed" in "".join(received) or "Sealed" in "".join(received)
    for text in received:
        visible = _without_positions(text)
        for secret in secrets:
            assert not _told(secret, visible), f"{secret} reached the browser"
        assert "83" not in visible.replace("0:83", "") or _is_figure_elsewhere(visible), "a rating"
    assert not (page.folder / "report" / "audio").exists()


def _told(secret: str, text: str) -> bool:
    if secret.isdigit():  # a code stands by itself, not inside another number
        return any(word == secret for word in _words(text))
    return secret in text


def _words(text: str) -> list[str]:
    return "".join(sign if sign.isalnum() else " " for sign in text).split()


def _without_positions(text: str) -> str:
    """Without what the page itself is made of: frames, seconds and drawings."""
    text = re.sub(r'data-(?:from|frames|rate|lines)=\\?"[^"\\]*\\?"', "", text)
    text = re.sub(r"data-lines='[^']*'", "", text)
    text = re.sub(r'(?:points|d|viewBox|style|transform)=\\?"[^"]*"', "", text)
    return re.sub(r"[0-9a-f]{16,64}", "", text)


def _is_figure_elsewhere(text: str) -> bool:
    return "83" not in _words(text)


def test_joins_are_not_played_from_the_first_round_on(page: MakerPage) -> None:
    told = page.ask("GET", "/api/sound/join", params={"form": "upside down", "index": "0"})
    assert told.status_code == 200, "before the first round every join is heard"
    hear_one(page.study, "ana", 50.0, "a word")
    for kind in ("join", "as-it-was"):
        told = page.ask("GET", f"/api/sound/{kind}", params={"form": "upside down", "index": "0"})
        assert told.status_code == 403 and "until the study opens" in told.json()["text"]
    html = page.sheet("forms")["html"]
    assert "hear the join" not in html and "upside down" in html, "the sheet stays readable"
    page.do("form_new", {"name": "quite new", "like": "upside down"}, "forms")
    page.do("part_set", {"form": "quite new", "entry": 1, "part": "low"}, "forms")
    told = page.ask("GET", "/api/sound/join", params={"form": "quite new", "index": "0"})
    assert told.status_code == 200, "only a form that is new and unrendered plays its joins"
    heard = [
        e.detail["form"] for e in page.study.log.contents(listens=False).events if e.kind == "join heard"
    ]
    assert heard == ["upside down", "quite new"]


def test_opening_early_is_asked_as_such_and_recorded(page: MakerPage) -> None:
    hear_one(page.study, "ana", 50.0, "a word")
    told = page.try_("open_study", {}, "verdict")
    assert told.status_code == 422 and "early" in told.json()["text"]
    assert page.study.log.contents(listens=False).opened is None
    page.do("open_study", {"early": True}, "verdict")
    page.wait("report")
    assert page.study.log.contents(listens=False).opened is not None
    told = page.ask("GET", "/api/sound/join", params={"form": "upside down", "index": "0"})
    assert told.status_code == 200


def test_deciding_writes_the_way_back_and_ticks_last(page: MakerPage) -> None:
    hear_one(page.study, "ana", 50.0, "a word")
    page.do("decide", {"form": "upside down", "by": "ana", "because": "it lifts"}, "verdict")
    page.wait("decide")
    page.sheet("verdict")
    page.wait("verdict")
    html = page.sheet("verdict")["html"]
    assert "tick-edit-1" in html and "it lifts" in html
    page.do("tick", {"step": "edit 1", "done": True}, "verdict")
    told = page.try_("tick", {"step": "edit 999", "done": True}, "verdict")
    assert told.status_code == 422
    ticket = page.ask("POST", "/api/ticket/way-back", json={}).json()["ticket"]
    zipped = page.client.get(f"/file/{ticket}")
    assert zipped.status_code == 200 and zipped.content[:2] == b"PK"
    with maker_page(page.folder) as again:  # the server anew: what was ticked stays ticked
        again.sheet("verdict")
        again.wait("verdict")
        assert 'id="tick-edit-1"' in again.sheet("verdict")["html"]
        assert "checked" in again.sheet("verdict")["html"].partition('id="tick-edit-1"')[2][:200]


def test_links_are_events_of_the_log(page: MakerPage) -> None:
    refused = page.try_("link", {"listener": "ana"}, "rounds")
    assert refused.status_code == 422 and "nothing is served" in refused.json()["text"].lower()
    page.do("host", {"lan": False}, "rounds")
    page.wait("host")
    html = page.do("link", {"listener": "ana"}, "rounds")["html"]
    assert "/#" in html and "keep the screen on" in html.replace("\n", " ")
    renewed = page.do("link", {"listener": "ana", "renew": True}, "rounds")["html"]
    assert renewed != html
    page.do("withdraw", {"listener": "ana"}, "rounds")
    assert "given out" not in page.sheet("rounds")["html"]
    page.do("stop_host", {}, "rounds")
    assert "Served at" not in page.sheet("rounds")["html"]


def test_answers_that_are_dropped_twice_damaged_or_of_another_study(
    page: MakerPage, rendered_short: Path, tmp_path: Path
) -> None:
    answers, damaged, other = (tmp_path / f"{name}.json" for name in ("answers", "damaged", "other"))
    answers_of(page.study, answers)
    page.upload("answers", answers)
    assert "rated" in page.do("collect", {}, "rounds")["html"]
    kept = page.study.log.contents().listens
    assert sum(listen.rating is not None for listen in kept) == 3
    page.upload("answers", answers)
    page.try_("collect", {}, "rounds")
    assert page.study.log.contents().listens == kept, "nothing is doubled"
    damaged.write_bytes(answers.read_bytes()[:-200])
    answers_of(copied(rendered_short, tmp_path / "elsewhere"), other)
    for path in (damaged, other):
        page.upload("answers", path)
        refused = page.try_("collect", {}, "rounds")
        assert refused.status_code == 422 and len(refused.json()["text"]) > 20
        assert page.study.log.contents().listens == kept
    assert not (page.folder / ".answers").exists()
