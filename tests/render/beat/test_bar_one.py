"""Where bar 1 begins, against a start that is right or beats off: `check` names the right one or is silent.

The songs and their starts are the test's own. A false alarm on a right start is worse than silence, and no
start may be named that is further off than the one given.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from render.beat.fit import fit_beat
from render.beat.result import BeatFit
from render.song.grid import Grid, Meter, exact
from tests.invented_songs import SONGS, InventedSong, Passage, play
from tests.song_curves import heard

RATE = 22050


BY_NAME = {song.name: song for song in SONGS}


def before_s(name: str) -> float:
    """Silence before a song, for a start that is too early: bar 1 then begins after 3.4 beats."""
    return round((3.4 * BY_NAME[name].beat_s - BY_NAME[name].start_s) * RATE) / RATE


@cache
def song(name: str) -> InventedSong:
    """An invented song as it is after that silence."""
    return replace(BY_NAME[name], start_s=BY_NAME[name].start_s + before_s(name))


@cache
def fit_off(name: str, beats_off: float, sections: bool = True) -> BeatFit:
    """What is found when song.toml's start is so many beats late (negative: early)."""
    known = song(name)
    start = exact(round(known.start_s + beats_off * known.beat_s, 3))
    grid = Grid(RATE, start, exact(known.tempo), Meter(*map(int, known.meter.split("/"))))
    sound, curve = heard(BY_NAME[name], RATE, before_s(name))
    return fit_beat(sound, RATE, grid, known.boundaries[:-1] if sections else (), curve)


@pytest.mark.parametrize(
    ("name", "beats_off"),
    [
        *(("band", beats) for beats in (-3, -2, -1, -0.5, 0.5, 1, 2, 3)),
        *(("ballad", beats) for beats in (-1, 1, 2)),
        *(("waltz", beats) for beats in (-1, 1)),
        ("six-eight", 1),
        ("uneven", 3),
    ],
)
def test_a_start_some_beats_off_is_named_with_the_right_one(name: str, beats_off: float) -> None:
    fit = fit_off(name, beats_off)
    known = song(name)
    assert fit.better_start_s == pytest.approx(known.start_s, abs=0.01)
    assert not fit.fits and not fit.lines_fit
    said = fit.lines()[0]
    amount = {0.5: "half a beat", 1: "1 beat"}.get(abs(beats_off), f"{abs(beats_off)} beats")
    assert f"seem to begin {amount} {'earlier' if beats_off > 0 else 'later'} than start = " in said
    assert f"write start = {fit.better_start_s:g}" in said


def test_it_is_said_that_most_sections_begin_elsewhere() -> None:
    fit = fit_off("ballad", 1)
    assert fit.sections_agreeing > fit.sections_asked / 2
    assert fit.lines()[0].startswith("most sections seem to begin 1 beat earlier")


@pytest.mark.parametrize("name", [song.name for song in SONGS])
def test_a_right_start_is_left_alone(name: str) -> None:
    assert fit_off(name, 0).fits


@pytest.mark.parametrize("beats_off", [-3, -1, 1, 2])
@pytest.mark.parametrize("name", ["drone", "quiet change"])
def test_what_is_not_clear_is_never_made_worse(name: str, beats_off: float) -> None:
    """Songs whose chords, or whose players, never change."""
    fit = fit_off(name, beats_off)
    if fit.better_start_s is not None:
        off_s = abs(fit.better_start_s - song(name).start_s)
        assert off_s <= abs(beats_off) * song(name).beat_s + 0.01


def off_beats(known: InventedSong, gain: float) -> np.ndarray:
    """The song's drums, bass and voice on the beat, and short chords on every off-beat, as in a ska."""
    band = replace(known, passages=tuple(replace(p, keys="none") for p in known.passages))
    chords = tuple(replace(p, drums="none", lead=None, bass=False, keys="piano") for p in known.passages)
    late = replace(known, passages=chords, start_s=known.start_s + 0.5 * known.beat_s)
    sound, chops = play(band, RATE).copy(), gain * play(late, RATE)
    chops = chops[: len(sound)]
    sound[: len(chops)] += chops
    return sound


@pytest.mark.parametrize(("name", "gain"), [("band", 0.7), ("dance", 1.5)])
def test_chords_on_off_beats_do_not_move_the_start(name: str, gain: float) -> None:
    known = song(name)
    grid = Grid(RATE, exact(known.start_s), exact(known.tempo), Meter(4, 4))
    assert fit_beat(off_beats(known, gain), RATE, grid, known.boundaries[:-1]).lines_fit


def test_without_sections_the_songs_first_sound_tells_the_bar() -> None:
    assert fit_off("band", 1, sections=False).better_start_s == pytest.approx(song("band").start_s, abs=0.01)


def test_which_of_two_bars_is_bar_1_may_stay_open() -> None:
    """A count-in of a bar and a half, and one passage: the bar lines are clear, bar 1 is not."""
    one = InventedSong("one", 112.0, (Passage("a", 24, "C G Am F", "rock", "pluck", 1),), start_s=4.4)
    sound = play(one, RATE).copy()
    count_in = round(3.6 * RATE), round(0.9 * one.bar_s * RATE)
    sound[count_in[0] - count_in[1] : count_in[0]] += sound[-count_in[1] - 3 * RATE : -3 * RATE]
    grid = Grid(RATE, exact(round(one.start_s + one.beat_s, 3)), exact(112), Meter(4, 4))
    fit = fit_beat(sound, RATE, grid)
    assert fit.better_start_s is None and fit.better_downbeat_beats == 3
    assert "3 beats later" in fit.lines()[0] and "1 beat earlier" in fit.lines()[0]
