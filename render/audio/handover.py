"""The join of two parts at a bar line: what sustains in the old one decays, attacks of the new one are whole.

Each side is followed beyond the line for as long as nothing new is struck in it, as it was recorded, and
foreseen by linear prediction from there on (prediction.py). That part of both, which is no attack of theirs,
goes over from the old side to the new one under a fall, at constant power where nothing is struck and both
sides sound on; what the new side holds beside it, its attacks, sounds in full from the first of them on,
be it a little ahead of the line. Of the old side no attack from just ahead of the line on is heard.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

import numpy as np

from render.arrays import Audio, Floats
from render.audio.crossfade import correlation, rise
from render.audio.prediction import FITTED_S, continued, model_of
from render.audio.struck import struck

EARLY_S = 0.025  # attacks so far ahead of a line belong to it: people play within some 20 ms (our own choice)
_GONE_S = 0.5
USUAL_FALL_S = 0.075  # time constant where none is measured, with crossfades of 10 ms
SHORTEST_FALL_S, LONGEST_FALL_S = 0.04, 0.15  # of those measured from a song
CORRELATED_S = 0.04
_CLOSED_S = 0.01  # the fall's last moments lead to nothing
BEFORE_S = EARLY_S + FITTED_S + 0.08  # what is read of both sides ahead of a line
_LEAD_S = 0.003  # a window shows an attack some milliseconds late


@dataclass(frozen=True)
class Followed:
    """One side of a join: as recorded up to frame `until` of its excerpt, predicted by `model` after it."""

    until: int
    model: Floats

    def of(self, sound: Audio) -> Audio:
        """The side without what is struck in it; linear in `sound`, so that it holds for parts of a mix."""
        if self.until >= len(sound):
            return sound
        out = sound.copy()
        out[self.until :] = continued(sound[: self.until], len(sound) - self.until, self.model)
        return out


@dataclass(frozen=True)
class Handover:
    """Two sides followed, and the gains of each over the whole excerpt, (frames, 1)."""

    old: Followed
    new: Followed
    falling: Audio
    rising: Audio

    def of(self, old: Audio, new: Audio) -> Audio:
        """The excerpt as it sounds, (frames, channels)."""
        rests = self.new.of(new)
        out: Audio = (new - rests) + self.falling * self.old.of(old) + self.rising * rests
        return out


def handover(
    old: Audio, new: Audio, line: int, rate: int, time_constant_s: float, in_bands: bool
) -> Handover:
    """The join of two excerpts (frames, channels) whose bar line is at frame `line`.

    `in_bands`: attacks count where they stand out in a band of their own, too (struck.py).
    """
    sides = _followed(old, line, rate, in_bands), _followed(new, line, rate, in_bands)
    falling = _fall(len(old), line, rate, time_constant_s)
    rising = 1 - falling
    if all(side.until == len(old) for side in sides) and _both_sound(old[line:], new[line:]):
        early = line - round(EARLY_S * rate)
        alike = slice(max(early - round(CORRELATED_S * rate), 0), early)
        r = correlation(old[alike], new[alike])
        power = np.sqrt(falling**2 + rising**2 + 2 * falling * rising * r)
        falling, rising = falling / power, rising / power
    return Handover(*sides, falling.astype(np.float32), rising.astype(np.float32))


def fall_of(decay_time_s: float) -> float:
    """The time constant in s of a decay of that reverberation time (60 dB: 6.9 time constants), limited."""
    return round(min(max(decay_time_s / math.log(1000), SHORTEST_FALL_S), LONGEST_FALL_S), 3)


def fall_frames(time_constant_s: float, rate: int) -> int:
    """Frames from the line on until the old side is gone."""
    return round(min(time_constant_s * 10 / 3, _GONE_S) * rate)


def _fall(frames: int, line: int, rate: int, time_constant_s: float) -> Floats:
    """1 up to the line, an exponential fall to nothing from there on: (frames, 1)."""
    seconds = np.maximum(np.arange(frames, dtype=np.float64) - line, 0) / rate
    fall: Floats = np.exp(-seconds / time_constant_s)[:, None]
    closed = min(round(_CLOSED_S * rate), frames - line)
    fall[frames - closed :] *= rise(closed)[::-1]
    return fall


def _both_sound(old: Audio, new: Audio) -> bool:
    """Whether neither side is hidden by the other (20 dB)."""
    one, two = (float(np.mean(side.astype(np.float64) ** 2)) for side in (old, new))
    return min(one, two) > 0.01 * max(one, two)


_known: dict[tuple[object, ...], Followed] = {}
_MOST_KNOWN = 1024  # of some 2 kB; forms have most of their sides in common


def _followed(sound: Audio, line: int, rate: int, in_bands: bool) -> Followed:
    """The side followed, or as it was when the same sound was met before."""
    key = (hashlib.sha256(sound.tobytes()).digest(), sound.shape, line, rate, in_bands)
    side = _known.get(key)
    if side is None:
        if len(_known) >= _MOST_KNOWN:
            _known.clear()
        side = _known[key] = _follow(sound, line, rate, in_bands)
    return side


def _follow(sound: Audio, line: int, rate: int, in_bands: bool) -> Followed:
    until = struck(sound, line - round(EARLY_S * rate), rate, in_bands)
    if until is None:
        return Followed(len(sound), np.ones(1))
    until = max(until - round(_LEAD_S * rate), 0)
    return Followed(until, model_of(sound[max(until - round(FITTED_S * rate), 0) : until]))
