"""What dies away under a new downbeat: linear prediction against statsmodels and against known sounds, and
the decay's time by ISO 3382-1's definition (60 dB, from the slope of the backward-integrated curve)."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter, lfiltic
from statsmodels.regression.linear_model import burg as reference_burg

from render.audio.prediction import burg, continued, model_of
from render.audio.splice import DECAY_S, DECAY_TIME_CONSTANT_S, Splicer
from render.audio.stems import Mixes, read_audio
from render.audio.timeline import lay_out
from render.song.song import Song
from tests.songs import make_song

RATE = 48000
BAR, LEAD_IN = 96000, 12000
AHEAD, CROSSFADE = 96, 480
DECAY = round(DECAY_S * RATE)


def line(bar: int) -> int:
    return LEAD_IN + (bar - 1) * BAR


def spliced(song: Song, joining: int) -> np.ndarray:
    song = replace(song, joining=joining)
    splicer = Splicer(
        lay_out(song, song.form("tried")), Mixes(song, read_audio(song.audio.path), None), LEAD_IN
    )
    return np.concatenate([*splicer.blocks()])


def partials(
    frames: int, frequencies: tuple[float, ...] = (220.0, 331.0, 987.0), rt60_s: float = 1.5
) -> np.ndarray:
    t = np.arange(frames) / RATE
    sound = sum(np.sin(2 * np.pi * f * t + f) for f in frequencies) * 10 ** (-3 * t / rt60_s)
    return (0.1 * np.stack([sound, 0.5 * sound], axis=1)).astype(np.float32)


@pytest.mark.parametrize("order", [4, 32])
def test_the_model_is_that_of_statsmodels(order: int) -> None:
    signal = np.random.default_rng(2).standard_normal(3000).cumsum() * 0.01
    signal -= signal.mean()
    rho, _sigma2 = reference_burg(signal, order, demean=False)
    assert burg(signal, order)[1:] == pytest.approx(-rho, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(("heard", "frames"), [(5760, 2880), (5760, 100), (300, 2880), (5760, 1)])
def test_the_continuation_is_that_of_scipys_filter(heard: int, frames: int) -> None:
    noise = 0.1 * np.random.default_rng(4).standard_normal((heard, 2)).astype(np.float32)
    past = partials(heard) + noise
    model = model_of(past)
    for channel in range(2):
        state = lfiltic([1.0], model, past[::-1, channel].astype(np.float64))
        expected = lfilter([1.0], model, np.zeros(frames), zi=state)[0]
        assert continued(past, frames, model)[:, channel] == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_decaying_partials_are_continued_in_phase() -> None:
    """Three partials of known decay under a little noise: the next 20 ms are met within -18 dB."""
    known = partials(5760 + 960)
    heard = known + 1e-4 * np.random.default_rng(3).standard_normal(known.shape).astype(np.float32)
    wrong = continued(heard[:5760], 960, model_of(heard[:5760])) - known[5760:]
    assert 10 * np.log10(np.mean(wrong**2) / np.mean(known[5760:] ** 2)) < -18


def test_silence_goes_on_as_silence_and_noise_does_not_grow() -> None:
    silence = np.zeros((6000, 2), np.float32)
    assert not continued(silence, 100, model_of(silence)).any()
    noise = np.random.default_rng(1).standard_normal((6000, 2)).astype(np.float32)
    assert np.mean(continued(noise, 12000, model_of(noise))[480:] ** 2) < 0.05


def test_everything_but_the_decays_is_as_it_was(tmp_path: Path) -> None:
    song = make_song(
        tmp_path, forms={"tried": ["outro", "verse bars 2-3", "intro", "silence 1 bar", "verse"]}
    )
    before, after = spliced(song, 1), spliced(song, 2)
    assert len(before) == len(after)
    touched = np.zeros(len(before), bool)
    for bars in (2, 4):
        at = LEAD_IN + bars * BAR - AHEAD
        touched[at - CROSSFADE : at + DECAY] = True
    assert np.array_equal(before[~touched], after[~touched])
    assert not np.array_equal(before, after)


def held_until_bar_7(tmp_path: Path) -> Song:
    """A verse that holds a note over its end; an outro that has a hit on its line, and silence before it."""
    audio = np.zeros((line(13), 2), np.float32)
    t = np.arange(line(7) + BAR - line(6)) / RATE
    audio[line(6) : line(7) + BAR] = 0.2 * np.sin(2 * np.pi * 330 * t)[:, None]
    audio[line(11) : line(11) + 50] = 0.5
    return make_song(tmp_path, audio=audio, forms={"tried": {"parts": ["verse", "outro"], "ending": "cut"}})


def test_a_held_note_dies_away_at_the_stated_rate(tmp_path: Path) -> None:
    """ISO 3382-1: the backward-integrated curve's slope from -5 to -25 dB, continued to 60 dB."""
    out = spliced(held_until_bar_7(tmp_path), 2)
    at = LEAD_IN + 4 * BAR - AHEAD - CROSSFADE
    tail = out[at + 60 + AHEAD + CROSSFADE : at + DECAY - CROSSFADE, 0].astype(np.float64)
    curve = 10 * np.log10(np.cumsum(tail[::-1] ** 2)[::-1] / np.sum(tail**2))
    fall = (curve < -5) & (curve > -15)
    slope_db = np.polyfit(np.flatnonzero(fall) / RATE, curve[fall], 1)[0]
    assert -60 / slope_db == pytest.approx(6.91 * DECAY_TIME_CONSTANT_S, rel=0.08)
    dead = spliced(held_until_bar_7(tmp_path), 1)
    assert not dead[at + CROSSFADE + AHEAD + 50 : at + DECAY].any()


def test_the_new_attack_is_whole(tmp_path: Path) -> None:
    out = spliced(held_until_bar_7(tmp_path), 2)
    at = LEAD_IN + 4 * BAR
    note = spliced(held_until_bar_7(tmp_path), 2)[at : at + 50, 0] - 0.5
    assert np.abs(note).max() <= 0.21  # the hit itself, beside what is left of the note
    assert out[at, 0] - out[at - 1, 0] == pytest.approx(0.5, abs=0.02)


def test_where_both_sides_sound_alike_nothing_is_added(tmp_path: Path) -> None:
    """A loop: bars 3 and 5 hold the same samples, and so do the bars before them."""
    one = np.random.default_rng(4).standard_normal((2 * BAR, 2)).astype(np.float32) * 0.1
    audio = np.concatenate([np.zeros((LEAD_IN, 2), np.float32), *[one] * 6])
    song = make_song(tmp_path, audio=audio, forms={"tried": ["verse bars 1-2", "outro"]})
    assert np.array_equal(spliced(song, 1), spliced(song, 2))
