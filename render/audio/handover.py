"""How one sound gives way to another at a line: what was ringing rings out, what is struck is whole.

Each side is followed beyond the line for as long as nothing new is struck in it, as it was recorded, and
foreseen by linear prediction from there on (prediction.py). That part of both, which is no attack of theirs,
goes over from the old side to the new one under a fall, at constant power where nothing is struck and both
sides sound on; what the new side holds beside it, its attacks, sounds in full from the first of them on,
be it a little ahead of the line. Of the old side no attack from just ahead of the line on is heard.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np

from render.arrays import Audio, Floats
from render.audio.crossfade import correlation, rise
from render.audio.prediction import FITTED_S, continued, model_of

EARLY_S = 0.025  # attacks so far ahead of a line belong to it: people play within some 20 ms (our own choice)
_LONGEST_FALL_S = 0.5
CORRELATED_S = 0.04
_CLOSED_S = 0.01  # the fall's last moments lead to nothing
BEFORE_S = EARLY_S + FITTED_S + 0.08  # what is read of both sides ahead of a line
# An attack: energy in bins that did not have it, against all energy of the moments before.
_WINDOW_S, _HOP_S, _BACK_S = 0.02, 0.002, 0.08
_LOWEST_HZ, _HIGHEST_HZ = 50, 10000
_NEW_SHARE, _LOUDER = 0.3, 1.5
_LEAD_S = 0.003  # a window shows an attack some milliseconds late


@dataclass(frozen=True)
class Followed:
    """One side beyond a line: as recorded up to frame `until` of its excerpt, by `model` from there on."""

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


def handover(old: Audio, new: Audio, line: int, rate: int, time_constant_s: float) -> Handover:
    """How excerpts (frames, channels) of two sides, whose line is at frame `line`, give way."""
    sides = _followed(old, line, rate), _followed(new, line, rate)
    falling = _fall(len(old), line, rate, time_constant_s)
    rising = 1 - falling
    if all(side.until == len(old) for side in sides) and _both_sound(old[line:], new[line:]):
        early = line - round(EARLY_S * rate)
        alike = slice(max(early - round(CORRELATED_S * rate), 0), early)
        r = correlation(old[alike], new[alike])
        power = np.sqrt(falling**2 + rising**2 + 2 * falling * rising * r)
        falling, rising = falling / power, rising / power
    return Handover(*sides, falling.astype(np.float32), rising.astype(np.float32))


def fall_frames(time_constant_s: float, rate: int) -> int:
    """Frames from the line on until the old side is gone."""
    return round(min(time_constant_s * 10 / 3, _LONGEST_FALL_S) * rate)


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


def _followed(sound: Audio, line: int, rate: int) -> Followed:
    """The side followed, or as it was when the same sound was met before."""
    key = (hashlib.sha256(sound.tobytes()).digest(), sound.shape, line, rate)
    side = _known.get(key)
    if side is None:
        if len(_known) >= _MOST_KNOWN:
            _known.clear()
        side = _known[key] = _follow(sound, line, rate)
    return side


def _follow(sound: Audio, line: int, rate: int) -> Followed:
    until = _struck(sound, line - round(EARLY_S * rate), rate)
    if until is None:
        return Followed(len(sound), np.ones(1))
    until = max(until - round(_LEAD_S * rate), 0)
    return Followed(until, model_of(sound[max(until - round(FITTED_S * rate), 0) : until]))


def _struck(sound: Audio, first: int, rate: int) -> int | None:
    """The frame from `first` on at which the next attack begins; None where the excerpt holds none."""
    size, hop = round(_WINDOW_S * rate), max(round(_HOP_S * rate), 1)
    back = round(_BACK_S / _HOP_S)
    starts = np.arange(first - back * hop - size // 2, len(sound) - size, hop)
    starts = starts[starts >= 0]
    if len(starts) <= back:
        return None
    mono = sound.mean(axis=1)
    windows = np.lib.stride_tricks.sliding_window_view(mono, size)[starts]
    spectra = (
        np.abs(np.fft.rfft(windows * np.hanning(size).astype(np.float32), axis=1)).astype(np.float64) ** 2
    )
    low, high = round(_LOWEST_HZ * _WINDOW_S), round(min(_HIGHEST_HZ, 0.45 * rate) * _WINDOW_S)
    power = spectra[:, low + 1 : high - 1]
    around = power + spectra[:, low : high - 2] + spectra[:, low + 2 : high]
    # the 60 ms before, but for the last 10, in which the window begins to see the attack itself
    near = np.lib.stride_tricks.sliding_window_view(around, 25, axis=0)  # the 25 windows from each on
    loudest = near[back - 30 : len(power) - 30].max(axis=-1)
    sums = np.concatenate([[0.0], np.cumsum(power.sum(axis=1))])
    at = np.arange(back, len(power))
    usual = (sums[at - 5] - sums[at - 20]) / 15
    struck = np.maximum(power[back:] - _LOUDER * loudest, 0).sum(axis=1)
    floor = 1e-4 * float((mono.astype(np.float64) ** 2).mean()) * size**2 / 8 + 1e-9
    found = np.flatnonzero(struck > _NEW_SHARE * usual + floor)
    return int(starts[back + found[0]]) + size // 2 if len(found) else None
