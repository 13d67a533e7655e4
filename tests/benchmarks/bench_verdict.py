"""How right the verdict is, by simulation. One command:

    python -m tests.benchmarks.bench_verdict [--studies 1000] [--parts false-clear,named,...]

writes tests/benchmarks/RESULTS_verdict.md, one section a part (parts not asked for are kept). Some truths lie
outside the model's prior on purpose (the results say which); every reading goes through the code that
`verdict` uses. Seeds are in the results. About an hour on one core with 1000 studies a cell.
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
from reports.model.posterior import targets
from reports.simulation import campaign
from reports.simulation.worlds import World, simulate
from tests.benchmarks.simulated import ALONE_LAST, BATCH, NAMED, ODD, PANELS, SEED, run_cell, share

RESULTS = Path(__file__).with_name("RESULTS_verdict.md")


# --- parts: each returns Markdown ---------------------------------------------------------------------


def false_clear(count: int) -> str:
    lines = [
        "All forms truly equal for these listeners; read after every round (a clear verdict needs five",
        f"listens, so readings before round 5 never are). {count} studies a cell, 4 forms, seeds",
        f"{SEED} + listeners. In brackets: how many named the incumbent.",
        "",
        "| listeners | world | false clear by round 8 | by round 20 |",
        "|---|---|---|---|",
    ]
    worlds = {
        "no incumbent": World(head_start=0),
        "incumbent, 50 prior listens": World(),
        "the same, and one form starts 8 high, wears off": World(wears_off=8),
    }
    for listeners in (1, 2, 3, 5):
        for name, world in worlds.items():
            cell = run_cell(replace(world, listeners=listeners), 20, count, SEED + listeners)
            texts = []
            for last in (8, 20):
                clear = cell.clear(last)
                texts.append(f"{clear.mean():.4f} ({clear.sum()}; {(clear & (cell.named == 0)).sum()})")
            lines.append(f"| {listeners} | {name} | {' | '.join(texts)} |")
            _say(lines[-1])
    return "\n".join(lines)


def named(count: int) -> str:
    lines = [
        f"One form truly better than all others by the gap. {count} studies a cell, seeds {SEED} +",
        "listeners.",
        "`named`: the form with the highest settled mean is the best one, in brackets the same for the plain",
        "mean of all ratings. Clear: read after every round.",
        "",
        "| world | listeners | named by round 5 | by round 8 | clear by 5 / by 8 | right when clear |",
        "|---|---|---|---|---|---|",
    ]
    for name, world in NAMED.items():
        for listeners in PANELS:
            cell = run_cell(replace(world, listeners=listeners), 8, count, SEED + listeners, leaders=(5, 8))
            texts = [
                f"{_named(cell.leader, cell.best, r):.3f} ({_named(cell.plain, cell.best, r):.3f})"
                for r in (5, 8)
            ]
            clear = f"{cell.clear(5).mean():.3f} / {cell.clear(8).mean():.3f}"
            right = share(*cell.right_when_clear(8))
            lines.append(f"| {name} | {listeners} | {' | '.join(texts)} | {clear} | {right} |")
            _say(lines[-1])
    return "\n".join(lines)


def _named(leaders: np.ndarray, best: int, after: int) -> float:
    return float((leaders[after - 1] == best).mean())


def odd(count: int) -> str:
    lines = [
        "Listeners who are not as the model thinks, the weak spots among them. By round 8, one listener by",
        f"round {ALONE_LAST}, read after every round; {count} studies a cell, seeds {SEED} + 10 + listeners.",
        "The best form is a new one that does not wear off, or the incumbent where said.",
        "",
        "| world | listeners | false clear, all equal | gap 6: clear, right | gap 10: clear, right "
        "| gap 10, incumbent best: clear, right |",
        "|---|---|---|---|---|---|",
    ]
    for name, base in ODD.items():
        for listeners in PANELS:
            if listeners == 1 and (base.flat_rater or base.late_joiner):
                continue
            world, texts = replace(base, listeners=listeners), []
            last = 8 if listeners > 1 else ALONE_LAST
            for advantage, best in ((0, -1), (6, -1), (10, -1), (10, 0)):
                truth = replace(world, advantage=advantage, best=best)
                cell = run_cell(truth, last, count, SEED + 10 + listeners)
                clear = cell.clear(last)
                if advantage:
                    texts.append(f"{clear.mean():.3f}, {share(*cell.right_when_clear(last))}")
                else:
                    texts.append(f"{clear.mean():.4f} ({clear.sum()})")
            lines.append(f"| {name} | {listeners} | {' | '.join(texts)} |")
            _say(lines[-1])
    return "\n".join(lines)


def few(count: int) -> str:
    lines = [
        "One listener alone and two, whose own gates are stricter, read after every round.",
        f"{4 * count} studies a cell at gap 6 (clear is rare there), {count} at others; seeds {SEED} + 50 +",
        "listeners. The best form is a new one, or the incumbent where said.",
        "",
        f"| world | listeners | clear by 8 | by 12 | by {ALONE_LAST} | right when clear by {ALONE_LAST} |",
        "|---|---|---|---|---|---|",
    ]
    weak = ("tau 8", "20-point gap", "one form starts 8 high, wears off", "gaps differ widely (SD 6)")
    worlds = {f"{name}, gap 6": replace(ODD[name], advantage=6) for name in weak}
    worlds |= {name: NAMED[name] for name in ("gap 6", "gap 10", "gap 10, incumbent best")}
    worlds |= {"gap 15": World(advantage=15), "gap 15, incumbent best": World(advantage=15, best=0)}
    for name, world in worlds.items():
        for listeners in (1, 2):
            many = 4 * count if world.advantage == 6 else count
            cell = run_cell(replace(world, listeners=listeners), ALONE_LAST, many, SEED + 50 + listeners)
            texts = [f"{cell.clear(last).mean():.3f}" for last in (8, 12, ALONE_LAST)]
            texts.append(share(*cell.right_when_clear(ALONE_LAST)))
            lines.append(f"| {name} | {listeners} | {' | '.join(texts)} |")
            _say(lines[-1])
    return "\n".join(lines)


def cautious(count: int) -> str:
    lines = [
        "What the cautious readings' consent buys and costs: share of studies clear by round 5 / 6 / 8",
        f"/ 12, without -> with it; and right when clear by 8. {count} studies a cell, seed {SEED} + 30.",
        "",
        "| world | listeners | by 5 | by 6 | by 8 | by 12 | right when clear by 8 |",
        "|---|---|---|---|---|---|---|",
    ]
    worlds = {
        "gap 10": World(advantage=10),
        "gap 15": World(advantage=15),
        "gap 15, incumbent best": World(advantage=15, best=0),
        "gap 6, another form starts 8 high": World(advantage=6, wears_off=8),
    }
    for name, world in worlds.items():
        for listeners in PANELS:
            many = 2 * count if world.wears_off else count
            pair = [
                run_cell(replace(world, listeners=listeners), 12, many, SEED + 30, doubtful=doubtful)
                for doubtful in (False, True)
            ]
            texts = [" -> ".join(f"{cell.clear(r).mean():.3f}" for cell in pair) for r in (5, 6, 8, 12)]
            right = " -> ".join(share(*cell.right_when_clear(8)) for cell in pair)
            lines.append(f"| {name} | {listeners} | {' | '.join(texts)} | {right} |")
            _say(lines[-1])
    return "\n".join(lines)


SPREADS = (1.0, 5.0, 10.0)
CLASSES = (0.0, 0.70, 0.85, 0.93, 1.01)
WIDE = World(gap=(0, 20), gap_wobble=5, tau=(1, 6), dev_sd=6, position_sd=3)


def calibration(count: int) -> str:
    count *= 16
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
        found = fit(made[0].seen, Prior(), np.column_stack([study.seen.rating for study in made]))
        for i, study in enumerate(made):
            draws = targets(found, weights, i).draws(campaign.DRAWS, seed * 10**6 + batch * BATCH + i)
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
            judge(table)
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
    "false-clear": ("False clear", false_clear),
    "named": ("The best form named", named),
    "odd": ("Worlds that are not as the model thinks", odd),
    "few": ("One listener and two", few),
    "cautious": ("The cautious readings", cautious),
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
    parser.add_argument("--studies", type=int, default=1000)
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
