"""Where a map's tick 0 falls, on invented songs laid at places that are known."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from render.beat.map_start import MapStart, find_tick_0
from render.song.tempo_map import tempo_map
from tests.invented_songs import SONGS, InventedSong, Passage, play
from tests.smf import map_bytes, marker, meter, tempo

RATE = 16000
BY_NAME = {song.name: song for song in SONGS}
NAMES = ("band", "waltz")


@cache
def played(name: str) -> np.ndarray:
    return play(BY_NAME[name], RATE)


def looked_for(audio: np.ndarray, song: InventedSong, count_in: int, markers: bool = True) -> MapStart:
    """The song's map with bars of count-in before it, looked for in `audio`."""
    quarters = song.beats * song.beat_quarters
    events = [(0, tempo(song.tempo)), (0, meter(song.beats, round(4 / song.beat_quarters)))]
    bar = count_in
    for passage in song.passages:
        events += [(int(bar * quarters * 480), marker(passage.name))] if markers else []
        bar += passage.bars
    return find_tick_0(audio, RATE, tempo_map(map_bytes(events, end=int(bar * quarters * 480)), "x.mid"))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("count_in", [0, 2])
def test_a_bounce_with_a_lead_in(name: str, count_in: int) -> None:
    song = BY_NAME[name]
    search = looked_for(played(name), song, count_in)
    assert float(search.tick_0_s) == pytest.approx(song.start_s - count_in * song.bar_s, abs=0.01)
    assert search.sure


@pytest.mark.parametrize("name", NAMES)
def test_a_bounce_that_begins_with_the_project(name: str) -> None:
    song = BY_NAME[name]
    silence = np.zeros((round(2 * song.bar_s * RATE), 2), np.float32)
    audio = np.concatenate([silence[:, : played(name).shape[1]], played(name)[round(song.start_s * RATE) :]])
    search = looked_for(audio, song, 2)
    assert search.tick_0_s == 0 and search.sure  # exactly: a bounce is cut to the sample


@pytest.mark.parametrize("name", NAMES)
def test_a_bounce_cut_at_a_bar_line_of_the_project(name: str) -> None:
    song = BY_NAME[name]
    search = looked_for(played(name)[round(song.start_s * RATE) :], song, 2)
    assert float(search.tick_0_s) == pytest.approx(-2 * song.bar_s, abs=1e-4) and search.sure


def test_without_markers_a_steady_song_has_its_bars_if_not_their_numbers() -> None:
    song = BY_NAME["band"]
    search = looked_for(played("band"), song, 2, markers=False)
    bars = (float(search.tick_0_s) - song.start_s) / song.bar_s
    assert bars == pytest.approx(round(bars), abs=0.01) and search.sure


def test_a_song_that_changes_its_tempo_needs_no_markers() -> None:
    change = 64  # beats
    song = InventedSong("two", 100.0, (Passage("a", 16, "C G Am F"), Passage("b", 24, "F C", "four")))
    audio = play(song, RATE, tempo_of_beat=lambda beat: 100.0 if beat < change else 112.0)
    events = [(0, tempo(100.0)), (0, meter(4, 4)), (480 * (8 + change), tempo(112.0))]
    tick_0 = find_tick_0(audio, RATE, tempo_map(map_bytes(events, end=480 * 170), "x.mid"))
    assert float(tick_0.tick_0_s) == pytest.approx(song.start_s - 4.8, abs=0.01) and tick_0.sure


def test_another_songs_map_is_not_sure() -> None:
    other = InventedSong("other", 131.7, BY_NAME["band"].passages)
    assert not looked_for(played("band"), other, 0).sure


def test_silence_tells_nothing() -> None:
    assert not looked_for(np.zeros((RATE * 30, 1), np.float32), BY_NAME["band"], 0).sure
