"""Cue points of WAV files, read as another library reads them, and never in the way of the audio."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo
from hypothesis import given, settings
from hypothesis import strategies as st

from render.riff import Cue, read_cues, write_cued_wav

CUES = [Cue(0, "intro"), Cue(12_000, "Strophe für zwei"), Cue(40_001, "refrain")]


@pytest.fixture
def wav(tmp_path: Path) -> Path:
    sound = np.random.default_rng(1).normal(0, 0.1, (48_000, 2))
    soundfile.write(tmp_path / "a.wav", sound, 48_000, subtype="PCM_24")
    write_cued_wav(tmp_path / "a.wav", CUES, tmp_path / "b.wav")
    return tmp_path / "b.wav"


def test_what_is_written_is_read_again_here_and_by_wavinfo(wav: Path) -> None:
    assert read_cues(wav) == CUES
    theirs = wavinfo.WavInfoReader(str(wav), info_encoding="utf-8").cues
    assert [(cue.sample_offset, theirs.label_and_note(cue.name)[0]) for cue in theirs.cues] == [
        (cue.frame, cue.label) for cue in CUES
    ]
    assert np.array_equal(soundfile.read(wav)[0], soundfile.read(wav.with_name("a.wav"))[0])


def test_labels_in_latin_1_are_read(wav: Path) -> None:
    data = wav.read_bytes()
    utf8 = "Strophe für zwei".encode()
    wav.write_bytes(data.replace(utf8, "Strophe für zwei".encode("latin-1") + b"\0"))
    assert read_cues(wav)[1].label == "Strophe für zwei"


def test_other_files_have_none(tmp_path: Path) -> None:
    (tmp_path / "a.flac").write_bytes(b"fLaC")
    assert read_cues(tmp_path / "a.flac") == [] == read_cues(tmp_path / "none.wav")


def test_a_chunk_that_claims_more_than_there_is(wav: Path) -> None:
    data = bytearray(wav.read_bytes())
    at = data.index(b"cue ") + 8
    data[at : at + 4] = struct.pack("<I", 0xFFFFFFFF)  # so many points
    wav.write_bytes(data)
    assert len(read_cues(wav)) == 3


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200), st.binary(max_size=200))
def test_no_bytes_lead_to_a_traceback(
    tmp_path_factory: pytest.TempPathFactory, cue: bytes, adtl: bytes
) -> None:
    path = tmp_path_factory.mktemp("cues") / "a.wav"
    body = b"cue " + struct.pack("<I", len(cue)) + cue + b"\0" * (len(cue) % 2)
    body += b"LIST" + struct.pack("<I", len(adtl) + 4) + b"adtl" + adtl
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body) + 4) + b"WAVE" + body)
    assert all(cue.frame >= 0 for cue in read_cues(path))
