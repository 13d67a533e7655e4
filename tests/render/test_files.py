"""What is written: whole, on the disk before it is named, and for its owner alone.

Durability by POSIX.1-2017: fsync() for a file's content, and for the folder that holds a new name.
"""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from listening.demo.demo_study import write_study
from render.errors import WriteError
from render.files import replacing
from tests.command_line import told
from tests.short_study import do_round, rendered

WINDOWS = sys.platform == "win32"


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What is really asked of the system, in its order: "sync 5000 bytes", "name a.json"."""
    seen: list[str] = []
    fsync, rename = os.fsync, os.replace

    def synced(descriptor: int) -> None:
        status = os.fstat(descriptor)
        seen.append("sync folder" if stat.S_ISDIR(status.st_mode) else f"sync {status.st_size} bytes")
        fsync(descriptor)

    def renamed(source: Path, target: Path) -> None:
        rename(source, target)
        seen.append(f"name {Path(target).name}")

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(os, "replace", renamed)
    return seen


def test_a_file_is_on_the_disk_before_it_has_its_name(tmp_path: Path, steps: list[str]) -> None:
    """A power cut between any two of these steps leaves the old file or the new one, whole."""
    path = tmp_path / "manifest.json"
    with replacing(path) as half:
        half.write_bytes(b"x" * 5000)
    assert steps[:2] == ["sync 5000 bytes", "name manifest.json"]
    assert steps[2:] == ([] if WINDOWS else ["sync folder"])
    with replacing(tmp_path / "copy.flac", lasting=False) as half:
        half.write_bytes(b"x")
    assert steps[-1] == "name copy.flac" and len(steps) <= 4, "no wait for what can be made again"


def test_renders_are_whole_before_they_are_named_and_not_waited_for(tmp_path: Path, steps: list[str]) -> None:
    """What a power cut takes of them is found by its sum before it is heard (tests/test_lost_renders.py)."""
    study = rendered(tmp_path, bars=4)  # given, so that it is rendered here and is no copy
    last_wav = max(at for at, step in enumerate(steps) if step.endswith(".wav"))
    first_manifest = next(at for at, step in enumerate(steps) if "manifest" in step)
    assert last_wav < first_manifest
    assert f"sync {study.manifest.file_bytes} bytes" not in steps


def test_what_fails_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text("old")
    with pytest.raises(ZeroDivisionError), replacing(path) as half:
        half.write_text("new")
        raise ZeroDivisionError
    left = tmp_path / f".a.json.{os.getpid()}.part"
    left.write_text("left by a process that was killed, and had the number that we have now")
    with replacing(path) as half:
        assert half.read_text() == ""
        half.write_text("new")
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"] and path.read_text() == "new"
    with pytest.raises(WriteError, match="could not be written"), replacing(tmp_path / "none" / "b"):
        pass


# Rights: on Windows a file has those of its folder, and these bits say nothing


@pytest.fixture
def common_umask() -> Iterator[None]:
    """What most systems set: everybody may read what a program writes without a thought."""
    before = os.umask(0o022)
    yield
    os.umask(before)


def open_to_others(folder: Path) -> list[str]:
    """Files that another person on this machine could read, with the folders above them in `folder`."""
    names = []
    for path in folder.rglob("*"):
        above = [p for p in path.parents if p.is_relative_to(folder) and p != folder]
        if path.is_file() and all(p.stat().st_mode & 0o077 for p in (path, *above)):
            names.append(path.relative_to(folder).as_posix())
    return sorted(names)


@pytest.mark.usefixtures("common_umask")
def test_what_the_commands_write_is_its_owners_alone(tmp_path: Path) -> None:
    """The song and song.toml are not ours: they stay as their owner made them."""
    study = rendered(tmp_path)
    do_round(study, "ana")
    told(tmp_path, "packet", "bo")
    told(tmp_path, "report")
    told(tmp_path, "check", "--joins-audio", str(tmp_path / "joins.wav"))
    told(tmp_path, "decide", "turned", "--because", "it lifts", "--yes")
    told(tmp_path, "report")
    written = {path.suffix for path in tmp_path.rglob("*") if path.is_file()}
    assert written >= {".sqlite", ".wav", ".flac", ".json", ".html", ".md", ".csv", ".mid"}
    if not WINDOWS:
        assert open_to_others(tmp_path) == ["song.toml", "song.wav"]


@pytest.mark.usefixtures("common_umask")
def test_a_new_song_toml_is_its_owners_alone_and_keeps_the_rights_that_they_give_it(tmp_path: Path) -> None:
    rendered(tmp_path)
    path = tmp_path / "song.toml"
    path.unlink()
    told(tmp_path, "new", str(tmp_path / "song.wav"), "--tempo", "240", study=False)
    if not WINDOWS:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.chmod(0o664)
    told(tmp_path, "ideas", "--write", "--count", "1")
    if not WINDOWS:
        assert stat.S_IMODE(path.stat().st_mode) == 0o664


@pytest.mark.usefixtures("common_umask")
def test_the_demos_folder_is_its_owners_alone(tmp_path: Path) -> None:
    write_study(tmp_path / "demo")
    if not WINDOWS:
        assert stat.S_IMODE((tmp_path / "demo").stat().st_mode) == 0o700
