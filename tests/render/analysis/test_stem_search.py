"""Stems found by name, and their offsets: known answers, to the frame."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.analysis.stem_search import StemSearch, search, stem_names
from render.errors import AudioError
from tests.invented_songs import InventedSong, Passage, play

RATE = 22050
DRUMS = Passage("a", 12, "C", "rock", "none", None, 0, False)
BASS = Passage("a", 12, "C G Am F", "none", "none", None, 0, True)
KEYS = Passage("a", 12, "C G Am F", "none", "pad", 5, -3, False)


@cache
def part(passage: Passage, seed: int) -> np.ndarray:
    return 0.5 * play(InventedSong("stems", 120.0, (passage,)), RATE, seed)


def exported(folder: Path, shifts: dict[str, int]) -> StemSearch:
    """Write a bounce and its stems, some of them `shifts` frames later, and search for them."""
    sounds = {"Drums": part(DRUMS, 1), "BASS": part(BASS, 2), "keys": part(KEYS, 3)}
    bounce = sum(sounds.values())
    stems = folder / "stems"
    stems.mkdir()
    for name, sound in sounds.items():
        moved = np.zeros_like(sound)
        by = shifts.get(name, 0)
        moved[max(by, 0) : len(sound) + min(by, 0)] = sound[max(-by, 0) : len(sound) - max(by, 0)]
        soundfile.write(stems / f"01 harbour_{name}.wav", moved, RATE, subtype="FLOAT")
    soundfile.write(folder / "harbour.wav", bounce, RATE, subtype="FLOAT")
    return search(stems, folder / "harbour.wav", np.asarray(bounce, np.float32))


def test_stems_are_found_by_name_and_null(tmp_path: Path) -> None:
    midi = exported(tmp_path, {})
    assert sorted(s.name for s in midi.stems) == ["bass", "drums", "keys"]
    assert all(s.offset_frames == 0 and s.problem is None for s in midi.stems)
    assert midi.fit is not None and midi.fit.residual_db < -100
    assert midi.moved_residual_db is None
    assert "add up to the bounce" in midi.lines()[-1]
    exact = replace(midi, fit=replace(midi.fit, residual_db=-200.0))
    assert exact.lines()[-1] == "bass, drums and keys add up to the bounce, sample for sample"


@pytest.mark.parametrize("shift", [1, -1, 17, -480, 2205, 44100])
def test_a_shifted_stem_is_named_with_its_exact_frames(tmp_path: Path, shift: int) -> None:
    midi = exported(tmp_path, {"BASS": shift})
    by_name = {s.name: s for s in midi.stems}
    assert by_name["bass"].offset_frames == shift
    assert by_name["drums"].offset_frames == by_name["keys"].offset_frames == 0
    assert f"{abs(shift)} frames" in (by_name["bass"].problem or "")
    assert ("later" if shift > 0 else "earlier") in (by_name["bass"].problem or "")
    assert midi.moved_residual_db is not None
    assert midi.moved_residual_db < (-60 if abs(shift) < 500 else -20)  # a late end is lost


def test_each_stem_has_its_own_offset(tmp_path: Path) -> None:
    midi = exported(tmp_path, {"Drums": 64, "keys": -1000})
    assert {s.name: s.offset_frames for s in midi.stems} == {"drums": 64, "bass": 0, "keys": -1000}


def test_other_rates_lengths_and_strangers_are_named(tmp_path: Path) -> None:
    exported(tmp_path, {})
    bounce, _ = soundfile.read(tmp_path / "harbour.wav", dtype="float32", always_2d=True)
    stems = tmp_path / "stems"
    drums, _ = soundfile.read(stems / "01 harbour_Drums.wav", always_2d=True)
    soundfile.write(stems / "01 harbour_Drums.wav", drums[:-100], RATE)
    soundfile.write(stems / "01 harbour_rate.wav", drums, 44100)
    stranger = np.random.default_rng(0).standard_normal(drums.shape) * 0.1
    soundfile.write(stems / "01 harbour_noise.wav", stranger, RATE)
    (stems / "01 harbour_broken.wav").write_bytes(b"RIFF????")
    (stems / "notes.txt").write_text("not audio")
    soundfile.write(stems / "01 harbour_torn.flac", drums, RATE)
    torn = bytearray((stems / "01 harbour_torn.flac").read_bytes())
    torn[len(torn) // 2 : len(torn) // 2 + 5000] = bytes(5000)
    (stems / "01 harbour_torn.flac").write_bytes(torn)
    by_name = {s.name: s for s in search(stems, tmp_path / "harbour.wav", bounce).stems}
    assert set(by_name) == {"bass", "drums", "keys", "rate", "noise", "broken", "torn"}
    assert "100 frames shorter" in (by_name["drums"].problem or "")
    assert "44100 Hz" in (by_name["rate"].problem or "")
    assert by_name["noise"].offset_frames is None
    assert "cannot be read" in (by_name["broken"].problem or "")
    assert "cannot be decoded to its end" in (by_name["torn"].problem or "")


def test_stems_that_do_not_add_up_are_said_to_leave_something(tmp_path: Path) -> None:
    exported(tmp_path, {})
    (tmp_path / "stems" / "01 harbour_keys.wav").unlink()
    bounce, _ = soundfile.read(tmp_path / "harbour.wav", dtype="float32", always_2d=True)
    match = search(tmp_path / "stems", tmp_path / "harbour.wav", bounce)
    assert "do not add up" in match.lines()[-1] and "dB" in match.lines()[-1]


def test_an_empty_or_missing_folder(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((RATE, 1)), RATE)
    (tmp_path / "empty").mkdir()
    bounce = np.zeros((RATE, 1), np.float32)
    assert "no stems" in search(tmp_path / "empty", tmp_path / "a.wav", bounce).lines()[0]
    with pytest.raises(AudioError, match="no folder"):
        search(tmp_path / "nowhere", tmp_path / "a.wav", bounce)


def test_names() -> None:
    assert stem_names(["Harbour Lights - Bass", "Harbour Lights - Lead Vox"], "Harbour Lights") == [
        "bass",
        "lead vox",
    ]
    assert stem_names(["01_Drums", "02_Drums", "03-Keys stem"], "song") == ["drums", "drums 2", "keys"]
    assert stem_names(["bass"], "song") == ["bass"]
