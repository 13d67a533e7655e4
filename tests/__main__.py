"""All tests, in two runs of pytest side by side: `python -m tests [options of pytest]`.

Sound, and browsers that play it, run in real time, two files at once, as they mostly wait; all else beside
them, wherever a core would otherwise stand idle.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile

REAL_TIME = "(device or browser) and not silent"
TOGETHER = 2  # files in real time; every file has a sound server and a browser of its own
NICE = 19

# Containers often forbid Python to keep what it compiled: then each of our hundreds of processes would
# compile the tests and the program anew.
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def main(options: list[str]) -> int:
    """0 where both runs passed."""
    pytest = [sys.executable, "-m", "pytest", *options, "--dist", "loadfile"]
    workers = (os.cpu_count() or 2) + 2  # they wait for servers, disks and each other, too
    others = ["-n", str(workers), "-m", f"not ({REAL_TIME})"]
    with tempfile.TemporaryFile() as kept:
        beside = subprocess.Popen(
            [*pytest, *others], env=ENVIRONMENT, stdout=kept, stderr=subprocess.STDOUT, preexec_fn=LOWER
        )
        print("in real time:", flush=True)
        real_time = subprocess.run(
            [*pytest, "-n", str(TOGETHER), "-m", REAL_TIME], env=ENVIRONMENT, check=False
        ).returncode
        rest = beside.wait()
        kept.seek(0)
        print("\nall else:", flush=True)
        sys.stdout.buffer.write(kept.read())
        sys.stdout.flush()
    return real_time or rest


def _lower() -> None:
    """Only what no other process wants: a sound that is woken late is a stumble."""
    if hasattr(os, "SCHED_IDLE"):
        os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    else:
        os.nice(NICE)


LOWER = None if sys.platform == "win32" else _lower


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
