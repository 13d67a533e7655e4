"""What measuring costs, beside what reading and writing the same frames costs.

    python -m tests.benchmarks.bench_meter [SECONDS]

Prints nanoseconds per stereo frame (48 kHz, 24-bit WAV) and ratios to reading plus writing with soundfile.
Every figure is the best of several turns, the contenders taking turns, so that what else the machine does
meets all of them. "cpu" is processor time of all threads, "wall" the clock.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pyloudnorm
import scipy.signal
import soundfile
from numpy.typing import NDArray

from render.loudness.k_response import k_weighting_sos
from render.loudness.meter import Loudness, LoudnessMeter
from render.loudness.true_peak import TruePeak
from tests.meter_series import k_weight, measure

FS = 48_000
TURNS = 7


def song(seconds: int) -> NDArray[np.float32]:
    """Dull noise that swells and fades, 24-bit values as float32 (frames, 2)."""
    frames = seconds * FS
    white = np.random.default_rng(1).standard_normal((frames, 2))
    dull = scipy.signal.lfilter([1.0], [1.0, -0.95], white, axis=0)
    swell = 0.25 + 0.75 * np.sin(np.pi * np.arange(frames) / frames * 6)[:, None] ** 2
    audio = np.tanh(dull * swell * 0.07)
    return (np.round(audio * 2**23) / 2**23).astype(np.float32)


def measure_file(path: Path) -> Loudness:
    with soundfile.SoundFile(path) as file:
        meter = LoudnessMeter(file.samplerate, file.channels)
        for block in file.blocks(1 << 16, dtype="float32", always_2d=True):
            meter.add(block)
        return meter.result()


def true_peak(audio: NDArray[np.float32]) -> float:
    meter = TruePeak(FS, audio.shape[1])
    meter.add(audio)
    return meter.true_peak


def contenders(folder: Path, audio: NDArray[np.float32]) -> dict[str, tuple[Callable[[], object], int]]:
    """Name -> (function, frames it handles)."""
    path, scratch = folder / "song.wav", folder / "scratch.wav"
    integers = (audio * 2**31).astype(np.int32)
    wide = audio.astype(np.float64)
    planar = np.ascontiguousarray(wide.T)
    sos = k_weighting_sos(FS)
    copies = [folder / f"{name}.wav" for name in "abcd"]
    for each in (path, *copies):
        soundfile.write(each, integers, FS, subtype="PCM_24")
    pool = ThreadPoolExecutor(2)
    frames = len(audio)
    return {
        "write 24-bit WAV": (lambda: soundfile.write(scratch, integers, FS, subtype="PCM_24"), frames),
        "read it, int32": (lambda: soundfile.read(path, dtype="int32"), frames),
        "measure (everything)": (lambda: measure(audio, FS), frames),
        "  K-weighting alone": (lambda: k_weight(audio, FS), frames),
        "  true peak alone": (lambda: true_peak(audio), frames),
        "read and measure one file": (lambda: measure_file(path), frames),
        "  four files, two threads": (lambda: list(pool.map(measure_file, copies)), 4 * frames),
        "K-weighting by sosfilt": (lambda: scipy.signal.sosfilt(sos, planar, axis=1), frames),
        "  one thread per channel": (
            lambda: list(pool.map(lambda one: scipy.signal.sosfilt(sos, one), planar)),
            frames,
        ),
        "pyloudnorm, integrated": (
            lambda: pyloudnorm.Meter(FS, filter_class="DeMan").integrated_loudness(wide),
            frames,
        ),
        "resample_poly x4, peak": (
            lambda: np.abs(scipy.signal.resample_poly(audio, 4, 1, axis=0)).max(),
            frames,
        ),
    }


def main() -> None:
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    with tempfile.TemporaryDirectory() as folder:
        runs = contenders(Path(folder), song(seconds))
        wall: dict[str, list[float]] = {name: [] for name in runs}
        cpu: dict[str, list[float]] = {name: [] for name in runs}
        for _ in range(TURNS):
            for name, (run, frames) in runs.items():
                clock, work = time.perf_counter(), time.process_time()
                run()
                wall[name].append((time.perf_counter() - clock) / frames * 1e9)
                cpu[name].append((time.process_time() - work) / frames * 1e9)
    io_wall = sum(min(wall[name]) for name in list(runs)[:2])
    io_cpu = sum(min(cpu[name]) for name in list(runs)[:2])
    print(f"{seconds} s, 48 kHz stereo; ns per frame, and as a multiple of read + write")
    for name in runs:
        best_wall, best_cpu = min(wall[name]), min(cpu[name])
        print(
            f"{name:28} wall {best_wall:7.2f} ({best_wall / io_wall:5.2f} x)"
            f"   cpu {best_cpu:7.2f} ({best_cpu / io_cpu:5.2f} x)"
        )


if __name__ == "__main__":
    main()
