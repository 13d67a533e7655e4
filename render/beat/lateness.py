"""How late a song's attacks are against given beats, all in all, and whether a cut there would be heard."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.analysis.onsets import Onsets, attack_times
from render.arrays import Audio, Floats

# What a cut may be off before somebody hears it: a flam begins at 20 to 30 ms (common practice, no source).
SHIFT_S = 0.02  # soft attacks alone seem to be up to 19 ms late
# Three quarters of the exact attacks on one side of this: right grids have 6 ms at most, on the half "tune".
BULK_S = 0.012
FEWEST_EXACT = 16


@dataclass(frozen=True)
class Lateness:
    """`late_s`: how late the attacks are, seconds (negative: early); `clear`: enough to say so."""

    late_s: float
    clear: bool


def late_s(attacks_s: Floats, beats_s: Floats) -> Floats:
    """How late each attack is against the beat (of two or more, rising) nearest to it, seconds."""
    nearest = np.clip(np.searchsorted(beats_s, attacks_s), 1, len(beats_s) - 1)
    before, after = attacks_s - beats_s[nearest - 1], attacks_s - beats_s[nearest]
    return np.where(np.abs(before) < np.abs(after), before, after)


def lateness(audio: Audio, sample_rate: int, curve: Onsets, half_beats_s: Floats, beat_s: float) -> Lateness:
    """How late the attacks of `audio`, (frames, channels), are against beats (`half_beats_s`, every second):
    the nearest place, to the millisecond where exact attacks are found."""
    rough_s = _nearest_offset(curve, half_beats_s, beat_s)
    beats = half_beats_s[::2] + rough_s
    attacks = attack_times(audio, sample_rate, beats)
    if len(attacks) < 8:
        return Lateness(rough_s, abs(rough_s) > SHIFT_S)
    late = rough_s + late_s(attacks, beats)
    early_bulk, middle, late_bulk = (float(at_s) for at_s in np.percentile(late, [75, 50, 25]))
    bulk = len(late) >= FEWEST_EXACT and (late_bulk > BULK_S or early_bulk < -BULK_S)
    return Lateness(middle, bulk or abs(middle) > SHIFT_S)


def _nearest_offset(curve: Onsets, half_beats_s: Floats, beat_s: float) -> float:
    """How late the attacks are against half beats, seconds within a quarter of a beat: the nearest place."""
    steps = np.arange(-beat_s / 4, beat_s / 4, 0.002)
    blurred = curve.smooth(0.01)
    strength = blurred.at(half_beats_s + steps[:, None]).sum(axis=1)
    good = np.flatnonzero(strength >= 0.8 * strength.max())
    first = good[int(np.argmin(np.abs(steps[good])))]
    around = slice(max(first - 10, 0), first + 11)  # up to the peak that it belongs to
    return float(steps[around][int(np.argmax(strength[around]))])
