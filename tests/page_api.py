"""The page's side of the API, spoken by tests in place of a browser, with a clock that tests move."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from sessions.study import Study
from tests.clocks import SetClock
from tests.page_study import EVENING, copied
from tests.serving import plain_client, served

LONG_S = 60.0  # more than any form or level check of the tests lasts


class Ticks:
    """A monotonic clock that tests move by hand."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class Caller:
    """One listener's device: a token, and the sitting it holds."""

    def __init__(self, client: httpx.Client, token: str, pass_s: Callable[[float], None]) -> None:
        self.client = client
        self.token = token
        self.pass_s = pass_s
        self.sitting = ""
        self.headers: dict[str, Any] = {}
        self.seen: list[httpx.Response] = []
        self._keys = 0

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> httpx.Response:
        sent = {"Authorization": f"Bearer {self.token}", **self.headers, **headers}
        response = self.client.request(method, path, json=body, headers=sent)
        self.seen.append(response)
        return response

    def get(self, path: str) -> Any:
        response = self.ask("GET", path)
        assert response.status_code == 200, response.text
        return response.json()

    def post(self, path: str, body: Any = None) -> Any:
        response = self.ask("POST", path, body)
        assert response.status_code == 200, response.text
        return response.json()

    def key(self) -> str:
        self._keys += 1
        return f"key-{self.token[:8]}-{id(self)}-{self._keys}"[:64].ljust(16, "x")

    def sit_down(self, heard_on: str = "headphones") -> None:
        level = self.post("/api/level")
        assert self.ask("GET", f"/api/level/{level['ticket']}").status_code == 200
        self.pass_s(LONG_S)
        answer = self.post("/api/sitting", {"heard_on": heard_on, "level": level["ticket"]})
        self.sitting = answer["sitting"]

    def due(self) -> Any:
        return self.post("/api/due", {"sitting": self.sitting})

    def begin(self, code: int, key: str | None = None) -> httpx.Response:
        body = {"sitting": self.sitting, "key": key or self.key()}
        return self.ask("POST", f"/api/listens/{code}/begin", body)

    def end(self, code: int, heard_s: float, **more: Any) -> Any:
        return self.post(f"/api/listens/{code}/end", {"heard_s": heard_s, **more})

    def answer(self, code: int, overall: float, **more: Any) -> httpx.Response:
        body = {"key": self.key(), "overall": overall} | more
        return self.ask("POST", f"/api/listens/{code}/answer", body)

    def hear(self, seconds: float) -> int:
        """The form that is due, from its top to its end (`seconds` later); returns its code."""
        due = self.due()
        code = int(due["code"])
        assert self.ask("GET", due["sound"]).status_code == 200
        assert self.begin(code).status_code == 200
        self.pass_s(seconds)
        assert self.end(code, seconds)["counted"]
        return code


class Bench:
    """A study's page, really served, and clocks that go together."""

    def __init__(self, study: Study, **options: Any) -> None:
        assert isinstance(study.clock, SetClock)
        self.study, self.clock, self.ticks, self.options = study, study.clock, Ticks(), options
        self._running = ExitStack()
        self.restart()

    def restart(self) -> None:
        """The server is ended and started again: what it kept in memory is gone."""
        self.close()
        self.served = self._running.enter_context(served(self.study, monotonic=self.ticks, **self.options))
        self.client = self._running.enter_context(plain_client(self.served.base))

    def close(self) -> None:
        self._running.close()

    def pass_s(self, seconds: float) -> None:
        self.clock.forward(seconds=seconds)
        self.ticks.now += seconds

    def caller(self, listener: str, *, at_home: bool = True) -> Caller:
        """A device with a link of its own; `at_home`: its round is open and its level is set."""
        token = self.served.link(listener).rpartition("#")[2]
        caller = Caller(self.client, token, self.pass_s)
        if at_home:
            caller.post("/api/round")
            caller.sit_down()
        return caller

    def longest_s(self) -> float:
        return max(form.seconds for form in self.study.manifest.forms)

    def seconds_of(self, code: int) -> float:
        """What no listener may ask: how long the form behind a code is."""
        for listen in self.study.log.contents().listens:
            if listen.code == code:
                return listen.frames / self.study.manifest.sample_rate
        raise AssertionError(f"no listen under {code}")


@contextmanager
def bench(study: Study, **options: Any) -> Iterator[Bench]:
    made = Bench(study, **options)
    try:
        yield made
    finally:
        made.close()


@pytest.fixture
def at(rendered: Path, tmp_path: Path) -> Iterator[Bench]:
    """The bench of a test's own copy of a study (a test module imports `rendered` too)."""
    with bench(copied(rendered, tmp_path / "study", SetClock(EVENING))) as made:
        yield made
