"""Lead notes of known length laid over bar lines of played music: are they judged as held over them?"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from render.audio.stems import read_audio
from render.joins.measures import CONTEXT_S, held_across
from tests.benchmarks.joins.playing import LEAD_QUARTERS, RATE, play
from tests.benchmarks.joins.scores import DRUMS, Note, Score

LEADS = (66, 53, 80, 29, 73)  # saxophone, voice, synthesiser, overdriven guitar, flute
ABOVE = (3, 4, 5, 7)  # half tones above the highest note there


@dataclass(frozen=True)
class HeldLine:
    """One bar line: the lead's share of the energy before it; the share judged as held without and with."""

    lead_share: float
    without: float
    held: float


def held_lines(score: Score, number: int, folder: Path) -> Iterator[HeldLine]:
    """Every second bar line of a piece, with a lead note that begins a quarter before it, and without."""
    chance = random.Random(number)
    bars = range(3, score.bars, 2)
    notes = tuple(
        Note(line - 1, 2.0, min(_highest(score, line) + chance.choice(ABOVE), 88), 95, "lead")
        for line in ((bar - 1) * score.bar_quarters for bar in bars)
    )
    lead = replace(score, programs={"lead": chance.choice(LEADS)}, notes=notes)
    alone = read_audio(play(lead, folder / "planted lead.flac"))
    bounce = read_audio(folder / "song.flac")
    frames, reach = min(len(alone), len(bounce)), round(CONTEXT_S * RATE)
    both = bounce[:frames] + alone[:frames]
    for bar in bars:
        cut = round(((bar - 1) * score.bar_quarters + LEAD_QUARTERS) * score.quarter_ms * RATE / 1000)
        before, around = slice(cut - RATE // 10, cut), slice(cut - reach, cut + reach)
        share = float((alone[before] ** 2).sum() / ((both[before] ** 2).sum() + 1e-12))
        yield HeldLine(share, held_across(bounce[around], RATE).share, held_across(both[around], RATE).share)


def _highest(score: Score, line: float) -> int:
    near = [n.pitch for n in score.notes if n.group != DRUMS and line - 1 <= n.at < line + 1]
    return max(near, default=67)
