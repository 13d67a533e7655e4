"""Processes that are killed at any moment, and several at once: every acknowledged rating is there, once.

A few kills of each kind always run. The campaign, hundreds of them:

    FAIRHEARING_CAMPAIGN=200 pytest -m campaign tests/sessions/test_faults.py
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import sys
import time
from collections.abc import Iterator
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import soundfile

from listening.packet.collect import collect
from listening.rounds import Round, enter_round
from render.errors import ListenError, LogError
from render.renders.copies import SUMS_FILE, flac_copies
from render.renders.manifest import Manifest, manifest_path, read_manifest
from render.renders.render_forms import render_forms
from render.song.song import load_song
from sessions.log import Log
from sessions.records import ListenRecord
from sessions.store import Store
from sessions.study import Study
from tests.clocks import EVENING_UTC, SetClock, Ticking
from tests.far_listener import answers_of
from tests.killing import KILLS, Say, Worker, finish, kill
from tests.places import DATA, ROOT
from tests.renders import require_whole
from tests.short_study import SMALL, small_study
from tests.songs import make_study

pytestmark = pytest.mark.campaign

A_STUDY = 40  # kills of one study, then a new one: a plan has at most 200 rounds


def delays(most_s: float, seed: int) -> Iterator[float]:
    """Moments to kill at, anywhere in work that lasts about `most_s`."""
    dice = random.Random(seed)
    while True:
        yield dice.uniform(0, most_s)


def one_row_each(log: Log, table: str) -> None:
    query = f"SELECT listen_id, aspect, count(*) FROM {table} GROUP BY 1, 2 HAVING count(*) > 1"
    with log.store.reading() as connection:
        assert connection.exec_driver_sql(query).all() == []


# Listens and ratings


def hear_rounds(folder: Path, store: str | None, day: int, say: Say) -> None:
    """Round after round, as the page writes them; says what is kept, as soon as it is."""
    clock = Ticking(EVENING_UTC + timedelta(days=day))
    study = Study(folder, clock, store)
    while True:
        round_ = enter_round(study, "ana")
        while True:
            heard = round_.state.waiting.id if round_.state.waiting is not None else hear_one(study, round_)
            if heard is None:
                break
            study.log.submit(
                "ana", f"page {heard}", heard, {"overall": heard % 101, "flow": heard % 7},
                [(1.5, f"at 1.5 s in {heard}")],
            )  # fmt: skip
            say(str(heard))
            round_.refresh()
        round_.finish()
        say(f"round {round_.state.number}")
        clock.forward(days=1)


def hear_one(study: Study, round_: Round) -> int | None:
    demand = round_.next_demand
    if demand is None:
        return None
    sitting = study.log.sit_down(round_.listener, "headphones", "page")
    listen = round_.begin(demand, sitting)
    study.log.end_listen(listen.id, demand.render.frames)
    return listen.id


def require_kept(study: Study, said: list[str], kills: int) -> None:
    """What was said is there, once and whole; beyond it at most what each kill caught on its way."""
    contents = study.log.contents()
    rated = {x.id: x for x in contents.listens if x.rating is not None}
    acknowledged = [int(line) for line in said if line.isdigit()]
    assert len(acknowledged) == len(set(acknowledged)) and set(acknowledged) <= set(rated)
    assert len(rated) <= len(acknowledged) + kills
    for listen in rated.values():
        assert whole(listen), "a rating is there with all that was sent with it"
    one_row_each(study.log, "ratings")
    forms = [(x.listener, x.round_id, x.form_id) for x in rated.values()]
    assert len(forms) == len(set(forms)), "no form is rated twice in a round"
    closed = {r.number for r in contents.rounds_of("ana") if r.complete}
    assert {int(line.split()[1]) for line in said if line.startswith("round")} <= closed
    assert len([r for r in contents.rounds_of("ana") if r.complete is None]) <= 1


def whole(listen: ListenRecord) -> bool:
    n = listen.id
    return listen.heard_to_the_end and (dict(listen.ratings), listen.comments) == (
        {"overall": n % 101, "flow": n % 7}, ((1.5, f"at 1.5 s in {n}"),),
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_kills_in_rounds_lose_no_rating(kind: str, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    when = delays(0.15, 1)  # about what one listen takes on a disk that keeps its word
    for first in range(0, KILLS, A_STUDY):
        store = request.getfixturevalue("server").new_database() if kind == "postgresql" else None
        study = small_study(tmp_path / str(first), store)
        said: list[str] = []
        for number in range(1, min(A_STUDY, KILLS - first) + 1):
            hear = partial(hear_rounds, study.folder, store, 40 * number)
            said += kill(hear, next(when), number % 5).lines
            require_kept(study, said, number)
        assert said, "something was heard between the kills"


# Renders


def render_and_copy(folder: Path, keep: set[str], say: Say) -> None:
    manifest = render_forms(load_song(folder), keep_sets=lambda: keep)
    say(manifest.set_id)
    flac_copies(folder, manifest)


def require_copies(folder: Path, manifest: Manifest) -> None:
    copies = flac_copies(folder, manifest)
    for form in manifest.forms:
        wav = soundfile.read(folder / form.wav, dtype="int32")[0]
        assert (soundfile.read(copies.paths[form.content_hash], dtype="int32")[0] == wav).all()


def test_kills_in_renders_leave_whole_sets(tmp_path: Path) -> None:
    when = delays(0.5, 2)
    make_study(tmp_path, **SMALL)
    in_round = render_forms(load_song(tmp_path))
    current = in_round
    for number in range(KILLS):
        make_study(tmp_path, **SMALL, seed=number + 2)
        killed = kill(lambda say: render_and_copy(tmp_path, {in_round.set_id}, say), next(when))
        manifest = read_manifest(manifest_path(tmp_path))
        require_whole(tmp_path, manifest)
        require_whole(tmp_path, in_round)
        assert manifest == current or manifest.audio.sha256 != current.audio.sha256, (
            "the old set or the new one"
        )
        assert manifest.set_id in (killed.lines or (current.set_id, manifest.set_id))
        require_copies(tmp_path, manifest)
        current = manifest
    last = render_forms(load_song(tmp_path))
    require_whole(tmp_path, last)
    left = {path.name for path in (tmp_path / "renders").iterdir()}
    wavs = {Path(form.wav).name for form in last.forms}
    copies = {SUMS_FILE.name, *(Path(name).with_suffix(".flac").name for name in wavs)}
    assert left - copies == wavs | {"manifest.json", f"manifest-{last.set_id}.json"}, "the rest is cleared up"


# Packets


def collect_answers(study: Study, _say: Say) -> None:
    collect(Study(study.folder, study.clock), study.folder / "answers.json")


def test_kills_in_collect_take_every_listen_in_once(tmp_path: Path) -> None:
    when = delays(0.5, 3)
    for first in range(0, KILLS, A_STUDY):
        study = small_study(tmp_path / str(first))
        clock = study.clock
        assert isinstance(clock, Ticking)
        for number in range(min(A_STUDY, KILLS - first)):
            clock.now = EVENING_UTC + timedelta(days=2 * number)
            codes = answers_of(study, study.folder / "answers.json")
            clock.forward(hours=5)

            take = partial(collect_answers, study)
            kill(take, next(when))
            for listen in (x for x in study.log.contents().listens if x.code in codes):
                assert listen.void_reason == "stopped by the listener" or (
                    dict(listen.ratings) == {"overall": listen.code % 100, "flow": listen.code % 100}
                ), "a listen is there with its end and all its ratings, or not at all"
            finish(take)
            taken = [x.code for x in study.log.contents().listens if x.code in codes]
            assert sorted(taken) == sorted(codes), "all of them, once"
            assert study.log.contents().rounds[-1].complete
        one_row_each(study.log, "ratings")


# A new log, and one of an older version


def old_log(path: Path) -> None:
    dump = DATA / "log-version-2.sql"
    with sqlite3.connect(path) as connection:
        connection.executescript(dump.read_text(encoding="utf-8"))
    connection.close()


def require_old_content(log: Log) -> None:
    """What tests/data/log-version-2.sql holds."""
    contents = log.contents()
    assert [(x.code, dict(x.ratings)) for x in contents.listens] == [
        (x.code, dict(x.ratings)) for x in contents.listens_of("ana")
    ]
    assert [dict(x.ratings) for x in contents.listens] == [{"overall": 64}, {"overall": 62, "flow": 30}]
    assert [x.comments for x in contents.listens] == [((1.5, "café ☕"),)] * 2
    assert [r.complete for r in contents.rounds] == [True, None]
    assert contents.seed_sha256 is not None


def open_store(path: Path, _say: Say) -> None:
    Store(path, SetClock())


def test_kills_in_migrations_leave_the_log_before_or_after_it(tmp_path: Path) -> None:
    when = delays(0.08, 4)
    for number in range(2 * KILLS):
        path = tmp_path / f"{number}.sqlite"
        if number % 2:
            old_log(path)
        kill(partial(open_store, path), next(when))
        log = Log(Store(path, SetClock()), SetClock())
        if number % 2:
            require_old_content(log)
        log.add_listener("bo")
        assert "bo" in log.contents().listeners


# Several processes at once


MOST_REFUSALS = 500  # in a row, by others who were quicker: more, and nothing gets through at all


def hear_beside_others(folder: Path, store: str | None, rounds: int, say: Say) -> None:
    """As a person does it: what was overtaken elsewhere is heard again from the top."""
    study = Study(folder, SetClock(EVENING_UTC), store)
    refused_in_a_row = 0
    while True:
        try:
            round_ = enter_round(study, "ana", any_day=True)
            if round_.state.number > rounds:
                return
            heard = hear_one(study, round_)
            if heard is not None:
                study.log.submit("ana", f"page {heard}", heard, {"overall": heard % 101, "flow": heard % 7},
                                 [(1.5, f"at 1.5 s in {heard}")])  # fmt: skip
                say(str(heard))
                refused_in_a_row = 0
            round_.refresh()
            if round_.next_demand is None:
                round_.finish()
        except (LogError, ListenError) as refusal:
            if "one round a sitting" in str(refusal):
                return
            refused_in_a_row += 1
            assert refused_in_a_row < MOST_REFUSALS, f"nothing is taken any more: {refusal}"


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_one_listener_in_two_windows_rates_each_form_once(
    kind: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    store = request.getfixturevalue("server").new_database() if kind == "postgresql" else None
    study = small_study(tmp_path, store)
    workers = [Worker(lambda say: hear_beside_others(study.folder, store, 1, say)) for _ in range(3)]
    said = [line for worker in workers for line in worker.finish().lines]
    require_kept(study, said, 0)
    assert len(said) == 3 and study.log.contents().rounds[0].complete


def test_renders_at_once_wait_for_each_other(tmp_path: Path) -> None:
    make_study(tmp_path, **SMALL)
    workers = [Worker(lambda say: say(render_forms(load_song(tmp_path)).set_id)) for _ in range(3)]
    said = {line for worker in workers for line in worker.finish().lines}
    manifest = read_manifest(manifest_path(tmp_path))
    require_whole(tmp_path, manifest)
    assert said == {manifest.set_id}, "the first rendered, the others found it done"


# In a real terminal, on a real device


@pytest.mark.device
def test_kills_in_a_terminal_lose_no_rating(tmp_path: Path) -> None:
    from tests.pulse import null_sink
    from tests.terminals import Terminal

    make_study(tmp_path, **SMALL | {"rate": 48000, "channels": 2, "plan": {"rounds": 200, "days": 200}})
    study = Study(tmp_path)
    study.register(render_forms(study.song))
    when = delays(7.0, 5)
    root = str(ROOT)
    command = [sys.executable, "-m", "listening.cli", "listen", "--listener", "ana", "--heard-on", "car"]
    acknowledged: list[float] = []
    with null_sink() as sink:
        for _ in range(max(KILLS // 20, 1)):
            with Terminal(command, sink.env | {"PYTHONPATH": root}, tmp_path) as terminal:
                answer(terminal, acknowledged, next(when))
            kept = [x.rating for x in Study(tmp_path).log.contents().listens if x.rating is not None]
            assert kept[: len(acknowledged)] == acknowledged and len(kept) <= len(acknowledged) + 1
            acknowledged = kept
            if Study(tmp_path).log.contents().rounds_of("ana")[-1].complete:
                shutil.rmtree(tmp_path / "renders")
                return


def answer(terminal: Any, acknowledged: list[float], after_s: float) -> None:
    """Answer as a person would, from the first question on for a second and `after_s` more, then kill; notes
    what the screen called kept."""
    until = None
    asked = {"Enter to hear it": "\n", "level check": "q", "is it comfortable": "y\n", "from the top": "\n",
             "Enter to pass": "\n", "opening:|flow:|build:|ending:": "\n", "they stand": "\n"}  # fmt: skip
    values = iter(range(10, 90))
    given = None
    while until is None or time.monotonic() < until:
        try:
            shown = terminal.expect("|".join([*asked, "rating: ", "Kept", "is done"]), 0.3 if until else 60.0)
        except AssertionError:
            if until is None:
                raise
            continue
        until = until or time.monotonic() + 1 + after_s
        if shown == "rating: ":
            given = float(next(values) + len(acknowledged))
            terminal.type(f"{given:g}\n")
        elif shown == "Kept":
            assert given is not None
            acknowledged.append(given)
        elif shown == "is done":
            break
        else:
            terminal.type(next(t for words, t in asked.items() if shown in words))
    terminal.kill()
