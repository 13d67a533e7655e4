"""Results kept beside the renders: used only where nothing has changed and nothing is damaged."""

import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from render.digests import SUMS_FILE, digests
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
    first = key_of("check", "text", files=[path], folder=tmp_path)
    assert first == key_of("check", "text", files=[path], folder=tmp_path)
    assert first != key_of("check", "other text", files=[path], folder=tmp_path)
    missing = key_of("check", files=[tmp_path / "missing.wav"], folder=tmp_path)
    assert missing != key_of("check", files=[path], folder=tmp_path)


def test_a_touched_file_keeps_its_key_and_one_of_the_same_size_and_time_has_another(tmp_path: Path) -> None:
    path = tmp_path / "song.wav"
    path.write_bytes(b"one")
    os.utime(path, ns=(1, 1))
    one = key_of("check", files=[path], folder=tmp_path)
    os.utime(path, ns=(2, 2))
    assert key_of("check", files=[path], folder=tmp_path) == one
    path.write_bytes(b"two")
    os.utime(path, ns=(2, 2))
    assert key_of("check", files=[path], folder=tmp_path) != one


def test_a_sum_is_kept_while_a_file_stays_as_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, sums = tmp_path / "song.wav", tmp_path / SUMS_FILE
    path.write_bytes(b"one")
    monkeypatch.setattr("render.digests.COARSEST_TIMES_NS", -(10**12))  # as if it had long been there
    (digest,) = digests([path], tmp_path).values()
    assert digest == hashlib.sha256(b"one").hexdigest()
    there = json.loads(sums.read_text("utf-8"))
    assert there["song.wav"][-1] == digest
    there["song.wav"][-1] = "known"  # so it was not read again
    sums.write_text(json.dumps(there), encoding="utf-8")
    assert digests([path], tmp_path) == {"song.wav": "known"}
    path.write_bytes(b"two")
    assert digests([path], tmp_path) == {"song.wav": hashlib.sha256(b"two").hexdigest()}


@pytest.mark.parametrize("damage", [b"", b"[]", b"{", b'{"song.wav": 1}', b'{"song.wav": [1, 2]}', b"\xff"])
def test_damaged_sums_are_made_anew(tmp_path: Path, damage: bytes) -> None:
    path, sums = tmp_path / "song.wav", tmp_path / SUMS_FILE
    path.write_bytes(b"one")
    sums.parent.mkdir()
    sums.write_bytes(damage)
    assert digests([path], tmp_path) == {"song.wav": hashlib.sha256(b"one").hexdigest()}
