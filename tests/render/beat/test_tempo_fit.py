"""Tempo, start, drift: against songs and clicks whose tempo and start are the test's own.

Tolerance for tempo, 0.05 beats a minute over 3 minutes, is the project's claim.
"""

import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from render.beat.fit import fit_beat
from render.beat.result import BeatFit
from render.beat.tempo_estimate import TempoEstimate, estimate
from render.song.grid import Change, Grid, Meter, exact
from tests.invented_songs import SONGS, InventedSong, Passage, _Player, ambient, clicks, play
from tests.song_curves import heard

RATE = 22050
BY_NAME = {song.name: song for song in SONGS}


def fitted(name: str, grid: Grid) -> BeatFit:
    sound, curve = heard(BY_NAME[name], RATE)
    return fit_beat(sound, RATE, grid, (), curve)


def grid_of(song: InventedSong, tempo: float | None = None, start_s: float | None = None) -> Grid:
    meter = Meter(*map(int, song.meter.split("/")))
    start = song.start_s if start_s is None else start_s
    return Grid(RATE, exact(round(start, 6)), exact(tempo or song.tempo), meter)


def backbeat(tempo: float, seconds: float) -> InventedSong:
    """A band of drums, bass and strummed keys for about so many seconds."""
    half = round(seconds * tempo / 240 / 2)
    passages = (
        Passage("a", half, "C G Am F", "rock", "pluck", 1),
        Passage("b", half, "F C", "four", "piano"),
    )
    return InventedSong("tempo", tempo, passages)


@pytest.mark.parametrize("tempo", [60.0, 93.7, 151.3, 200.0])
def test_tempo_of_clicks(tempo: float) -> None:
    estimated = estimate(clicks(tempo, 180, RATE), RATE)
    assert estimated.steady
    assert estimated.tempo == pytest.approx(tempo, abs=0.05)
    assert estimated.start_s == pytest.approx(0.3, abs=0.005)


@pytest.mark.parametrize("tempo", [60.0, 98.25, 131.0, 200.0])
def test_tempo_of_songs(tempo: float) -> None:
    song = backbeat(tempo, 180)
    estimated = estimate(play(song, 16000), 16000)
    assert estimated.steady
    assert estimated.tempo == pytest.approx(tempo, abs=0.05)


@pytest.mark.parametrize("name", list(BY_NAME))
def test_tempo_and_start_of_the_invented_songs(name: str) -> None:
    song = BY_NAME[name]
    sound, curve = heard(song, RATE)
    estimated = estimate(sound, RATE, Meter(*map(int, song.meter.split("/"))), curve)
    assert estimated.tempo == pytest.approx(song.tempo, abs=0.05)
    assert estimated.start_s == pytest.approx(song.start_s, abs=0.005)


@pytest.mark.parametrize("name", list(BY_NAME))
def test_the_right_grid_is_left_alone(name: str) -> None:
    fit = fitted(name, grid_of(BY_NAME[name]))
    assert fit.fits and fit.counted is None
    assert fit.on_grid > 2 * fit.by_chance - 0.1
    assert "fits" in fit.lines()[0]


@pytest.mark.parametrize("error", [-2.0, -0.1, 0.1, 3.0])
def test_a_better_tempo_is_named_with_the_bar_where_cuts_go_wrong(error: float) -> None:
    song = BY_NAME["band"]
    fit = fitted("band", grid_of(song, song.tempo + error))
    assert fit.better_tempo == pytest.approx(song.tempo, abs=0.02)
    assert "would fit clearly better" in fit.lines()[0]
    lines_off_s = abs(error) / song.tempo * song.bar_s
    assert fit.wrong_from_bar == pytest.approx(1 + 0.035 / lines_off_s, abs=9)


@pytest.mark.parametrize("shift_ms", [-45, -20, 20, 30])
def test_a_shift_is_named_in_milliseconds(shift_ms: int) -> None:
    song = BY_NAME["ballad"]
    fit = fitted("ballad", grid_of(song, start_s=song.start_s - shift_ms / 1000))
    assert fit.offset_ms == pytest.approx(shift_ms, abs=3)
    assert fit.better_start_s == pytest.approx(song.start_s, abs=0.003)
    assert f"{abs(round(fit.offset_ms))} ms" in fit.lines()[0]


@pytest.mark.parametrize("ratio", [0.5, 2.0])
def test_half_and_double_tempo(ratio: float) -> None:
    song = BY_NAME["band"]
    fit = fitted("band", grid_of(song, song.tempo * ratio))
    assert fit.counted == pytest.approx(song.tempo, abs=0.05)


@pytest.mark.parametrize("name", ["band", "dance", "ballad"])
@pytest.mark.parametrize("ratio", ["1.2", "4/3", "3/4", "2/3"])
def test_a_tempo_that_has_nothing_to_do_with_the_song_is_named_with_the_right_one(
    name: str, ratio: str
) -> None:
    """Simple fractions, too: every third of their beats meets an attack, and that is no fit."""
    song = BY_NAME[name]
    fit = fitted(name, grid_of(song, round(song.tempo * float(Fraction(ratio)), 3)))
    assert fit.better_tempo == pytest.approx(song.tempo, abs=0.05)
    assert "bars and times change with it" in fit.lines()[0]


def test_a_swing_may_be_counted_as_it_is() -> None:
    """Its attacks lie on thirds of the beat: three halves of the tempo fit them better, and are wrong."""
    song = BY_NAME["band"]
    swung = SwungPlayer(song, RATE, 1, None).sound()
    assert fit_beat(swung, RATE, grid_of(song)).better_tempo is None


class SwungPlayer(_Player):
    def put(self, beat: float, *what: Any, **how: Any) -> None:
        whole, part = divmod(beat, 1)
        super().put(whole + 2 / 3 if abs(part - 0.5) < 0.01 else beat, *what, **how)


@pytest.mark.parametrize("late", [1, 2, 3])
def test_another_downbeat(late: int) -> None:
    song = BY_NAME["quiet change"]
    fit = fitted("quiet change", grid_of(song, start_s=song.start_s + late * song.beat_s))
    assert fit.better_downbeat_beats == 4 - late
    assert f"{late} beat{'s' if late > 1 else ''} earlier than start" in fit.lines()[0]


def test_a_live_performance_is_named_with_the_bar_it_leaves_the_grid() -> None:
    song = BY_NAME["band"]
    left_at_bar = 31
    live = play(song, RATE, tempo_of_beat=lambda beat: 112.0 if beat < 4 * (left_at_bar - 1) else 113.5)
    fit = fit_beat(live, RATE, grid_of(song))
    assert fit.drifts and not fit.fits
    assert fit.wrong_from_bar == pytest.approx(left_at_bar + 1.5, abs=3)
    assert "constant tempo will cut wrongly" in fit.lines()[0]
    swaying = play(song, RATE, tempo_of_beat=lambda beat: 112 * (1 + 0.01 * math.sin(beat / 40)))
    assert fit_beat(swaying, RATE, grid_of(song)).drifts


def test_tempo_changes_of_the_grid_are_followed() -> None:
    song = BY_NAME["band"]
    live = play(song, RATE, tempo_of_beat=lambda beat: 112.0 if beat < 120 else 118.0)
    grid = Grid(RATE, exact(0.4), exact(112), Meter(4, 4), (Change(31, exact(118)),))
    assert fit_beat(live, RATE, grid).fits


def test_material_without_a_beat_is_said_to_have_none() -> None:
    sound = ambient(60, RATE)
    estimated: TempoEstimate = estimate(sound, RATE)
    assert not estimated.steady
    assert "no constant tempo fits" in estimated.lines()[0]
    against: BeatFit = fit_beat(sound, RATE, grid_of(BY_NAME["band"]))
    assert not against.has_beat and not against.fits
    assert "no steady beat" in against.lines()[0]


def test_free_time_is_not_given_a_tempo() -> None:
    rng = np.random.default_rng(0)
    sway = np.cumsum(rng.normal(0, 0.06, 1000))
    tempos = 70 * np.exp(0.25 * np.sin(sway) + rng.normal(0, 0.06, 1000))
    free = play(BY_NAME["ballad"], RATE, tempo_of_beat=lambda beat: float(tempos[beat]))
    assert not estimate(free, RATE).steady
    fit = fit_beat(free, RATE, grid_of(BY_NAME["ballad"]))
    assert not fit.fits and "will cut wrongly" in " ".join(fit.lines())


def test_silence_has_no_tempo() -> None:
    silent = np.zeros((20 * RATE, 2), np.float32)
    assert not estimate(silent, RATE).steady
    assert not fit_beat(silent, RATE, grid_of(BY_NAME["band"])).has_beat
