"""A render that is measured while it is written: the same figures as reading it afterwards."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from render.audio.containers import pad_wav, wav_audio_sha256, wav_bytes, wav_format
from render.audio.integers import from_int24, to_int24
from render.errors import RenderError
from render.renders.writing import ReadBack, write_measured
from tests.meter_series import measure

RATE = 48000


def noise(frames: int, channels: int = 2) -> NDArray[np.int32]:
    audio = 0.2 * np.random.default_rng(3).standard_normal((frames, channels))
    return to_int24(audio.astype(np.float32).clip(-0.99, 0.99), 1.0, np.empty((frames, channels), np.float32))


def blocks(whole: NDArray[np.int32], length: int) -> list[NDArray[np.int32]]:
    return [whole[start : start + length] for start in range(0, len(whole), length)]


@pytest.mark.parametrize(
    ("frames", "channels", "rate"), [(300_001, 2, 48000), (150_000, 1, 44100), (7, 1, 96000)]
)
@pytest.mark.parametrize("length", [1 << 18, 1 << 17, 4801])
def test_figures_are_those_of_the_finished_file(
    tmp_path: Path, frames: int, channels: int, rate: int, length: int
) -> None:
    path, whole = tmp_path / "a.wav", noise(frames, channels)
    reading, sha256 = write_measured(path, blocks(whole, length), frames, rate, channels)
    pad_wav(path, wav_bytes(frames, channels) + 1000)
    assert sha256 == wav_audio_sha256(path)
    again, its_rate = soundfile.read(path, dtype="int32", always_2d=True)
    assert (again == whole).all() and its_rate == rate
    audio, _ = soundfile.read(path, dtype="float32", always_2d=True)
    expected = measure(audio, rate)
    assert reading.integrated_lufs == pytest.approx(expected.integrated_lufs, abs=1e-5)
    assert reading.true_peak_dbtp == pytest.approx(expected.true_peak_dbtp, abs=1e-5)
    assert reading.lra_lu == expected.lra_lu or reading.lra_lu == pytest.approx(expected.lra_lu, abs=1e-4)


def test_what_is_measured_is_what_lies_on_the_disk(tmp_path: Path) -> None:
    """Samples that the disk lost are missing in the figures."""
    path, whole = tmp_path / "a.wav", noise(200_000)
    write_measured(path, [whole], 200_000, RATE, 2)
    with path.open("r+b") as file:
        file.seek(44 + 100_000 * 6)
        file.write(bytes(90_000 * 6))
    with ReadBack(path, 200_000, RATE, 2) as reader:
        reader.take(150_000)
        reader.take(50_000)
    assert reader.digest.hexdigest() == wav_audio_sha256(path)
    expected = measure(soundfile.read(path, dtype="float32")[0], RATE)
    assert reader.meter.result().integrated_lufs == pytest.approx(expected.integrated_lufs, abs=1e-5)


def test_what_the_disk_cut_short_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    write_measured(path, [noise(1000)], 1000, RATE, 2)
    with path.open("r+b") as file:
        file.truncate(44 + 999 * 6)
    with ReadBack(path, 1000, RATE, 2) as reader, pytest.raises(RenderError, match="is not what was written"):
        reader.take(1000)


def test_another_length_than_was_said(tmp_path: Path) -> None:
    with pytest.raises(RenderError, match="is not what was written; check the disk, then render again"):
        write_measured(tmp_path / "a.wav", [noise(1000)], 1001, RATE, 2)


def test_the_error_is_the_writers_own(tmp_path: Path) -> None:
    def failing() -> Iterator[NDArray[np.int32]]:
        yield noise(1000)
        raise RenderError("the stem ends early")

    with pytest.raises(RenderError, match="the stem ends early"):
        write_measured(tmp_path / "a.wav", failing(), 2000, RATE, 2)


@pytest.mark.parametrize("channels", [1, 2])
def test_the_format_is_what_libsndfile_writes(tmp_path: Path, channels: int) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((10, channels)), 44100, subtype="PCM_24")
    assert (tmp_path / "a.wav").read_bytes()[12:44] == wav_format(10, 44100, channels)


@pytest.mark.parametrize("channels", [1, 2])
def test_decoding_gives_the_integers_that_libsndfile_gives(tmp_path: Path, channels: int) -> None:
    path = tmp_path / "a.wav"
    extremes = (
        np.array([-(2**31), 2**31 - 256, 0, -256, 256], np.int32).repeat(channels).reshape(-1, channels)
    )
    whole = np.concatenate((noise(5000, channels), extremes, extremes[::-1]))
    soundfile.write(path, whole, RATE, subtype="PCM_24")
    decoded = from_int24(path.read_bytes()[44:], channels)
    assert decoded.dtype == np.int32 and (decoded == whole).all()
    assert (decoded == soundfile.read(path, dtype="int32", always_2d=True)[0]).all()
