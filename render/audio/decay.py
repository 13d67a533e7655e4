"""How fast a song's sounds die away, from the places where nothing new is struck: its reverberation time.

ISO 3382-1's definition: the time in which the backward-integrated curve falls by 60 dB, here by a line
through it from -5 to -20 dB, what lies beyond the end of a decay being added as if it went on.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from render.arrays import Audio, Floats

_SLOT_S = 0.005
_SHORTEST_S, _LEAST_FALL_DB = 0.15, 12.0
_LONGEST_S = 6.0  # slower falls are somebody's fade, no room's
_RISE_DB = 1.0  # a slot louder than the quietest so far by this much ends a decay
_QUIETEST_DB = -90.0  # below this, digital silence more likely than a decay
_SMOOTHED = 6


def slot_frames(rate: int) -> int:
    """Frames of one slot; blocks for `decay_time_s` hold whole slots."""
    return round(_SLOT_S * rate)


def decay_time_s(blocks: Iterable[Audio], rate: int) -> float | None:
    """The median reverberation time of all free decays of a sound, in blocks (frames, channels) of whole
    slots (the last one may hold less); None where there is none."""
    slot = slot_frames(rate)
    powers = [np.zeros(0, np.float32)]
    for block in blocks:
        slots = block[: len(block) // slot * slot].reshape(-1, slot, block.shape[1])
        powers.append(np.einsum("ijk,ijk->i", slots, slots) / np.float32(slot))
    power = np.concatenate(powers).astype(np.float64)
    times_s = [time_s for a, b in _decays(power) if (time_s := _time_s(power[a:b])) is not None]
    return float(np.median(times_s)) if times_s else None


def _decays(power: Floats) -> list[tuple[int, int]]:
    """Stretches of slots over which the smoothed level falls far enough."""
    if len(power) <= _SMOOTHED:
        return []
    smooth = np.convolve(power, np.ones(_SMOOTHED) / _SMOOTHED, mode="same")
    level: list[float] = (10 * np.log10(smooth + 1e-12)).tolist()
    falls, start, lowest = [], 0, level[0]
    for at, here in enumerate(level):
        if here > lowest + _RISE_DB or here < _QUIETEST_DB:
            falls.append((start, at - _SMOOTHED))
            start, lowest = at, here
        elif here > level[start]:
            start, lowest = at, here
        lowest = min(lowest, here)
    falls.append((start, len(level)))
    long = [(start, stop) for start, stop in falls if (stop - start) * _SLOT_S >= _SHORTEST_S]
    return [(start, stop) for start, stop in long if level[start] - min(level[start:stop]) >= _LEAST_FALL_DB]


def _time_s(power: Floats) -> float | None:
    """By a line through the backward-integrated curve; None where it does not fall far enough."""
    slots = np.arange(len(power))
    slope = float(np.polyfit(slots, np.log(power + 1e-15), 1)[0])  # a first guess, for what lies beyond
    if slope >= 0:
        return None
    beyond = float(power[-4:].mean()) / (1 - np.exp(slope))
    curve_db = 10 * np.log10(np.cumsum(power[::-1])[::-1] + beyond)
    curve_db -= curve_db[0]
    used = (curve_db <= -5) & (curve_db >= -20)
    if used.sum() < 8 or curve_db[used][0] - curve_db[used][-1] < 4:
        return None
    time_s = -60 * _SLOT_S / float(np.polyfit(slots[used], curve_db[used], 1)[0])
    return time_s if 0 < time_s < _LONGEST_S else None
