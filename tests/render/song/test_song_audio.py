"""The audio a song.toml names: bounces and stems that are refused, each clearly, and how well stems fit."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from render.audio.stem_fit import check_stems
from render.audio.stems import fit_stems, read_audio
from render.errors import AudioError, RenderError
from render.renders.render_forms import render_forms
from render.song.song import Song, load_song
from tests.songs import make_song, make_study

RATE = 8000  # most of these never look at the audio itself


def study(folder: Path, **options: Any) -> Path:
    return make_study(folder, **{"rate": RATE, "subtype": "PCM_16", **options})


def song(folder: Path, **options: Any) -> Song:
    return load_song(study(folder, **options))


def edited_audio(folder: Path, name: str) -> Song:
    path = folder / "song.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("song.wav", name), encoding="utf-8")
    return load_song(folder)


@pytest.mark.parametrize("kind", ["WAV", "FLAC", "AIFF", "OGG"])
@pytest.mark.parametrize("channels", [1, 2])
def test_the_audio_may_be_of_any_common_kind(tmp_path: Path, kind: str, channels: int) -> None:
    study(tmp_path, channels=channels)
    audio, rate = soundfile.read(tmp_path / "song.wav", dtype="float32", always_2d=True)
    name = f"song.{kind.lower()}"
    soundfile.write(tmp_path / name, audio, rate, format=kind)
    edited = edited_audio(tmp_path, name)
    assert (edited.audio.frames, edited.audio.channels) == audio.shape
    again = read_audio(edited.audio.path)
    assert np.corrcoef(again.ravel(), audio.ravel())[0, 1] > (0.9 if kind == "OGG" else 0.999999)


# Audio in disorder


def test_the_audio_is_missing(tmp_path: Path) -> None:
    study(tmp_path)
    (tmp_path / "song.wav").unlink()
    with pytest.raises(AudioError, match=r"there is no audio file .*song\.wav"):
        load_song(tmp_path)


@pytest.mark.parametrize(
    "content",
    [b"", b"RIFF", b"This is a letter, not a song.\n" * 50, b"\x00" * 4000, b"RIFF\xff\xff\xff\xffWAVEfmt "],
)
def test_a_file_that_is_no_audio(tmp_path: Path, content: bytes) -> None:
    study(tmp_path)
    (tmp_path / "song.wav").write_bytes(content)
    with pytest.raises(AudioError, match=r"song\.wav cannot be read as audio; export it again"):
        load_song(tmp_path)


def test_audio_without_a_header(tmp_path: Path) -> None:
    study(tmp_path)
    (tmp_path / "song.raw").write_bytes(bytes(4000))
    with pytest.raises(AudioError, match="cannot be read as audio"):
        edited_audio(tmp_path, "song.raw")


def test_a_folder_for_audio(tmp_path: Path) -> None:
    study(tmp_path)
    (tmp_path / "song.wav").unlink()
    (tmp_path / "song.wav").mkdir()
    with pytest.raises(AudioError, match="there is no audio file"):
        load_song(tmp_path)


def rewritten(
    folder: Path, frames: int = RATE, channels: int = 2, rate: int = RATE, subtype: str = "PCM_16"
) -> Path:
    study(folder)
    soundfile.write(folder / "song.wav", np.full((frames, channels), 0.1), rate, subtype=subtype)
    return folder


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"frames": 0}, "holds no audio (0 frames)"),
        ({"channels": 6}, "has 6 channels; bounce the song to stereo or mono"),
        ({"subtype": "PCM_U8"}, "has 8 bits a sample; bounce the song with 16 bits or more"),
        ({"rate": 4000}, "has 4000 Hz"),
    ],
)
def test_audio_that_is_refused(tmp_path: Path, options: dict[str, Any], said: str) -> None:
    with pytest.raises(AudioError) as caught:
        load_song(rewritten(tmp_path, **options))
    assert said in str(caught.value)
    assert "song.wav" in str(caught.value)


def test_a_fifth_of_a_second_is_too_short_to_measure(tmp_path: Path) -> None:
    made = song(
        tmp_path, audio=np.full((RATE // 5, 1), 0.1, np.float32), start=0, sections={"a": "1"}, forms={}
    )
    with pytest.raises(RenderError, match=r'"as written" lasts 0\.20 s; loudness needs at least 0\.4 s'):
        render_forms(made)
    assert not (tmp_path / "renders").exists()


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number_is_found_before_any_work(tmp_path: Path, value: float) -> None:
    audio = np.full((13 * RATE, 2), 0.1, np.float32)
    audio[12345, 1] = value
    made = song(tmp_path, audio=audio, bars=6, subtype="FLOAT", sections={"a": "1-2", "b": "3-5"}, forms={})
    with pytest.raises(
        AudioError, match=r"song\.wav holds a sample that is no number at 1\.543 s \(frame 12345\)"
    ):
        render_forms(made)
    assert not (tmp_path / "renders").exists()


def test_a_file_that_was_cut_short_by_a_copy(tmp_path: Path) -> None:
    study(tmp_path)
    audio, rate = soundfile.read(tmp_path / "song.wav")
    soundfile.write(tmp_path / "song.flac", audio, rate)
    data = (tmp_path / "song.flac").read_bytes()
    (tmp_path / "song.flac").write_bytes(data[: len(data) // 2])
    with pytest.raises(AudioError, match=r"song\.flac (cannot be decoded to its end|ends after)"):
        render_forms(edited_audio(tmp_path, "song.flac"))


# Stems in disorder


def with_stem(folder: Path, **options: int) -> Song:
    """A study whose stem "voice" is written with other properties than the bounce's."""
    study(folder, stems=("drums", "voice"), forms={"x": ["verse without voice", "outro"]})
    audio, rate = soundfile.read(folder / "song.wav", always_2d=True)
    audio = audio[: options.get("frames", len(audio))]
    audio = np.repeat(audio[:, :1], options.get("channels", 2), axis=1)
    soundfile.write(folder / "stems" / "voice.wav", audio, options.get("rate", rate))
    return load_song(folder)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"rate": 48000}, "stems.voice: voice.wav has 48000 Hz, the bounce 8000 Hz"),
        ({"frames": 1000}, "frames shorter than the bounce (1000 and 198000)"),
        ({"channels": 3}, "has 3 channels"),
    ],
)
def test_stems_unlike_the_bounce(tmp_path: Path, options: dict[str, int], said: str) -> None:
    song = with_stem(tmp_path, **options)
    for refused in (lambda: check_stems(song.stems, song.audio), lambda: render_forms(song)):
        with pytest.raises(AudioError) as caught:
            refused()
        assert said in str(caught.value)
    assert not (tmp_path / "renders").exists()


def test_a_stem_may_be_mono(tmp_path: Path) -> None:
    refused = with_stem(tmp_path, channels=1)
    check_stems(refused.stems, refused.audio)


def test_a_stereo_stem_for_a_mono_bounce_is_refused(tmp_path: Path) -> None:
    made = song(tmp_path, channels=1, stems=("drums", "voice"))
    audio, rate = soundfile.read(tmp_path / "stems" / "voice.wav")
    soundfile.write(tmp_path / "stems" / "voice.wav", np.stack([audio, audio], axis=1), rate)
    with pytest.raises(AudioError, match="has 2 channels, the bounce 1"):
        check_stems(made.stems, made.audio)


def test_a_missing_stem(tmp_path: Path) -> None:
    made = song(tmp_path, stems=("drums", "voice"))
    (tmp_path / "stems" / "voice.wav").unlink()
    with pytest.raises(AudioError, match=r"there is no audio file .*voice\.wav"):
        check_stems(made.stems, made.audio)


def test_a_nan_in_a_stem_is_found_before_any_work(tmp_path: Path) -> None:
    study_song = make_song(
        tmp_path, rate=RATE, subtype="FLOAT", stems=("drums", "voice"), forms={"x": ["verse without voice"]}
    )
    path = tmp_path / "stems" / "voice.wav"
    audio, rate = soundfile.read(path, dtype="float32")
    audio[5000, 0] = np.nan
    soundfile.write(path, audio, rate, subtype="FLOAT")
    with pytest.raises(AudioError, match=r"voice\.wav holds a sample that is no number at 0\.625 s"):
        render_forms(study_song)
    assert not (tmp_path / "renders").exists()


# How well stems fit


def test_stems_that_add_up_null(tmp_path: Path) -> None:
    study_song = make_song(tmp_path, stems=("drums", "bass", "voice"))
    fit = fit_stems(read_audio(study_song.audio.path), study_song.stems, 48000)
    assert fit.nulls
    assert fit.residual_db == -200  # to the bit
    assert fit.gain == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_stems_of_any_format_are_compared_sample_by_sample_to_their_end(tmp_path: Path, subtype: str) -> None:
    """24-bit files are read by another way; the figures are those of libsndfile's samples."""
    study_song = make_song(tmp_path, stems=("drums", "voice"), channels=1, subtype=subtype, stems_gain=0.7)
    bounce = read_audio(study_song.audio.path)
    stems = [soundfile.read(path, dtype="float32")[0] for path in study_song.stems.values()]
    mix, total = bounce[:, 0].astype(np.float64), (stems[0] + stems[1]).astype(np.float64)
    fit = fit_stems(bounce, study_song.stems, 48000)
    assert fit.gain == pytest.approx(mix @ total / (total @ total), rel=1e-9)
    assert fit.residual_db == pytest.approx(10 * np.log10(((mix - total) ** 2).sum() / (mix @ mix)), abs=1e-4)
    longer = np.concatenate([bounce, bounce[-1:]])
    with pytest.raises(AudioError, match=r"drums\.wav cannot be decoded to its end"):
        fit_stems(longer, study_song.stems, 48000)


def test_stems_before_the_mix_bus_are_matched_by_a_gain_and_their_worst_place_is_named(
    tmp_path: Path,
) -> None:
    study_song = make_song(tmp_path, stems=("drums", "bass", "voice"), stems_gain=0.5)
    bounce = read_audio(study_song.audio.path).copy()
    at = 6 * 48000
    bounce[at : at + 9600] += 0.5 * np.random.default_rng(1).standard_normal((9600, 2), dtype=np.float32)
    fit = fit_stems(bounce, study_song.stems, 48000)
    assert not fit.nulls
    assert fit.gain_db == pytest.approx(6.02, abs=0.01)
    assert fit.worst_at_s == pytest.approx(6.0)
    assert fit.worst_db > fit.residual_db


def test_the_residual_is_relative_to_the_bounce(tmp_path: Path) -> None:
    """Noise 60.5 dB and 59.5 dB below the bounce on either side of the limit."""
    study_song = make_song(tmp_path, subtype="FLOAT", stems=("drums", "voice"))
    bounce = read_audio(study_song.audio.path)
    noise = np.random.default_rng(2).standard_normal(bounce.shape)
    noise *= np.sqrt(np.mean(bounce.astype(float) ** 2) / np.mean(noise**2))
    for level_db, nulls in ((-60.5, True), (-59.5, False)):
        fit = fit_stems((bounce + 10 ** (level_db / 20) * noise).astype(np.float32), study_song.stems, 48000)
        assert fit.residual_db == pytest.approx(level_db, abs=0.02)
        assert fit.nulls is nulls
