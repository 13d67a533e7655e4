"""Frames of a song: what they hold, and that they are kept beside the renders."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.analysis.frames import BANDS, band_edges, song_frames
from render.analysis.frames_file import recall_frames

RATE = 16000


def tone(frequency: float, seconds: float = 1.0, rate: int = RATE) -> np.ndarray:
    t = np.arange(round(seconds * rate)) / rate
    return (0.5 * np.sin(2 * np.pi * frequency * t)).astype(np.float32)[:, None]


@pytest.mark.parametrize("rate", [8000, 16000, 44100, 48000])
@pytest.mark.parametrize(("note", "frequency"), [(9, 440.0), (0, 261.626), (4, 659.255), (11, 1975.53)])
def test_a_tone_is_in_its_band_and_its_pitch_class(rate: int, note: int, frequency: float) -> None:
    """Equal temperament at A4 = 440 Hz (ISO 16); pitch classes from C."""
    frames = song_frames(tone(frequency, rate=rate), rate)
    middle = frames.chroma[len(frames.chroma) // 2]
    assert int(np.argmax(middle)) == note and middle[note] > 5 * np.median(middle)
    energies = frames.bands[len(frames.bands) // 2]
    centres = band_edges()[1:-1]
    assert abs(np.log2(centres[int(np.argmax(energies))] / frequency)) < 0.3
    assert frames.bands.shape[1] == BANDS


def test_audio_changed_in_place_has_frames_of_its_own() -> None:
    audio = tone(440.0)
    before = song_frames(audio, RATE)
    assert song_frames(audio, RATE) is before
    audio[:] = tone(880.0)
    assert song_frames(audio, RATE) is not before


def test_frames_are_recalled_and_a_damaged_file_is_made_anew(tmp_path: Path) -> None:
    path = tmp_path / "song.wav"
    soundfile.write(path, tone(440.0), RATE, subtype="FLOAT")
    audio = soundfile.read(path, dtype="float32", always_2d=True)[0]
    computed = song_frames(audio, RATE)
    recall_frames(tmp_path, path, audio, RATE)
    (kept,) = (tmp_path / "renders").glob("frames-*.npz")
    whole = kept.read_bytes()
    again = audio.copy()
    recall_frames(tmp_path, path, again, RATE)
    np.testing.assert_array_equal(song_frames(again, RATE).bands, computed.bands)
    np.testing.assert_array_equal(song_frames(again, RATE).chroma, computed.chroma)
    half = len(whole) // 2
    for data in (whole[:half], whole[:half] + bytes([whole[half] ^ 16]) + whole[half + 1 :], b""):
        kept.write_bytes(data)
        fresh = audio.copy()
        recall_frames(tmp_path, path, fresh, RATE)
        np.testing.assert_array_equal(song_frames(fresh, RATE).bands, computed.bands)
        assert kept.read_bytes() == whole
    soundfile.write(path, tone(880.0), RATE, subtype="FLOAT")
    other = soundfile.read(path, dtype="float32", always_2d=True)[0]
    recall_frames(tmp_path, path, other, RATE)
    assert not kept.exists() and len(list((tmp_path / "renders").glob("frames-*.npz"))) == 1


def test_a_folder_that_cannot_be_written_only_costs_time(tmp_path: Path) -> None:
    path = tmp_path / "song.wav"
    soundfile.write(path, tone(440.0), RATE)
    (tmp_path / "renders").write_text("in the way", encoding="utf-8")
    audio = soundfile.read(path, dtype="float32", always_2d=True)[0]
    recall_frames(tmp_path, path, audio, RATE)
    assert (tmp_path / "renders").read_text(encoding="utf-8") == "in the way"
