"""How right the verdict is, by simulation. One command:

    python -m tests.benchmarks.bench_verdict [--studies 300] [--parts worlds,days,...]

writes tests/benchmarks/RESULTS_verdict.md, one section a part (parts not asked for are kept). Every reading
goes through the code that `verdict` uses; seeds are in the results.
"""

import argparse
import itertools
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from reports.model.familiarity import Prior, fit
from reports.model.gates import Chances
from reports.model.posterior import Targets
from reports.simulation import campaign
from reports.simulation.outlook import PlannedPanel, RoundPlan, outlook
from reports.simulation.worlds import World, simulate
from tests.benchmarks.resting import rested
from tests.benchmarks.simulated import BATCH, SEED, THREE, WORLDS, Cell, run_cell, share

RESULTS = Path(__file__).with_name("RESULTS_verdict.md")
PANELS = (1, 3, 5)


# --- parts: each returns Markdown ---------------------------------------------------------------------


def worlds(count: int) -> str:
    lines = [
        f"{count} studies a row, read after every round to 16, forms of 2.5 minutes, two rounds a day; seed",
        f"{SEED} + row. `named`: the form in front after round 8 is the best (in brackets: by the plain mean",
        "of all ratings). Minutes: mean per listener until clear -> until clear or safe (at most 16 rounds).",
        "Lost: points given away by the form in front when first clear or safe, on average; stated: what the",
        'sentence rests on (it says "less than one point"). Even: called so by round 8 / by 16; in brackets',
        "what a free choice costs on average, and the bound stated. Standard errors: a share of .5 has",
        f"{np.sqrt(0.25 / count):.3f}, one of .95 {np.sqrt(0.0475 / count):.3f}.",
        "",
        "| listeners x forms, world | named | clear by 8 | wrong when clear | minutes | right when enough "
        "| lost / stated | even |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for number, (name, world) in enumerate(WORLDS.items()):
        lines.append(f"| {name} | {_row(run_cell(world, count, SEED + number))} |")
        _say(lines[-1])
    return "\n".join(lines)


def _row(cell: Cell) -> str:
    clear, enough = cell.campaign.first_clear, cell.campaign.first_enough
    equal = np.ptp(cell.truth, axis=1).max() < 1e-9
    right, reached, _ = cell.right(clear)
    fine, stopped, lost = cell.right(enough)
    by_8, ever, cost, bound = cell.even()
    return " | ".join(
        [
            "-" if equal else f"{cell.named(8):.3f} ({cell.named_plain:.3f})",
            f"{((clear > 0) & (clear <= 8)).mean():.3f}",
            f"{reached if equal else reached - right} of {cell.count if equal else reached}",
            f"{cell.minutes(clear):.0f} -> {cell.minutes(enough):.0f}",
            f"{stopped} said" if equal else share(fine, stopped),
            f"{lost:.2f} / {cell.stated(enough):.2f}",
            f"{by_8:.2f} / {ever:.2f} ({cost:.1f}, {bound:.1f})",
        ]
    )


def days(count: int) -> str:
    lines = [
        "Eight rounds of three listeners and four forms where all listeners share a whim of the day for each",
        f"form (SD 4.5 points); {count} studies a row, seed {SEED} + 70.",
        "",
        "| days | gap 6: named after round 8 | all equal: falsely clear |",
        "|---|---|---|",
    ]
    for rounds_a_day, of_days in ((3, 3), (2, 4), (1, 8)):
        world = replace(THREE, whim_sd=4.5, rounds_a_day=rounds_a_day)

        def day(around: int, each: int = rounds_a_day) -> int:
            return (around - 1) // each + 1

        gap = run_cell(replace(world, advantage=6), count, SEED + 70, 8, day)
        equal = run_cell(world, count, SEED + 70, 8, day)
        lines.append(
            f"| {of_days} | {gap.named(8):.3f} | {(equal.campaign.first_clear > 0).sum()} of {count} |"
        )
        _say(lines[-1])
    return "\n".join(lines)


def plans(_: int) -> str:
    lines = [
        "`outlook` for panels with an incumbent heard 50 times, one round a day; 200 studies a row (more for",
        "named and lost), standard errors in brackets; CPU seconds of the first answer and of all.",
        "",
        "| listeners x forms, rounds | leads by | named | lost | safe by then | clear by then | seconds |",
        "|---|---|---|---|---|---|---|",
    ]
    for listeners, forms, rounds in ((3, 5, 8), (3, 4, 8), (3, 5, 10), (4, 4, 8), (1, 3, 12)):
        prior = np.zeros((listeners, forms))
        prior[:, 0] = 50
        began, took = time.process_time(), []
        answers = []
        for answer in outlook(PlannedPanel(prior), RoundPlan(rounds, rounds), seed=SEED):
            answers.append(answer)
            took.append(time.process_time() - began)
        for row in answers[-1].rows:
            lead = "nothing known" if row.lead is None else f"{row.lead:g}"
            told = [f"{e.value:.3f} ({e.error:.3f})" for e in (row.named, row.lost, row.safe, row.clear)]
            speed = f"{took[0]:.1f}, {took[-1]:.1f}" if row is answers[-1].rows[0] else ""
            lines.append(f"| {listeners} x {forms}, {rounds} | {lead} | {' | '.join(told)} | {speed} |")
        _say(lines[-1])
    return "\n".join(lines)


def rests(count: int) -> str:
    count = max(count // 3, 20)
    lines = [
        f"Rounds that shrink, read after every round to 16 until clear; {count} studies a row, the same ones",
        f"without and with rests; seed {SEED} + 80. Best at rest: studies in which the best form rests when",
        "listening stops.",
        "",
        "| listeners x forms, world | minutes until clear | until safe | best at rest | right when clear |",
        "|---|---|---|---|---|",
    ]
    for name, world in {
        "3 x 5, gap 8": World(forms=5, advantage=8),
        "1 x 5, gap 10": World(listeners=1, forms=5, advantage=10),
        "3 x 5, truths of SD 5": World(forms=5, spread=5),
    }.items():
        lines.append(f"| {name} | {rested(world, count, SEED + 80)} |")
        _say(lines[-1])
    return "\n".join(lines)


SPREADS = (1.0, 5.0, 10.0)
CLASSES = (0.0, 0.70, 0.85, 0.93, 1.01)
WIDE = World(gap=(0, 20), gap_wobble=5, tau=(1, 6), dev_sd=6, position_sd=3)


def calibration(count: int) -> str:
    count *= 4
    lines = [
        "Truths of the forms drawn from normal distributions of SD 1, 5 and 10 points (a third of the",
        "studies each), the listeners' average deviation counted as part of it, incumbent at random merit;",
        f"{count} a cell, seeds {SEED} + 20 + listeners, draws of their own for each study. `wide`: gap 0-20",
        "with SD 5, tau 1-6, deviations SD 6, positions SD 3. Stated, the mean P(best) of the form named ->",
        "how often it was the best (standard error), by the chance stated. Cover: 90 % intervals of the",
        "settled ratings around their average. Incumbent: how often it was the best, less the chance stated.",
        "The rows `all` put the six of their world together.",
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
                _say(lines[-1])
        lines.append(f"| {name} | all | all | {Calibrated.together(cells).row()} |")
        _say(lines[-1])
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
    seed = SEED + 20 + base.listeners
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
            draws = found.mixture(i).draws(campaign.DRAWS, seed * 10**6 + batch * BATCH + i)
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


def speed(_: int) -> str:
    import pandas as pd

    from reports.verdict.judge import judge

    lines = [
        "CPU time of one whole `judge` (model, sensitivity, vote, diagnostics) on one core of the machine",
        "that made this file, best of three; and the process's peak memory after it.",
        "",
        "| listeners x rounds x forms | ratings | seconds | peak MB |",
        "|---|---|---|---|",
    ]
    for listeners, rounds, forms in ((3, 8, 4), (6, 24, 5), (6, 24, 8), (2000, 5, 5)):
        study = simulate(World(listeners=listeners, forms=forms, advantage=5), rounds, SEED)
        seen = study.seen
        table = pd.DataFrame(
            {
                "listener": [f"{i:04d}" for i in seen.listener],
                "day": study.round,
                "round": study.round,
                "position": seen.position + 1,
                "form": [f"form {i}" for i in seen.form],
                "rating": seen.rating,
                "prior_listens": np.where(seen.form == 0, 50.0, 0.0),
            }
        )
        best = np.inf
        for _round in range(3):
            start = time.process_time()
            judgement = judge(table)
            judgement.as_json()
            assert judgement.notes is not None
            best = min(best, time.process_time() - start)
        lines.append(f"| {listeners} x {rounds} x {forms} | {len(table)} | {best:.3f} | {_peak_mb()} |")
        _say(lines[-1])
    return "\n".join(lines)


def _peak_mb() -> str:
    try:
        import resource
    except ImportError:  # Windows
        return "-"
    return str(
        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // (2**20 if sys.platform == "darwin" else 2**10)
    )


# --- the file -----------------------------------------------------------------------------------------

PARTS: dict[str, tuple[str, Callable[[int], str]]] = {
    "worlds": ("Worlds", worlds),
    "days": ("Days", days),
    "plans": ("Plans", plans),
    "rests": ("Rounds that shrink", rests),
    "calibration": ("Calibration", calibration),
    "speed": ("Speed", speed),
}


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def sections(text: str) -> dict[str, str]:
    """The file's sections by heading, the part before the first one under ""."""
    found, heading = {"": ""}, ""
    for line in text.splitlines():
        if line.startswith("## "):
            heading = line[3:]
            found[heading] = ""
        else:
            found[heading] += line + "\n"
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--studies", type=int, default=300)
    parser.add_argument("--parts", default=",".join(PARTS))
    options = parser.parse_args()
    for name in options.parts.split(","):
        heading, part = PARTS[name]
        start = time.monotonic()
        body = part(options.studies)
        took = time.monotonic() - start
        found = (
            sections(RESULTS.read_text(encoding="utf-8")) if RESULTS.exists() else {"": "# The verdict\n\n"}
        )
        found[heading] = f"\n{body}\n\nTook {took:.0f} s.\n\n"
        order = [title for title, _ in PARTS.values() if title in found]
        text = found[""] + "".join(f"## {title}\n{found[title]}" for title in order)
        RESULTS.write_text(text.rstrip() + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
