"""A listener far away: a packet as a browser reads it, and the answer file it would save."""

from __future__ import annotations

import base64
import hashlib
import json
from datetime import datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from listening.packet.answers import make_ticket
from listening.packet.packet_file import write_packet
from listening.rounds import enter_round
from sessions.records import ListenRecord
from sessions.study import Study
from tests.clocks import SetClock
from tests.page_study import EVENING, copied
from tests.unmasking import unmasked


class Packet(HTMLParser):
    """A packet as a browser reads it: the scripts by id, and all text."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.by_id: dict[str, str] = {}
        self.policy = ""
        self.inline: list[str] = []
        self._open: tuple[str, str] | None = None
        self.feed(path.read_text(encoding="utf-8"))
        self.about: dict[str, Any] = json.loads(self.by_id["packet"])

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        attributes = dict(attrs)
        self._open = (tag, attributes.get("id") or "")
        if attributes.get("http-equiv") == "Content-Security-Policy":
            self.policy = attributes["content"] or ""

    def handle_data(self, data: str) -> None:
        if self._open and self._open[0] in ("script", "style"):
            key = self._open[1]
            if key:
                self.by_id[key] = self.by_id.get(key, "") + data
            else:
                self.inline.append(data)

    def handle_endtag(self, _tag: str) -> None:
        self._open = None

    def travelling(self) -> list[bytes]:
        """The forms' sound as it lies in the packet."""
        names = [f"sound-{i}" for i in range(len(self.about["codes"]))]
        return [base64.b64decode(self.by_id[name]) for name in names]

    def sounds(self) -> list[bytes]:
        """The same as files."""
        return [unmasked(data, key) for data, key in zip(self.travelling(), self.about["keys"], strict=True)]


class Far:
    """A listener far away who answers a packet, by the answer file's documented shape."""

    def __init__(self, path: Path, now: datetime) -> None:
        self.packet = Packet(path)
        self.now = now
        self.listens: list[dict[str, Any]] = []

    def hear(self, code: int, seconds: float, overall: float | None, **more: Any) -> None:
        ended = self.now + timedelta(seconds=seconds)
        listen = {
            "code": code, "heard_on": "car", "minutes_east": 60, "began": self.now.isoformat(),
            "ended": ended.isoformat(), "heard_s": seconds, "reason": None, "comments": [],
            "ratings": [],
        }  # fmt: skip
        if overall is not None:
            listen["ratings"] = [{"aspect": "overall", "value": overall, "at": ended.isoformat()}]
        self.listens.append(listen | more)
        self.now = ended + timedelta(seconds=30)

    def hear_all(self, seconds: float = 10.0) -> None:
        for value, codes in zip((11, 22, 33), self.packet.about["codes"], strict=False):
            self.hear(codes[0], seconds, value)

    def file(self, path: Path, **changed: Any) -> Path:
        answers = json.dumps({"listens": self.listens})
        content = {
            "fairhearing answers": 1, "ticket": self.packet.about["ticket"],
            "signature": self.packet.about["signature"], "answers": answers,
            "sha256": hashlib.sha256(answers.encode()).hexdigest(),
        }  # fmt: skip
        path.write_text(json.dumps(content | changed), encoding="utf-8")
        return path


def answers_of(study: Study, path: Path) -> set[int]:
    """Answers to the open round's packet: each form broken off once, then heard and rated; its codes."""
    round_ = enter_round(study, "ana")
    codes = [[study.log.reserve_code(round_.record.id, d.form_id) for _ in range(2)] for d in round_.demands]
    ticket, signature = make_ticket(study, "ana", round_.state.number, codes)
    now, listens = study.clock(), []
    for (broken, code), demand in zip(codes, round_.demands, strict=True):
        ended = now + timedelta(seconds=demand.render.seconds)
        common = {"heard_on": "car", "minutes_east": 0, "heard_s": demand.render.seconds}
        stop = {"code": broken, "began": now.isoformat(), "ended": (now + timedelta(seconds=1)).isoformat()}
        listens.append(common | stop | {"heard_s": 1, "reason": "stopped"})
        begin, end = (t + timedelta(minutes=1) for t in (now, ended))
        ratings = [{"aspect": a, "value": code % 100, "at": end.isoformat()} for a in ("overall", "flow")]
        when = {"code": code, "began": begin.isoformat(), "ended": end.isoformat(), "reason": None}
        listens.append(common | when | {"ratings": ratings})
        now = end + timedelta(minutes=1)
    text = json.dumps({"listens": listens})
    sums = {"signature": signature, "sha256": hashlib.sha256(text.encode()).hexdigest()}
    path.write_text(json.dumps({"fairhearing answers": 1, "ticket": ticket, "answers": text} | sums))
    return {code for some in codes for code in some}


@pytest.fixture
def clock() -> SetClock:
    return SetClock(EVENING)


@pytest.fixture
def study(rendered_short: Path, tmp_path: Path, clock: SetClock) -> Study:
    """A test's own copy of a study (a test module imports `rendered_short` and `clock` too)."""
    return copied(rendered_short, tmp_path / "study", clock)


@pytest.fixture
def far(study: Study, clock: SetClock) -> Far:
    """ana with her first packet, two days before its answers come in."""
    made = Far(write_packet(study, "ana"), clock())
    clock.forward(days=2)
    return made


def listens(study: Study) -> list[ListenRecord]:
    return study.log.contents("ana").listens_of("ana")
