"""CPU of `new`, `check` and `ideas` as whole processes, beside reading and K-weighting the song once.

    python -m tests.benchmarks.bench_start_speed [repeats]

The demo's song as a bounce of 2:47 (48 kHz, 24-bit stereo) with two stems (drums; all others) and three
forms beside "as written". CPU is user + system of the child process, with one thread a library; the least of
the repeats. The baseline is a process of its own that starts Python, reads the bounce and K-weights it once.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from listening.demo.song import synthesise

BASELINE = """
import sys
from pathlib import Path
from render.audio.stems import read_audio
from tests.meter_series import k_weight
k_weight(read_audio(Path(sys.argv[1])), 48000)
"""
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def cpu_s(command: list[str]) -> float:
    """User and system seconds of a child process that must succeed."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True, env=os.environ | ONE_THREAD)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def write_song(folder: Path) -> None:
    audio = synthesise(48000)
    bounce = audio.pop("bounce")
    stems = {"drums": audio["drums"], "others": np.sum([audio[n] for n in audio if n != "drums"], axis=0)}
    (folder / "stems").mkdir(parents=True)
    for path, samples in (
        (folder / "song.wav", bounce),
        *((folder / "stems" / f"{name}.wav", stem) for name, stem in stems.items()),
    ):
        soundfile.write(path, (samples << 8).astype(np.int32), 48000, subtype="PCM_24")


def run(folder: Path) -> dict[str, float]:
    """One run of everything in a fresh study."""
    study = ["--study", str(folder)]
    say = [sys.executable, "-m", "listening.cli"]
    told: dict[str, float] = {}
    told["reading and K-weighting once"] = cpu_s([sys.executable, "-c", BASELINE, str(folder / "song.wav")])
    told["--version (Python and imports)"] = cpu_s([*say, "--version"])
    told["new"] = cpu_s(
        [*say, "new", str(folder / "song.wav"), "--tempo", "97.3", "--stems", str(folder / "stems")]
    )
    told["check, after new"] = cpu_s([*say, "check", *study])
    told["check, unchanged"] = cpu_s([*say, "check", *study])
    told["ideas, after that"] = cpu_s([*say, "ideas", *study])
    told["ideas, unchanged"] = cpu_s([*say, "ideas", *study])
    for command in ("check", "ideas"):
        shutil.rmtree(folder / "renders", ignore_errors=True)
        told[f"{command}, nothing kept"] = cpu_s([*say, command, *study])
    return told


def main() -> None:
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    runs = []
    with tempfile.TemporaryDirectory() as name:
        write_song(Path(name) / "made")
        for number in range(repeats):
            runs.append(run(Path(shutil.copytree(Path(name) / "made", Path(name) / str(number)))))
    best = {what: min(told[what] for told in runs) for what in runs[0]}
    base = best["reading and K-weighting once"]
    print("| process | CPU, s | times the baseline |\n|---|---|---|")
    for what, seconds in best.items():
        print(f"| {what} | {seconds:.2f} | {seconds / base:.2f} |")


if __name__ == "__main__":
    main()
