"""A timeline -> audio, block by block.

Away from its fades a span is the source's own samples, untouched. At a join both sides' own audio is
crossfaded with gains that keep the power constant for the correlation r of the two sides:
a^2 + b^2 + 2abr = 1, at the middle a = b = 1/sqrt(2(1+r)) (r = 1: equal gain; r = 0: equal power).
From the second version of joining on, what the two sides sound before the line apart from each other goes
over more slowly: continued by linear prediction, their difference dies away under the new downbeat. So the
old part's notes do not stop dead, those held into the new part from elsewhere do not begin in their middle,
and attacks, which cannot be predicted, stay whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from render.arrays import Audio
from render.audio.prediction import FITTED_S, continued, model_of
from render.audio.timeline import Span, Timeline
from render.song.forms import Treatment

BLOCK_FRAMES = 1 << 18
DECAYS_SINCE = 2  # the version of joining (Song.joining)
DECAY_S = 0.25
DECAY_TIME_CONSTANT_S = 0.075  # chosen by tests/benchmarks/RESULTS_joins.md


class Source(Protocol):
    """Where a span's samples come from: the bounce, or what is left of it under a treatment."""

    frames: int
    channels: int
    sample_rate: int

    def read(self, treatment: Treatment, start: int, stop: int) -> Audio:
        """Frames [start, stop) as (frames, channels) float32; nothing before 0 or beyond the end is asked."""
        ...


def rise(frames: int) -> Audio:
    """A raised-cosine rise from 0 to 1, sampled between its ends: (frames, 1)."""
    steps = (np.arange(frames, dtype=np.float64) + 0.5) / max(frames, 1)
    return (0.5 - 0.5 * np.cos(np.pi * steps)).astype(np.float32)[:, None]


def crossfade_gains(frames: int, r: float) -> tuple[Audio, Audio]:
    """Falling and rising gains, (frames, 1) each, of constant power for sides of correlation r (0..1)."""
    up = rise(frames).astype(np.float64)
    down = 1.0 - up
    power = np.sqrt(down**2 + up**2 + 2 * up * down * min(max(r, 0.0), 1.0))
    return (down / power).astype(np.float32), (up / power).astype(np.float32)


def correlation(one: Audio, two: Audio) -> float:
    """Correlation of two excerpts of equal shape over all channels, limited to 0..1 (0 for silence)."""
    x, y = one.astype(np.float64).ravel(), two.astype(np.float64).ravel()
    scale = float(np.sqrt(np.dot(x, x) * np.dot(y, y)))
    return min(max(float(np.dot(x, y)) / scale, 0.0), 1.0) if scale > 0 else 0.0


@dataclass(frozen=True)
class Patch:
    """Finished samples around a fade: they replace whatever the spans give from frame `start` on."""

    start: int
    samples: Audio


class Splicer:
    """Reads a form's audio in order. Frame 0 is the first bar line; `lead` frames come before it.

    `like`: the splicer of another source of the same timeline whose gains and models hold at every join, so
    that what adds up before the joins does so after them (stems to their mix).
    """

    def __init__(self, timeline: Timeline, source: Source, lead: int, like: Splicer | None = None) -> None:
        self.timeline = timeline
        self.source = source
        self.lead = lead
        self._like = like or self
        self.decays = [*self._decays()] if timeline.joining >= DECAYS_SINCE else []
        self.patches = [*self._patches()]

    @property
    def frames(self) -> int:
        return self.lead + self.timeline.stop

    def blocks(self, block_frames: int = BLOCK_FRAMES) -> Iterator[Audio]:
        """The whole form from its file's first frame to its last; blocks of (frames, channels)."""
        for start in range(-self.lead, self.timeline.stop, block_frames):
            yield self.read(start, min(start + block_frames, self.timeline.stop))

    def read(self, start: int, stop: int) -> Audio:
        """Frames [start, stop) of the form, (frames, channels). The result may share the source's memory."""
        whole = self._plain(start, stop)
        if whole is not None:
            return whole
        out = np.zeros((stop - start, self.source.channels), np.float32)
        for span in self.timeline.spans:
            lo, hi = max(start, span.start + span.fade_in), min(stop, span.stop - span.fade_out)
            if lo < hi:
                out[lo - start : hi - start] = self._read(span, lo, hi)
        for patch in self.patches:
            lo, hi = max(start, patch.start), min(stop, patch.start + len(patch.samples))
            if lo < hi:
                out[lo - start : hi - start] = patch.samples[lo - patch.start : hi - patch.start]
        self._fade_whole(out, start, stop)
        return out

    def _plain(self, start: int, stop: int) -> Audio | None:
        """The source's own samples where nothing but one span sounds in [start, stop)."""
        if self.timeline.fade_out and stop > self.timeline.stop - self.timeline.fade_out:
            return None
        for span in self.timeline.spans:
            inside = span.start + span.fade_in <= start and stop <= span.stop - span.fade_out
            if (
                inside
                and self._source_frame(span, start) >= 0
                and self._source_frame(span, stop) <= self.source.frames
            ):
                return None if self._patched(start, stop) else self._read(span, start, stop)
        return None

    def _patched(self, start: int, stop: int) -> bool:
        return any(p.start < stop and start < p.start + len(p.samples) for p in self.patches)

    def _patches(self) -> Iterator[Patch]:
        """Every fade of the form, computed once: overlapping fades are summed into one patch."""
        spans = self.timeline.spans
        ranges = [(s.start, s.start + s.fade_in) for s in spans if s.fade_in]
        ranges += [(s.stop - s.fade_out, s.stop) for s in spans if s.fade_out]
        ranges += [(decay.start, decay.start + len(decay.samples)) for decay in self.decays]
        for start, stop in _merged(ranges):
            out = np.zeros((stop - start, self.source.channels), np.float32)
            for decay in self.decays:
                if start <= decay.start < stop:
                    out[decay.start - start :][: len(decay.samples)] += decay.samples
            for index, span in enumerate(spans):
                lo, hi = max(start, span.start), min(stop, span.stop)
                if lo < hi:
                    out[lo - start : hi - start] += self._read(span, lo, hi) * self._gain(index, lo, hi)
            yield Patch(start, out)

    def _decays(self) -> Iterator[Patch]:
        """The difference of the two sides of each crossfade as it dies away, from the fade's first frame."""
        spans, rate = self.timeline.spans, self.source.sample_rate
        for index, span in enumerate(spans):
            crossed = self._crossfade(index - 1, index)
            if crossed is None:
                continue
            room = span.stop - span.fade_out - span.start
            fade, frames = len(crossed[0]), min(span.fade_in + round(DECAY_S * rate), room)
            fitted = span.start - round(FITTED_S * rate)
            sides = spans[index - 1], span
            past, model = self._apart(*sides, fitted), model_of(self._like._apart(*sides, fitted))
            seconds = np.arange(frames, dtype=np.float32)[:, None] / rate
            gain = np.exp(-seconds / np.float32(DECAY_TIME_CONSTANT_S))
            gain[:fade] *= 1 - crossed[0][:frames]
            fade_out = min(fade, frames)
            gain[frames - fade_out :] *= rise(fade_out)[::-1]
            yield Patch(span.start, gain * continued(past, frames, model))

    def _apart(self, old: Span, new: Span, start: int) -> Audio:
        """The difference of the two sides of a join, from `start` to the new one's first frame."""
        return self._read(old, start, new.start) - self._read(new, start, new.start)

    def _gain(self, index: int, lo: int, hi: int) -> Audio:
        """The gain of a span over [lo, hi): (frames, 1)."""
        span = self.timeline.spans[index]
        gain = np.ones((hi - lo, 1), np.float32)
        _multiply(gain, self._rise(index), span.start - lo)
        _multiply(gain, self._fall(index), span.stop - span.fade_out - lo)
        return gain

    def _rise(self, index: int) -> Audio:
        crossed = self._crossfade(index - 1, index)
        return crossed[1] if crossed else rise(self.timeline.spans[index].fade_in)

    def _fall(self, index: int) -> Audio:
        crossed = self._crossfade(index, index + 1)
        return crossed[0] if crossed else rise(self.timeline.spans[index].fade_out)[::-1]

    def _crossfade(self, old_index: int, new_index: int) -> tuple[Audio, Audio] | None:
        """Gains of the crossfade between two spans, or None where they do not cross."""
        spans = self.timeline.spans
        if old_index < 0 or new_index >= len(spans) or not spans[new_index].crossed:
            return None
        old, new = spans[old_index], spans[new_index]
        start, stop = new.start, new.start + new.fade_in
        if (old.stop - old.fade_out, old.stop) != (start, stop):
            return None  # one side is too short, or its file ends there: each fades alone
        r = correlation(self._like._read(old, start, stop), self._like._read(new, start, stop))
        return crossfade_gains(new.fade_in, r)

    def _source_frame(self, span: Span, at: int) -> int:
        return span.source + at - span.start

    def _read(self, span: Span, start: int, stop: int) -> Audio:
        """Frames [start, stop) of the form from one span's source; zeros where the file holds nothing."""
        lo, hi = self._source_frame(span, start), self._source_frame(span, stop)
        inside_lo, inside_hi = min(max(lo, 0), self.source.frames), min(max(hi, 0), self.source.frames)
        if (lo, hi) == (inside_lo, inside_hi):
            return self.source.read(span.treatment, lo, hi)
        out = np.zeros((hi - lo, self.source.channels), np.float32)
        if inside_lo < inside_hi:
            out[inside_lo - lo : inside_hi - lo] = self.source.read(span.treatment, inside_lo, inside_hi)
        return out

    def _fade_whole(self, out: Audio, start: int, stop: int) -> None:
        """An `ending` of "fade": the form's last frames fall to zero."""
        fade = self.timeline.fade_out
        fade_start = self.timeline.stop - fade
        if fade and stop > fade_start:
            lo = max(start, fade_start)
            steps = (np.arange(lo - fade_start, stop - fade_start) + 0.5) / fade
            out[lo - start :] *= (0.5 + 0.5 * np.cos(np.pi * steps)).astype(np.float32)[:, None]


def _multiply(gain: Audio, curve: Audio, at: int) -> None:
    """gain[at:] *= curve, where they overlap."""
    lo, hi = max(at, 0), min(at + len(curve), len(gain))
    if lo < hi:
        gain[lo:hi] *= curve[lo - at : hi - at]


def _merged(ranges: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Overlapping or touching ranges joined, in order."""
    merged: list[tuple[int, int]] = []
    for start, stop in sorted(ranges):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(stop, merged[-1][1]))
        else:
            merged.append((start, stop))
    return merged
