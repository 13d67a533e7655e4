"""The log: durable, append-only, migrated in whole steps, shared by processes, never half a rating.

On SQLite and on a real PostgreSQL server alike.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from sqlalchemy import Connection, create_engine, event, inspect

from render.errors import LogError
from sessions import tables
from sessions.links import all_links, new_link
from sessions.log import Log, NewForm
from sessions.store import Store
from tests.clocks import SetClock
from tests.places import ROOT

FORMS = [NewForm("a" * 64, "as written", None, {}), NewForm("b" * 64, "early bridge", None, {})]


@pytest.fixture(autouse=True, params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Every test of this file runs on both; a file in the test's folder says which."""
    kind: str = request.param
    if kind == "postgresql":
        (tmp_path / "store.url").write_text(request.getfixturevalue("server").new_database())
    return kind


def open_log(folder: Path, clock: SetClock | None = None) -> Log:
    clock = clock or SetClock()
    url = folder / "store.url"
    return Log(Store(url.read_text() if url.exists() else folder / "log.sqlite", clock), clock)


def rows(log: Log, query: str) -> list[tuple[object, ...]]:
    """What a query finds in the log as it lies in the database."""
    with log.store.reading() as connection:
        return [tuple(row) for row in connection.exec_driver_sql(query)]


def started(log: Log, listener: str = "ana") -> tuple[int, int, list[int]]:
    """A first round of two forms: (round id, sitting id, form ids)."""
    log.add_listener(listener)
    ids = list(log.add_forms(FORMS).values())
    round_id = log.start_round(listener, len(log.contents().rounds_of(listener)) + 1, ids, "set")
    return round_id, log.sit_down(listener, "headphones", "device"), ids


def heard(log: Log, round_id: int, sitting: int, form_id: int) -> int:
    code = log.reserve_code(round_id, form_id)
    listen = log.start_listen(round_id, sitting, form_id, 1, code, 1000)
    log.end_listen(listen, 1000)
    return listen


def test_a_listen_with_ratings_corrections_and_comments_comes_back_as_it_was(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    round_id, sitting, (first, _) = started(log)
    listen = heard(log, round_id, sitting, first)
    log.rate(listen, {"overall": 61})
    log.rate(listen, {"overall": 64, "ending": 80})
    log.comment(listen, "  too soon?  ", 12.5)
    log.comment(listen, "   ")
    record = open_log(tmp_path).contents().listens[0]
    assert (record.rating, record.ratings["ending"], record.comments) == (64, 80, ((12.5, "too soon?"),))
    kept = rows(log, "SELECT value FROM ratings WHERE aspect = 'overall' ORDER BY id")
    assert kept == [(61,), (64,)], "a correction is a new row: the first rating stays in the log"


def test_what_was_not_heard_to_its_end_cannot_be_rated(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    round_id, sitting, (first, _) = started(log)
    listen = log.start_listen(round_id, sitting, first, 1, log.reserve_code(round_id, first), 1000)
    with pytest.raises(LogError, match="heard to its end"):
        log.rate(listen, {"overall": 50})
    log.end_listen(listen, 400, "stopped by the listener")
    with pytest.raises(LogError, match="heard to its end"):
        log.rate(listen, {"overall": 50})
    assert log.contents().listens[0].fraction_heard == 0.4
    with pytest.raises(LogError, match="already ended"):
        log.end_listen(listen, 1000)


def test_ratings_stand_when_the_round_is_over(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    round_id, sitting, (first, _) = started(log)
    listen = heard(log, round_id, sitting, first)
    log.rate(listen, {"overall": 61})
    log.end_round(round_id, complete=True)
    with pytest.raises(LogError, match="round is over"):
        log.rate(listen, {"overall": 99})
    with pytest.raises(LogError, match="round is over"):
        log.start_listen(round_id, sitting, first, 1, 123, 1000)
    assert log.contents().listens[0].rating == 61


@pytest.mark.parametrize(
    "values", [{"overall": 101}, {"overall": -1}, {"overall": float("nan")}, {"glow": 5}]
)
def test_only_ratings_from_0_to_100_are_taken(tmp_path: Path, values: dict[str, float]) -> None:
    log = open_log(tmp_path)
    round_id, sitting, (first, _) = started(log)
    listen = heard(log, round_id, sitting, first)
    with pytest.raises(LogError, match="0 to 100"):
        log.rate(listen, {"flow": 40} | values)
    assert log.contents().listens[0].ratings == {}, "all of them or none"


def test_a_listen_left_open_elsewhere_is_voided_by_the_next(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    round_id, sitting, (first, second) = started(log)
    left = log.start_listen(round_id, sitting, first, 1, log.reserve_code(round_id, first), 1000)
    now = log.start_listen(round_id, sitting, second, 2, log.reserve_code(round_id, second), 1000)
    assert log.contents().listens[0].void_reason == "interrupted"
    with pytest.raises(LogError, match="interrupted"):
        log.end_listen(left, 1000)
    log.end_listen(now, 1000)


def test_a_form_is_rated_once_in_a_round_though_it_was_heard_in_two_windows(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    round_id, sitting, (first, _) = started(log)
    one, two = (heard(log, round_id, sitting, first) for _ in range(2))
    log.rate(two, {"overall": 40})
    with pytest.raises(LogError, match="rated meanwhile"):
        log.rate(one, {"overall": 60})
    log.rate(two, {"overall": 41})
    assert [x.rating for x in log.contents().listens] == [None, 41]


def test_a_sitting_ends_with_an_hours_pause_or_another_place(tmp_path: Path) -> None:
    clock = SetClock()
    log = open_log(tmp_path, clock)
    round_id, sitting, (first, _) = started(log)
    clock.forward(minutes=50)
    listen = heard(log, round_id, sitting, first)
    log.rate(listen, {"overall": 50})
    clock.forward(minutes=59)
    assert log.sit_down("ana", "headphones", "device") == sitting, "59 minutes after the last rating"
    assert log.sit_down("ana", "car", "device") != sitting
    clock.forward(minutes=62)
    assert log.sit_down("ana", "car", "device") not in (sitting, sitting + 1)


def test_days_are_the_listeners_own_while_times_are_utc(tmp_path: Path) -> None:
    clock = SetClock()
    clock.forward(hours=5)  # 01:00 on 3 March, two hours ahead of UTC
    log = open_log(tmp_path, clock)
    round_id, sitting, (first, _) = started(log)
    heard(log, round_id, sitting, first)
    listen = log.contents().listens[0]
    assert listen.local_date == "2026-03-03"
    assert listen.started_utc.startswith("2026-03-02T23:00:00")


def test_opening_marks_what_is_heard_afterwards(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    round_id, sitting, (first, second) = started(log)
    heard(log, round_id, sitting, first)
    log.add_event("opened", {"why": "asked for"})
    heard(log, round_id, sitting, second)
    log.add_event("reopened", {})
    assert log.contents().opened is None
    heard(log, round_id, sitting, second)
    assert [x.after_opening for x in log.contents().listens] == [False, True, False]


def test_rounds_come_one_after_the_other(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    started(log)
    with pytest.raises(LogError, match="next round is 2"):
        log.start_round("ana", 1, [1, 2], "set")
    with pytest.raises(LogError, match="no listener"):
        log.start_round("nobody", 1, [1, 2], "set")


def test_codes_are_unique_for_a_listener(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    round_id, _, (first, _) = started(log)
    codes = [log.reserve_code(round_id, first) for _ in range(40)]
    assert len(set(codes)) == 40


def test_the_secrets_are_drawn_once(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    seed = log.secret("plan_seed")
    assert open_log(tmp_path).secret("plan_seed") == seed != log.secret("packet_key")


def test_a_new_log_is_made_in_one_step(tmp_path: Path) -> None:
    def fails(*_: object, **__: object) -> None:
        raise RuntimeError("killed here")

    event.listen(tables.ratings, "after_create", fails)
    try:
        with pytest.raises(RuntimeError):
            open_log(tmp_path)
    finally:
        event.remove(tables.ratings, "after_create", fails)
    url = tmp_path / "store.url"
    engine = create_engine(url.read_text() if url.exists() else f"sqlite:///{tmp_path / 'log.sqlite'}")
    assert inspect(engine).get_table_names() == [], "nothing of it is left"
    engine.dispose()
    started(open_log(tmp_path))


def test_a_migration_and_its_record_are_one_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = open_log(tmp_path)
    started(log)
    before = log.contents()

    def fails(connection: Connection) -> None:
        connection.exec_driver_sql("DROP TABLE moments")
        raise RuntimeError("killed here")

    with monkeypatch.context() as patch:
        patch.setattr(tables, "MIGRATIONS", (*tables.MIGRATIONS, fails))
        with pytest.raises(RuntimeError):
            open_log(tmp_path)
    assert open_log(tmp_path).contents() == before


def test_a_log_from_before_the_sums_is_brought_up_to_date(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    round_id, sitting, (first, second) = started(log)
    log.rate(heard(log, round_id, sitting, first), {"overall": 61})
    before = log.contents()
    new_link(log, "ana")
    with log.store.writing() as connection:  # what migrations 3 and 4 brought is taken away again
        later = [tables.moments, tables.round_answers, tables.judgements, tables.blemishes]
        for table in later:
            connection.exec_driver_sql(f"DROP TABLE {table.name}")
        for table in (x for x in tables.metadata.sorted_tables if x not in later):
            for index in table.indexes:
                connection.exec_driver_sql(f"DROP INDEX {index.name}")
            if "row_sum" in table.c:
                connection.exec_driver_sql(f"ALTER TABLE {table.name} DROP COLUMN row_sum")
        connection.exec_driver_sql("DELETE FROM schema_versions WHERE version >= 3")
    log.store.close()
    now = open_log(tmp_path)
    assert now.contents() == before
    now.rate(heard(now, round_id, sitting, second), {"overall": 62})
    assert [x.rating for x in open_log(tmp_path).contents().listens] == [61, 62]
    for name in (name for name in tables.metadata.tables if name != "schema_versions"):
        assert rows(now, f"SELECT count(*) FROM {name} WHERE row_sum IS NULL") == [(0,)], name
    assert len(all_links(now)) == 1


def test_an_entry_that_changed_in_the_store_is_named_and_nothing_is_read(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    round_id, sitting, (first, _) = started(log)
    log.rate(heard(log, round_id, sitting, first), {"overall": 61})
    with log.store.writing() as connection:
        connection.exec_driver_sql("UPDATE ratings SET value = 62")
    with pytest.raises(LogError, match=r"1 of the log's entries changed .* \(ratings 1\)"):
        log.contents()


def test_a_log_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    with open_log(tmp_path).store.writing() as connection:
        connection.exec_driver_sql(f"INSERT INTO schema_versions VALUES ({tables.newest() + 1}, '', '')")
    with pytest.raises(LogError, match="later fairhearing"):
        open_log(tmp_path)


WRITER = """
import sys
from pathlib import Path
from tests.sessions.test_log import heard, open_log
log = open_log(Path(sys.argv[1]))
name, count = sys.argv[2], int(sys.argv[3])
log.add_listener(name)
ids = [f.id for f in log.contents().forms]
sitting = log.sit_down(name, "headphones", "device")
for number in range(count):
    if number % 2 == 0:
        round_id = log.start_round(name, number // 2 + 1, ids, "set")
    listen = heard(log, round_id, sitting, ids[number % 2])
    log.rate(listen, {"overall": number})
    print(number, flush=True)
"""


def writer(folder: Path, name: str, count: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(folder), name, str(count)],
        stdout=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip


def test_what_is_written_at_once_is_there_all_or_not_at_all(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    with pytest.raises(KeyboardInterrupt), log.store.at_once():
        log.add_listener("cy")
        assert "cy" in log.contents().listeners, "it is read as it was written"
        raise KeyboardInterrupt
    assert "cy" not in log.contents().listeners
    with log.store.at_once():
        log.add_listener("cy")
    log.add_listener("di")
    assert {"cy", "di"} <= set(open_log(tmp_path).contents().listeners)


def test_two_processes_write_to_one_study(tmp_path: Path) -> None:
    started(open_log(tmp_path), "eve")
    processes = [writer(tmp_path, name, 12) for name in ("ana", "bo")]
    assert [process.wait(timeout=120) for process in processes] == [0, 0]
    contents = open_log(tmp_path).contents()
    for name in ("ana", "bo"):
        assert [x.rating for x in contents.listens_of(name)] == list(range(12))


def test_a_killed_process_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    started(open_log(tmp_path), "eve")
    for attempt, name in enumerate(("ana", "bo", "cy")):
        process = writer(tmp_path, name, 10_000)
        assert process.stdout is not None
        acknowledged = [process.stdout.readline()]
        time.sleep(0.3 + 0.17 * attempt)
        process.send_signal(signal.SIGKILL if os.name == "posix" else signal.SIGTERM)
        acknowledged += process.stdout.read().split()
        process.wait()
        said = [int(text) for text in acknowledged]
        kept = [x.rating for x in open_log(tmp_path).contents().listens_of(name) if x.rating is not None]
        assert kept[: len(said)] == said, "every acknowledged rating is there, once and in order"
        assert len(kept) <= len(said) + 1, "at most the one that was on its way"
