"""Calibration of the verdict's stated chances and intervals, for bench_verdict."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reports.model.familiarity import Prior, fit
from reports.model.gates import Chances
from reports.model.posterior import Targets
from reports.simulation import campaign
from reports.simulation.worlds import World, simulate
from tests.benchmarks.simulated import BATCH, SEED
from tests.benchmarks.verdict_tables import paragraph, say

PANELS = (1, 3, 5)
SPREADS = (1.0, 5.0, 10.0)
CLASSES = (0.0, 0.70, 0.85, 0.93, 1.01)
WIDE = World(gap=(0, 20), gap_wobble=5, tau=(1, 6), dev_sd=6, position_sd=3)


def calibration(count: int) -> str:
    count *= 4
    lines = [
        paragraph(
            "Truths of the forms drawn from normal distributions of SD 1, 5 and 10 points (a third of "
            "the studies each), the listeners' average deviation counted as part of it, incumbent at "
            f"random merit; {count} a cell, seeds {SEED} + 90000 + listeners, draws of their own for each "
            "study. `wide`: gap 0-20 with SD 5, tau 1-6, deviations SD 6, positions SD 3. Stated, the "
            "mean P(best) of the form named -> how often it was the best (standard error), by the chance "
            "stated. Cover: 90 % intervals of the settled ratings around their average. Incumbent: how "
            "often it was the best, less the chance stated. The rows `all` put the six of their world "
            "together."
        ),
        "",
        "| world | listeners | rounds | under .7 | .7-.85 | .85-.93 | over .93 | all | cover | incumbent |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name, world in (("default", World()), ("wide", WIDE)):
        cells = []
        for listeners in PANELS:
            for rounds in (4, 8):
                cells.append(_calibrated(replace(world, listeners=listeners), rounds, count))
                lines.append(f"| {name} | {listeners} | {rounds} | {cells[-1].row()} |")
                say(lines[-1])
        lines.append(f"| {name} | all | all | {Calibrated.together(cells).row()} |")
        say(lines[-1])
    return "\n".join(lines)


@dataclass(frozen=True)
class Calibrated:
    """S readings. `stated` (S,): the chance of the form named; `right` (S,): whether it was the best.

    `inside` (S, F): whether each form's interval held its truth; `incumbent` (S,): whether it was the best
    (1 or 0), less the chance stated for it.
    """

    stated: np.ndarray
    right: np.ndarray
    inside: np.ndarray
    incumbent: np.ndarray

    @staticmethod
    def together(cells: Sequence["Calibrated"]) -> "Calibrated":
        names = ("stated", "right", "inside", "incumbent")
        return Calibrated(*(np.concatenate([getattr(cell, name) for cell in cells]) for name in names))

    def row(self) -> str:
        texts = []
        for low, high in itertools.pairwise(CLASSES):
            at = (self.stated >= low) & (self.stated < high)
            hits = self.right[at]
            error = np.sqrt(hits.mean() * (1 - hits.mean()) / max(len(hits), 1))
            texts.append(f"{self.stated[at].mean():.3f} -> {hits.mean():.3f} ({error:.3f})")
        texts.append(f"{self.stated.mean():.3f} -> {self.right.mean():.3f}")
        return " | ".join([*texts, f"{self.inside.mean():.3f}", f"{self.incumbent.mean():+.3f}"])


def _calibrated(base: World, rounds: int, count: int) -> Calibrated:
    weights = np.full(base.listeners, 1 / base.listeners)
    seed = SEED + 90_000 + base.listeners
    stated, right, inside, incumbent = [], [], [], []
    for batch in range(count // BATCH):
        made = [
            simulate(
                replace(base, spread=SPREADS[(batch * BATCH + i) % len(SPREADS)], dev_counts=True),
                rounds,
                (seed, batch),
                noise_seed=(seed, batch, i),
            )
            for i in range(BATCH)
        ]
        ratings = np.column_stack([study.seen.rating for study in made])
        found = Targets.of(fit(made[0].seen, Prior(), ratings), weights)
        for i, study in enumerate(made):
            draws = found.draws(campaign.DRAWS, seed * 10**3 + batch * BATCH + i, i)
            chances = Chances.of(draws)
            best = study.truth == study.truth.max()
            leader = chances.order[0]
            stated.append(chances.best[leader])
            right.append(best[leader])
            incumbent.append(best[0] - chances.best[0])
            low, high = np.quantile(draws - draws.mean(1, keepdims=True), [0.05, 0.95], axis=0)
            truth = study.truth - study.truth.mean()
            inside.append((truth >= low) & (truth <= high))
    return Calibrated(np.array(stated), np.array(right), np.array(inside), np.array(incumbent))
