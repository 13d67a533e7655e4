"""The watch over sound that is late or missing, on clocks as devices have them (run by node)."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from tests.places import ROOT

SCRIPT = ROOT / "listening/page/static/stumbles.js"
BUFFER_S = 0.17
TICK_S = 0.1
LONG_S = 240.0
dice = np.random.default_rng(20261123)

Lag = Callable[[float], float]


def looks(
    seconds: float,
    lost: Lag = lambda t: 0.0,
    told: Lag = lambda t: 0.0,
    *,
    speed: float = 1.0,
    tick_s: float = TICK_S,
    missing: Lag = lambda t: 0.0,
) -> list[dict[str, Any]]:
    """What a page sees every tick of a sound that `lost` so many seconds by then and tells its time late."""
    ticks = []
    for wall in np.arange(0.0, seconds, tick_s):
        sound = max(wall * speed - lost(wall), 0.0)
        taken = np.floor(sound / BUFFER_S) * BUFFER_S + BUFFER_S  # a buffer at a time
        given = {"at": sound - told(wall) - 0.16 + float(dice.normal(0, 0.003)), "wall": float(wall)}
        ticks.append(
            {"wall": float(wall), "played": float(sound), "taken": float(taken), "given": given,
             "missing": missing(wall)}
        )  # fmt: skip
    return ticks


def watched(seen: Sequence[dict[str, Any]]) -> dict[str, Any]:
    if shutil.which("node") is None:
        pytest.skip("node is not installed")
    code = (
        f"{SCRIPT.read_text(encoding='utf-8')}; const w = Stumbles.watch({BUFFER_S});"
        f"for (const one of JSON.parse(require('fs').readFileSync(0, 'utf8'))) w.look(one);"
        "console.log(JSON.stringify({late_s: w.late_s(), all: w.all(), still: w.stoodStill()}))"
    )
    done = subprocess.run(
        ["node", "-e", code], input=json.dumps(seen), capture_output=True, text=True, check=True
    )
    return dict(json.loads(done.stdout))


def stall(at_s: float, length_s: float) -> Lag:
    return lambda t: float(np.clip(t - at_s, 0, length_s))


def test_a_steady_sound_is_never_late() -> None:
    assert watched(looks(LONG_S)) == {"late_s": 0, "all": [], "still": True}


@pytest.mark.parametrize("speed", [0.9995, 1.0005])
def test_a_device_whose_clock_runs_otherwise_is_not_late(speed: float) -> None:
    """Sound cards keep to 100 parts in a million, cheap ones to hundreds (common practice, no source)."""
    assert watched(looks(LONG_S, speed=speed))["late_s"] == 0


@pytest.mark.parametrize("length_s", [0.1, 0.2, 1.0, 5.0])
def test_a_stall_is_as_long_as_it_was_and_has_its_place(length_s: float) -> None:
    watch = watched(looks(LONG_S, stall(130.0, length_s)))
    assert watch["late_s"] == pytest.approx(length_s, abs=0.03)
    (one,) = watch["all"]
    assert one["at_s"] == pytest.approx(130.0, abs=0.4)


def test_several_stalls_add_up() -> None:
    watch = watched(looks(LONG_S, lambda t: stall(50, 0.2)(t) + stall(51, 0.1)(t) + stall(200, 0.15)(t)))
    assert watch["late_s"] == pytest.approx(0.45, abs=0.05)
    assert len(watch["all"]) == 2, "what follows at once is one stumble"


TOLD_LATE_S = 0.15  # as measured in a browser with four busy processes beside it, for seconds and back again


def wavering(seed: int) -> Lag:
    """A browser that tells its time up to TOLD_LATE_S late, otherwise every 0.8 s."""
    late_s = np.random.default_rng(seed).uniform(0, TOLD_LATE_S, 1000)
    return lambda t: float(late_s[int(t / 0.8)])


@pytest.mark.parametrize("seed", range(6))
def test_a_busy_browser_that_tells_its_time_late_leaves_a_blemish_at_most(seed: int) -> None:
    """What it leaves is no more than what is told late at a time, however long the form is."""
    watch = watched(looks(600.0, told=wavering(seed)))
    assert watch["late_s"] <= TOLD_LATE_S + 0.03


@pytest.mark.parametrize("seed", range(3))
def test_in_a_busy_browser_a_second_that_was_missing_is_still_found(seed: int) -> None:
    watch = watched(looks(LONG_S, stall(130.0, 1.0), told=wavering(seed)))
    assert watch["late_s"] == pytest.approx(1.0, abs=TOLD_LATE_S + 0.03)


def test_a_way_to_the_ear_that_becomes_longer_is_a_blemish_at_most() -> None:
    """Another pair of headphones: the estimate of what is given out jumps, and AGREE_S of it is believed."""
    watch = watched(looks(LONG_S, told=lambda t: 0.4 if t > 60 else 0.0))
    assert watch["late_s"] == pytest.approx(0.1, abs=0.03)


def test_a_page_that_looks_once_a_second_sees_the_same() -> None:
    """Browsers slow down the timers of pages that are not in front."""
    assert watched(looks(LONG_S, tick_s=1.0))["late_s"] == 0
    assert watched(looks(LONG_S, stall(100, 0.5), tick_s=1.0))["late_s"] == pytest.approx(0.5, abs=0.03)


def test_under_runs_that_the_browser_counts_are_stumbles_once() -> None:
    """Where the sound is late by the same under-run, it is one stumble, not two."""
    watch = watched(looks(LONG_S, stall(80, 0.2), missing=stall(80, 0.2)))
    assert watch["late_s"] == pytest.approx(0.2, abs=0.05)
    dropped = watched(looks(LONG_S, missing=stall(80, 0.2)))
    assert dropped["late_s"] == pytest.approx(0.2, abs=0.01) and not dropped["still"]
