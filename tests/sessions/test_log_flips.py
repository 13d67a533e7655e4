"""One bit that flips anywhere in the log: what is read is as it was, or the log says that it is damaged.

Every table is filled, and everything is asked for that a program ever reads. FAIRHEARING_CAMPAIGN=N for
5 N flips instead of a few hundred.
"""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from render.errors import LogError
from sessions import tables as t
from sessions.checksums import whole_rows
from sessions.links import all_links, end_links, listener_of, new_link
from sessions.log import Log, NewForm
from sessions.records import RoundAnswers, Stumble
from sessions.store import Store
from sessions.taken import TakenListen, TakenRating, take_in
from tests.clocks import SetClock
from tests.killing import KILLS

FLIPS = max(300, 5 * KILLS)
NAMES = ("ana", "bo")


def open_log(path: Path) -> Log:
    return Log(Store(path, SetClock()), SetClock())


def full_log(path: Path) -> list[str]:
    """A log with rows in every table; returns tokens of links, the first of each listener ended."""
    clock = SetClock()
    log = Log(Store(path, clock), clock)
    for name in ("plan_seed", "page_key", "packet_key"):
        log.secret(name)
    ids = list(log.add_forms([NewForm(c * 64, f"form {c}", None, {"seconds": 2.0}) for c in "abc"]).values())
    tokens = []
    for name in NAMES:
        log.add_listener(name)
        links = [new_link(log, name) for _ in range(2)]
        tokens += [token for _, token in links]
        end_links(log, [links[0][0].id])
        round_id = log.start_round(name, 1, ids, "0123456789abcdef")
        sitting = log.sit_down(name, "headphones", "page")
        for position, form in enumerate(ids[:2], 1):
            clock.forward(minutes=3)
            listen = log.start_listen(
                round_id, sitting, form, position, log.reserve_code(round_id, form), 1000
            )
            log.mark(listen, 1.5)
            log.end_listen(listen, 1000, late_s=0.6, stumbles=[Stumble(1.25, 0.6)])
            log.judge(listen, True)
            log.submit(name, f"page {position}", listen, {"overall": 50 + form}, [(1.5, "it drags")])
        take_in(log, name, "packet 1", from_afar(log, round_id, sitting, ids[2]))
        log.answer_round(round_id, RoundAnswers((listen,), "form", listen))
        log.end_round(round_id, complete=True)
    log.add_event("opened", {"why": "all planned rounds are done"})
    return tokens


def from_afar(log: Log, round_id: int, sitting: int, form: int) -> TakenListen:
    now = log.clock()
    rating = TakenRating("overall", 70.0, now)
    return TakenListen(
        round_id, sitting, form, 3, log.reserve_code(round_id, form), 1000, 1000, None, now,
        now + timedelta(minutes=2), [rating], [(None, "closer")],
    )  # fmt: skip


def all_that_is_read(log: Log, tokens: list[str]) -> Any:
    """Everything that any part of fairhearing asks the log for, from when it is opened."""
    log.store.look_through()
    contents = log.contents()
    with log.store.reading() as connection:
        secrets = {row.name: row.value for row in whole_rows(connection, select(t.secrets), t.secrets)}
    return (
        contents,
        [log.contents(name) for name in NAMES],
        all_links(log),
        [listener_of(log, token) for token in tokens],
        [log.codes_of(round_.id) for round_ in contents.rounds],
        [log.was_submitted(name, what) for name in NAMES for what in ("page 1", "page 2", "packet 1")],
        [log.open_sitting(name) for name in NAMES],
        [tuple(log.end_of(listen.id) or ()) for listen in contents.listens],
        secrets,
    )


def flips(content: bytes, count: int) -> Iterator[bytes]:
    """The content with one bit flipped, anywhere."""
    dice = random.Random(7)
    for _ in range(count):
        at = dice.randrange(len(content))
        yield content[:at] + bytes([content[at] ^ 1 << dice.randrange(8)]) + content[at + 1 :]


def test_a_flipped_bit_is_noticed_or_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    tokens = full_log(path)
    with sqlite3.connect(path) as raw:
        counts = {
            name: raw.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in t.metadata.tables
        }
        raw.execute("VACUUM")  # as few bytes that mean nothing as can be
    raw.close()
    assert min(counts.values()) > 0 and len(counts) == 20
    log = open_log(path)  # a new connection each time: it is the statements that are prepared once
    before = all_that_is_read(log, tokens)
    assert before[3] == [None, "ana", None, "bo"]
    noticed = silent = 0
    for content in flips(path.read_bytes(), FLIPS):
        path.write_bytes(content)
        try:
            contents = all_that_is_read(log, tokens)
        except LogError as error:
            noticed += 1
            assert len(str(error)) < 1000
        else:
            silent += contents != before
    assert silent == 0
    assert noticed > FLIPS // 20, "most bytes of so small a log are empty; the others are noticed"


@pytest.mark.parametrize("change", [
    "UPDATE links SET listener_id = 2 WHERE id = 2",
    "UPDATE link_ends SET link_id = 2 WHERE link_id = 1",
    "UPDATE codes SET form_id = 1 + form_id % 3 WHERE listener_id = 1",
    "UPDATE secrets SET value = upper(value) WHERE name = 'packet_key'",
    "UPDATE ratings SET row_sum = NULL WHERE id = 1",
    "UPDATE schema_versions SET version = 7 WHERE version = 4",
])  # fmt: skip
def test_a_change_in_any_table_is_noticed(tmp_path: Path, change: str) -> None:
    path = tmp_path / "log.sqlite"
    tokens = full_log(path)
    with sqlite3.connect(path) as raw:
        assert raw.execute(change).rowcount
    raw.close()
    with pytest.raises(LogError, match=r"log is damaged|changed on the disk|later fairhearing"):
        all_that_is_read(open_log(path), tokens)
