"""What the meter measures, at once and window by window, for tests that compare it with others."""

import numpy as np

from render.arrays import AnyFloats, Audio, Floats, Ints
from render.loudness import meter
from render.loudness.buffers import CHUNK_FRAMES
from render.loudness.kweighting import KWeighting
from render.loudness.meter import EnergySeries, FrameEnergies, Loudness, LoudnessMeter, lufs


def measure(audio: AnyFloats, sample_rate: int) -> Loudness:
    """`audio` (frames, channels) measured at once."""
    meter = LoudnessMeter(sample_rate, audio.shape[-1])
    meter.add(audio)
    return meter.result()


def k_weight(audio: AnyFloats, sample_rate: int, state: Floats | None = None) -> tuple[Audio, Floats]:
    """`audio` (frames, channels) weighted, float32 of the same shape, and the state after it.

    `state` is the one returned for the audio before, or None at a start from silence.
    """
    weighting = KWeighting(sample_rate, audio.shape[1])
    if state is not None:
        weighting.state = state
    weighted = np.empty(audio.T.shape, dtype=np.float32)
    for start in range(0, len(audio), CHUNK_FRAMES):
        chunk = slice(start, start + CHUNK_FRAMES)
        weighting.run(audio[chunk].T, weighted[:, chunk])
    return weighted.T, weighting.state


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


def block_bounds(frames: int, sample_rate: int) -> tuple[Ints, int]:
    """The gating blocks of `frames` frames: (starts, length), in frames; a last one that is not filled is not
    used."""
    length = meter._block_length(sample_rate)
    return meter._window_starts(frames, sample_rate, 10, length), length
