"""What the commands cost as a user runs them: whole processes, beside two baselines of the same minutes.

    python -m tests.benchmarks.bench_commands [--runs N] [--only WORD] [--beside TREE]

On the demo's study: a process that imports numpy, scipy.signal and soundfile and reads the demo's song, and
one that imports click. Four forms of four minutes: the straightforward pipeline as a program of its own.
Every process runs once a round, so that a busy machine slows all alike; told are the least and the median, in
user and system time of the process and by the clock. `--beside` also runs the commands of another tree of
this project (a work tree of an earlier commit), in the same rounds. Prints Markdown.
"""

from __future__ import annotations

import argparse
import csv
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from tests.benchmarks.bench_render import FORMS, study
from tests.places import ROOT

FOUR_MINUTES = 4.0
VERDICT_ROUNDS = 6  # of three listeners and five forms: 90 ratings
SONG = "lanterns-on-the-weir.wav"
KEPT = ("check.json", "ideas.json", "stem-fit.json", "frames-*.npz")
READ = f"import numpy, scipy.signal, soundfile; soundfile.read({SONG!r})"
BASELINE, CLICK, PIPELINE = (
    "baseline: imports, the song read",
    "import click",
    "straightforward pipeline, a program",
)
HERE = "here"


@dataclass
class Cost:
    """Seconds of processor and clock of the runs of one process."""

    cpu_s: list[float] = field(default_factory=list)
    wall_s: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class Case:
    """A process: `run` in the folder `where`, after `before` has put that into the state it starts from."""

    name: str
    where: Path
    run: Callable[[], None]
    before: Callable[[], object] = lambda: None


def python(where: Path, tree: Path, *arguments: str) -> Callable[[], None]:
    """A run of `python ARGUMENTS` on the code of `tree`, which must succeed."""
    environment = os.environ | {"PYTHONPATH": str(tree)}

    def run() -> None:
        done = subprocess.run(
            [sys.executable, *arguments], cwd=where, env=environment, capture_output=True, text=True,
            stdin=subprocess.DEVNULL, check=False,
        )  # fmt: skip
        assert done.returncode == 0, (arguments, done.stderr)

    return run


def answered(where: Path, tree: Path) -> Callable[[], None]:
    """A run of `open` until its page has answered; the server ends after it."""
    environment = os.environ | {"PYTHONPATH": str(tree)}

    def run() -> None:
        process = subprocess.Popen(
            [sys.executable, "-u", "-m", "listening.cli", "open", ".", "--no-browser"], cwd=where,
            env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        assert process.stdout is not None
        while not (found := re.search(r"(http://\S+)/#\S+", process.stdout.readline())):
            assert process.poll() is None
        with urllib.request.urlopen(found[1] + "/", timeout=60) as page:
            assert b"<html" in page.read()
        process.send_signal(signal.SIGINT)
        process.wait()

    return run


def forget(folder: Path, *patterns: str) -> None:
    for pattern in patterns:
        for path in folder.glob(pattern):
            path.unlink()


def write_ratings(report: Path, into: Path) -> None:
    """The rounds of the demo that make 90 ratings, from its report's table."""
    with (report / "ratings.csv").open(encoding="utf-8") as source, into.open("w", encoding="utf-8") as out:
        table = csv.DictReader(source)
        columns = ("listener", "day", "round", "position", "form", "rating")
        writer = csv.DictWriter(out, columns, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(row for row in table if int(row["round"]) <= VERDICT_ROUNDS)


def commands(place: Path, tree: Path) -> list[Case]:
    """The commands of `tree`, each on studies of its own beneath `place`."""
    demo, silent, new, minutes = (place / name for name in ("demo", "silent", "new", "minutes"))
    place.mkdir()
    python(place, tree, "-m", "listening.cli", "demo", str(demo))()
    shutil.copytree(demo, silent, ignore=shutil.ignore_patterns("*.flac"))
    shutil.rmtree(silent / "report")
    forget(silent / "renders", "*.wav")  # its report and decision come without the forms' sound
    new.mkdir()
    shutil.copyfile(demo / SONG, new / SONG)
    write_ratings(demo / "report", demo / "90.csv")
    study(minutes, FOUR_MINUTES, FORMS)

    decide = ["decide", "early bridge", "--because", "it lifts", "--by", "marit", "--yes"]
    if (tree / "reports" / "way_back" / "stems.py").exists():
        decide.append("--no-stems")

    def case(name: str, where: Path, *arguments: str, before: Callable[[], object] = lambda: None) -> Case:
        return Case(name, where, python(where, tree, "-m", "listening.cli", *arguments), before)

    def anew() -> None:
        forget(demo / "renders", *KEPT)

    cases = [
        case("--help", demo, "--help"),
        case("status", demo, "status"),
        case("check, nothing kept", demo, "check", before=anew),
        case("check, unchanged", demo, "check"),
        case("ideas, nothing kept", demo, "ideas", before=anew),
        case("ideas, unchanged", demo, "ideas"),
        case("new", new, "new", SONG, "--tempo", "97.3", "--yes", before=lambda: forget(new, "song.toml")),
        case("report, no sound", silent, "report"),
        case("decide, without stems", demo, *decide),
        case("report, with its players", demo, "report"),
        case("verdict, 90 ratings", demo, "verdict", "90.csv"),
        case("render, nothing changed", demo, "render"),
        case("render, four forms of 4 min", minutes, "render",
             before=lambda: shutil.rmtree(minutes / "renders", ignore_errors=True)),
    ]  # fmt: skip
    if (tree / "listening" / "maker").exists():
        cases.append(Case("open, until its page answers", demo, answered(demo, tree)))
    return cases


def baselines(place: Path) -> list[Case]:
    """What the commands are compared with."""
    demo, minutes, scratch = place / HERE / "demo", place / HERE / "minutes", place / "scratch"
    scratch.mkdir()
    pipeline = "tests.benchmarks.straightforward"
    return [
        Case(BASELINE, demo, python(demo, ROOT, "-c", READ)),
        Case(CLICK, demo, python(demo, ROOT, "-c", "import click")),
        Case(PIPELINE, minutes, python(minutes, ROOT, "-m", pipeline, str(minutes), str(scratch))),
    ]


def spent() -> float:
    """User and system seconds of all children that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def measure(case: Case, cost: Cost) -> None:
    case.before()
    cpu, since = spent(), time.perf_counter()
    case.run()
    cost.wall_s.append(time.perf_counter() - since)
    cost.cpu_s.append(spent() - cpu)


def rows(costs: dict[str, Cost]) -> list[str]:
    """The table of one tree's processes."""
    baseline, click = (min(costs[name].cpu_s) for name in (BASELINE, CLICK))
    lines = [
        "| process | CPU, s: least / median | clock, s: least / median | CPU, times the baseline "
        "| times `import click` |",
        "|---|---|---|---|---|",
    ]
    for name, cost in costs.items():
        cpu, wall = (f"{min(times):.2f} / {median(times):.2f}" for times in (cost.cpu_s, cost.wall_s))
        least = min(cost.cpu_s)
        lines.append(f"| {name} | {cpu} | {wall} | {least / baseline:.2f} | {least / click:.1f} |")
    return lines


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument(
        "--only", default="", help="only processes with this in their name, and the baselines"
    )
    parser.add_argument("--beside", type=Path, help="another tree of this project")
    options = parser.parse_args()
    trees = {HERE: ROOT} | ({"before": options.beside.resolve()} if options.beside else {})
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        cases = {
            tree: [x for x in commands(place / tree, path) if options.only in x.name]
            for tree, path in trees.items()
        }
        compared = baselines(place)
        costs = {tree: {x.name: Cost() for x in [*compared, *cases[tree]]} for tree in trees}
        loads = [os.getloadavg()[0]]
        for _ in range(options.runs):
            for case in compared:
                measure(case, costs[HERE][case.name])
            for tree in trees:
                for case in cases[tree]:
                    measure(case, costs[tree][case.name])
            loads.append(os.getloadavg()[0])
    print(f"{options.runs} rounds; load of the machine {min(loads):.1f} to {max(loads):.1f}")
    for tree in trees:
        costs[tree] |= {x.name: costs[HERE][x.name] for x in compared}
        faster = [
            min(costs[HERE][PIPELINE].wall_s) / min(cost.wall_s)
            for what, cost in costs[tree].items()
            if "four forms" in what
        ]
        print(
            f"\n{tree}"
            + "".join(
                f": four forms {x:.1f} times as fast as the straightforward pipeline (clock)" for x in faster
            )
        )
        print("\n".join(["", *rows(costs[tree])]), flush=True)


if __name__ == "__main__":
    main()
