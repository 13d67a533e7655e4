"""What `check` says about a start that is right, or some beats off: right, open, silent or wrong.

    python -m tests.benchmarks.bench_bar_one [HELD-OUT SONGS]

Prints a Markdown table; RESULTS_bar_one.md keeps a run of it. `open`: it says that the bar lines are off,
and by what, but names no start. Settings were chosen on the eight invented songs and variants of them; the
held out songs (random plans by seed) and the demo song were used for none.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace

import numpy as np

from listening.demo.song import FULL, synthesise
from render.arrays import Audio
from render.beat.fit import fit_beat
from render.song.grid import Grid, exact
from tests.benchmarks.bench_good_start import RATE, grid_of, held_out
from tests.invented_songs import SONGS, play

MOVED_BEATS = (0.0, -0.5, 0.5, -1.0, 1.0, -2.0, 2.0, -3.0, 3.0)
Case = tuple[Audio, Grid, list[int]]


def invented(held: int) -> list[Case]:
    """Songs with room before bar 1 for a start that is too early, their grid, their sections' first bars."""
    songs = [held_out(100 + seed) for seed in range(held)] if held else list(SONGS)
    songs = [replace(song, start_s=round(3.4 * song.beat_s, 3)) for song in songs]
    return [(play(song, RATE, seed=7), grid_of(song), song.boundaries[:-1]) for song in songs]


def demo() -> list[Case]:
    """The demo song, two seconds later."""
    sound = (synthesise(24000)["bounce"] / 2**23).astype(np.float32)
    sound = np.concatenate([np.zeros((48000, 2), np.float32), sound])
    grid = FULL.grid(24000)
    grid = replace(grid, start_s=grid.start_s + 2)
    return [(sound, grid, [section.first_bar for section in FULL.sections])]


def answer(case: Case, beats: float) -> str:
    sound, grid, firsts = case
    true_s, beat_s = float(grid.start_s), float(grid.stretch(1).beat_s)
    given_s = round(true_s + beats * beat_s, 3)
    fit = fit_beat(sound, grid.sample_rate, replace(grid, start_s=exact(given_s)), firsts)
    if fit.better_start_s is not None:
        return "right" if abs(fit.better_start_s - true_s) < 0.02 else "wrong"
    return "silent" if fit.lines_fit else "open"


def main() -> None:
    held = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    kinds = {"the eight songs": invented(0), f"{held} held out": invented(held), "the demo song": demo()}
    print("| songs | start moved by, beats | right | open | silent | wrong |\n|---|---|---|---|---|---|")
    for kind, cases in kinds.items():
        for beats in MOVED_BEATS:
            said = Counter(answer(case, beats) for case in cases)
            counts = " | ".join(str(said[word]) for word in ("right", "open", "silent", "wrong"))
            print(f"| {kind} | {beats:+g} | {counts} |", flush=True)


if __name__ == "__main__":
    main()
