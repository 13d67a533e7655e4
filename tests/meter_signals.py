"""Signals for the tests of the meter."""

import csv
import math
from pathlib import Path

import numpy as np
import scipy.signal

from render.arrays import Audio, Floats

FS = 48_000
DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a table in tests/data (see SOURCES.md there)."""
    with (DATA / name).open(newline="") as file:
        rows_read = list(csv.DictReader(file))
    assert rows_read
    return rows_read


def by_case(name: str) -> dict[int, dict[str, str]]:
    return {int(row["case"]): row for row in rows(name)}


def tone(*parts: tuple[float | None, float], fs: int = FS, hz: float = 1000.0, channels: int = 2) -> Floats:
    """One phase-continuous sine, (level dBFS peak or None for silence, seconds) after another."""
    gain = np.concatenate(
        [np.full(round(s * fs), 0.0 if level is None else 10 ** (level / 20)) for level, s in parts]
    )
    sine = gain * np.sin(2 * np.pi * hz * np.arange(len(gain)) / fs)
    return np.repeat(sine[:, None], channels, axis=1)


def noise(seconds: float, fs: int = FS, seed: int = 1, channels: int = 2) -> Audio:
    """Noise of a musical slope at several levels, so that the relative gate has blocks to drop."""
    rng = np.random.default_rng(seed)
    white = rng.standard_normal((round(seconds * fs), channels))
    steps = np.repeat([0.05, 0.01, 0.1, 0.004, 0.03], math.ceil(len(white) / 5))[: len(white), None]
    return (scipy.signal.lfilter([1.0], [1.0, -0.9], white, axis=0) * steps * 0.3).astype(np.float32)
