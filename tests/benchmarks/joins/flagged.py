"""Joins of the corpus as `check` judges them, with how far each is from its performance."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from render.arrays import Audio
from render.audio.splice import Splicer
from render.audio.stems import Mixes, read_audio
from render.audio.timeline import lay_out
from render.joins import measures
from render.joins.finding import JoinFinding
from render.joins.judging import STEP_ALLOWED, examine
from render.song.song import BY_STEM
from tests.benchmarks.joins.corpus import Piece
from tests.benchmarks.joins.features import REACH_S
from tests.benchmarks.joins.measured import NULLING, residual_db
from tests.benchmarks.joins.planted import planted


@dataclass(frozen=True)
class Judged:
    """One join of a piece joined in one way: its finding, and its residual in dB below the music."""

    piece: str
    joining: int
    finding: JoinFinding
    residual_db: float


def judged_joins(piece: Piece, joining: int) -> Iterator[Judged]:
    """All joins between parts of the piece's forms."""
    song = replace(piece.song(), joining=joining)
    song = song if joining in BY_STEM else replace(song, stems={})
    rate, lead = song.audio.sample_rate, song.lead_in_frames
    reach = round(REACH_S * rate)
    with Mixes(song, read_audio(song.audio.path), NULLING if song.stems else None) as mixes:
        for name, path in piece.performed.items():
            timeline, performed = lay_out(song, song.form(name)), read_audio(path)
            splicer = Splicer(timeline, mixes, lead)
            for join, finding in zip(timeline.joins, examine(song, timeline, splicer), strict=True):
                if join.before is None or join.after is None:
                    continue
                truth = performed[lead + join.line - reach : lead + join.line + reach]
                spliced = splicer.read(join.line - reach, join.line + reach)
                yield Judged(piece.name, joining, finding, residual_db(spliced, truth, rate))


def click_ratios(piece: Piece, form: str) -> Iterator[tuple[bool, float]]:
    """The largest step at each join of a form as performed, and with a click planted there (whether, ratio).

    The ratio is that to the step which `check` allows.
    """
    song = piece.song()
    rate, performed = song.audio.sample_rate, read_audio(piece.performed[form])
    reach = round(REACH_S * rate)
    for number, join in enumerate(lay_out(song, song.form(form)).joins):
        if join.before is not None and join.after is not None:
            at = song.lead_in_frames + join.line
            excerpt = performed[at - reach : at + reach]
            yield False, _step_ratio(excerpt, rate)
            yield True, _step_ratio(dict(planted(excerpt, excerpt, number, rate))["click"], rate)


def _step_ratio(excerpt: Audio, rate: int) -> float:
    middle, near, far = len(excerpt) // 2, round(0.002 * rate), round(measures.CONTEXT_S * rate)
    step = measures.sample_step(excerpt[middle - near : middle + near])
    sides = excerpt[middle - far : middle - near], excerpt[middle + near : middle + far]
    return float(step / (STEP_ALLOWED * np.max([measures.sample_step(side) for side in sides]) + 1e-4))
