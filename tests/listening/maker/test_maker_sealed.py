"""Sealed is sealed: what the maker's browser gets until the study opens, searched for what tells a form."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.maker import MakerPage, hear_one, maker_page, rare_codes, without_outlook
from tests.page_study import copied, rendered_short

__all__ = ["rare_codes", "rendered_short"]

SHEETS = ("song", "sections", "forms", "listeners", "rounds", "verdict")


@pytest.fixture
def page(rendered_short: Path, tmp_path: Path) -> Iterator[MakerPage]:
    """The page of a rendered study whose maker listens too: a round of ana's is open, bo has rated a form."""
    study = copied(rendered_short, tmp_path / "study")
    with maker_page(study.folder) as running:
        yield running


@pytest.mark.usefixtures("rare_codes")
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
    text = without_outlook(text)
    text = re.sub(r'data-(?:from|frames|rate|lines)=\\?"[^"\\]*\\?"', "", text)
    text = re.sub(r"data-lines='[^']*'", "", text)
    text = re.sub(r'(?:points|d|viewBox|style|transform)=\\?"[^"]*"', "", text)
    return re.sub(r"[0-9a-f]{16,64}", "", text)


def _is_figure_elsewhere(text: str) -> bool:
    return "83" not in _words(text)


def test_joins_are_not_played_from_the_first_round_on(page: MakerPage) -> None:
    answer = page.ask("GET", "/api/sound/join", params={"form": "upside down", "index": "0"})
    assert answer.status_code == 200, "before the first round every join is heard"
    hear_one(page.study, "ana", 50.0, "a word")
    for kind in ("join", "as-it-was"):
        answer = page.ask("GET", f"/api/sound/{kind}", params={"form": "upside down", "index": "0"})
        assert answer.status_code == 403 and "until the study opens" in answer.json()["text"]
    html = page.sheet("forms")["html"]
    assert "hear the join" not in html and "upside down" in html, "the sheet stays readable"
    page.do("form_new", {"name": "quite new", "like": "upside down"}, "forms")
    page.do("part_set", {"form": "quite new", "entry": 1, "part": "low"}, "forms")
    answer = page.ask("GET", "/api/sound/join", params={"form": "quite new", "index": "0"})
    assert answer.status_code == 200, "only a form that is new and unrendered plays its joins"
    heard = [
        e.detail["form"] for e in page.study.log.contents(listens=False).events if e.kind == "join heard"
    ]
    assert heard == ["upside down", "quite new"]


def test_who_comes_back_lands_where_something_is_asked(page: MakerPage) -> None:
    assert page.sheet("first")["sheet"] == "song", "nobody has said yet that the beat lies on it"
    hear_one(page.study, "ana", 50.0, "a word")
    assert page.sheet("first")["sheet"] == "rounds", "the rounds go on"
    page.do("open_study", {"early": True}, "verdict")
    page.wait("report")
    assert page.sheet("first")["sheet"] == "verdict", "a decision is asked for"


def test_a_reading_that_fails_waits_to_be_asked_for(page: MakerPage, monkeypatch: pytest.MonkeyPatch) -> None:
    """It does not begin again by itself, over and over; new ratings are read all the same."""
    hear_one(page.study, "ana", 50.0, "a word")
    monkeypatch.setattr("listening.maker.sheets.verdict.summary", lambda _facts: 1 / 0)
    assert "being read" in page.sheet("verdict")["html"]
    with pytest.raises(AssertionError, match="ZeroDivisionError"):
        page.wait("verdict")
    for _ in range(2):
        html = page.sheet("verdict")["html"]
        assert "is not read yet" in html and "being read" not in html and "ZeroDivisionError" in html
    monkeypatch.undo()
    assert "being read" in page.do("dismiss", {"job": "verdict"}, "verdict")["html"]
    page.wait("verdict")
    assert "Sealed" in page.sheet("verdict")["html"]


def test_opening_early_is_asked_as_such_and_recorded(page: MakerPage) -> None:
    hear_one(page.study, "ana", 50.0, "a word")
    answer = page.try_("open_study", {}, "verdict")
    assert answer.status_code == 422 and "early" in answer.json()["text"]
    assert page.study.log.contents(listens=False).opened is None
    page.do("open_study", {"early": True}, "verdict")
    page.wait("report")
    assert page.study.log.contents(listens=False).opened is not None
    answer = page.ask("GET", "/api/sound/join", params={"form": "upside down", "index": "0"})
    assert answer.status_code == 200
