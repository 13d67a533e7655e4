"""The samples of one run of rendering: the bounce read once, forms spliced from it, foreseen and written.

Every written file is read back and measured again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cached_property
from pathlib import Path
from typing import TypeVar

import numpy as np

from render.audio.integers import Int32, to_int24
from render.audio.splice import BLOCK_FRAMES, Splicer
from render.audio.stem_fit import StemFit
from render.audio.stems import Mixes, fit_stems
from render.audio.timeline import Timeline
from render.joins import judging
from render.joins.finding import JoinFinding
from render.loudness.meter import Loudness
from render.renders.forecast import Bounce, Forecast, read_bounce
from render.renders.matching import FormLoudness
from render.renders.writing import write_measured
from render.song.song import Song

T = TypeVar("T")


class Samples:
    """The bounce of `song`, and the splicers of its forms.

    `fit` says, when forms are spliced, how the stems fit the bounce; `step` is told what was done.
    """

    def __init__(self, song: Song, fit: Callable[[], StemFit | None], step: Callable[[str], None]) -> None:
        self.song = song
        self._fit = fit
        self._step = step
        self._reading: Future[Bounce] | None = None
        self._splicers: dict[str, Splicer] = {}

    def read_beside(self, work: Callable[[], T]) -> T:
        """Read the bounce in a second thread while `work` is done in this one."""
        with ThreadPoolExecutor(1) as second:
            self._reading = second.submit(read_bounce, self.song)
            return work()

    @cached_property
    def bounce(self) -> Bounce:
        """The song's audio, read only when something must be measured or written."""
        self._step("read the bounce")
        return self._reading.result() if self._reading else read_bounce(self.song)

    @cached_property
    def mixes(self) -> Mixes:
        return Mixes(self.song, self.bounce.audio, self._fit())

    def close(self) -> None:
        if "mixes" in self.__dict__:
            self.mixes.close()

    def fit_stems(self) -> StemFit:
        """How the stems add up to the bounce."""
        bounce = self.bounce.audio
        self._step("compare the stems with the bounce")
        return fit_stems(bounce, self.song.stems, self.song.audio.sample_rate)

    def foresee(self, timelines: Sequence[Timeline], lead: int) -> list[FormLoudness]:
        """Loudness and true peak of forms before gain."""
        splicers = [self.splicer(timeline, lead) for timeline in timelines]
        forecast = Forecast(self.bounce, splicers)
        return [forecast.own(splicer) for splicer in splicers]

    def splicer(self, timeline: Timeline, lead: int) -> Splicer:
        """Made once for measuring and writing: predicting what dies away at joins takes time."""
        name = timeline.form.name
        if name not in self._splicers:
            self._splicers[name] = Splicer(timeline, self.mixes, lead)
        return self._splicers[name]

    def write(self, path: Path, timeline: Timeline, lead: int, gain_db: float) -> tuple[Loudness, str]:
        """Write a form at a gain; its loudness as it lies on the disk, and its audio's SHA-256."""
        splicer = self.splicer(timeline, lead)
        audio = self.song.audio
        integers = _integers(splicer, 10 ** (gain_db / 20))
        return write_measured(path, integers, splicer.frames, audio.sample_rate, audio.channels)

    def examine(self, song: Song, timeline: Timeline, lead: int) -> tuple[JoinFinding, ...]:
        """The joins of a form of `song`, judged."""
        return tuple(judging.examine(song, timeline, self.splicer(timeline, lead)))


def _integers(splicer: Splicer, gain: float) -> Iterator[Int32]:
    scratch = np.empty((BLOCK_FRAMES, splicer.source.channels), np.float32)
    for block in splicer.blocks():
        yield to_int24(block, gain, scratch)
