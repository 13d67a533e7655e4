"""Suggested sections against songs whose sections are known.

Measure: mir_eval's segment boundary detection (hit rate) at half a bar, song's ends trimmed.
"""

from functools import cache

import mir_eval
import numpy as np
import pytest

from render.analysis.sections import Suggestion, sections
from render.song.grid import Grid, Meter, exact
from tests.invented_songs import SONGS, InventedSong, Passage, ambient, play
from tests.song_curves import heard

RATE = 22050
BY_NAME = {song.name: song for song in SONGS}


def grid_of(song: InventedSong) -> Grid:
    meter = Meter(*map(int, song.meter.split("/")))
    return Grid(RATE, exact(song.start_s), exact(song.tempo), meter)


@cache
def suggested(name: str) -> Suggestion:
    song = BY_NAME[name]
    return sections(heard(song, RATE)[0], grid_of(song), song.bars)


def intervals(song: InventedSong, first_bars: list[int]) -> np.ndarray:
    lines = np.array([float(grid_of(song).line_s(int(bar))) for bar in first_bars])
    return np.stack([lines[:-1], lines[1:]], axis=1)


def f_measure(song: InventedSong, found: Suggestion) -> float:
    bars = [s.first_bar for s in found.sections] + [song.bars + 1]
    known, guessed = intervals(song, song.boundaries), intervals(song, bars)
    return float(mir_eval.segment.detection(known, guessed, window=song.bar_s / 2, trim=True)[2])


@pytest.mark.parametrize("name", list(BY_NAME))
def test_boundaries_are_found(name: str) -> None:
    assert f_measure(BY_NAME[name], suggested(name)) >= 0.8


def test_there_are_at_least_six_songs_and_a_poor_guess_fails_the_measure() -> None:
    assert len(SONGS) >= 6
    song = BY_NAME["uneven"]
    thirds = sections(np.zeros((RATE * 180, 1), np.float32), grid_of(song), song.bars)
    assert f_measure(song, thirds) < 0.5


@pytest.mark.parametrize("name", list(BY_NAME))
def test_sections_cover_all_bars_once(name: str) -> None:
    suggestion = suggested(name).sections
    bars = [bar for s in suggestion for bar in range(s.first_bar, s.last_bar + 1)]
    assert bars == list(range(1, BY_NAME[name].bars + 1))
    assert len({s.name for s in suggestion}) == len(suggestion)


@pytest.mark.parametrize("name", list(BY_NAME))
def test_sections_that_come_back_get_one_letter(name: str) -> None:
    """Of all pairs of bars, those of passages with one name should share a letter, others not."""
    song, suggestion = BY_NAME[name], suggested(name)
    known = np.concatenate([[p.name] * p.bars for p in song.passages])
    letters = np.concatenate([[s.name.split()[0]] * s.bars for s in suggestion.sections])
    same_known, same_found = known[:, None] == known, letters[:, None] == letters
    precision = (same_known & same_found).sum() / same_found.sum()
    recall = (same_known & same_found).sum() / same_known.sum()
    assert 2 * precision * recall / (precision + recall) > 0.75


def test_ambient_material_is_said_to_have_no_sections() -> None:
    suggestion = sections(ambient(90, RATE), Grid(RATE, exact(0), exact(90), Meter(4, 4)), 33)
    assert suggestion.warning is not None and "by ear" in suggestion.warning


def test_one_loop_throughout_is_said_to_have_no_sections() -> None:
    song = InventedSong("loop", 110.0, (Passage("loop", 32, "C G Am F"),))
    suggestion = sections(play(song, RATE), grid_of(song), song.bars)
    assert suggestion.warning is not None and "equal lengths" in suggestion.warning
    assert [s.first_bar for s in suggestion.sections] == [1, 9, 17, 25]
    assert {s.name.split()[0] for s in suggestion.sections} == {"A"}


@pytest.mark.parametrize("bars", [1, 2, 3, 5])
def test_tiny_songs_give_some_sections(bars: int) -> None:
    song = InventedSong("tiny", 110.0, (Passage("tiny", bars, "C G"),))
    suggestion = sections(play(song, RATE), grid_of(song), bars)
    assert sum(s.bars for s in suggestion.sections) == bars
