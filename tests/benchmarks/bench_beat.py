"""Is a right tempo or start left alone, and a wrong one named: real recordings and scores, apart.

    python -m tests.benchmarks.bench_beat [tune|kept|fresh]

Prints Markdown tables; RESULTS_good_start.md keeps a run of it on the half kept aside, beside what the same
cases gave before. Real songs: tests/benchmarks/data (free game music from Debian, annotated blind). Scores:
music21's corpus through fluidsynth; "fresh" has scores alone, of other tunes, tempos and seeds. A start is
right within 25 ms of an annotated one (12.5 ms where given 20 ms off). Beats of live takes are measured
by mir_eval.beat (F-measure after Davies, Degara and Plumbley, 2009) with a window of 25 ms.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

import mir_eval
import numpy as np
from scipy.signal import resample_poly

from render.analysis.onsets import Onsets, onsets
from render.arrays import Audio
from render.beat.fit import BeatFit, fit_beat
from render.beat.tempo_estimate import estimate_start
from render.proposals.live_take import live_take
from render.song.grid import Grid, Meter, exact
from tests.benchmarks.real_songs import real_songs
from tests.benchmarks.scores import RATE, Score, play, scores

RIGHT_S = 0.025
CASES = ("as it is", "tempo x 2/3", "tempo x 3/4", "tempo x 4/3", "tempo +0.5", "tempo -0.5",
         "start +45 ms", "start -45 ms", "start +20 ms", "start -20 ms",
         "start half a beat late")  # fmt: skip


@dataclass(frozen=True)
class Case:
    """A song with its true grid, its onset curve, and where a musician may have bar 1 begin."""

    name: str
    audio: Audio
    curve: Onsets
    grid: Grid
    starts_s: tuple[float, ...]


def songs(kind: str, half: str) -> Iterator[Case]:
    if kind == "real":
        for song in real_songs(half):
            sound, rate = song.read()
            ratio = Fraction(RATE, rate)
            audio: Audio = resample_poly(sound, ratio.numerator, ratio.denominator, axis=0).astype("float32")
            yield Case(song.name, audio, onsets(audio, RATE), song.grid(RATE), song.starts_s)
        return
    for score in scores(half):
        audio = play(score)
        grid = Grid(RATE, exact(score.start_s), exact(score.tempo), Meter(score.per_bar, 4))
        yield Case(score.name, audio, onsets(audio, RATE), grid, (score.start_s,))


def given(grid: Grid, case: str) -> Grid:
    """The grid that is checked: the true one, made wrong as the case says."""
    beat_s = grid.stretch(1).beat_s
    if case.startswith("tempo x"):
        return replace(grid, tempo=exact(round(float(grid.tempo * Fraction(case[8:])), 6)))
    if case.startswith("tempo"):
        return replace(grid, tempo=grid.tempo + exact(case[6:]))
    moved_s = beat_s / 2 if case.endswith("late") else Fraction(0)
    if case.endswith("ms"):
        moved_s = Fraction(int(case.split()[1]), 1000)
    start_s = grid.start_s + moved_s
    return replace(grid, start_s=start_s if start_s >= 0 else start_s + grid.stretch(1).bar_s)


def answer(found: BeatFit, case: str, song: Case) -> str:
    """What was said: nothing, the right thing, both starts, or something else."""
    truth = song.grid
    if found.better_tempo is not None:
        ratio = found.better_tempo / float(truth.tempo)
        near = min((0.5, 1.0, 2.0), key=lambda r: abs(ratio - r))
        return "right" if case.startswith("tempo") and abs(ratio / near - 1) < 5e-4 else "other tempo"
    if found.drifts or not found.has_beat:
        return "drift" if found.drifts else "no beat"
    bar_s = float(truth.stretch(1).bar_s)
    if found.better_start_s is not None:
        off_s = [(found.better_start_s - s + bar_s / 2) % bar_s - bar_s / 2 for s in song.starts_s]
        if min(map(abs, off_s)) < (RIGHT_S / 2 if "20 ms" in case else RIGHT_S):
            return "right"
    if found.rival_start_s is not None:
        return "both starts"
    if found.fits:
        return "silent"
    return "other start" if found.better_start_s is not None else "open which beat"


def start_of_new(case: Case) -> str:
    """What `new` writes as start when the tempo is given."""
    found = estimate_start(case.audio, RATE, float(case.grid.tempo), case.grid.meter, case.curve)
    beat_s = float(case.grid.stretch(1).beat_s)
    off = min(((found.start_s - start_s) / beat_s for start_s in case.starts_s), key=abs)
    if abs(off - round(off)) * beat_s < RIGHT_S:
        exact_bar = round(off) == 0
        return (
            "right" if exact_bar else ("bars off" if round(off) % case.grid.meter.beats == 0 else "beats off")
        )
    if abs(abs(off - round(off)) - 0.5) * beat_s < RIGHT_S:
        return "half a beat off, both named" if found.rival_start_s is not None else "half a beat off"
    return "elsewhere"


def sway(kind: str, score: Score) -> Callable[[int], float]:
    """A tempo of each beat that sways by up to 1.5 %: a sine of 20 s, a ramp, a random walk over bars."""
    length = score.bars * score.per_bar
    if kind == "sine":
        return lambda k: score.tempo * (1 + 0.015 * float(np.sin(2 * np.pi * k * score.beat_s / 20)))
    if kind == "ramp":
        return lambda k: score.tempo * (1 + 0.015 * (2 * k / length - 1))
    steps = np.random.default_rng(score.seed).normal(0, 0.004, score.bars + 1)
    walk = [0.0]
    for step in steps:
        walk.append(float(np.clip(walk[-1] + step, -0.015, 0.015)))
    return lambda k: score.tempo * (1 + walk[k // score.per_bar])


def bench_live(half: str) -> None:
    """Takes that sway: is a constant tempo refused, are beats found, does the map that `new` writes fit."""
    print(f"\n## Live takes of the scores, half {half}\n")
    head = ("sways", "takes", "constant tempo refused", "beats within 25 ms", "takes with 95 %", "least", "F")
    print(f"| {' | '.join(head)} | map fits |")
    print("|---|---|---|---|---|---|---|---|")
    for kind in ("sine", "ramp", "walk"):
        shares, fs, refused, fits = [], [], 0, 0
        for score in scores(half):
            played = replace(score, curve=sway(kind, score))
            audio, truth = play(played), played.beat_times()
            curve, meter = onsets(audio, RATE), Meter(score.per_bar, 4)
            constant = Grid(RATE, exact(score.start_s), exact(score.tempo), meter)
            refused += not fit_beat(audio, RATE, constant, (), curve).fits
            take = live_take(audio, curve, RATE, score.tempo, meter, score.start_s)
            found = np.array(take.beats_s)
            inner = truth[(truth >= found[0] - 0.1) & (truth <= found[-1] + 0.1)]
            shares.append(float(np.mean([np.abs(found - beat).min() < 0.025 for beat in truth])))
            fs.append(float(mir_eval.beat.f_measure(inner, found, 0.025)))
            fits += not fit_beat(audio, RATE, take.grid, (), curve).drifts
        enough = sum(share >= 0.95 for share in shares)
        print(
            f"| {kind} | {len(shares)} | {refused} | {np.mean(shares):.1%} | {enough} | {min(shares):.1%} | "
            f"{np.mean(fs):.3f} | {fits} |", flush=True,
        )  # fmt: skip


def main() -> None:
    half = sys.argv[1] if len(sys.argv) > 1 else "tune"
    for kind in ("scores",) if half == "fresh" else ("real", "scores"):
        said: dict[str, Counter[str]] = {case: Counter() for case in CASES}
        starts: Counter[str] = Counter()
        count = 0
        for song in songs(kind, half):
            count += 1
            starts[start_of_new(song)] += 1
            for case in CASES:
                found = fit_beat(song.audio, RATE, given(song.grid, case), (), song.curve)
                word = answer(found, case, song)
                said[case][word] += 1
                if case == "as it is" and word != "silent":
                    print(f"  {song.name}: {word}: {found.lines()[0][:100]}", file=sys.stderr)
        print(f"\n## {kind}, half {half}: {count} songs\n\n| checked with | what is said, songs |\n|---|---|")
        for case, words in said.items():
            print(f"| {case} | {', '.join(f'{word} {n}' for word, n in words.most_common())} |")
        listed = ", ".join(f"{word} {n}" for word, n in starts.most_common())
        print(f"\nStart that `new` writes, tempo given: {listed}.", flush=True)
    bench_live(half)


if __name__ == "__main__":
    main()
