"""Bar lines of played music over which notes are held or not, as the score says: are they judged so?

Every line as it is played, and every second one with a lead note laid over it from a quarter before to a
quarter after it. What is held is played alone, so that its share of the energy is known.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from render.arrays import Audio
from render.audio.stems import read_audio
from render.joins.measures import CONTEXT_S, held_across
from tests.benchmarks.joins.playing import LEAD_QUARTERS, RATE, play
from tests.benchmarks.joins.scores import DRUMS, Note, Score

LEADS = (66, 53, 80, 29, 73)  # saxophone, voice, synthesiser, overdriven guitar, flute
ABOVE = (3, 4, 5, 7)  # half tones above the highest note there


@dataclass(frozen=True)
class HeldLine:
    """One bar line: how much of the energy in the 100 ms before it is held, by the score and as judged."""

    piece: str
    planted: bool
    true_share: float
    judged_share: float


def held_lines(score: Score, number: int, folder: Path) -> Iterator[HeldLine]:
    """Every bar line of a piece that is played in `folder`, some of them a second time with a lead note."""
    bounce = read_audio(folder / "song.flac")
    lead = _fitted(read_audio(_lead(score, number, folder)), bounce)
    held = [_fitted(_held_alone(score, parity, folder), bounce) for parity in (0, 1)]
    reach = round(CONTEXT_S * RATE)
    for bar in range(2, score.bars + 1):
        cut = round(((bar - 1) * score.bar_quarters + LEAD_QUARTERS) * score.quarter_ms * RATE / 1000)
        before, around = slice(cut - RATE // 10, cut), slice(cut - reach, cut + reach)
        own = held[bar % 2]
        for planted in (False, True) if bar % 2 and bar > 2 else (False,):
            sound = bounce + lead if planted else bounce
            power = _energy(own[before]) + planted * _energy(lead[before])
            share = power / (_energy(sound[before]) + 1e-9)
            yield HeldLine(score.name, planted, share, held_across(sound[around], RATE).share)


def _lead(score: Score, number: int, folder: Path) -> Path:
    chance = random.Random(number)
    notes = tuple(
        Note(line - 1, 2.0, min(_highest(score, line) + chance.choice(ABOVE), 88), 95, "lead")
        for line in ((bar - 1) * score.bar_quarters for bar in range(3, score.bars, 2))
    )
    lead = replace(score, programs={"lead": chance.choice(LEADS)}, notes=notes)
    return play(lead, folder / "planted lead.flac")


def _held_alone(score: Score, parity: int, folder: Path) -> Audio:
    """The notes that sound on over lines into bars of this parity (2, 4, ... or 3, 5, ...), alone."""
    lines = [(bar - 1) * score.bar_quarters for bar in range(2, score.bars + 1) if bar % 2 == parity]
    played = score.humanised(1)
    notes = tuple(
        n for n in played.notes if any(n.at < q - 0.05 and n.at + n.length > q + 0.1 for q in lines)
    )
    if not notes:
        return np.zeros((1, 2), np.float32)
    return read_audio(play(replace(played, notes=notes), folder / f"held into bars {parity}.flac"))


def _fitted(sound: Audio, to: Audio) -> Audio:
    out = np.zeros_like(to)
    frames = min(len(sound), len(to))
    out[:frames] = sound[:frames]
    return out


def _energy(sound: Audio) -> float:
    return float((sound.astype(np.float64) ** 2).sum())


def _highest(score: Score, line: float) -> int:
    near = [n.pitch for n in score.notes if n.group != DRUMS and line - 1 <= n.at < line + 1]
    return max(near, default=67)
