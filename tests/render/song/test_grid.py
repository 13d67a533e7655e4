"""Bars and frames: figures worked out by hand from beats x 60 / BPM, with exact fractions, no code of ours.

A tempo counts quarter notes a minute and a beat is the meter's lower figure (the design's convention); the
97 BPM figures are those of the issue and the design.
"""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from render.song.grid import Change, Grid, Meter, exact

FOUR_FOUR = Meter(4, 4)


def grid(
    rate: int = 44100,
    tempo: str = "120",
    meter: Meter = FOUR_FOUR,
    start: str = "0",
    changes: list[Change] | tuple[()] = (),
) -> Grid:
    return Grid(rate, exact(start), exact(tempo), meter, tuple(changes))


@pytest.mark.parametrize(
    ("rate", "tempo", "meter", "bar_frames"),
    [
        (44100, "120", FOUR_FOUR, Fraction(88200)),
        (48000, "120", FOUR_FOUR, Fraction(96000)),
        (96000, "120", FOUR_FOUR, Fraction(192000)),
        (44100, "97", FOUR_FOUR, Fraction(44100 * 240, 97)),  # 109113.402
        (48000, "97", FOUR_FOUR, Fraction(48000 * 240, 97)),  # 118762.887
        (44100, "120", Meter(7, 8), Fraction(77175)),  # 1.75 s
        (48000, "90", Meter(6, 8), Fraction(96000)),  # a dotted quarter of 60: 2 s
        (48000, "120", Meter(3, 4), Fraction(72000)),
        (48000, "120", Meter(2, 2), Fraction(96000)),
    ],
)
def test_every_bar_line_is_the_nearest_frame_to_its_exact_place(
    rate: int, tempo: str, meter: Meter, bar_frames: Fraction
) -> None:
    g = grid(rate, tempo, meter, start="0.25")
    assert g.line_frame(1) == rate // 4
    for bar in range(1, 502):
        assert g.line_frame(bar) == round(Fraction(rate, 4) + (bar - 1) * bar_frames)


def test_120_beats_a_minute_at_44100_hz_give_bars_of_88200_frames() -> None:
    g = grid()
    assert {g.line_frame(bar + 1) - g.line_frame(bar) for bar in range(1, 501)} == {88200}


def test_no_drift_over_500_bars_at_97_beats_a_minute() -> None:
    g = grid(tempo="97")
    assert g.line_frame(2) == 109113  # 109113.402
    assert g.line_frame(101) == 10911340  # 40 frames more than 100 rounded bars
    assert g.line_frame(501) == 54556701  # 54556701.03


def test_a_decimal_tempo_is_the_decimal_that_was_written() -> None:
    assert exact(96.1) == Fraction(961, 10)
    g = grid(48000, "96.1")
    assert g.line_frame(1 + 961) == 48000 * 2400  # 961 bars of 4 x 60 / 96.1 s are 2400 s


def test_tempo_and_meter_change_at_their_bars() -> None:
    g = grid(
        48000, changes=[Change(5, tempo=Fraction(60)), Change(7, meter=Meter(2, 4)), Change(9, exact(120))]
    )
    lengths = [g.line_frame(bar + 1) - g.line_frame(bar) for bar in range(1, 11)]
    assert lengths == [96000] * 4 + [192000] * 2 + [96000] * 2 + [48000] * 2
    assert g.stretch(8).meter == Meter(2, 4)
    assert g.stretch(100).tempo == 120


def test_a_change_at_bar_1_replaces_what_the_song_began_with() -> None:
    g = grid(48000, changes=[Change(1, tempo=Fraction(60))])
    assert g.line_frame(2) == 192000


def test_the_order_of_changes_in_the_file_does_not_matter() -> None:
    changes = [Change(9, meter=Meter(3, 4)), Change(3, tempo=Fraction(100))]
    one, two = grid(changes=changes), grid(changes=changes[::-1])
    assert [one.line_frame(b) for b in range(1, 20)] == [two.line_frame(b) for b in range(1, 20)]


def test_beats_before_a_line_are_counted_back_through_other_tempos_and_meters() -> None:
    g = grid(48000, start="2", changes=[Change(3, tempo=Fraction(60), meter=Meter(3, 4))])
    line = g.line_frame(3)
    assert line == 96000 + 2 * 96000
    assert g.before_line_frame(3, Fraction(1)) == line - 24000  # the bar before is at 120
    assert g.before_line_frame(4, Fraction(1)) == g.line_frame(4) - 48000  # at 60
    assert g.before_line_frame(4, Fraction(4)) == g.line_frame(3) - 24000  # three at 60, one at 120
    assert g.before_line_frame(1, Fraction(3, 2)) == 96000 - 36000  # before bar 1, as in bar 1


@given(
    tempo=st.decimals(20, 400, places=2),
    beats=st.integers(1, 12),
    unit=st.sampled_from([2, 4, 8, 16]),
    change=st.integers(2, 30),
    bar=st.integers(1, 60),
    beat=st.integers(0, 11),
)
def test_position_undoes_the_line(
    tempo: Decimal, beats: int, unit: int, change: int, bar: int, beat: int
) -> None:
    g = grid(44100, str(tempo), Meter(beats, unit), "0.3", [Change(change, tempo=Fraction(77))])
    inside = Fraction(beat % beats) + Fraction(1, 3)
    time_s = g.line_s(bar) + inside * g.stretch(bar).beat_s
    assert g.position(time_s) == (bar, inside)


def test_what_lies_before_bar_1_belongs_to_it() -> None:
    assert grid(start="1").position(Fraction(1, 2)) == (1, Fraction(-1))


def test_a_live_takes_bar_lines_lie_on_its_beats() -> None:
    """Beats written by hand; nothing is computed but the place after the last."""
    beats = tuple(
        exact(s) for s in ("0.5", "1.0", "1.52", "2.0", "2.49", "3.01", "3.5", "4.02", "4.5", "5.1")
    )
    g = Grid(48000, beats[0], exact(120), Meter(4, 4), beats_s=beats)
    assert [g.line_s(bar) for bar in (1, 2, 3)] == [beats[0], beats[4], beats[8]]
    assert [g.beat_time_s(2, k) for k in range(4)] == list(beats[4:8])
    assert g.before_line_frame(2, Fraction(1)) == 96000 and g.before_line_frame(
        3, Fraction(3, 2)
    ) == 48000 * Fraction("3.76")
    assert g.position(exact("2.745")) == (2, Fraction("0.255") / Fraction("0.52"))
    assert g.beat_s(11) == exact("6.3")  # as the last beat goes on
    assert g.position(exact("0.2"))[0] == 1


def test_a_live_takes_meter_may_change() -> None:
    beats = tuple(Fraction(n, 2) for n in range(14))
    g = Grid(
        8000,
        beats[0],
        exact(120),
        Meter(4, 4),
        (Change(2, meter=Meter(3, 4)), Change(3, meter=Meter(4, 4))),
        beats,
    )
    assert [g.line_s(bar) for bar in (1, 2, 3, 4)] == [0, 2, Fraction(7, 2), Fraction(11, 2)]
    assert [g.beats_before(bar) for bar in (1, 2, 3, 4, 5)] == [0, 4, 7, 11, 15]
