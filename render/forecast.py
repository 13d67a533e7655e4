"""What forms will measure before gain, foreseen from one measurement of the bounce.

A form is mostly long stretches of the bounce. There its K-weighted signal is the bounce's own, as soon as
the weighting has forgotten what came before the join, and its peaks are the bounce's own. So the bounce is
weighted and searched once; for each form only what lies around its joins and fades, or sounds under a
treatment, is measured by itself:

    form    ──────────────╲╱·····───────────────────╲╱·····──────────
            the bounce's    own    the bounce's       own   the bounce's

The figures are those of a meter on the form itself, to its float32 accuracy; the written files are measured
anyway (render/written.py).
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from render.kweighting import k_weight
from render.loudness import EnergySeries, frame_energies
from render.products import Float32
from render.splice import BLOCK_FRAMES, Audio, Splicer
from render.truepeak import REACH_FRAMES, peak_within

SETTLED_S = 0.15  # after so long the weighting's slower poles (38 Hz) have lost 300 dB of what was before
_WORKERS = 2
_BOUNCE_FRAMES = 1 << 20  # of the bounce measured at a time by one thread


@dataclass(frozen=True)
class Own:
    """A form before gain."""

    lufs: float
    true_peak_dbtp: float


@dataclass(frozen=True)
class Stretch:
    """Frames [start, stop) of a form that measure as the bounce does from frame `source` on."""

    start: int
    stop: int
    source: int

    @property
    def source_stop(self) -> int:
        return self.source + self.stop - self.start


def stretches(splicer: Splicer, settled: int) -> list[Stretch]:
    """Where a form is the bounce's own sound and has been for `settled` frames, in order."""
    timeline, found = splicer.timeline, []
    for span in timeline.spans:
        start = span.start + span.fade_in + settled
        stop = min(span.stop - span.fade_out, timeline.stop - timeline.fade_out)
        stop = min(stop, span.start + splicer.source.frames - span.source)
        for other in timeline.spans:
            if other is span or other.start >= stop or other.stop + settled <= start:
                continue
            if other.start <= start:
                start = other.stop + settled
            else:
                stop = other.start
        if span.treatment.mode == "all" and start < stop:
            found.append(Stretch(start, stop, span.source + start - span.start))
    return found


class Forecast:
    """Measures `bounce` (frames, channels) once for the forms of `splicers`; then `own` gives each form's."""

    def __init__(self, bounce: Audio, sample_rate: int, splicers: Sequence[Splicer]) -> None:
        self._bounce = bounce
        self._rate = sample_rate
        self._gains = np.ones(bounce.shape[1])
        self._settled = round(SETTLED_S * sample_rate)
        every = [s for splicer in splicers for s in stretches(splicer, self._settled)]
        self._cuts = sorted({cut for s in every for cut in (s.source, s.source_stop)})
        self._energies = np.empty(len(bounce), np.float32)
        with ThreadPoolExecutor(_WORKERS) as pool:
            peaks = pool.map(self._peak_between, self._cuts, self._cuts[1:])
            list(pool.map(self._weigh, range(0, len(bounce), _BOUNCE_FRAMES)))
            self._peaks = list(peaks)
        self._seams = [self._peak_between(c - REACH_FRAMES, c + REACH_FRAMES) for c in self._cuts]

    def own(self, splicer: Splicer) -> Own:
        """Integrated loudness and true peak of one of the forms; -inf below the gate, and for silence."""
        series, peaks, now = EnergySeries(self._rate), [], -splicer.lead
        for stretch in stretches(splicer, self._settled):
            peaks.append(self._measure(splicer, now, stretch.start, series))
            peaks.append(self._peak_of(stretch))
            series.add(self._energies[stretch.source : stretch.source_stop])
            now = stretch.stop
        peaks.append(self._measure(splicer, now, splicer.timeline.stop, series))
        peak = max(peaks)
        return Own(series.integrated_lufs(), 20 * math.log10(peak) if peak > 0 else -math.inf)

    def _weigh(self, start: int) -> None:
        """Energies of a piece of the bounce; the weighting runs in before it."""
        stop, before = min(start + _BOUNCE_FRAMES, len(self._bounce)), max(0, start - self._settled)
        for at, energies in self._weighted(self._bounce[before:stop], before):
            self._energies[max(at, start) : at + len(energies)] = energies[max(start - at, 0) :]

    def _weighted(self, audio: Audio, at: int) -> Iterator[tuple[int, Float32]]:
        state = None
        for start in range(0, len(audio), BLOCK_FRAMES):
            weighted, state = k_weight(audio[start : start + BLOCK_FRAMES], self._rate, state)
            yield at + start, frame_energies(weighted, self._gains)

    def _peak_between(self, start: int, stop: int) -> float:
        return peak_within(self._bounce[max(start, 0) : stop], self._rate)

    def _peak_of(self, stretch: Stretch) -> float:
        first, last = bisect_left(self._cuts, stretch.source), bisect_left(self._cuts, stretch.source_stop)
        return max(self._peaks[first:last] + self._seams[first + 1 : last])

    def _measure(self, splicer: Splicer, start: int, stop: int, series: EnergySeries) -> float:
        """Measure frames [start, stop) of the form itself: adds their energies, returns their peak."""
        peak, state = 0.0, None
        for at in range(start, stop, BLOCK_FRAMES):
            end = min(at + BLOCK_FRAMES, stop)
            before = self._settled if state is None else REACH_FRAMES
            audio = _read_around(splicer, at - before, end + REACH_FRAMES)
            peak = max(peak, peak_within(audio[before - REACH_FRAMES :], self._rate))
            unheard = 0 if state is None else before
            weighted, state = k_weight(audio[unheard:-REACH_FRAMES], self._rate, state)
            series.add(frame_energies(weighted[at - end :], self._gains))
        return peak


def _read_around(splicer: Splicer, start: int, stop: int) -> Audio:
    """Frames [start, stop) of the form, with silence before its file's first frame and after its last."""
    lo, hi = max(start, -splicer.lead), min(stop, splicer.timeline.stop)
    return np.pad(splicer.read(lo, hi), ((lo - start, stop - hi), (0, 0)))
