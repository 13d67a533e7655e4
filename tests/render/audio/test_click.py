"""The click lies on the grid, frame by frame: places worked out from beats x 60 / BPM, no code of ours."""

import itertools
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile

from render.audio.click import FIRST_HZ, OTHER_HZ, click_track, write_click
from render.song.grid import Change, Grid, Meter, exact
from render.song.song import load_song
from tests.songs import make_study

RATE = 44100


def beginnings(click: np.ndarray) -> list[int]:
    """Frames at which sound begins after at least 10 ms of silence."""
    sounding = np.flatnonzero(click[:, 0])
    return [int(sounding[0]), *(int(b) for a, b in itertools.pairwise(sounding) if b - a > 441)]


def pitch(click: np.ndarray, at: int) -> float:
    spectrum = np.abs(np.fft.rfft(click[at : at + 1200, 0], 1 << 15))
    return float(np.argmax(spectrum) * RATE / (1 << 15))


def test_clicks_begin_at_the_frames_of_97_beats_a_minute_and_the_first_of_a_bar_is_higher() -> None:
    grid = Grid(RATE, exact("0.25"), exact("97"), Meter(4, 4))
    click = click_track(grid, 0, 60 * RATE)
    wanted = [round(Fraction(RATE, 4) + n * Fraction(60 * RATE, 97)) for n in range(97)]
    assert beginnings(click) == [frame for frame in wanted if frame < 60 * RATE]
    for n in (0, 1, 2, 3, 4, 40, 41):
        assert abs(pitch(click, wanted[n]) - (OTHER_HZ if n % 4 else FIRST_HZ)) < 40
    assert float(np.abs(click).max()) <= 1.0


def test_an_excerpt_is_a_cut_of_the_whole() -> None:
    grid = Grid(RATE, exact("0.1"), exact("133"), Meter(4, 4), (Change(5, exact("92"), Meter(3, 4)),))
    whole = click_track(grid, 0, 30 * RATE)
    for start in (0, 1, 4410, 4411, 5000, 300001, 20 * RATE):
        assert np.array_equal(click_track(grid, start, 3 * RATE), whole[start : start + 3 * RATE])


def test_meters_and_tempos_change_where_the_grid_says() -> None:
    grid = Grid(
        48000, exact("0"), exact("120"), Meter(4, 4), (Change(2, meter=Meter(6, 8)), Change(3, exact(60)))
    )
    click = click_track(grid, 0, 5 * 48000)
    wanted = [0, 24000, 48000, 72000, *(96000 + 12000 * n for n in range(6)), 168000, 192000, 216000]
    assert beginnings(click) == wanted


def test_the_song_under_its_click_is_turned_down_and_nothing_clips(tmp_path: Path) -> None:
    song = load_song(make_study(tmp_path, gain=6.0))
    source, rate = soundfile.read(song.audio.path, always_2d=True)
    mix = write_click(song, tmp_path / "click.wav")
    mixed, written_rate = soundfile.read(tmp_path / "click.wav", always_2d=True)
    assert (mixed.shape, written_rate) == (source.shape, rate)
    assert np.abs(mixed).max() < 0.95
    click = mixed - source * 10 ** (mix.song_gain_db / 20)
    after_fade = click[rate:]
    assert abs(20 * np.log10(np.abs(after_fade).max()) - mix.click_peak_db) < 0.01
    line = song.grid.line_frame(5)
    assert np.abs(click[line - 400 : line]).max() < 2e-6 < np.abs(click[line])[0]
