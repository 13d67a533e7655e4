"""A project's map on the bounce: the grid it gives, exactly, and sections by its markers."""

from __future__ import annotations

import itertools
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pretty_midi
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from render.errors import SongError
from render.song.grid import Meter
from render.song.marked_sections import Mark, marked_sections
from render.song.song import load_song
from render.song.song_map import SongMap, lay_map
from render.song.tempo_map import tempo_map
from tests.smf import map_bytes, marker, meter, tempo

RATE = 48000
HOUR = 3600 * RATE


def laid(
    events: list[tuple[int, Any]],
    start_s: int | str = 0,
    first_bar: int = 1,
    frames: int = HOUR,
    division: int = 480,
    end: int = 0,
) -> SongMap:
    tempos = tempo_map(map_bytes(events, division, end), "song.mid")
    return lay_map(tempos, Path("song.mid"), first_bar, Fraction(start_s), RATE, frames)


def sections(found: SongMap, last_bar: int | None = None) -> list[tuple[str, int, int, float]]:
    return [
        (s.name, s.first_bar, s.last_bar, float(s.pickup_beats)) for s in found.sections(last_bar).sections
    ]


def test_one_tempo_is_exact_over_an_hour() -> None:
    grid = laid([(0, tempo(97)), (0, meter(7, 8))]).grid
    assert (grid.meter, grid.changes, grid.beats_s) == (Meter(7, 8), (), ())
    us = 618_557  # 97 quarters a minute as SMF keeps it
    bar = 1500
    assert grid.line_s(bar) == Fraction((bar - 1) * 7 * us, 2 * 1_000_000)
    assert grid.line_s(bar) > 3200


def test_tempos_and_meters_on_bar_lines_are_changes() -> None:
    events = [(0, tempo(100)), (0, meter(4, 4)), (1920 * 8, tempo(120)), (1920 * 8, meter(3, 4))]
    grid = laid(events, start_s="0.25").grid
    assert [(c.bar, c.meter) for c in grid.changes] == [(9, Meter(3, 4))]
    assert grid.line_s(9) == Fraction("0.25") + Fraction("19.2")
    assert grid.line_s(11) == grid.line_s(9) + 3


def test_a_ramp_of_hundreds_of_tempos_is_within_a_frame_over_an_hour(tmp_path: Path) -> None:
    ramp = [(60 * step, tempo(70 + 50 * (step % 700) / 700)) for step in range(1000)]
    ramp += [(480 * 1000 + 60 * step, tempo(120 - step / 10)) for step in range(600)]
    ramp += [(480 * 3800 + 120 * step, tempo(60 + step / 10)) for step in range(600)]
    song_map = laid([*ramp, (0, meter(4, 4))])
    path = tmp_path / "ramp.mid"
    path.write_bytes(map_bytes([*ramp, (0, meter(4, 4)), (480 * 4200, marker("x"))]))
    theirs = pretty_midi.PrettyMIDI(str(path))  # keeps its own table of ticks and seconds
    bars = range(1, 1000, 7)
    assert song_map.grid.line_s(988) > 3500
    for bar in bars:
        assert abs(float(song_map.grid.line_s(bar)) - theirs.tick_to_time(1920 * (bar - 1))) * RATE < 1
        assert song_map.grid.line_frame(bar) == round(song_map.grid.line_s(bar) * RATE)
    assert len(song_map.grid.beats_s) > 3900


def test_bars_may_begin_later_than_the_map() -> None:
    song_map = laid(
        [(0, tempo(120)), (0, meter(4, 4)), (1920 * 2, marker("verse"))], start_s="0.5", first_bar=3
    )
    assert song_map.tick_0_s == Fraction("-3.5")
    assert song_map.grid.line_s(1) == Fraction("0.5")
    assert sections(song_map, 8) == [("verse", 1, 8, 0.0)]
    assert song_map.notes[0] == "bar 1 here is bar 3 of song.mid"


def test_markers_become_sections_with_their_own_names() -> None:
    events = [
        (0, tempo(120)), (0, marker("intro")), (1920 * 4, marker("verse")),
        (1920 * 12 - 480, marker("Refrain")),
        (1920 * 20, marker("verse")), (1920 * 28 + 240, marker("silence before  the end")),
        (1920 * 32, marker("refrain")), (1920 * 900, marker("later")),
    ]  # fmt: skip
    song_map = laid(events, frames=RATE * 80)
    marked = song_map.sections()
    assert sections(song_map) == [
        ("intro", 1, 4, 0.0), ("verse 1", 5, 12, 0.0), ("Refrain 1", 13, 20, 1.0), ("verse 2", 21, 28, 0.0),
        ("pause before the end", 29, 32, 0.0), ("refrain 2", 33, 40, 0.0),
    ]  # fmt: skip
    assert list(marked.notes) == [
        '"Refrain" stands 1 beat before bar 13 (0:23.5): a pickup',
        '"pause before the end" stands 0.5 beats after the line of bar 29 (0:56.2), and begins on that line',
        'outside the song\'s bars, and left out: "later"',
    ]


def test_names_told_apart_pass_over_numbers_that_are_taken() -> None:
    grid = laid([(0, tempo(120))]).grid
    marks = [Mark(Fraction(2 * bar), name) for bar, name in enumerate(["A", "A", "A 2", "b", "a"])]
    assert [s.name for s in marked_sections(marks, grid, 9).sections] == ["A 1", "A 3", "A 2", "b", "a 4"]


def test_a_map_of_another_length_is_said_in_one_line() -> None:
    events = [(0, tempo(120)), (0, marker("a"))]
    (shorter,) = laid(events, frames=RATE * 60, end=1920 * 10).notes
    assert shorter == (
        "song.mid ends at 0:20.0 of the audio, which is 1:00.0 long: "
        "its last tempo and meter hold until the end"
    )
    (longer,) = laid(events, frames=RATE * 60, end=1920 * 50).notes
    assert longer.endswith("what comes later in the map is left out")
    assert laid(events, frames=RATE * 20, end=1920 * 10).notes == ()
    (_, before) = laid(events, frames=RATE * 20, first_bar=9, end=1920 * 2).notes
    assert before == "song.mid ends before the audio begins: its last tempo and meter hold until the end"


def test_a_map_that_names_no_tempo_says_what_holds() -> None:
    (said,) = laid([(0, meter(3, 4))], frames=RATE * 10, end=480 * 20).notes
    assert said == "song.mid names no tempo: 120 quarters a minute hold, as the standard has it"


def test_pickups_set_by_hand_are_meant_to_be_whole_or_quarter_beats() -> None:
    grid = laid([(0, tempo(120))]).grid
    marks = [Mark(Fraction(at), "a") for at in ("3.499", "7.51", "11.76", "15.8333")]
    beats = [float(s.pickup_beats) for s in marked_sections(marks, grid, 9).sections]
    assert beats == [1.0, 1.0, 0.5, 0.333]  # a triplet's beat stays what it is


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ([(0, tempo(120)), (1920, tempo(60_000_000))], "bar 2 has a tempo of 60000000 a minute"),
        ([(0, tempo(5000))], "song.mid: bar 1 has a tempo of 5000 a minute; expected 3 to 1000"),
    ],
)
def test_absurd_values_are_refused_with_their_bar(events: list[tuple[int, Any]], said: str) -> None:
    with pytest.raises(SongError, match=r"song\.mid") as refused:
        laid(events, frames=RATE * 20)
    assert said in str(refused.value)


TICKS = st.integers(0, 480 * 400)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(TICKS, st.floats(30, 300).map(tempo)), max_size=12),
    st.lists(
        st.tuples(TICKS, st.builds(meter, st.integers(1, 13), st.sampled_from([2, 4, 8, 16]))), max_size=6
    ),
    st.lists(st.tuples(TICKS, st.text(max_size=6).map(marker)), max_size=8),
)
def test_any_map_gives_lines_that_rise_and_lie_where_its_ticks_do(
    tempos: list[tuple[int, Any]], meters: list[tuple[int, Any]], markers: list[tuple[int, Any]]
) -> None:
    song_map = laid([*tempos, *meters, *markers], start_s="0.1", frames=RATE * 90)
    for bar in itertools.islice(song_map.tempo_map.bars(Fraction(400)), 60):
        exact_s = Fraction("0.1") + song_map.tempo_map.time_s(bar.quarters)
        if exact_s < 90:
            assert song_map.grid.line_s(bar.number) == exact_s
            assert song_map.grid.stretch(bar.number).meter.beats == bar.meter.beats
    marked = song_map.sections().sections
    assert all(one.last_bar + 1 == two.first_bar for one, two in itertools.pairwise(marked))
    assert len({s.name.casefold() for s in marked}) == len(marked)


def study(tmp_path: Path, song: str, rest: str = "") -> Path:
    sound = np.random.default_rng(1).normal(0, 0.1, 20 * 8000)
    soundfile.write(tmp_path / "song.wav", sound, 8000, subtype="PCM_24")
    events = [(0, tempo(120)), (0, meter(4, 4)), (0, marker("a")), (1920 * 4, marker("b"))]
    (tmp_path / "project.mid").write_bytes(map_bytes(events, end=1920 * 10))
    (tmp_path / "song.toml").write_text(f'[song]\ntitle = "T"\naudio = "song.wav"\n{song}\n{rest}')
    return tmp_path


def test_song_toml_may_leave_tempo_meter_and_sections_to_the_map(tmp_path: Path) -> None:
    song = load_song(study(tmp_path, 'map = "project.mid"'))
    assert [(s.name, s.first_bar, s.last_bar) for s in song.sections] == [("a", 1, 4), ("b", 5, 10)]
    assert (song.grid.tempo, song.grid.meter) == (120, Meter(4, 4))


def test_its_own_sections_come_before_the_markers(tmp_path: Path) -> None:
    text = '[sections]\nall = { bars = "1-10" }'
    song = load_song(study(tmp_path, 'map = "project.mid"\nmap_bar = 2\nstart = 0.5', text))
    assert [s.name for s in song.sections] == ["all"] and song.grid.line_s(2) == Fraction("2.5")


@pytest.mark.parametrize(
    ("song", "said"),
    [
        (
            'map = "project.mid"\ntempo = 120',
            "song.tempo: it comes from the map, project.mid; take this line out",
        ),
        ('map = "project.mid"\nmeter = "4/4"', "song.meter: it comes from the map"),
        ('map = "none.mid"', "there is no map"),
        ('map = "song.wav"', "song.wav is no Standard MIDI File"),
        ('map = "project.mid"\nmap_bar = 0', "song.map_bar is 0"),
        ("tempo = 120\nmap_bar = 2", "song.map_bar stands there without a map"),
        ('mapp = "project.mid"', 'song.mapp is not a key of this file; did you mean "map"'),
    ],
)
def test_what_does_not_go_with_a_map_is_named(tmp_path: Path, song: str, said: str) -> None:
    with pytest.raises(SongError) as refused:
        load_song(study(tmp_path, song, '[sections]\nall = { bars = "1-9" }'))
    assert said in str(refused.value)
