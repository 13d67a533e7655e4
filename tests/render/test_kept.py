"""Results kept beside the renders: used only where nothing has changed and nothing is damaged."""

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from render.kept import kept, key_of


@dataclass(frozen=True)
class Found:
    name: str
    level_db: float
    bars: tuple[int, ...]


class Work:
    """Counts how often it is done."""

    def __init__(self, result: object = Found("verse", -3.5, (1, 2))) -> None:
        self.times = 0
        self.result = result

    def __call__(self) -> object:
        self.times += 1
        return self.result


def test_a_result_is_computed_once_for_a_key(tmp_path: Path) -> None:
    work, path = Work(), tmp_path / "renders" / "found.json"
    assert kept(path, "one", Found, work) == work.result == kept(path, "one", Found, work)
    assert work.times == 1
    kept(path, "two", Found, work)
    assert work.times == 2


@pytest.mark.parametrize("place", [0.02, 0.3, 0.6, 0.9, 0.999])
def test_a_damaged_file_is_made_anew(tmp_path: Path, place: float) -> None:
    work, path = Work(), tmp_path / "found.json"
    kept(path, "one", Found, work)
    whole = path.read_bytes()
    at = int(place * len(whole))
    for data in (whole[:at], whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :], b"", b"\xff\xfe{"):
        path.write_bytes(data)
        assert kept(path, "one", Found, work) == work.result
        assert path.read_bytes() == whole


def test_what_is_no_plain_data_is_not_kept(tmp_path: Path) -> None:
    work, path = Work(Found("silent", float("-inf"), ())), tmp_path / "found.json"
    for _ in range(2):
        assert kept(path, "one", Found, work) == work.result
    assert work.times == 2 and not path.exists()


def test_errors_are_not_kept(tmp_path: Path) -> None:
    def fails() -> Found:
        raise ValueError("no song")

    with pytest.raises(ValueError, match="no song"):
        kept(tmp_path / "found.json", "one", Found, fails)
    assert not list(tmp_path.iterdir())


def test_keys_tell_values_and_files_apart(tmp_path: Path) -> None:
    path = tmp_path / "song.wav"
    path.write_bytes(b"one")
    first = key_of("check", "text", files=[path])
    assert first == key_of("check", "text", files=[path])
    assert first != key_of("check", "other text", files=[path])
    os.utime(path, ns=(1, 1))
    assert first != key_of("check", "text", files=[path])
    assert key_of("check", files=[tmp_path / "missing.wav"]) != key_of("check", files=[path])
