"""All tests, in two runs of pytest side by side: `python -m tests [options of pytest]`.

Sound and browsers run in real time, one after another, in a run of their own; all else beside it, on the
cores that are left, at a lower priority.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile

REAL_TIME = "device or browser"
NICE = 5


def main(options: list[str]) -> int:
    """0 where both runs passed."""
    pytest = [sys.executable, "-m", "pytest", *options]
    others = ["-n", str(max((os.cpu_count() or 2) - 1, 1)), "--dist", "loadfile", "-m", f"not ({REAL_TIME})"]
    lower = None if sys.platform == "win32" else _lower
    with tempfile.TemporaryFile() as kept:
        beside = subprocess.Popen([*pytest, *others], stdout=kept, stderr=subprocess.STDOUT, preexec_fn=lower)
        print("in real time, one after another:", flush=True)
        real_time = subprocess.run([*pytest, "-m", REAL_TIME], check=False).returncode
        rest = beside.wait()
        kept.seek(0)
        print("\nall else:", flush=True)
        sys.stdout.buffer.write(kept.read())
        sys.stdout.flush()
    return real_time or rest


def _lower() -> None:
    os.nice(NICE)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
