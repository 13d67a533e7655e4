"""Two `fairhearing host` processes on one PostgreSQL store serve one panel; one of them is killed."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from itertools import cycle
from pathlib import Path
from typing import TypeVar

import httpx

from sessions.plan import next_order
from sessions.study import Study
from tests.page_api import Caller
from tests.page_study import make_study
from tests.places import ROOT
from tests.postgres import Server
from tests.serving import plain_client

LISTENERS = ("ana", "bo", "Zoë <b>")
BAR_S = 0.2
HEARD_S = 1.5  # as long as the longest form
T = TypeVar("T")


class Host:
    """A real `fairhearing host` of a study whose log is on a server."""

    def __init__(self, folder: Path, store: str) -> None:
        command = [sys.executable, "-u", "-m", "listening.cli", "host", "--study", str(folder)]
        self.process = subprocess.Popen(
            [*command, "--store", store], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            encoding="utf-8", env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
        )  # fmt: skip

    def serving(self) -> tuple[str, dict[str, str]]:
        """Waits until it serves; its address, and the tokens of the links that it made."""
        assert self.process.stdout is not None
        said = ""
        for line in self.process.stdout:
            said += line
            if match := re.search(r"^Serving (\S+) until", line):
                return match[1], dict(re.findall(r"^(.+), and nobody else:\n\S+/#(\S+)$", said, re.M))
        raise AssertionError(f"it ended: {said}")


@contextmanager
def hosts(folder: Path, store: str) -> Iterator[tuple[Host, Host]]:
    """Two of them, begun at the same time on a store that is empty."""
    pair = Host(folder, store), Host(folder, store)
    try:
        yield pair
    finally:
        for host in pair:
            host.process.kill()
            host.process.communicate()


class Listener:
    """Does what the page does, each request at the other host; where one is gone, at the one that is left."""

    def __init__(self, devices: tuple[Caller, Caller]) -> None:
        self.devices = devices
        self._turns = cycle(devices)
        self.acknowledged: dict[int, float] = {}

    def ask(self, of: Callable[[Caller], T]) -> T:
        for device in (next(self._turns), next(self._turns)):
            try:
                return of(device)
            except httpx.TransportError as error:
                gone = error
        raise gone

    def whole_round(self) -> None:
        with ThreadPoolExecutor(2) as both:  # the page is open twice, and both ask for the round
            list(both.map(_enter, self.devices))
        self.ask(Caller.sit_down)
        sitting = next(device.sitting for device in self.devices if device.sitting)
        for device in self.devices:
            device.sitting = sitting
        while (state := self.ask(lambda device: device.get("/api/state")))["stage"] != "review":
            if state["stage"] == "rate":
                self.rate(state["code"])
            else:
                self.hear()

    def hear(self) -> None:
        def begin(device: Caller) -> int:
            due = device.due()
            code = int(due["code"])
            assert device.ask("GET", due["sound"]).status_code == 200
            assert device.begin(code).status_code == 200
            return code

        code = self.ask(begin)
        time.sleep(HEARD_S)
        self.ask(lambda device: device.end(code, HEARD_S))

    def rate(self, code: int) -> None:
        rating, key = float(code % 101), self.devices[0].key()
        for _ in self.devices:  # sent twice, as when an answer was lost on the way
            assert self.ask(lambda device: device.answer(code, rating, key=key)).status_code == 200
        self.acknowledged[code] = rating


def _enter(device: Caller) -> None:
    """Asks for the round; again, as the page does, when the other host was about to begin it."""
    while (response := device.ask("POST", "/api/round")).status_code == 503:
        assert response.json()["word"] == "busy"
        time.sleep(0.05)
    assert response.status_code == 200, response.text


def test_a_panel_goes_on_at_the_other_host_when_one_is_killed(tmp_path: Path, server: Server) -> None:
    """Every acknowledged rating is there exactly once, every round was begun once and as the plan has it."""
    make_study(tmp_path, bar_s=BAR_S)
    store = server.new_database()
    with hosts(tmp_path, store) as (doomed, left), ExitStack() as stack:
        serving = doomed.serving(), left.serving()
        clients = [stack.enter_context(plain_client(base)) for base, _ in serving]
        tokens = serving[0][1] | serving[1][1]  # a link of either host works at both

        def device(client: httpx.Client, name: str) -> Caller:
            return Caller(client, tokens[name], lambda seconds: time.sleep(min(seconds, HEARD_S)))

        panel = {name: Listener((device(clients[0], name), device(clients[1], name))) for name in LISTENERS}
        with ThreadPoolExecutor(len(panel)) as threads:
            rounds = [threads.submit(who.whole_round) for who in panel.values()]
            while sum(len(who.acknowledged) for who in panel.values()) < 2 and not any(
                done.done() for done in rounds
            ):
                time.sleep(0.02)
            time.sleep(HEARD_S / 2)  # in the middle of somebody's listen
            doomed.process.kill()
            for done in rounds:
                done.result()
        for who in panel.values():
            who.ask(lambda device: device.post("/api/round/close", {"round": 1}))
    study = Study(tmp_path, store=store)
    contents = study.log.contents()
    hashes = {form.id: form.content_hash for form in contents.forms}
    for name, who in panel.items():
        (round_,) = contents.rounds_of(name)
        plan = next_order(study.log.secret("plan_seed"), name, list(hashes.values()), [])
        assert round_.complete and [hashes[i] for i in round_.order] == plan
        rated = [x for x in contents.listens_of(name) if x.rating is not None]
        assert [x.form_id for x in rated] == list(round_.order)
        assert {x.code: x.rating for x in rated} == who.acknowledged
        assert all(x.heard_to_the_end for x in rated)
    with study.log.store.reading() as connection:
        kept = connection.exec_driver_sql("SELECT count(*) FROM ratings").scalar()
    assert kept == sum(len(who.acknowledged) for who in panel.values()) == 9
