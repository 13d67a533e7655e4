"""A panel that outgrows one machine: the same from both stores, two servers on one, a cost that is flat.

The figures for 1,000 listeners are in tests/benchmarks/RESULTS_scale.md (bench_scale.py). Here the growth is
counted rather than timed: what one listener's step asks of the database does not depend on the others.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import event

from listening.rounds import enter_round
from listening.status import study_status
from reports.facts.ratings import study_ratings
from reports.verdict.judge import judge
from sessions.study import Study
from tests.clocks import SetClock, Ticking
from tests.page_api import Caller, Ticks
from tests.page_study import EVENING, make_study
from tests.panels import fill, panel
from tests.serving import plain_client, served
from tests.short_study import hear


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest) -> str | None:
    """Where the log is: None for the study's own file."""
    if request.param == "sqlite":
        return None
    url: str = request.getfixturevalue("server").new_database()
    return url


def test_a_panel_of_thirty_is_kept_read_and_judged(tmp_path: Path, store: str | None) -> None:
    study = panel(tmp_path, 30, store, rounds=5)
    given = fill(study, last=5)
    contents = Study(tmp_path, study.clock, store).log.contents()
    assert {x.id: x.rating for x in contents.listens} == given and len(given) == 30 * 5 * 5
    liked = next(f.name for f in contents.forms if f.id == 3)  # as `fill` has it
    judgement = judge(study_ratings(study.song, study.manifest, contents).table)
    assert (judgement.state, judgement.form) == ("clear", liked)
    status = study_status(Study(tmp_path, study.clock, store))
    assert [x.rounds_done for x in status.listeners] == [5] * 30


def steps_of(study: Study, work: Callable[[], object]) -> int:
    """How much SQLite works for `work`, in hundreds of its own instructions: the same on any machine."""
    steps = 0

    def one_more() -> int:
        nonlocal steps
        steps += 1
        return 0

    def watch(connection: sqlite3.Connection, _record: object) -> None:
        connection.set_progress_handler(one_more, 100)

    event.listen(study.log.store.engine, "connect", watch)
    work()
    event.remove(study.log.store.engine, "connect", watch)
    return steps


def test_a_listeners_step_costs_the_same_in_any_panel(tmp_path: Path) -> None:
    """Six times the panel: a listen costs the database the same but for the list of names; a report, six."""
    listen, whole = [], []
    for size in (5, 30):
        study = panel(tmp_path / str(size), size)
        fill(study, last=3)
        assert isinstance(study.clock, Ticking)
        study.clock.forward(days=1)
        round_ = enter_round(study, "listener 0000")
        sitting = study.log.sit_down(round_.listener, "headphones", "page")
        listen.append(steps_of(study, partial(hear, study, round_, 61, sitting)))
        whole.append(steps_of(study, study.log.contents))
    assert listen[1] < 1.3 * listen[0], listen
    assert 4 < whole[1] / whole[0] < 8, whole


def test_two_hosts_on_one_store_serve_one_panel(tmp_path: Path, store: str | None) -> None:
    """Two servers that share nothing but the store; a listener who goes from one to the other and back."""
    clock, ticks = SetClock(EVENING), Ticks()
    make_study(tmp_path, clock, bar_s=0.4)
    with ExitStack() as stack:
        hosts = [
            stack.enter_context(served(Study(tmp_path, clock, store), monotonic=ticks)) for _ in range(2)
        ]
        token = hosts[0].link("ana").rpartition("#")[2]

        def pass_s(seconds: float) -> None:
            clock.forward(seconds=seconds)
            ticks.now += seconds

        devices = [Caller(stack.enter_context(plain_client(host.base)), token, pass_s) for host in hosts]
        devices[0].post("/api/round")
        devices[0].sit_down()
        devices[1].sitting = devices[0].sitting
        for number, rating in enumerate((61, 62, 63)):
            here, there = devices[number % 2], devices[1 - number % 2]
            code = here.hear(2.5)
            key = here.key()
            for device in (here, there, here):  # the answer is sent again, to either host
                assert device.answer(code, rating, key=key).status_code == 200
        assert devices[1].get("/api/state")["stage"] == "review"
        devices[1].post("/api/round/close", {"round": 1})
    listens = Study(tmp_path, clock, store).log.contents().listens
    assert [(x.rating, x.void_reason) for x in listens] == [(61, None), (62, None), (63, None)]
    assert Study(tmp_path, clock, store).log.contents().rounds[0].complete
