"""Damaged files, full and read-only disks, moved folders, clocks that jump: said exactly, never believed.

Damage is a file cut short, or one bit that flipped, at many places; FAIRHEARING_CAMPAIGN=N for more of them.
"""

from __future__ import annotations

import random
import resource
import shutil
import signal
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listening.round_state import round_state
from listening.rounds import enter_round, require_whole
from listening.status import study_status
from render.errors import FairhearingError, ListenError, LogError, ManifestError
from render.renders.manifest import manifest_path, read_manifest
from render.renders.render_forms import render_forms
from render.song.song import load_song
from sessions.log import Log, NewForm
from sessions.store import Store
from sessions.study import Study
from tests.clocks import SetClock
from tests.command_line import told
from tests.disks import fill, small_disk
from tests.killing import KILLS, Say, finish
from tests.short_study import SHORT, again, do_round, hear, rendered
from tests.songs import make_study

PLACES = 5 * KILLS


def damaged(content: bytes, seed: int, places: int = PLACES) -> Iterator[bytes]:
    """The content cut short, and with one bit flipped, at many places."""
    dice = random.Random(seed)
    for _ in range(places // 4):
        yield content[: dice.randrange(len(content))]
    for _ in range(places):
        at = dice.randrange(len(content))
        yield content[:at] + bytes([content[at] ^ 1 << dice.randrange(8)]) + content[at + 1 :]


@pytest.fixture
def study(tmp_path: Path) -> Study:
    """A round heard, another begun."""
    clock = SetClock()
    study = rendered(tmp_path / "study", clock)
    do_round(study, "ana")
    clock.forward(days=1)
    hear(study, enter_round(study, "ana"), rating=64)
    return study


# Damage


def test_a_damaged_song_toml_is_named_or_is_another_song(tmp_path: Path) -> None:
    path = make_study(tmp_path, rate=8000, channels=1) / "song.toml"
    whole = path.read_bytes()
    refused = 0
    for content in damaged(whole, 1):
        path.write_bytes(content)
        try:
            load_song(tmp_path)
        except FairhearingError as error:
            refused += 1
            assert 0 < len(str(error)) < 1000
    assert refused > PLACES // 4


def test_a_damaged_song_toml_costs_no_rating_and_no_render(study: Study) -> None:
    before = study.log.contents()
    manifest = study.manifest
    (study.folder / "song.toml").write_text("[song", encoding="utf-8")
    assert "song.toml is not valid TOML" in told(study.folder, "status", code=1)
    assert "song.toml is not valid TOML" in told(study.folder, "report", code=1)
    assert (again(study).log.contents(), again(study).manifest) == (before, manifest)


def test_a_damaged_manifest_is_never_believed(study: Study) -> None:
    path = manifest_path(study.folder)
    whole, manifest = path.read_bytes(), study.manifest
    for content in damaged(whole, 2):
        path.write_bytes(content)
        try:
            assert read_manifest(path) == manifest
        except ManifestError as error:
            assert "damaged" in str(error) and "fairhearing render" in str(error)
    before = study.log.contents()
    assert "damaged" in told(study.folder, "packet", "bo", code=1)
    told(study.folder, "render")
    after = again(study).log.contents()
    assert (after.listens, after.forms) == (before.listens, before.forms)


def test_a_damaged_render_is_never_played(study: Study) -> None:
    round_ = enter_round(again(study), "ana")
    demand = round_.next_demand
    assert demand is not None
    whole = demand.path.read_bytes()
    heads = [
        whole[:at] + bytes([whole[at] ^ 1 << bit]) + whole[at + 1 :] for at in range(44) for bit in (0, 5)
    ]
    refused = 0
    for content in (*damaged(whole, 3), *heads):
        demand.path.write_bytes(content)
        try:
            require_whole(demand, round_.manifest)
        except FairhearingError as error:
            assert "fairhearing render" in str(error)
            refused += 1
        else:  # a flip in what is no sound: the padding, or the size of the file that a header repeats
            at = next(at for at, byte in enumerate(whole) if byte != content[at])
            assert at in range(4, 8) or at >= 44 + demand.render.frames * 6
    assert refused >= 80 + PLACES // 4, "every cut, and every flip in the header but for the file's size"


def a_log(path: Path) -> Log:
    """A log of two listeners, with comments."""
    clock = SetClock()
    log = Log(Store(path, clock), clock)
    log.secret("plan_seed")
    ids = list(log.add_forms([NewForm(c * 64, f"form {c}", None, {"seconds": 2.0}) for c in "abc"]).values())
    for name in ("ana", "bo"):
        log.add_listener(name)
        for number in (1, 2):
            round_id = log.start_round(name, number, ids, "0123456789abcdef")
            sitting = log.sit_down(name, "headphones", "device")
            for position, form in enumerate(ids, 1):
                clock.forward(minutes=3)
                listen = log.start_listen(round_id, sitting, form, position, 100 + form + 9 * number, 1000)
                log.end_listen(listen, 1000)
                log.rate(listen, {"overall": 50 + form, "flow": 40.5})
                log.comment(listen, "the middle drags a little", 12.5)
            log.end_round(round_id, complete=True)
    log.add_event("opened", {"why": "all planned rounds are done"})
    return log


def test_a_damaged_log_never_loses_or_invents_a_rating(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    before = a_log(path).contents()
    whole = path.read_bytes()
    said = 0
    for content in damaged(whole, 4):
        path.write_bytes(content)
        try:
            contents = Log(Store(path, SetClock()), SetClock()).contents()
        except LogError as error:
            said += 1
            assert "renders and song.toml are not affected" in str(error) or "later fairhearing" in str(error)
        else:
            assert contents == before
    assert said > PLACES // 4


def test_a_changed_entry_is_named(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    log = a_log(path)
    with log.store.writing() as connection:
        connection.exec_driver_sql("UPDATE ratings SET value = 99 WHERE id = 3")
    with pytest.raises(LogError, match=r"1 of the log's entries changed .* \(ratings 3\)"):
        log.contents()
    assert log.contents("bo").listens_of("bo"), "what is another's is still there"


def test_an_empty_log_is_no_new_log(tmp_path: Path) -> None:
    study = rendered(tmp_path)
    do_round(study, "ana")
    (tmp_path / "log.sqlite").write_bytes(b"")
    assert "is empty, so what was in it is lost" in told(tmp_path, "status", code=1)
    assert (tmp_path / "log.sqlite").stat().st_size == 0, "it was not taken for a new one"


@pytest.mark.parametrize("value", [np.inf, -np.inf, np.nan, 3e38, 2000.0])
def test_a_sample_that_is_no_sound_is_placed(tmp_path: Path, value: float) -> None:
    """A float file can hold anything; what is a little over full scale is kept (test_song_audio.py)."""
    audio = np.full((8000, 2), 0.1, np.float32)
    audio[3000:5000, 1] = value
    folder = make_study(
        tmp_path, audio=audio[:, :1], rate=8000, tempo=240, bars=1, sections={"a": "1"}, forms={}
    )
    soundfile.write(folder / "song.wav", audio, 8000, subtype="FLOAT")
    assert "(frame 3000)" in told(folder, "render", code=1)


# Disks


def write_until_full(folder: Path, most_bytes: int, say: Say) -> None:
    """Comments and ratings until the disk takes no more; says what was kept, then what was refused."""
    if most_bytes:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
    study = Study(folder, SetClock())
    listen = study.log.contents().listens[-1].id
    for number in range(5000):
        try:
            study.log.submit(
                "ana", f"page {number}", listen, {"flow": number % 101}, [(None, f"{number} " * 300)]
            )
        except LogError as error:
            say(str(error))
            return
        say(str(number))


def test_a_full_disk_keeps_what_was_acknowledged(study: Study, tmp_path: Path) -> None:
    with small_disk(tmp_path / "small", 1 << 20) as remount:
        mounted = remount("rw")
        folder = tmp_path / "small" / "study"
        folder.mkdir()
        for name in ("song.toml", "log.sqlite"):
            shutil.copy(study.folder / name, folder / name)
        limit = 0 if mounted else (folder / "log.sqlite").stat().st_size + (1 << 18)
        said = finish(lambda say: write_until_full(folder, limit, say))
        assert "the disk is full" in said.lines[-1] and "nothing was recorded" in said.lines[-1]
        kept = [text.split()[0] for _, text in Study(folder).log.contents().listens[-1].comments]
        assert kept == list(said.lines[:-1])
        if mounted:
            remount("rw,size=4m")
        fresh = Study(folder, SetClock())
        fresh.log.rate(fresh.log.contents().listens[-1].id, {"overall": 65})
        assert fresh.log.contents().listens[-1].rating == 65, "with room again it goes on"


def test_on_a_full_disk_every_command_says_so_and_works_when_there_is_room(
    study: Study, tmp_path: Path
) -> None:
    """Without the right to mount a small disk, the test before, with a limit on a file's size, must do."""
    with small_disk(tmp_path / "small", 24 << 20) as remount:
        folder = tmp_path / "small" / "study"
        shutil.copytree(study.folder, folder)
        if not remount("rw"):
            pytest.skip("no small file system can be mounted here (it takes root, on Linux)")
        make_study(folder, **SHORT | {"forms": {"turned": ["b", "a"], "other": ["b", "b"]}})
        ballast = tmp_path / "small" / "ballast"
        for arguments in (["render"], ["report"], ["decide", "turned", "--because", "it lifts", "--yes"]):
            fill(ballast)
            told(folder, "status")
            said = told(folder, *arguments, code=1)
            assert "full" in said or "No space left" in said
            ballast.unlink()
            assert Study(folder).log.contents().listens == study.log.contents().listens
            told(folder, *arguments)


def test_on_a_read_only_disk_one_can_look_and_every_change_is_refused(study: Study, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disc", 8 << 20) as remount:
        folder = tmp_path / "disc" / "study"
        shutil.copytree(study.folder, folder)
        if not remount("ro"):
            folder.chmod(0o500)
            for path in (folder, *folder.rglob("*")):
                path.chmod(path.stat().st_mode & ~0o222)
        try:
            assert "round 2 goes on at any time" in told(folder, "status")
            told(folder, "check")
            for command in (
                ["report"],
                ["decide", "turned", "--because", "it lifts", "--yes"],
                ["packet", "bo"],
            ):
                said = told(folder, *command, code=1)
                assert "ead-only" in said or "ermission" in said, said
            with pytest.raises(LogError, match="read-only"):
                enter_round(Study(folder), "bo")
            assert Study(folder).log.contents().listens == study.log.contents().listens
        finally:
            remount("rw")


# Folders, clocks


def test_a_study_that_moves_goes_on_where_it_was(study: Study, tmp_path: Path) -> None:
    manifest, before = study.manifest, study.log.contents()
    place = tmp_path / "elsewhere" / "Größe, renamed 2"
    place.parent.mkdir()
    study.folder.rename(place)
    assert "there is no song.toml" in told(study.folder, "status", code=1)
    moved = Study(place, study.clock)
    steps: list[str] = []
    assert render_forms(moved.song, progress=lambda what, _d, _o: steps.append(what)) == manifest
    assert steps == [], "nothing is rendered anew"
    assert moved.log.contents() == before
    hear(moved, enter_round(moved, "ana"))


def test_a_clock_that_was_far_ahead_locks_nobody_out(tmp_path: Path) -> None:
    """A laptop whose clock stood a year ahead for one evening."""
    clock = SetClock()
    study = rendered(tmp_path, clock)
    clock.forward(days=365)
    do_round(study, "ana")
    clock.forward(days=-365)
    stands = round_state(study, study.log.contents(), "ana").due
    assert stands is not None and stands.day == clock().date()
    assert "round 2 now" in study_status(study).listeners[0].next_text
    do_round(study, "ana")
    assert [x.rating for x in study.log.contents().listens] == [50] * 6


def test_a_clock_that_jumps_back_a_day_within_a_round_loses_nothing(tmp_path: Path) -> None:
    clock = SetClock()
    study = rendered(tmp_path, clock)
    round_ = enter_round(study, "ana")
    hear(study, round_, rating=61)
    clock.forward(days=-1)
    hear(study, round_, rating=62)
    clock.forward(days=1, minutes=5)
    hear(study, round_, rating=63)
    round_.finish()
    listens = study.log.contents().listens
    assert [x.rating for x in listens] == [61, 62, 63]
    assert [x.local_date for x in listens] == ["2026-03-02", "2026-03-01", "2026-03-02"]
    assert study_status(study).listeners[0].days == 2


@pytest.mark.parametrize(("hours_east", "due"), [(-10, date(2026, 3, 3)), (13, date(2026, 3, 3))])
def test_a_journey_between_rounds_keeps_the_days_apart(tmp_path: Path, hours_east: int, due: date) -> None:
    """Round 1 on 2 March in a zone two hours east; the next day begins where the listener is by then."""
    clock = SetClock()
    study = rendered(tmp_path, clock)
    do_round(study, "ana")
    clock.forward(hours=2)
    there = Study(tmp_path, SetClock(clock().astimezone(timezone(timedelta(hours=hours_east)))))
    stands = round_state(there, there.log.contents(), "ana").due
    assert stands is not None and stands.day == due
    clock_there = there.clock
    assert isinstance(clock_there, SetClock)
    if clock_there().date() < due:
        with pytest.raises(ListenError, match="due on 2026-03-03"):
            enter_round(there, "ana")
        clock_there.now = datetime(2026, 3, 3, 8, tzinfo=clock_there.now.tzinfo)
    do_round(there, "ana")
    ends = [r.ended_utc for r in there.log.contents().rounds_of("ana")]
    assert ends == sorted(ends, key=str) and str(ends[0]).startswith("2026-03-02T18")
    assert {x.local_date for x in there.log.contents().listens} == {"2026-03-02", "2026-03-03"}
    assert clock().astimezone(UTC) - datetime(2026, 3, 2, 18, tzinfo=UTC) == timedelta(hours=2)
