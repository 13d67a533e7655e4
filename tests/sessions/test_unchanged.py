"""What is read from files is kept while they stay as they are, and read again when any of them changed."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from render.files import COARSEST_TIMES_NS
from sessions.unchanged import Unchanged


def aged(path: Path, text: str) -> Path:
    """A file that was written long ago by its time of content; its time of status is a moment ago."""
    path.write_text(text)
    os.utime(path, (1, 1))
    return path


class Reader:
    def __init__(self, *paths: Path) -> None:
        self.paths = paths
        self.count = 0
        self.kept = Unchanged()

    def __call__(self) -> str:
        def read() -> str:
            self.count += 1
            return " ".join(path.read_text() for path in self.paths)

        return self.kept.get("key", read, lambda _value: self.paths)


def test_files_that_stay_are_read_once(tmp_path: Path) -> None:
    reader = Reader(aged(tmp_path / "a", "one"), aged(tmp_path / "b", "two"))
    assert reader() == "one two"
    time.sleep(COARSEST_TIMES_NS / 1e9)  # until then nobody can be sure that they were not written once more
    for _ in range(5):
        assert reader() == "one two"
    assert reader.count == 2


@pytest.mark.parametrize("which", ["a", "b"])
def test_a_change_of_any_file_is_seen_though_size_and_time_stay(tmp_path: Path, which: str) -> None:
    reader = Reader(aged(tmp_path / "a", "one"), aged(tmp_path / "b", "two"))
    time.sleep(COARSEST_TIMES_NS / 1e9)
    reader()
    reader()
    assert reader.count == 1
    aged(tmp_path / which, "six")
    assert "six" in reader()


def test_a_file_that_is_gone_is_told_and_nothing_is_kept(tmp_path: Path) -> None:
    reader = Reader(aged(tmp_path / "a", "one"))
    time.sleep(COARSEST_TIMES_NS / 1e9)
    reader()
    (tmp_path / "a").unlink()
    with pytest.raises(FileNotFoundError):
        reader()
    aged(tmp_path / "a", "two")
    assert reader() == "two"
