"""How right the verdict is, by simulation. One command:

    python -m tests.benchmarks.bench_verdict [--studies 300] [--parts worlds,days,...] [--results FILE]

writes tests/benchmarks/RESULTS_verdict.md, a section or two a part (parts not asked for are kept, as is what
stands before the first section; several processes may do a part each). Every reading goes through the code
that `verdict` uses; seeds are in the results.
"""

import argparse
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from reports.simulation.outlook import PlannedPanel, RoundPlan, outlook
from reports.simulation.worlds import World, simulate
from tests.benchmarks import verdict_tables
from tests.benchmarks.calibration import calibration
from tests.benchmarks.resting import rested
from tests.benchmarks.simulated import SEED, WORLDS
from tests.benchmarks.verdict_tables import paragraph, say

RESULTS = Path(__file__).with_name("RESULTS_verdict.md")


# --- parts: each returns Markdown by heading ----------------------------------------------------------


def worlds(count: int) -> dict[str, str]:
    cells = verdict_tables.key_cells(count)
    return {
        "What was reached": verdict_tables.reached(cells),
        "Worlds": f"{verdict_tables.intro(count)}\n\n{verdict_tables.table(cells)}",
    }


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
            figures = [f"{e.value:.3f} ({e.error:.3f})" for e in (row.named, row.lost, row.safe, row.clear)]
            speed = f"{took[0]:.1f}, {took[-1]:.1f}" if row is answers[-1].rows[0] else ""
            lines.append(f"| {listeners} x {forms}, {rounds} | {lead} | {' | '.join(figures)} | {speed} |")
        say(lines[-1])
    return "\n".join(lines)


RESTED = (
    "3 x 5, gap 8",
    "1 x 5, gap 10",
    "3 x 5, truths of SD 5",
    "3 x 5, gap 6, one form starts 8 high, wears off",
)


def rests(count: int) -> str:
    lines = [
        paragraph(
            f"Read after every round to 16 until clear; {count} studies a row, the same ones without -> "
            f"with rests; seed {SEED} + 80000, two rounds a day. Put to rest: studies in which the best "
            "form ever rests; at rest: in which it rests when listening stops. Minutes are means per "
            "listener, standard errors of the difference in brackets."
        ),
        "",
        "| listeners x forms, world | minutes until clear | until safe | best put to rest, at rest "
        "| right when clear | right when safe |",
        "|---|---|---|---|---|---|",
    ]
    for name in RESTED:
        lines.append(f"| {name} | {rested(WORLDS[name], count, SEED + 80_000)} |")
        say(lines[-1])
    return "\n".join(lines)


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
        say(lines[-1])
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

HEADINGS = (
    "What was reached", "Worlds", "Other worlds", "What sinks late", "Days", "Rounds that shrink", "Plans",
    "Calibration", "Speed",
)  # fmt: skip
PARTS: dict[str, Callable[[int], dict[str, str]]] = {
    "worlds": worlds,
    "others": lambda count: {"Other worlds": verdict_tables.other_worlds(count)},
    "late": lambda count: {"What sinks late": verdict_tables.late(count)},
    "days": lambda count: {"Days": verdict_tables.days(count)},
    "rests": lambda count: {"Rounds that shrink": rests(count)},
    "plans": lambda count: {"Plans": plans(count)},
    "calibration": lambda count: {"Calibration": calibration(count)},
    "speed": lambda count: {"Speed": speed(count)},
}


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
    parser.add_argument("--results", type=Path, default=RESULTS)
    options = parser.parse_args()
    for name in options.parts.split(","):
        bodies = PARTS[name](options.studies)
        file: Path = options.results
        found = sections(file.read_text(encoding="utf-8")) if file.exists() else {"": "# The verdict\n\n"}
        found |= bodies
        told = [f"## {title}\n\n{found[title].strip()}" for title in HEADINGS if title in found]
        file.write_text("\n\n".join([found[""].strip(), *told]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
