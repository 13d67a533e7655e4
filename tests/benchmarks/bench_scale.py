"""What a large panel costs: its log stored, read, reported and judged, on SQLite and on PostgreSQL.

    python -m tests.benchmarks.bench_scale                       # 10, 100 and 1000; into RESULTS_scale.md
    python -m tests.benchmarks.bench_scale LISTENERS ...         # on the screen only

Every panel hears five rounds of five short invented forms. Prints seconds, each the best of three turns
(the report and the filling: one turn), and how many times each grows from the smallest panel to the largest.
"keep a listen" is what one more listener waits for: code, start, end and rating, each on the disk before the
next; "a page's state" is one request of the listening page as it is answered. Each panel has a process of its
own; "memory" is the most that it held, in MB, with all that Python and its libraries take.
"""

from __future__ import annotations

import json
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from functools import partial
from multiprocessing import get_context
from pathlib import Path

from listening.page.session import PageSessions
from listening.rounds import enter_round
from listening.status import study_status
from reports.facts.ratings import study_ratings
from reports.output.report import write_report
from reports.verdict.judge import judge
from sessions.study import Study
from tests.clocks import Ticking
from tests.page_request import ask
from tests.panels import fill, panel
from tests.postgres import Server, postgres
from tests.short_study import hear

RESULTS = Path(__file__).with_name("RESULTS_scale.md")
ROUNDS = 5
TURNS = 3
Figures = dict[str, float]


def best(of: Callable[[], object]) -> float:
    """Seconds of the quickest of some turns."""
    found = []
    for _ in range(TURNS):
        begun = time.perf_counter()
        of()
        found.append(time.perf_counter() - begun)
    return min(found)


def once(of: Callable[[], object]) -> float:
    begun = time.perf_counter()
    of()
    return time.perf_counter() - begun


def measured(folder: Path, listeners: int, store: str | None) -> Figures:
    """Seconds of each step, for a panel of so many listeners."""
    study = panel(folder, listeners, store)
    assert isinstance(study.clock, Ticking)
    found = {"fill, in one transaction": once(lambda: fill(study, last=ROUNDS - 1))}
    study.clock.forward(hours=16)
    name = study.song.listeners[0].name
    begin = once(lambda: enter_round(study, name, any_day=True))
    round_ = enter_round(study, name, any_day=True)
    sitting = study.log.sit_down(name, "headphones", "device")
    keep_one = partial(hear, study, round_, 61, sitting)
    found |= {"begin a round": begin, "keep a listen": best(keep_one)}

    def again() -> Study:
        return Study(folder, study.clock, store)

    ready = again()
    _ = ready.log, ready.song
    found["open the log"] = best(lambda: again().log)
    found["a page's state"] = best(lambda: ask(PageSessions(ready).state, listener=name))
    found["read one listener"] = best(lambda: ready.log.contents(name))
    found["read all"] = best(ready.log.contents)
    found["status"] = best(lambda: study_status(again()))
    contents, manifest, song = ready.log.contents(), ready.manifest, ready.song
    found["table of ratings"] = best(lambda: study_ratings(song, manifest, contents))
    table = study_ratings(song, manifest, contents).table
    found["judge"] = best(lambda: judge(table))
    found["report, opened"] = once(lambda: write_report(again(), open_now=True))
    found["memory, MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    if store is None:
        found["log, bytes a listen"] = (folder / "log.sqlite").stat().st_size / len(contents.listens)
    return found


def of_kind(kind: str, sizes: list[int], server: Server | None) -> dict[int, Figures]:
    found = {}
    for size in sizes:
        with tempfile.TemporaryDirectory() as place:
            store = server.new_database() if server else None
            with ProcessPoolExecutor(1, get_context("spawn")) as fresh:
                found[size] = fresh.submit(measured, Path(place) / "study", size, store).result()
        print(kind, size, json.dumps({k: round(v, 4) for k, v in found[size].items()}), file=sys.stderr)
    return found


def table(kind: str, found: dict[int, Figures]) -> str:
    sizes = list(found)
    lines = [f"## {kind}", "", f"| | {' | '.join(f'{n:,} listeners' for n in sizes)} | growth |"]
    lines.append("|---|" + "---:|" * (len(sizes) + 1))
    for what in found[sizes[0]]:
        values = [found[n][what] for n in sizes]
        shown = " | ".join(f"{v:.4f}" if v < 1 else f"{v:.2f}" if v < 100 else f"{v:.0f}" for v in values)
        lines.append(f"| {what} | {shown} | {values[-1] / values[0]:.1f}x |")
    return "\n".join(lines)


def main() -> None:
    sizes = [int(text) for text in sys.argv[1:]] or [10, 100, 1000]
    for kind in ("SQLite", "PostgreSQL"):
        with postgres() if kind == "PostgreSQL" else nullcontext() as server:
            made = table(kind, of_kind(kind, sizes, server))
        print(made, end="\n\n", flush=True)
        if len(sys.argv) == 1:
            keep(made)


def keep(made: str) -> None:
    """Put a table in the place of the last one under its heading."""
    heading = made.splitlines()[0]
    before, _, rest = RESULTS.read_text(encoding="utf-8").partition(f"{heading}\n")
    after = rest[rest.index("\n\n", rest.index("|---")) :]
    RESULTS.write_text(before + made + after, encoding="utf-8")


if __name__ == "__main__":
    main()
