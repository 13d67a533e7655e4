"""How fast a song's sounds die away, from the places where nothing new is struck: its reverberation time.

ISO 3382-1's definition: the time in which the backward-integrated curve falls by 60 dB, here by a straight line
through its first 5 to 20 dB (10 dB at least), what lies beyond the end of a decay being added as if it went on.
"""

from __future__ import annotations

import numpy as np

from render.arrays import Audio, Floats

SLOT_S = 0.005
SHORTEST_S, LEAST_FALL_DB = 0.15, 12.0
RISE_DB = 1.0  # a louder slot than the quietest so far by this much ends a decay


def decay_time_s(sound: Audio, rate: int) -> float | None:
    """The median reverberation time of all free decays of (frames, channels); None where there is none."""
    slot = round(SLOT_S * rate)
    whole = len(sound) // slot * slot
    power = (sound[:whole].astype(np.float64) ** 2).sum(axis=1).reshape(-1, slot).mean(axis=1)
    times_s = [time_s for a, b in _decays(power) if (time_s := _time_s(power[a:b])) is not None]
    return float(np.median(times_s)) if times_s else None


def _decays(power: Floats) -> list[tuple[int, int]]:
    """Stretches of slots over which the smoothed level falls."""
    level = 10 * np.log10(np.convolve(power, np.ones(6) / 6, mode="same") + 1e-12)
    found, start, lowest = [], 0, level[0]
    for at in range(1, len(level)):
        if level[at] > lowest + RISE_DB or level[at] < -90:
            found.append((start, at - 6))
            start, lowest = at, level[at]
        elif level[at] > level[start]:
            start, lowest = at, level[at]
        lowest = min(lowest, level[at])
    found.append((start, len(level)))
    return [
        (a, b) for a, b in found
        if (b - a) * SLOT_S >= SHORTEST_S and level[a] - level[a:b].min() >= LEAST_FALL_DB
    ]  # fmt: skip


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
    return -60 * SLOT_S / float(np.polyfit(slots[used], curve_db[used], 1)[0])
