"""Is a right tempo or start left alone, and a wrong one named: real recordings and scores, apart.

    python -m tests.benchmarks.bench_beat [tune|kept|fresh] [grids] [live]

Prints Markdown tables; RESULTS_good_start.md keeps a run of it on the half kept aside, beside what the same
cases gave before. Real songs: tests/benchmarks/data (free game music from Debian, annotated blind). Scores:
music21's corpus through fluidsynth; "fresh" has scores alone, of other tunes, tempos and seeds. A start is
right within 25 ms of an annotated one (12.5 ms where given 20 ms off). Beats of live takes are measured
by mir_eval.beat (F-measure after Davies, Degara and Plumbley, 2009) with a window of 25 ms.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

import mir_eval
import numpy as np
from scipy.signal import resample_poly

from render.analysis.onsets import Onsets, onsets
from render.arrays import Audio, Floats
from render.beat.fit import fit_beat
from render.beat.result import BeatFit
from render.beat.tempo_estimate import estimate_start
from render.proposals.live_take import live_take
from render.song.grid import Change, Grid, Meter, exact
from tests.benchmarks.real_songs import real_songs
from tests.benchmarks.scores import RATE, play, scores

RIGHT_S = 0.025
CASES = ("as it is", "tempo x 2/3", "tempo x 3/4", "tempo x 4/3", "tempo +0.5", "tempo -0.5",
         "start +45 ms", "start -45 ms", "start +20 ms", "start -20 ms",
         "start half a beat late")  # fmt: skip
SWAYS = ("sine", "ramp", "walk")


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
    start_s = estimate_start(case.audio, RATE, float(case.grid.tempo), case.grid.meter, case.curve)
    beat_s = float(case.grid.stretch(1).beat_s)
    off = min(((start_s - right_s) / beat_s for right_s in case.starts_s), key=abs)
    if abs(off - round(off)) * beat_s < RIGHT_S:
        exact_bar = round(off) == 0
        return (
            "right" if exact_bar else ("bars off" if round(off) % case.grid.meter.beats == 0 else "beats off")
        )
    if abs(abs(off - round(off)) - 0.5) * beat_s < RIGHT_S:
        grid = replace(case.grid, start_s=exact(start_s))
        fit = fit_beat(case.audio, RATE, grid, (), case.curve)
        return "half a beat off" if fit.rival_start_s is None else "half a beat off, both named"
    return "elsewhere"


def sways(kind: str, beats: int, beat_s: float, per_bar: int, seed: int) -> Floats:
    """Each beat's tempo, relative, swaying by up to 1.5 %: a sine of 20 s, a ramp, a random walk of bars."""
    k = np.arange(beats)
    if kind == "sine":
        return 1 + 0.015 * np.sin(2 * np.pi * k * beat_s / 20)
    if kind == "ramp":
        return 1 + 0.015 * (2 * k / beats - 1)
    walk = [0.0]
    for step in np.random.default_rng(seed).normal(0, 0.004, beats // per_bar + 1):
        walk.append(float(np.clip(walk[-1] + step, -0.015, 0.015)))
    return 1 + np.array(walk)[k // per_bar]


def warped(case: Case, factor: Floats) -> tuple[Audio, Floats]:
    """A recording as if it had been played at `factor` of its tempo, (beats,): its beats' times with it.

    Samples are read between samples (linear), so pitch sways with the tempo, by 1.5 % at most.
    """
    beat_s, start_s = float(case.grid.stretch(1).beat_s), float(case.grid.start_s)
    end_s = len(case.audio) / RATE
    was: Floats = start_s + beat_s * np.arange(len(factor) + 1, dtype=np.float64)
    truth: Floats = start_s + np.concatenate([[0.0], np.cumsum(beat_s / factor)])
    new_end_s = float(truth[-1] + end_s - was[-1])
    before = [0.0] if start_s > 0 else []
    place: Floats = np.arange(int(new_end_s * RATE)) / RATE
    place = RATE * np.interp(place, [*before, *truth, new_end_s], [*before, *was, end_s])
    at = np.minimum(place.astype(int), len(case.audio) - 2)
    part = (place - at)[:, None].astype("float32")
    audio: Audio = case.audio[at] * (1 - part) + case.audio[at + 1] * part
    return audio, truth


def takes(what: str, half: str) -> Iterator[tuple[str, str, Audio, Floats, Grid]]:
    """(sway, name, audio, true beats, constant grid) of live takes: scores played so, real songs warped."""
    for case in songs("real", half) if what == "real" else ():
        beat_s, per_bar = float(case.grid.stretch(1).beat_s), case.grid.meter.beats
        beats = int((len(case.audio) / RATE - float(case.grid.start_s) - 0.1) / beat_s)
        for kind in SWAYS:
            factor = sways(kind, beats, beat_s, per_bar, sum(map(ord, case.name)))
            yield kind, case.name, *warped(case, factor), case.grid
    for score in scores(half) if what == "scores" else ():
        for kind in SWAYS:
            factor = sways(kind, score.bars * score.per_bar, score.beat_s, score.per_bar, score.seed)
            played = replace(score, curve=lambda k, tempi=score.tempo * factor: float(tempi[k]))  # type: ignore[misc]
            grid = Grid(RATE, exact(score.start_s), exact(score.tempo), Meter(score.per_bar, 4))
            yield kind, score.name, play(played), played.beat_times(), grid


def bench_live(what: str, half: str) -> None:
    """Takes that sway: is a constant tempo refused, are beats found, does the map that `new` writes fit, and
    the true tempo bar by bar."""
    print(f"\n## Live takes, {what}, half {half}\n")
    head = ("sways", "takes", "constant tempo refused", "beats within 25 ms", "takes with 95 %", "least", "F",
            "map fits", "true changes fit")  # fmt: skip
    print(f"| {' | '.join(head)} |\n|{'---|' * len(head)}")
    told: dict[str, list[tuple[float, ...]]] = {kind: [] for kind in SWAYS}
    for kind, name, audio, truth, constant in takes(what, half):
        curve = onsets(audio, RATE)
        take = live_take(audio, curve, RATE, float(constant.tempo), constant.meter, float(constant.start_s))
        beats_s = np.array(take.beats_s)
        inner = truth[(truth >= beats_s[0] - 0.1) & (truth <= beats_s[-1] + 0.1)]
        share = float(np.mean([np.abs(beats_s - beat).min() < RIGHT_S for beat in truth]))
        if share < 0.95:
            print(f"  {name}, {kind}: {share:.1%}; not sure: {take.unsure}", file=sys.stderr)
        fits = [
            fit_beat(audio, RATE, grid, (), curve) for grid in (constant, take.grid, by_bars(constant, truth))
        ]
        f_measure = float(mir_eval.beat.f_measure(inner, beats_s, RIGHT_S))
        on_changes = fits[2].has_beat and not fits[2].drifts
        told[kind].append((share, f_measure, not fits[0].fits, not fits[1].drifts, on_changes))
    for kind, rows in told.items():
        shares, fs, refused, fitting, changed = np.array(rows, float).T
        enough, least = int((shares >= 0.95).sum()), shares.min()
        print(
            f"| {kind} | {len(rows)} | {refused.sum():.0f} | {shares.mean():.1%} | {enough} | {least:.1%} | "
            f"{fs.mean():.3f} | {fitting.sum():.0f} | {changed.sum():.0f} |", flush=True,
        )  # fmt: skip


def by_bars(grid: Grid, beats_s: Floats) -> Grid:
    """The grid with a true change of tempo at every bar."""
    lines_s = beats_s[:: grid.meter.beats]
    tempos = [exact(round(float(t), 4)) for t in 60 * grid.meter.beats / np.diff(lines_s)]
    changes = tuple(Change(bar, tempo) for bar, tempo in enumerate(tempos[1:], 2))
    return Grid(RATE, exact(round(float(lines_s[0]), 6)), tempos[0], grid.meter, changes)


def bench_grids(kind: str, half: str) -> None:
    """What is said of right grids and wrong ones, and which start `new` writes."""
    said: dict[str, Counter[str]] = {case: Counter() for case in CASES}
    starts: Counter[str] = Counter()
    for song in songs(kind, half):
        starts[start_of_new(song)] += 1
        for case in CASES:
            fit = fit_beat(song.audio, RATE, given(song.grid, case), (), song.curve)
            word = answer(fit, case, song)
            said[case][word] += 1
            if case == "as it is" and word != "silent":
                print(f"  {song.name}: {word}: {fit.lines()[0][:100]}", file=sys.stderr)
    print(f"\n## {kind}, half {half}: {starts.total()} songs\n\n| checked with | what is said |\n|---|---|")
    for case, words in said.items():
        print(f"| {case} | {', '.join(f'{word} {n}' for word, n in words.most_common())} |")
    listed = ", ".join(f"{word} {n}" for word, n in starts.most_common())
    print(f"\nStart that `new` writes, tempo given: {listed}.", flush=True)


def main() -> None:
    half = sys.argv[1] if len(sys.argv) > 1 else "tune"
    kinds = ("scores",) if half == "fresh" else ("real", "scores")
    for part in sys.argv[2:] or ("grids", "live"):
        for kind in kinds:
            {"grids": bench_grids, "live": bench_live}[part](kind, half)


if __name__ == "__main__":
    main()
