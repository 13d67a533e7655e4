"""Loudness of forms before gain, predicted from one measurement of the bounce.

A form is mostly long stretches of the bounce. There its K-weighted signal is the bounce's own, as soon as
the weighting has forgotten what came before the join, and its peaks are the bounce's own. So the bounce is
weighted and searched once; for each form only what lies around its joins and fades, or sounds under a
treatment, is measured by itself:

    form    ──────────────╲╱·····───────────────────╲╱·····──────────
            the bounce's    own    the bounce's       own   the bounce's

The figures are those of a meter on the form itself, to its float32 accuracy; the written files are measured
anyway (render/renders/writing.py).
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from render.arrays import Audio
from render.audio.splice import Splicer
from render.audio.stems import read_audio
from render.audio.timeline import Span
from render.loudness.buffers import CHUNK_FRAMES, Float32
from render.loudness.meter import EnergySeries, FrameEnergies
from render.loudness.true_peak import REACH_FRAMES, peak_within
from render.renders.matching import FormLoudness
from render.renders.pipeline import WORKERS, followed_by
from render.song.song import Song

SETTLED_S = 0.15  # after so long the weighting's slower poles (38 Hz) have lost 300 dB of what was before


@dataclass(frozen=True)
class Bounce:
    """The song's audio (frames, channels), and the K-weighted energy of each of its frames."""

    audio: Audio
    energies: Float32
    sample_rate: int


def read_bounce(song: Song) -> Bounce:
    """Read the song's audio; a second thread weights each block while the next one is read.

    Raises:
        AudioError: as read_audio.
    """
    info = song.audio
    energies, heard = np.empty(info.frames, np.float32), 0
    frame_energies = FrameEnergies(info.sample_rate, info.channels)

    def weigh(block: Audio) -> None:
        nonlocal heard
        for start in range(0, len(block), CHUNK_FRAMES):
            chunk = block[start : start + CHUNK_FRAMES]
            energies[heard : heard + len(chunk)] = frame_energies.of(chunk)
            heard += len(chunk)

    with followed_by(weigh) as take:
        audio = read_audio(info.path, tell=take)
    return Bounce(audio, energies, info.sample_rate)


def stretches(splicer: Splicer, settled: int) -> list[Span]:
    """Spans of a form that measure as the bounce does: nothing else has sounded for `settled` frames."""
    timeline, runs = splicer.timeline, []
    for span in timeline.spans:
        start = span.start + span.fade_in + settled
        stop = min(span.stop - span.fade_out, timeline.stop - timeline.fade_out)
        stop = min(stop, span.start + splicer.source.frames - span.source)
        others = [(other.start, other.stop) for other in timeline.spans if other is not span]
        others += [(edit.start, edit.start + len(edit.samples)) for edit in splicer.edits]
        for other_start, other_stop in others:
            if other_start >= stop or other_stop + settled <= start:
                continue
            if other_start <= start:
                start = other_stop + settled
            else:
                stop = other_start
        if span.treatment.mode == "all" and start < stop:
            runs.append(Span(start, stop, span.source + start - span.start, span.treatment))
    return runs


class Forecast:
    """Foresees what the forms of `splicers` measure, all made from one bounce."""

    def __init__(self, bounce: Bounce, splicers: Sequence[Splicer]) -> None:
        self._bounce = bounce
        self._rate = bounce.sample_rate
        self._settled = round(SETTLED_S * self._rate)
        every = [s for splicer in splicers for s in stretches(splicer, self._settled)]
        self._cuts = sorted({cut for s in every for cut in (s.source, s.source_stop)})
        self._seams = [self._peak_between(c - REACH_FRAMES, c + REACH_FRAMES) for c in self._cuts]
        with ThreadPoolExecutor(WORKERS) as pool:
            self._peaks = list(pool.map(self._peak_between, self._cuts, self._cuts[1:]))

    def own(self, splicer: Splicer) -> FormLoudness:
        """Integrated loudness and true peak of one of the forms; -inf below the gate, and for silence."""
        series, peaks, now = EnergySeries(self._rate), [], -splicer.lead
        for stretch in stretches(splicer, self._settled):
            peaks.append(self._measure(splicer, now, stretch.start, series))
            peaks.append(self._peak_of(stretch))
            series.add(self._bounce.energies[stretch.source : stretch.source_stop])
            now = stretch.stop
        peaks.append(self._measure(splicer, now, splicer.timeline.stop, series))
        peak = max(peaks)
        return FormLoudness(series.integrated_lufs(), 20 * math.log10(peak) if peak > 0 else -math.inf)

    def _peak_between(self, start: int, stop: int) -> float:
        return peak_within(self._bounce.audio[max(start, 0) : stop], self._rate)

    def _peak_of(self, stretch: Span) -> float:
        first, last = bisect_left(self._cuts, stretch.source), bisect_left(self._cuts, stretch.source_stop)
        return max(self._peaks[first:last] + self._seams[first + 1 : last])

    def _measure(self, splicer: Splicer, start: int, stop: int, series: EnergySeries) -> float:
        """Measure frames [start, stop) of the form itself: adds their energies, returns their peak."""
        frame_energies, peak = FrameEnergies(self._rate, splicer.source.channels), 0.0
        frame_energies.of(_read_around(splicer, start - self._settled, start))
        for at in range(start, stop, CHUNK_FRAMES):
            end = min(at + CHUNK_FRAMES, stop)
            audio = _read_around(splicer, at - REACH_FRAMES, end + REACH_FRAMES)
            peak = max(peak, peak_within(audio, self._rate))
            series.add(frame_energies.of(audio[REACH_FRAMES:-REACH_FRAMES]))
        return peak


def _read_around(splicer: Splicer, start: int, stop: int) -> Audio:
    """Frames [start, stop) of the form, with silence before its file's first frame and after its last."""
    lo = min(max(start, -splicer.lead), stop)
    hi = max(min(stop, splicer.timeline.stop), lo)
    return np.pad(splicer.read(lo, hi), ((lo - start, stop - hi), (0, 0)))
