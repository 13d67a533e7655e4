"""A timeline -> audio, block by block.

Away from its fades a span is the source's own samples, untouched. At a join both sides' own audio is
crossfaded with gains that keep the power constant for the correlation r of the two sides:
a^2 + b^2 + 2abr = 1, at the middle a = b = 1/sqrt(2(1+r)) (r = 1: equal gain; r = 0: equal power).
So joins the first version. In the second, what the two sides sound before the line apart from each other goes
over more slowly: continued by linear prediction, their difference dies away under the new downbeat. In the
third the old side rings on until its next attack, and the new one's first attacks are whole (handover.py); in
the fourth every stem does so on its own. The fifth and sixth do as the third and fourth, at the song's own
decay, and hear attacks beside loud held notes.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from render.arrays import Audio
from render.audio.crossfade import correlation, crossfade_gains, rise
from render.audio.handover import BEFORE_S, EARLY_S, USUAL_FALL_S, Handover, fall_frames, fall_of, handover
from render.audio.prediction import FITTED_S, continued, model_of
from render.audio.timeline import HANDOVERS_SINCE, MEASURED_SINCE, Span, Timeline
from render.song.forms import Treatment
from render.song.song import BY_STEM

BLOCK_FRAMES = 1 << 18
DECAYS = 2  # the version of joining (Song.joining) in which differences die away
DECAY_S = 0.25
DECAY_TIME_CONSTANT_S = 0.075  # chosen by tests/benchmarks/RESULTS_joins.md


class Source(Protocol):
    """Where a span's samples come from: the bounce, or what is left of it under a treatment."""

    frames: int
    channels: int
    sample_rate: int

    @property
    def decay_s(self) -> float | None:
        """The reverberation time of the song, in seconds, where it can be measured."""
        ...

    def read(self, treatment: Treatment, start: int, stop: int) -> Audio:
        """Frames [start, stop) as (frames, channels) float32; nothing before 0 or beyond the end is asked."""
        ...

    def apart(self, treatment: Treatment, start: int, stop: int) -> list[Audio]:
        """The same in sounds that are joined each on its own; they add up to it."""
        ...


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
        self.fall_s: float = like.fall_s if like else self._fall_s()
        self.decays = [*self._decays()] if timeline.joining == DECAYS else []
        self.plans: list[list[Handover]] = []
        self.handovers = [*self._handovers()] if timeline.joining >= HANDOVERS_SINCE else []
        self.patches = [*self._patches(), *self.handovers]

    @property
    def edits(self) -> list[Patch]:
        """Patches beside the crossfades: decays of the second version, handovers of the later ones."""
        return [*self.decays, *self.handovers]

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

    def _handovers(self) -> Iterator[Patch]:
        """What sounds around each line at which one piece follows another."""
        spans, rate, free = self.timeline.spans, self.source.sample_rate, -self.lead
        for old, new in itertools.pairwise(spans):
            if not new.crossed:
                continue
            line, ahead = new.start, round(BEFORE_S * rate)
            start = max(line - round(EARLY_S * rate), old.start + old.fade_in, free)
            stop = min(line + fall_frames(self.fall_s, rate), new.stop - new.fade_out)
            pairs = self._pairs(old, new, line - ahead, stop)
            if self._like is self:
                plans = [self._handover(one, two, ahead) for one, two in pairs]
            else:
                plans = self._like.plans[len(self.plans)]
                if len(plans) > 1:  # each stem on its own: this one too
                    plans = [self._handover(*pairs[0], ahead)]
            self.plans.append(plans)
            sounds = [plan.of(one, two) for plan, (one, two) in zip(plans, pairs, strict=True)]
            free = max(stop, start)
            yield Patch(start, sum(sounds[1:], sounds[0])[start - line + ahead :])

    def _handover(self, old: Audio, new: Audio, line: int) -> Handover:
        measured = self.timeline.joining >= MEASURED_SINCE
        return handover(old, new, line, self.source.sample_rate, self.fall_s, in_bands=measured)

    def _fall_s(self) -> float:
        """The time constant at which the old part gives way: where it is measured, the song's own."""
        if self.timeline.joining < MEASURED_SINCE or not any(span.crossed for span in self.timeline.spans):
            return self.timeline.fall_s
        decay_s = self.source.decay_s
        return self.timeline.fall_s + (fall_of(decay_s) - USUAL_FALL_S if decay_s else 0.0)

    def _pairs(self, old: Span, new: Span, start: int, stop: int) -> list[tuple[Audio, Audio]]:
        """Both sides of a join, whole or as sounds that are joined each on its own."""
        if self.timeline.joining in BY_STEM and self._like is self:
            olds, news = self._apart_of(old, start, stop), self._apart_of(new, start, stop)
            if len(olds) == len(news):
                return [*zip(olds, news, strict=True)]
        return [(self._read(old, start, stop), self._read(new, start, stop))]

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
        lo, hi = self._within_file(span, start, stop)
        sound = self.source.read(span.treatment, lo, hi)
        return padded(sound, lo - self._source_frame(span, start), stop - start)

    def _apart_of(self, span: Span, start: int, stop: int) -> list[Audio]:
        """The same as sounds that add up to it."""
        lo, hi = self._within_file(span, start, stop)
        before = lo - self._source_frame(span, start)
        return [padded(sound, before, stop - start) for sound in self.source.apart(span.treatment, lo, hi)]

    def _within_file(self, span: Span, start: int, stop: int) -> tuple[int, int]:
        lo, hi = (self._source_frame(span, at) for at in (start, stop))
        return min(max(lo, 0), self.source.frames), min(max(hi, 0), self.source.frames)

    def _fade_whole(self, out: Audio, start: int, stop: int) -> None:
        """An `ending` of "fade": the form's last frames fall to zero."""
        fade = self.timeline.fade_out
        fade_start = self.timeline.stop - fade
        if fade and stop > fade_start:
            lo = max(start, fade_start)
            steps = (np.arange(lo - fade_start, stop - fade_start) + 0.5) / fade
            out[lo - start :] *= (0.5 + 0.5 * np.cos(np.pi * steps)).astype(np.float32)[:, None]


def padded(sound: Audio, before: int, frames: int) -> Audio:
    """`sound` within `frames` frames, (frames, channels), with `before` zeros ahead of it."""
    if len(sound) == frames:
        return sound
    out = np.zeros((frames, sound.shape[1]), np.float32)
    before = min(max(before, 0), frames)
    out[before : before + len(sound)] = sound
    return out


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
