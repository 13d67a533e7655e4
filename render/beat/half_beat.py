"""Beat or off-beat: which of two pulses half a beat apart carries the beat of the whole song."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.analysis.bar_features import describe
from render.analysis.onsets import Onsets
from render.arrays import Audio, Floats

_LOW, _ALL, _HARMONY = 0.5, 0.5, 0.6  # our own weights; low drums and chords mark beats (common practice)
SURE, _CLEAR, _SLIGHT = 0.3, 0.1, 0.05
FEWEST_BEATS = 16
_STRONG = 0.2  # of attacks in all; a skank or a pushed accent has low sounds against it (tune half)
_LATE_S, _SIGMA_S = 0.005, 0.01
_CHANGE_PERCENTILE = 70.0
_NO_CHORD = 0.1  # cosine distance that a figure on one chord makes; changes of chord make .2 and more


@dataclass(frozen=True)
class HalfBeat:
    """`evidence` that given times are the beats (1 and more is clear) and not the places halfway between them
    (negative). `sure`: clear, by two of the three at least, low sounds and strength not against it; or by a
    clear difference of strength alone that the two others do not speak against."""

    evidence: float
    sure: bool


def half_beat(audio: Audio, sample_rate: int, curve: Onsets, beats_s: Floats) -> HalfBeat:
    """Weigh `beats_s` (rising, seconds) against the places halfway between them."""
    if len(beats_s) < FEWEST_BEATS:
        return HalfBeat(0.0, False)
    halves = np.sort(np.concatenate([beats_s, (beats_s[1:] + beats_s[:-1]) / 2]))
    low = _contrast(*_sums(Onsets(curve.rate, curve.registers[:, 0], curve.registers), halves))
    strength = _contrast(*_sums(curve, halves))
    harmony = _harmony(audio, sample_rate, halves)
    evidence = _LOW * low + _ALL * strength + _HARMONY * harmony
    terms = np.sign(evidence) * np.array([low, strength, harmony])
    agree = bool((terms > _CLEAR).sum() >= 2 and terms[1] > 0 and terms[0] > -_SLIGHT)
    alone = terms[1] >= _STRONG and terms[0] > -_SLIGHT and terms[2] > -_CLEAR
    return HalfBeat(float(evidence), bool(abs(evidence) >= SURE and agree) or bool(alone))


def _sums(curve: Onsets, halves: Floats) -> tuple[float, float]:
    strength = curve.smooth(_SIGMA_S).at(halves + _LATE_S)
    return float(strength[::2].sum()), float(strength[1::2].sum())


def _harmony(audio: Audio, sample_rate: int, halves: Floats) -> float:
    """Where chords change, of two beats each: on the beats or between them."""
    sound = describe(audio, sample_rate, np.append(halves, 2 * halves[-1] - halves[-2]))
    chord = sound.chroma[:-3] + sound.chroma[1:-2] + sound.chroma[2:-1] + sound.chroma[3:]
    chord /= np.maximum(np.linalg.norm(chord, axis=1, keepdims=True), 1e-9)
    change = 1 - (chord[4:] * chord[:-4]).sum(axis=1)
    if len(change) < 3 or change.max() < 0.02:
        return 0.0
    peak = np.zeros(len(change), bool)
    peak[1:-1] = (change[1:-1] > change[:-2]) & (change[1:-1] >= change[2:])
    clear = np.where(peak & (change > np.percentile(change, _CHANGE_PERCENTILE)), change, 0.0)
    evidence = float(
        np.clip((np.percentile(change, 97) - _NO_CHORD) / _NO_CHORD, 0, 1)
    )  # or a figure on one chord
    return evidence * _contrast(float(clear[::2].sum()), float(clear[1::2].sum()))


def _contrast(one: float, two: float) -> float:
    return (one - two) / max(one + two, 1e-9)
