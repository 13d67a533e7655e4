"""Decays of synthetic reverberation: noise that falls by 60 dB in a known time (ISO 3382-1's definition)."""

import numpy as np
import pytest
from scipy.signal import oaconvolve

from render.audio.decay import decay_time_s
from tests.benchmarks.joins.playing import RATE, impulse_response


@pytest.mark.parametrize("rt60_s", [0.3, 1.2])
def test_reverberation_of_known_rt60_is_measured(rt60_s: float) -> None:
    """Within 2 %; ISO 3382-1 gives 5 % as what one can just hear (from memory)."""
    chance = np.random.default_rng(1)
    dry = np.zeros((8 * RATE, 2))
    for at in range(0, len(dry), 2 * RATE):
        dry[at : at + RATE // 10] = chance.standard_normal((RATE // 10, 2))
    wet = oaconvolve(dry, impulse_response(rt60_s), axes=0)[: len(dry)]
    assert decay_time_s([wet.astype(np.float32)], RATE) == pytest.approx(rt60_s, rel=0.02)


def test_neither_a_steady_sound_nor_a_fade_has_a_decay() -> None:
    steady = np.random.default_rng(2).standard_normal((4 * RATE, 1)).astype(np.float32)
    assert decay_time_s([steady], RATE) is None
    fade = 10 ** (-np.arange(len(steady), dtype=np.float32)[:, None] / RATE / 3)  # 60 dB in 9 s
    assert decay_time_s([(steady * fade).astype(np.float32)], RATE) is None
