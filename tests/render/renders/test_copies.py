"""Copies of the renders: the same integers, and above 48 kHz resampled alike."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample

from render.files import file_sha256
from render.loudness.meter import LoudnessMeter
from render.renders.copies import SUMS_FILE, flac_copies, opus_copies, page_rate, resampled
from sessions.study import Study
from tests.page_study import make_study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return make_study(tmp_path_factory.mktemp("copies"))


def loudness_lufs(path: Path) -> float:
    audio, rate = soundfile.read(path, dtype="float32", always_2d=True)
    meter = LoudnessMeter(rate, audio.shape[1])
    meter.add(audio)
    return meter.result().integrated_lufs


def test_a_flac_copy_holds_the_integers_of_its_render(study: Study) -> None:
    copies = flac_copies(study.folder, study.manifest)
    assert copies.sample_rate == 48000
    for form in study.manifest.forms:
        wav = soundfile.read(study.folder / form.wav, dtype="int32", always_2d=True)[0]
        flac = soundfile.read(copies.paths[form.content_hash], dtype="int32", always_2d=True)[0]
        assert len(wav) == form.frames
        np.testing.assert_array_equal(wav, flac)


def test_copies_have_no_words_in_them(study: Study) -> None:
    copies = flac_copies(study.folder, study.manifest)
    for path in copies.paths.values():
        data = path.read_bytes()
        assert not any(form.name.encode() in data for form in study.manifest.forms)
        with soundfile.SoundFile(path) as file:
            assert not any(file.copy_metadata().values())


def test_whole_copies_are_left_alone_and_broken_ones_made_again(study: Study) -> None:
    first = flac_copies(study.folder, study.manifest)
    paths = list(first.paths.values())
    before = {path: path.stat().st_mtime_ns for path in paths}
    data = bytearray(paths[0].read_bytes())
    data[-1000] ^= 0x40
    paths[0].write_bytes(data)
    paths[1].write_bytes(paths[1].read_bytes()[:-500])
    again = flac_copies(study.folder, study.manifest)
    for form in study.manifest.forms:
        wav = soundfile.read(study.folder / form.wav, dtype="int32")[0]
        np.testing.assert_array_equal(wav, soundfile.read(again.paths[form.content_hash], dtype="int32")[0])
    assert paths[2].stat().st_mtime_ns == before[paths[2]]


@pytest.mark.parametrize("damaged", ['{"a": 1}', "[]", '{"a', None])
def test_a_copy_is_made_again_where_its_sum_is_not_known(study: Study, damaged: str | None) -> None:
    paths = list(flac_copies(study.folder, study.manifest).paths.values())
    sums = study.folder / SUMS_FILE
    made = {path.name: file_sha256(path) for path in paths}
    assert made.items() <= json.loads(sums.read_text()).items()
    sums.unlink() if damaged is None else sums.write_text(damaged)
    data = bytearray(paths[0].read_bytes())
    data[-1000] ^= 0x40
    paths[0].write_bytes(data)
    flac_copies(study.folder, study.manifest)
    assert made == {path.name: file_sha256(path) for path in paths}
    assert made.items() <= json.loads(sums.read_text()).items()


def test_a_browsers_own_decoder_library_reads_a_copy(study: Study) -> None:
    """ffmpeg's FLAC decoder is the one of Chromium and Firefox; the browser tests decode in Chromium too."""
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg is not installed")
    copies = flac_copies(study.folder, study.manifest)
    for form in study.manifest.forms:
        command = ["ffmpeg", "-v", "error", "-i", str(copies.paths[form.content_hash]), "-f", "s32le", "-"]
        done = subprocess.run(command, capture_output=True, check=True)
        wav = soundfile.read(study.folder / form.wav, dtype="int32", always_2d=True)[0]
        np.testing.assert_array_equal(np.frombuffer(done.stdout, "<i4").reshape(-1, 2), wav)


@pytest.mark.parametrize(("rate", "expected"), [
    (8000, 8000), (44100, 44100), (48000, 48000), (88200, 44100), (96000, 48000), (176400, 44100),
    (192000, 48000), (64000, 48000),
])  # fmt: skip
def test_the_rate_of_a_copy(rate: int, expected: int) -> None:
    assert page_rate(rate) == expected


@pytest.mark.parametrize(("rate", "to"), [(96000, 48000), (88200, 44100), (64000, 48000), (44100, 48000)])
def test_resampling_is_that_of_an_ideal_band_limit(tmp_path: Path, rate: int, to: int) -> None:
    """Oracle: the discrete Fourier transform (scipy.signal.resample), exact for a periodic signal whose
    band lies within both rates. The middle of several periods is compared with it."""
    period = round(rate * 0.5)
    dice = np.random.default_rng(5)
    spectrum = np.zeros(period // 2 + 1, dtype=complex)
    top = int(0.9 * min(rate, to) / 2 * 0.5)  # bins of 2 Hz up to 0.9 of the narrower band
    spectrum[10:top] = dice.standard_normal(top - 10) + 1j * dice.standard_normal(top - 10)
    one = np.fft.irfft(spectrum, period)
    one *= 0.4 / np.max(np.abs(one))
    soundfile.write(tmp_path / "x.wav", np.tile(one, 5), rate, subtype="FLOAT")
    made = np.concatenate(list(resampled(tmp_path / "x.wav", to)))[:, 0]
    assert len(made) == -(-5 * period * to // rate)
    ideal = np.tile(resample(one, period * to // rate), 5)
    middle = slice(to, len(made) - to)
    error = made[middle] - ideal[middle]
    assert 20 * np.log10(np.std(error) / np.std(ideal)) < -80


def test_what_lies_above_the_new_band_is_gone(tmp_path: Path) -> None:
    t = np.arange(96000) / 96000
    soundfile.write(tmp_path / "x.wav", 0.5 * np.sin(2 * np.pi * 30000 * t), 96000, subtype="FLOAT")
    made = np.concatenate(list(resampled(tmp_path / "x.wav", 48000)))[2000:-2000]
    assert np.max(np.abs(made)) < 0.5 * 10 ** (-100 / 20)


def test_copies_of_a_96_khz_study_are_equally_loud(tmp_path: Path) -> None:
    study = make_study(tmp_path, sample_rate=96000)
    copies = flac_copies(study.folder, study.manifest)
    assert copies.sample_rate == 48000
    for form in study.manifest.forms:
        path = copies.paths[form.content_hash]
        assert soundfile.info(path).frames == -(-form.frames // 2)
        assert loudness_lufs(path) == pytest.approx(form.lufs, abs=0.05)


def test_opus_copies_keep_length_and_level(study: Study, tmp_path: Path) -> None:
    copies = opus_copies(study.folder, study.manifest, tmp_path)
    for form in study.manifest.forms:
        path = copies.paths[form.content_hash]
        assert abs(soundfile.info(path).duration - form.seconds) < 0.01
        assert loudness_lufs(path) == pytest.approx(form.lufs, abs=0.1)
        assert path.stat().st_size < 0.3 * (study.folder / form.wav).stat().st_size
