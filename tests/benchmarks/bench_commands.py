"""What the commands cost as a user runs them: whole processes, beside two baselines of the same minutes.

    python -m tests.benchmarks.bench_commands [--runs N] [--only WORD] [--beside TREE] [--place FOLDER]

On the demo's study: a process that imports numpy, scipy.signal and soundfile and reads the demo's song, and
one that imports click. Four forms of four minutes: the straightforward pipeline as a program of its own.
Every process runs once a round, so that a busy machine slows all alike; told are the least and the median, in
user and system time of the process and by the clock. `--beside` also runs the commands of another tree of
this project (a work tree of an earlier commit), in the same rounds; `--place` keeps studies and times, and
a later run adds to them. Prints Markdown.
"""

from __future__ import annotations

import argparse
import csv
import json
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
from dataclasses import asdict, dataclass, field
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
FOUR_FORMS = "render, four forms of 4 min"
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
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # users' Python keeps what it compiled

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
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # users' Python keeps what it compiled

    def run() -> None:
        process = subprocess.Popen(
            [sys.executable, "-u", "-m", "listening.cli", "open", ".", "--no-browser"], cwd=where,
            env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        assert process.stdout is not None
        while not (match := re.search(r"(http://\S+)/#\S+", process.stdout.readline())):
            assert process.poll() is None
        with urllib.request.urlopen(match[1] + "/", timeout=60) as page:
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


def make_studies(place: Path, tree: Path) -> None:
    """The studies that the commands of `tree` work on: "demo", "silent", "new" and "minutes"."""
    demo, silent, new = (place / name for name in ("demo", "silent", "new"))
    place.mkdir(parents=True)
    python(place, tree, "-m", "listening.cli", "demo", str(demo))()
    shutil.copytree(demo, silent, ignore=shutil.ignore_patterns("*.flac"))
    shutil.rmtree(silent / "report")
    forget(silent / "renders", "*.wav")  # its report comes without the forms' sound
    new.mkdir()
    shutil.copyfile(demo / SONG, new / SONG)
    write_ratings(demo / "report", demo / "90.csv")
    study(place / "minutes", FOUR_MINUTES, FORMS)


def commands(place: Path, tree: Path) -> list[Case]:
    """The commands of `tree`, each on studies of its own beneath `place`."""
    demo, silent, new, minutes = (place / name for name in ("demo", "silent", "new", "minutes"))
    if not place.exists():
        make_studies(place, tree)
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
        case(FOUR_FORMS, minutes, "render",
             before=lambda: shutil.rmtree(minutes / "renders", ignore_errors=True)),
    ]  # fmt: skip
    if (tree / "listening" / "maker").exists():
        cases.append(Case("open, until its page answers", demo, answered(demo, tree)))
    return cases


def baselines(place: Path) -> list[Case]:
    """What the commands are compared with."""
    demo, minutes, scratch = place / HERE / "demo", place / HERE / "minutes", place / "scratch"
    scratch.mkdir(exist_ok=True)
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


def measured(place: Path, trees: dict[str, Path], options: argparse.Namespace) -> dict[str, dict[str, Cost]]:
    """Costs by tree and process, beside those that `place` keeps from earlier runs."""
    kept = place / "costs.json"
    costs: dict[str, dict[str, Cost]] = {tree: {} for tree in trees}
    if kept.exists():
        for tree, times in json.loads(kept.read_text()).items():
            costs[tree] = {name: Cost(**values) for name, values in times.items()}
    cases = [(tree, x) for tree, path in trees.items() for x in commands(place / tree, path)]
    cases = [(tree, x) for tree, x in cases if options.only in x.name]
    with_pipeline = any(x.name == FOUR_FORMS for _, x in cases)
    compared = [(HERE, x) for x in baselines(place) if with_pipeline or x.name != PIPELINE]
    for _ in range(options.runs):
        for tree, case in [*compared, *cases]:
            measure(case, costs[tree].setdefault(case.name, Cost()))
            kept.write_text(json.dumps({t: {n: asdict(c) for n, c in x.items()} for t, x in costs.items()}))
    return costs


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--only", default="", help="processes with this in their name, and the baselines")
    parser.add_argument("--beside", type=Path, help="another tree of this project")
    parser.add_argument("--place", type=Path, help="keep studies and times here, and add to them")
    options = parser.parse_args()
    trees = {HERE: ROOT} | ({"before": options.beside.resolve()} if options.beside else {})
    with tempfile.TemporaryDirectory() as temporary:
        costs = measured(options.place or Path(temporary), trees, options)
    print(f"load of the machine in the last 15 minutes: {os.getloadavg()[2]:.1f}")
    here = costs[HERE]
    for tree, times in costs.items():
        if FOUR_FORMS in times:
            faster = min(here[PIPELINE].wall_s) / min(times[FOUR_FORMS].wall_s)
            print(f"\n{tree}: four forms {faster:.1f} times as fast as the straightforward pipeline (clock)")
        print("\n".join(["", *rows({x: here[x] for x in (BASELINE, CLICK)} | times)]), flush=True)


if __name__ == "__main__":
    main()
