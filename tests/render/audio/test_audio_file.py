"""Samples of audio files, read from any frame on: the same numbers as libsndfile reads."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.audio.audio_file import AudioFile
from render.errors import AudioError

FRAMES, RATE = 20_011, 44100


def written(path: Path, channels: int, kind: str, subtype: str) -> Path:
    samples = np.random.default_rng(1).uniform(-1, 1, (FRAMES, channels))
    samples[:2] = [[-1.0], [1.0]]  # both ends of what integers hold
    soundfile.write(path, samples, RATE, format=kind, subtype=subtype)
    return path


@pytest.mark.parametrize(
    ("kind", "subtype"),
    [
        *[(kind, subtype) for kind in ("WAV", "WAVEX") for subtype in ("PCM_16", "PCM_24", "FLOAT")],
        ("WAV", "PCM_32"), ("WAV", "DOUBLE"), ("RF64", "PCM_24"), ("AIFF", "PCM_24"), ("FLAC", "PCM_24"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("channels", [1, 2])
def test_samples_are_those_of_libsndfile(tmp_path: Path, channels: int, kind: str, subtype: str) -> None:
    path = written(tmp_path / "song", channels, kind, subtype)
    theirs, _ = soundfile.read(path, dtype="float32", always_2d=True)
    with AudioFile(path) as file:
        assert (file.frames, file.channels, file.sample_rate) == (FRAMES, channels, RATE)
        for start, stop in ((0, FRAMES), (17, 9000), (FRAMES - 1, FRAMES), (5, 5)):
            assert np.array_equal(file.read(start, stop), theirs[start:stop])
        assert np.array_equal(np.concatenate([*file.blocks(3001)]), theirs)
        out = np.zeros((8, channels), np.float32)
        assert file.fill(out, FRAMES - 5) == 5 and np.array_equal(out[:5], theirs[-5:])


def test_frames_beyond_the_end_are_refused_and_a_number_that_is_none_is_placed(tmp_path: Path) -> None:
    path = written(tmp_path / "song.wav", 2, "WAV", "PCM_24")
    with AudioFile(path) as file, pytest.raises(AudioError, match="cannot be decoded to its end"):
        file.read(0, FRAMES + 1)
    with path.open("r+b") as shortened, AudioFile(path) as file:
        shortened.truncate(44 + FRAMES * 3)  # by another program, while it is read
        with pytest.raises(AudioError, match="cannot be decoded to its end"):
            file.read(0, FRAMES)
    soundfile.write(path, np.full((FRAMES, 1), np.nan), RATE, subtype="FLOAT")
    with AudioFile(path) as file, pytest.raises(AudioError, match=r"no number at 0\.227 s \(frame 10000\)"):
        file.read(10_000, 10_001)
