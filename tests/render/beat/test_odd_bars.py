"""Bars of another length, cut into or out of a song whose bars are known."""

from dataclasses import replace

import numpy as np
import pytest

from render.analysis.onsets import onsets
from render.beat.fit import fit_beat
from render.beat.meter_changes import OddBars, bars_between, odd_bars
from render.song.grid import Grid, Meter, exact
from tests.invented_songs import SONGS, play
from tests.shortened_bars import without_beats
from tests.song_curves import heard

RATE = 22050
SONG = next(song for song in SONGS if song.name == "quiet change")
GRID = Grid(RATE, exact(SONG.start_s), exact(SONG.tempo), Meter(4, 4))


def with_beats(bar: int, beats: int) -> np.ndarray:
    """The song with the first `beats` beats of `bar` heard twice."""
    sound = play(SONG, RATE)
    start = GRID.line_frame(bar)
    stop = start + round(beats * SONG.beat_s * RATE)
    return np.concatenate([sound[:stop], sound[start:]])


@pytest.mark.parametrize(("bar", "beats"), [(16, 2), (24, 1), (32, 2), (20, 3)])
def test_a_shortened_bar_is_found(bar: int, beats: int) -> None:
    sound = without_beats(SONG, bar, beats, RATE)
    bars = odd_bars(sound, RATE, onsets(sound, RATE), GRID, SONG.bars - 1)
    assert bars == OddBars(0, ((bar, 4 - beats),))


@pytest.mark.parametrize(("bar", "beats"), [(17, 2), (25, 1)])
def test_an_inserted_short_bar_is_found(bar: int, beats: int) -> None:
    """Its chord goes on in the bar after it, so that either of the two may be called the short one."""
    sound = with_beats(bar, beats)
    bars = odd_bars(sound, RATE, onsets(sound, RATE), GRID, SONG.bars)
    assert bars.bars in (((bar, beats),), ((bar + 1, beats),))


def test_the_check_tells_it_and_the_written_change_settles_it() -> None:
    sound = without_beats(SONG, 16, 2, RATE)
    curve = onsets(sound, RATE)
    fit = fit_beat(sound, RATE, GRID, (), curve)
    assert not fit.fits and fit.odd_bars is not None
    assert 'changes = [{ bar = 16, meter = "2/4" }, { bar = 17, meter = "4/4" }]' in fit.odd_bars
    changes = OddBars(0, ((16, 2),)).changes(Meter(4, 4))
    assert fit_beat(sound, RATE, replace(GRID, changes=changes), (), curve).fits


@pytest.mark.parametrize("song", SONGS, ids=lambda song: song.name)
def test_regular_songs_have_none(song) -> None:  # type: ignore[no-untyped-def]
    sound, curve = heard(song, RATE)
    grid = Grid(RATE, exact(song.start_s), exact(song.tempo), Meter(*map(int, song.meter.split("/"))))
    assert odd_bars(sound, RATE, curve, grid, song.bars) == OddBars(0, ())


@pytest.mark.parametrize(
    ("path", "bars"),
    [
        ([0, 0, 0, 0], ()),
        ([0, 0, 2, 2], ((3, 2),)),  # 4 4 (2) 4: the third bar is the short one
        ([2, 2, 0, 0], ((2, 2),)),
        ([0, 1, 1], ((2, 1),)),
        ([0, 3, 3], ((1, 3),)),  # the beat that scores is the fourth: the short bar is the first
        ([0, 0, 2, 2, 2, 0, 0], ((3, 2), (6, 2))),
    ],
)
def test_where_odd_bars_lie(path: list[int], bars: tuple[tuple[int, int], ...]) -> None:
    scores = np.zeros(40)
    scores[::4] = 1.0
    scores[3] = 2.0
    assert bars_between(path, 4, scores) == bars
