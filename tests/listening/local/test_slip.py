"""Gaps in what a device played, found from when it asked for more."""

from __future__ import annotations

import numpy as np
import pytest

from listening.local.slip import SlipMeter

PERIOD_S = 0.25
BUFFER_S = 1.0


def played(
    seconds: float, gaps: dict[float, float], *, drift: float = 0.0, jitter_s: float = 0.0
) -> SlipMeter:
    """A device with a buffer of a second; `gaps`: at this place nothing could be handed over for so long
    more than the buffer holds. Its clock is slow by `drift`, and half of its callbacks come late by up to
    `jitter_s`."""
    dice = np.random.default_rng(7)
    meter, now, handed, played_out = SlipMeter(), 100.0, 0.0, 100.0
    while handed < seconds:
        for at_s, gap_s in list(gaps.items()):
            if handed >= at_s:
                del gaps[at_s]
                now += BUFFER_S + gap_s
                played_out += gap_s
        room_at = played_out + (handed - BUFFER_S) * (1 + drift)
        now = max(now, room_at) + (dice.uniform(0, jitter_s) if dice.random() < 0.5 else 0.0)
        meter.asked(now, handed)
        handed += PERIOD_S
    return meter


@pytest.mark.parametrize("gap_s", [0.1, 0.2, 1.0, 5.0])
def test_a_gap_has_its_length_and_place(gap_s: float) -> None:
    (stumble,) = played(60, {30.0: gap_s}).stumbles()
    assert stumble.length_s == pytest.approx(gap_s, abs=0.01)
    assert stumble.at_s == pytest.approx(30, abs=0.3)


def test_several_gaps_add_up() -> None:
    meter = played(120, {20.0: 0.2, 50.0: 0.4, 90.0: 0.1})
    assert [round(x.length_s, 2) for x in meter.stumbles()] == [0.2, 0.4, 0.1]


@pytest.mark.parametrize("drift", [-1e-3, 0.0, 1e-3])
def test_clocks_that_differ_and_late_callbacks_are_no_gaps(drift: float) -> None:
    assert played(600, {}, drift=drift, jitter_s=0.3).stumbles() == []


def test_a_stall_that_the_buffer_outlasts_is_no_gap() -> None:
    assert played(60, {30.0: 0.0}).stumbles() == []


def test_nothing_played_is_nothing_late() -> None:
    assert SlipMeter().stumbles() == []
