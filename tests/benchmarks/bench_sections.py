"""Suggested sections against annotations: real songs (both halves apart) and synthesised ones.

    python -m tests.benchmarks.bench_sections [tune kept synthesised]

The grid is the true one. A boundary counts as found within one bar (mir_eval's matching of events); one at a
bar that the annotation calls optional is neither right nor wrong. Letters: mir_eval's pairwise agreement of
bars, over the whole song.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import mir_eval
import numpy as np

from render.analysis.onsets import onsets
from render.analysis.sections import Suggestion, sections
from render.proposals.new_song import last_bar
from tests.benchmarks.bench_good_start import RATE, grid_of, held_out
from tests.benchmarks.real_songs import real_songs
from tests.invented_songs import SONGS, play

WINDOW_BARS = 1.01


@dataclass(frozen=True)
class Row:
    """Boundaries of one song: found rightly, found wrongly, there; and what its letters agree in."""

    name: str
    right: int
    wrong: int
    there: int
    longest: int
    pairs: tuple[float, float]

    @property
    def precision(self) -> float:
        return self.right / max(self.right + self.wrong, 1)

    @property
    def recall(self) -> float:
        return self.right / max(self.there, 1)


def compared(name: str, found: Suggestion, bars: list[int], letters: list[str], optional: list[int]) -> Row:
    """A suggestion beside the annotated first bars of sections."""
    there = np.array(bars[1:], float)
    lines = np.array([s.first_bar for s in found.sections][1:], float)
    matched = mir_eval.util.match_events(there, lines, WINDOW_BARS) if len(lines) and len(there) else []
    spare = set(range(len(lines))) - {at for _, at in matched}
    wrong = sum(all(abs(lines[at] - bar) > 1 for bar in optional) for at in spare)
    last = found.sections[-1].last_bar
    known = _by_bar(bars, letters, last)
    guessed = _by_bar(
        [s.first_bar for s in found.sections], [s.name.split()[0] for s in found.sections], last
    )
    edges = np.stack([np.arange(last), np.arange(1, last + 1)], axis=1).astype(float)
    precision, recall, _ = mir_eval.segment.pairwise(edges, known, edges, guessed, frame_size=1.0)
    longest = max(s.bars for s in found.sections)
    return Row(name, len(matched), wrong, len(there), longest, (float(precision), float(recall)))


def _by_bar(firsts: list[int], letters: list[str], last: int) -> list[str]:
    found = [""] * last
    for first, letter in zip(firsts, letters, strict=True):
        found[first - 1 :] = [letter] * (last - first + 1)
    return found


def annotated(half: str) -> Iterator[Row]:
    for song in real_songs(half):
        audio, rate = song.read()
        grid = song.grid(rate)
        suggestion = sections(audio, grid, last_bar(onsets(audio, rate), grid, len(audio) / rate))
        yield compared(song.name, suggestion, song.section_bars, song.letters, song.optional_bars)


def synthesised(_half: str) -> Iterator[Row]:
    for song in [*SONGS, *(held_out(seed) for seed in range(20))]:
        suggestion = sections(play(song, RATE), grid_of(song), song.bars)
        firsts = [int(bar) for bar in song.boundaries[:-1]]
        yield compared(song.name, suggestion, firsts, [p.name for p in song.passages], [])


def main() -> None:
    for kind in sys.argv[1:] or ["tune", "kept", "synthesised"]:
        print(f"\n### {kind}\n\n| song | sections | precision | recall | longest, bars | letters, P | R |")
        print("|---|---|---|---|---|---|---|")
        rows = list((synthesised if kind == "synthesised" else annotated)(kind))
        for row in rows:
            figures = f"{row.precision:.2f} | {row.recall:.2f} | {row.longest}"
            pairs = f"{row.pairs[0]:.2f} | {row.pairs[1]:.2f}"
            print(f"| {row.name} | {row.there + 1} | {figures} | {pairs} |", flush=True)
        right, wrong, there = (sum(getattr(r, key) for r in rows) for key in ("right", "wrong", "there"))
        mean = np.mean([row.pairs for row in rows], axis=0)
        print(
            f"\n{len(rows)} songs: precision {right / (right + wrong):.2f} ({right} of {right + wrong}), "
            f"recall {right / there:.2f} ({right} of {there}), longest section "
            f"{max(row.longest for row in rows)} bars; letters {mean[0]:.2f}, {mean[1]:.2f}"
        )


if __name__ == "__main__":
    main()
