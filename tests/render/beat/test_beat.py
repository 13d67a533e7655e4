"""The beat on a grid that is right: accents that move are no drift, readings that compete are both named.

All songs are the test's own, on a grid to the millisecond.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from render.analysis.onsets import onsets
from render.beat.fit import fit_beat
from render.beat.phases import beat_phases, chance_agreement
from render.beat.tempo_estimate import estimate_start
from render.song.grid import Grid, Meter, exact
from tests.invented_songs import SONGS, InventedSong, Passage, clicks, play
from tests.song_curves import heard

RATE = 22050
BAND = next(song for song in SONGS if song.name == "band")


def grid_of(song: InventedSong, start_s: float | None = None) -> Grid:
    start = song.start_s if start_s is None else start_s
    return Grid(RATE, exact(round(start, 6)), exact(song.tempo), Meter(4, 4))


@cache
def with_drums_that_move() -> np.ndarray:
    """From bar 29 on, the drums play half a beat late, as if the accent had moved; keys and bass go on."""
    kept = tuple(replace(p, drums=p.drums if k < 4 else "none") for k, p in enumerate(BAND.passages))
    moved = tuple(
        replace(p, drums="none" if k < 4 else "rock", keys="none", lead=None, bass=False)
        for k, p in enumerate(BAND.passages)
    )
    sound = play(replace(BAND, passages=kept), RATE).copy()
    drums = play(replace(BAND, passages=moved, start_s=BAND.start_s + BAND.beat_s / 2), RATE)[: len(sound)]
    sound[: len(drums)] += drums
    return sound


def even_eighths() -> tuple[InventedSong, np.ndarray]:
    """One chord in even eighths without drums or bass: nothing tells the beat from its half."""
    passage = Passage("a", 32, "D", "none", "pluck", None, 0, False)
    song = InventedSong("eighths", 100.0, (passage,), start_s=1.2)
    return song, heard(song, RATE)[0]


def test_an_accent_that_moves_by_half_a_beat_is_no_drift() -> None:
    fit = fit_beat(with_drums_that_move(), RATE, grid_of(BAND))
    assert not fit.drifts and fit.better_tempo is None and fit.wrong_from_bar is None
    assert fit.within_ms is not None and fit.within_ms < 25
    assert "add tempo changes" not in " ".join(fit.lines())


def test_where_two_readings_of_the_beat_compete_both_starts_are_named_and_neither_is_blamed() -> None:
    song, sound = even_eighths()
    fit = fit_beat(sound, RATE, grid_of(song))
    assert fit.fits and fit.lines()[0].startswith("the tempo fits within")
    assert fit.rival_start_s == pytest.approx(song.start_s + song.beat_s / 2, abs=0.02)
    assert [start.start_s for start in fit.starts] == [song.start_s, fit.rival_start_s]
    assert "half a beat beside" in " ".join(fit.doubts) and "joins are judged" in " ".join(fit.doubts)
    beside = fit_beat(sound, RATE, grid_of(song, song.start_s + song.beat_s / 2))
    assert beside.fits and beside.rival_start_s == pytest.approx(song.start_s, abs=0.02)


def test_a_click_that_nothing_speaks_against_settles_which_half_is_the_beat() -> None:
    """No low sounds, no change of chord: a musician counts the stronger attacks."""
    song, sound = even_eighths()
    click = clicks(song.tempo, len(sound) / RATE, RATE, song.start_s)
    ticked = (sound + 0.3 * click[: len(sound)]).astype(np.float32)
    fit = fit_beat(ticked, RATE, grid_of(song))
    assert fit.fits and fit.rival_start_s is None
    beside = fit_beat(ticked, RATE, grid_of(song, song.start_s + song.beat_s / 2))
    assert not beside.fits and beside.rival_start_s is None


def test_new_and_check_agree_on_a_start_and_name_no_rival_where_there_is_none() -> None:
    sound, curve = heard(BAND, RATE)
    start_s = estimate_start(sound, RATE, BAND.tempo, curve=curve)
    assert start_s == pytest.approx(BAND.start_s, abs=0.005)
    fit = fit_beat(sound, RATE, grid_of(BAND, start_s), (), curve)
    assert fit.fits and not fit.starts and not fit.doubts
    assert "harmony and low notes agree with its first beats" in fit.lines()[0]


def test_where_the_first_of_a_bar_is_not_clear_it_is_said_beside_the_fit() -> None:
    song, sound = even_eighths()
    assert (
        "which beat is the first of a bar they do not tell" in fit_beat(sound, RATE, grid_of(song)).lines()[0]
    )


@pytest.mark.parametrize(("error", "least"), [(0.0, 0.9), (0.5, 0.0)])
def test_phases_hold_together_on_the_grid_only(error: float, least: float) -> None:
    """By construction all attacks lie on eighths: vectors of half beats point one way, or turn."""
    song, sound = even_eighths()
    grid = replace(grid_of(song), tempo=exact(song.tempo + error))
    curve = onsets(sound, RATE)
    phases = beat_phases(curve, grid, song.bars - 1)
    assert phases.coherence(2) > least
    assert error == 0 or phases.coherence(2) < 0.5
    assert phases.local_agreement(2) > 4 * chance_agreement(curve, grid, song.bars - 1, 2)


def test_headlines_for_the_makers_page() -> None:
    sound, curve = heard(BAND, RATE)
    assert fit_beat(sound, RATE, grid_of(BAND), (), curve).headline.endswith("ms from the top to the end")
    slow = replace(grid_of(BAND), tempo=exact("111.5"))
    fit = fit_beat(sound, RATE, slow, (), curve)
    assert fit.wrong_from_bar and fit.headline == f"runs away after bar {fit.wrong_from_bar - 1}"
    late = fit_beat(sound, RATE, grid_of(BAND, BAND.start_s + 0.045), (), curve)
    assert late.headline == f"lies {abs(late.offset_ms):.0f} ms beside the beat"
    assert late.offset_ms == pytest.approx(-45, abs=3)
