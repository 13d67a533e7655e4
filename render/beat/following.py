"""The beats of a live take: followed through the onset curve by dynamic programming, with a local tempo.

The state of each beat is its time and the length of the beat before it; a beat is worth the attacks on it and
on its half nearly alike (else a path slips by half a beat in a rest, to where accents lie off the beat), a
change of tempo from beat to beat costs (as in Ellis, J. New Music Research 36, 2007, with the
local period as a state of its own, as in bar pointer models: Whiteley, Cemgil and Godsill, ISMIR 2006; both
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from render.analysis.onsets import Onsets, attack_times
from render.arrays import Audio, Counts, Floats
from render.beat.half_beat import half_beat
from render.beat.lateness import late_s
from render.beat.tempo_estimate import first_sound_s

REACH = 0.07  # how far the local tempo may lie from the one given, relative
_TEMPO_SPREAD = 0.008  # relative change from beat to beat that costs half a unit
_STEP_S = 0.005
_SMOOTH_S = 0.012
_FLOOR = 0.3
_HALF = 0.8  # what an attack on the half counts; at .55 paths slip in rests, at .7 to 1 not (half "tune")
_SAID = 0.125  # of a beat: as near as a given time must lie to a beat to be meant by it
_NEAR_S = np.arange(-0.04, 0.0401, 0.002)
_RISEN = 0.8  # of the peak
_RISE_TO_BEAT_S = 0.008  # for sharp attacks; what is left of it is measured at the end
_TAIL_S = 2.0  # at the end, where chords ring out: silence is no change of harmony
_WINDOW_BEATS = 4  # over which beats are set by their attacks together
_CLEAR = 1.25  # attacks on beats and halves against elsewhere, below which a passage is unsure
_TELLS = 0.4  # that, less 1, times strength against the song's median: soft swells say little (half "tune")


@dataclass(frozen=True)
class FollowedBeats:
    """`beats_s`: every beat of the take, seconds, rising; `unsure`: (from, to) in seconds where few attacks
    say where they lie; `half_sure`: they are surely the beats, not the places halfway between them."""

    beats_s: Floats
    unsure: tuple[tuple[float, float], ...]
    half_sure: bool


def follow_beats(
    audio: Audio, sample_rate: int, curve: Onsets, beats_a_minute: float, on_beat_s: float | None = None
) -> FollowedBeats:
    """Follow the beat of `audio`, (frames, channels), whose tempo lies about `beats_a_minute`.

    The local tempo may sway by up to 7 % of it. Before the first attack and after the last, beats go on.
    `on_beat_s`: a time near which a beat lies, as a person says, who hears more than attacks.
    """
    worth = _worth(curve)
    beats = _path(worth, 60 / beats_a_minute / _STEP_S) * _STEP_S
    beats = _settled(curve, beats)
    sounding = (beats > first_sound_s(curve) - 0.06) & (beats < curve.seconds - _TAIL_S)
    half = half_beat(audio, sample_rate, curve, beats[sounding])
    between = np.append((beats[1:] + beats[:-1]) / 2, beats[-1] + (beats[-1] - beats[-2]) / 2)
    beside, sure = half.evidence < 0, half.sure
    if on_beat_s is not None:
        off_s, off_between_s = (float(np.abs(at_s - on_beat_s).min()) for at_s in (beats, between))
        if min(off_s, off_between_s) < _SAID * 60 / beats_a_minute:
            beside, sure = off_between_s < off_s, True
    if beside:
        beats = _settled(curve, between)
    attacks = attack_times(audio, sample_rate, beats)
    if len(attacks) >= _WINDOW_BEATS:  # the curve is late by what a soft attack takes to rise
        beats = beats + float(np.median(late_s(attacks, beats)))
    beats = beats[(beats >= 0) & (beats <= curve.seconds)]
    return FollowedBeats(beats, _unsure(curve, beats), sure)


def _worth(curve: Onsets) -> Floats:
    """What a beat at each step of 5 ms is worth: log of the attacks against those of some seconds around."""
    times: Floats = np.arange(int(curve.seconds / _STEP_S), dtype=np.float64) * _STEP_S
    low = curve.registers[:, 0] / max(float(curve.registers[:, 0].mean()), 1e-12)
    strength = Onsets(curve.rate, curve.strength + low, curve.registers).smooth(_SMOOTH_S).at(times)
    around = ndimage.uniform_filter1d(strength, round(6 / _STEP_S), mode="nearest")
    worth: Floats = np.log(_FLOOR + strength / (around + 0.05 * float(strength.mean()) + 1e-12))
    return worth


def _path(worth: Floats, period: float) -> Floats:
    """The best beats (steps), each period within reach of `period`, by dynamic programming."""
    periods = np.arange(max(round(period * (1 - REACH)), 2), round(period * (1 + REACH)) + 1)
    change = np.log(periods[:, None] / periods[None, :]) / _TEMPO_SPREAD
    cost = np.minimum(change**2 / 2, 30.0)  # (new, old)
    count, longest = len(worth), int(periods[-1])
    padded = np.concatenate([np.zeros(longest), worth])
    total = np.zeros(
        (count + longest, len(periods))
    )  # of the best path with a beat here, by the beat before it
    came = np.zeros((count + longest, len(periods)), np.int8)
    index = np.arange(len(periods))
    for step in range(longest, count + longest):
        before = total[step - periods]  # (new, old): each period reaches back to its own beat
        options = before - cost
        came[step] = options.argmax(axis=1)
        halves = padded[step - periods // 2]
        total[step] = options[index, came[step]] + padded[step] + _HALF * halves
    return _traced(total, came, periods, longest).astype(np.float64)


def _traced(total: Floats, came: np.ndarray, periods: Counts, longest: int) -> Counts:
    """Back from the best end, one beat before the next."""
    tail = total[-longest:]
    best, beats = int(np.argmax(tail)), []
    at, state = len(total) - longest + best // tail.shape[1], best % tail.shape[1]
    while at >= longest:
        beats.append(at - longest)
        at, state = at - int(periods[state]), int(came[at, state])
    return np.array(beats[::-1])


def _settled(curve: Onsets, beats: Floats) -> Floats:
    """Beats moved onto the attacks of the beats around them, to where these rise."""
    blurred = curve.smooth(0.008)
    for _again in range(2):
        around = blurred.at(beats[:, None] + _NEAR_S)
        halves = blurred.at(((beats + np.append(beats[1:], beats[-1])) / 2)[:, None] + _NEAR_S)
        pooled = ndimage.gaussian_filter1d(around + _HALF * halves, _WINDOW_BEATS / 2, axis=0, mode="nearest")
        beats = beats + ndimage.gaussian_filter1d(_rises_s(pooled), _WINDOW_BEATS / 4, mode="nearest")
    return beats


def _rises_s(pooled: Floats) -> Floats:
    """Where each row of `pooled`, (beats, places of `_NEAR_S`), last passes `_RISEN` before its peak.

    The peak of a soft attack is 20 to 30 ms later than a sharp one's, its rise less. 0 where nothing sounds.
    """
    rows, peak = np.arange(len(pooled)), pooled.max(axis=1)
    lower = pooled < _RISEN * peak[:, None]
    lower &= np.arange(len(_NEAR_S)) <= pooled.argmax(axis=1)[:, None]
    last = np.where(lower.any(axis=1), len(_NEAR_S) - 1 - lower[:, ::-1].argmax(axis=1), 0)
    below, above = pooled[rows, last], pooled[rows, np.minimum(last + 1, len(_NEAR_S) - 1)]
    part = np.clip((_RISEN * peak - below) / np.maximum(above - below, 1e-12), 0.0, 1.0)
    rise: Floats = _NEAR_S[last] + part * (_NEAR_S[1] - _NEAR_S[0]) + _RISE_TO_BEAT_S
    return np.where(peak > 0, rise, 0.0)


def _unsure(curve: Onsets, beats: Floats) -> tuple[tuple[float, float], ...]:
    """Stretches of two seconds and more in which attacks hardly prefer beats and their halves."""
    blurred = curve.smooth(_SMOOTH_S)
    middles = (beats[1:] + beats[:-1]) / 2
    on = blurred.at(beats[:-1]) + blurred.at(middles)
    gap = np.diff(beats) / 8
    beside = sum(blurred.at(beats[:-1] + k * gap) + blurred.at(middles + k * gap) for k in (-1, 1)) / 2
    size = 9
    strength = ndimage.uniform_filter1d(on, size)
    ratio = strength / np.maximum(ndimage.uniform_filter1d(beside, size), 1e-9)
    weak = (ratio < _CLEAR) | ((ratio - 1) * strength < _TELLS * float(np.median(on)))
    edges = np.flatnonzero(np.diff(weak.astype(int), prepend=0, append=0)).reshape(-1, 2)
    return tuple((float(beats[a]), float(beats[b])) for a, b in edges if beats[b] - beats[a] >= 2)
