"""All tests, in two runs of pytest side by side: `python -m tests [options of pytest]`.

Sound, and browsers that play it, run in real time, two files at once, as they mostly wait; all else beside
them, wherever a core would otherwise stand idle.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.shared import FOLDER

HERE = Path(__file__).parent
REAL_TIME = "(device or browser) and not silent"
NAMES_REAL_TIME = re.compile(r"\bmark\.(device|browser)\b")
TOGETHER = 2  # files in real time; every file has a sound server and a browser of its own
NICE = 19

# Containers often forbid Python to keep what it compiled: then each of our hundreds of processes would
# compile the tests and the program anew.
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


# What takes longest begins first, so that nothing long is left to one worker at the end.
LONGEST_IN_REAL_TIME = (
    "test_page_faults.py", "test_terminal.py", "test_maker_way.py", "test_packet_browser.py",
    "test_page_access.py", "test_page_connection.py", "test_maker_rounds_way.py", "test_maker_sound.py",
    "test_page_round.py", "test_page_screens.py",
)  # fmt: skip
LONGEST = (
    "test_maker_screens.py", "test_house.py", "test_decide.py", "test_report_browser.py",
    "test_bench_of_joins.py", "test_tempo_fit.py", "test_bar_one.py", "test_report.py", "test_page_api.py",
    "test_cli.py", "test_maker_kills.py", "test_demo_song.py", "test_rebuild.py", "test_bad_input.py",
    "test_log_flips.py",
)  # fmt: skip


def main(options: list[str]) -> int:
    """0 where both runs passed."""
    pytest = [sys.executable, "-m", "pytest", *options, "--dist", "loadfile", "--no-loadscope-reorder"]
    workers = (os.cpu_count() or 2) + 2  # they wait for servers, disks and each other, too
    others = ["-n", str(workers), "-m", f"not ({REAL_TIME})"]
    in_real_time = ["-n", str(TOGETHER), "-m", REAL_TIME]
    if not any(Path(option.split("::")[0]).exists() for option in options):
        others += files(LONGEST)
        in_real_time += [
            f for f in files(LONGEST_IN_REAL_TIME) if NAMES_REAL_TIME.search(Path(f).read_text("utf-8"))
        ]
    with tempfile.TemporaryFile() as kept, tempfile.TemporaryDirectory() as shared:
        beside = subprocess.Popen(
            [*pytest, *others], env=ENVIRONMENT | {FOLDER: shared}, stdout=kept, stderr=subprocess.STDOUT,
            preexec_fn=LOWER,
        )  # fmt: skip
        print("in real time:", flush=True)
        real_time = subprocess.run([*pytest, *in_real_time], env=ENVIRONMENT, check=False).returncode
        rest = beside.wait()
        kept.seek(0)
        print("\nall else:", flush=True)
        sys.stdout.buffer.write(kept.read())
        sys.stdout.flush()
    return real_time or rest


def files(longest: tuple[str, ...]) -> list[str]:
    """Every file of tests, those named first."""
    paths = sorted(HERE.rglob("test_*.py"))
    rank = {name: at for at, name in enumerate(longest)}
    return [str(path) for path in sorted(paths, key=lambda path: rank.get(path.name, len(rank)))]


def _lower() -> None:
    """Only what no other process wants: a sound that is woken late is a stumble."""
    if hasattr(os, "SCHED_IDLE"):
        os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    else:
        os.nice(NICE)


LOWER = None if sys.platform == "win32" else _lower


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
