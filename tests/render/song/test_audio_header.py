"""What a bounce's header says: read here for plain WAV files, by libsndfile for all others; both agree."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.errors import AudioError
from render.song import audio_header
from render.song.audio_header import AudioInfo, audio_info

FRAMES = 101


def write(path: Path, channels: int, kind: str, subtype: str) -> None:
    samples = np.random.default_rng(1).uniform(-0.5, 0.5, (FRAMES, channels))
    soundfile.write(path, samples, 44100, format=kind, subtype=subtype)


def answers(path: Path) -> tuple[AudioInfo | str, AudioInfo | str]:
    """By our own reading, where there is one, and by libsndfile alone."""

    def told(read: object) -> AudioInfo | str:
        try:
            return read(path)  # type: ignore[operator]
        except AudioError as error:
            return str(error)

    ours = audio_header._plain_wav(path)
    theirs = told(audio_header._by_libsndfile)
    return theirs if ours is None else ours, theirs


@pytest.mark.parametrize("kind", ["WAV", "WAVEX"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("channels", [1, 2])
def test_plain_wav_files_need_no_libsndfile(tmp_path: Path, channels: int, subtype: str, kind: str) -> None:
    path = tmp_path / "song.wav"
    write(path, channels, kind, subtype)
    assert audio_header._plain_wav(path) == AudioInfo(path, 44100, channels, FRAMES)
    assert audio_info(path) == audio_header._by_libsndfile(path)


@pytest.mark.parametrize(
    ("kind", "subtype"),
    [("WAV", "PCM_U8"), ("WAV", "ULAW"), ("RF64", "PCM_24"), ("FLAC", "PCM_24"), ("W64", "FLOAT")],
)
def test_anything_else_is_left_to_libsndfile(tmp_path: Path, kind: str, subtype: str) -> None:
    write(tmp_path / "song.wav", 1, kind, subtype)
    assert audio_header._plain_wav(tmp_path / "song.wav") is None


@pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
def test_a_file_cut_short_anywhere_is_told_as_libsndfile_tells_it(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "song.wav"
    write(path, 2, "WAV", subtype)
    whole = path.read_bytes()
    for length in range(0, len(whole), 7):
        path.write_bytes(whole[:length])
        ours, theirs = answers(path)
        assert ours == theirs, length


def test_a_damaged_header_never_says_more_frames_than_there_are(tmp_path: Path) -> None:
    path = tmp_path / "song.wav"
    write(path, 2, "WAV", "PCM_24")
    whole, rng = path.read_bytes(), np.random.default_rng(2)
    for at in range(len(whole) - FRAMES * 6):
        damaged = bytearray(whole)
        damaged[at] ^= int(rng.integers(1, 256))
        path.write_bytes(damaged)
        ours, theirs = answers(path)
        if isinstance(ours, AudioInfo) and isinstance(theirs, AudioInfo):
            assert (ours.frames, ours.channels) == (theirs.frames, theirs.channels), at
        elif isinstance(ours, AudioInfo):
            assert ours.frames * ours.channels * 2 <= len(whole), at
