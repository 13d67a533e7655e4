"""An audio file that was cut short is named; one whose length its writer could not know is not."""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.errors import AudioError
from render.song.audio_header import audio_info

RATE = 48000


def written(path: Path, kind: str, subtype: str) -> bytes:
    sound = 0.1 * np.random.default_rng(1).standard_normal((2 * RATE, 2))
    soundfile.write(path, sound, RATE, subtype=subtype, format=kind)
    return path.read_bytes()


@pytest.mark.parametrize(
    ("kind", "subtype"),
    [("WAV", "PCM_24"), ("WAV", "FLOAT"), ("WAVEX", "PCM_16"), ("AIFF", "PCM_24"), ("RF64", "PCM_24")],
)
def test_a_header_that_promises_more_than_the_file_holds(tmp_path: Path, kind: str, subtype: str) -> None:
    path = tmp_path / "bounce"
    data = written(path, kind, subtype)
    assert audio_info(path).frames == 2 * RATE
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(
        AudioError, match=r"cut short: its header promises 2\.00 s of audio, it holds 1\.00 s"
    ):
        audio_info(path)
    path.write_bytes(data[:-1200])
    with pytest.raises(AudioError, match="cut short"):
        audio_info(path)


def test_what_was_written_into_a_pipe_promises_nothing(tmp_path: Path) -> None:
    """A RIFF length of 0xFFFFFFFF: its writer could not go back (common practice, no source)."""
    path = tmp_path / "pipe.wav"
    data = written(path, "WAV", "PCM_16")
    at = data.index(b"data") + 4
    path.write_bytes(data[:at] + struct.pack("<I", 0xFFFFFFFF) + data[at + 4 :])
    assert audio_info(path).frames == 2 * RATE


def test_chunks_after_the_audio_are_no_promise(tmp_path: Path) -> None:
    path = tmp_path / "marked.wav"
    data = written(path, "WAV", "PCM_16")
    path.write_bytes(data + b"LIST" + struct.pack("<I", 4) + b"adtl")
    assert audio_info(path).frames == 2 * RATE


def test_what_cannot_be_read_is_told_what_can(tmp_path: Path) -> None:
    path = tmp_path / "bounce.m4a"
    path.write_bytes(b"\0\0\0\x20ftypM4A " + bytes(4000))
    with pytest.raises(AudioError, match="WAV, FLAC, AIFF, OGG or MP3"):
        audio_info(path)
