"""Momentary and short-term loudness (EBU Tech 3341) by the meter's own energies, for the EBU's cases."""

import numpy as np

from render.arrays import AnyFloats, Floats
from render.loudness.buffers import CHUNK_FRAMES
from render.loudness.meter import EnergySeries, FrameEnergies, lufs


def momentary_lufs(audio: AnyFloats, sample_rate: int) -> Floats:
    """400 ms windows from the start, every 10 ms, ungated; only complete ones: (windows,)."""
    return _series_lufs(audio, sample_rate, 100, 4 * sample_rate // 10)


def short_term_lufs(audio: AnyFloats, sample_rate: int) -> Floats:
    """3 s windows from the start, every 100 ms, ungated; only complete ones: (windows,)."""
    return _series_lufs(audio, sample_rate, 10, 3 * sample_rate)


def _series_lufs(audio: AnyFloats, sample_rate: int, per_second: int, length: int) -> Floats:
    energies, series = FrameEnergies(sample_rate, audio.shape[1]), EnergySeries(sample_rate)
    for chunk in np.split(audio, range(CHUNK_FRAMES, len(audio), CHUNK_FRAMES)):
        series.add(energies.of(chunk))
    return lufs(series.powers(per_second, length))
