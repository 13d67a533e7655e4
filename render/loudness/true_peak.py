"""True peak (ITU-R BS.1770-5, Annex 2), evaluated only where it could still matter.

The signal is oversampled with the printed 48-tap filter: four phases of twelve taps. No output of a phase
can exceed the largest sample under its taps times the sum of their magnitudes (2.023 for the printed set),
so stretches whose samples are too small to beat the best peak so far are never interpolated. The answer is
the same as interpolating everything. Outputs are matrix products over short windows, in float32 (errors
below 1e-5 dB).

Samples count as they are: nothing is clipped, so a float file over full scale reads above 0 dBTP.
"""

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from render.arrays import AnyFloats
from render.loudness.buffers import CHUNK_FRAMES, Float32, rows_times

# ITU-R BS.1770-5 (11/2023), Annex 2: phases 0 and 1; phases 3 and 2 are the same taps in reverse.
_PHASE_0 = (
    0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
    0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500,
)  # fmt: skip
_PHASE_1 = (
    -0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
    0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375,
)  # fmt: skip
_TAPS = len(_PHASE_0)
REACH_FRAMES = _TAPS - 1  # how far an interpolated value reaches beside its sample
_STRIDE = 16  # samples per window: the shortest that still makes efficient products
_WINDOW = _STRIDE + _TAPS - 1
_HISTORY = _WINDOW - 1
_BATCH = 2048  # windows per product, so that its output stays in the cache


def oversampling_phases(sample_rate: int) -> npt.NDArray[np.float64]:
    """The interpolation filter for a rate, shape (phases, 12), newest sample first.

    Annex 2 asks for 4x at 48 kHz and proportionately less above. From 96 kHz every other phase is used,
    which is the 4x output decimated by two: 2x, evenly spaced; from 192 kHz none, as the samples
    themselves are as dense as the interpolated ones at 48 kHz. Below 96 kHz all four.
    """
    every = np.array([_PHASE_0, _PHASE_1, _PHASE_1[::-1], _PHASE_0[::-1]])
    if sample_rate >= 192_000:
        return every[:0]
    return every[::2] if sample_rate >= 96_000 else every


def _window_matrix(phases: npt.NDArray[np.float64]) -> Float32:
    """(window, phases x stride): a window of samples times this gives every phase at its last 16 samples."""
    matrix = np.zeros((_WINDOW, len(phases), _STRIDE), dtype=np.float32)
    for at in range(_STRIDE):
        matrix[at : at + _TAPS, :, at] = phases[:, ::-1].T
    return matrix.reshape(_WINDOW, -1)


def _extreme(values: AnyFloats) -> float:
    """The largest magnitude; 0 for nothing."""
    return float(max(values.max(), -values.min())) if values.size else 0.0


class _Interpolation:
    """The interpolation filter of one sample rate, and the search for the largest value it gives."""

    def __init__(self, sample_rate: int) -> None:
        phases = oversampling_phases(sample_rate)
        self.taps: Float32 = phases[:, ::-1].T.astype(np.float32)
        self.matrix = _window_matrix(phases)
        self.reach = float(np.abs(phases).sum(axis=1).max(initial=0.0))

    def peak(self, x: Float32, best: float) -> float:
        """The larger of `best` and every interpolated value whose twelve samples all lie in `x`.

        `x` is (channels, frames).
        """
        if not self.reach or x.shape[1] < _TAPS:
            return best
        if x.shape[1] < _WINDOW:
            return max(best, _extreme(sliding_window_view(x, _TAPS, axis=1) @ self.taps))
        windows = sliding_window_view(x, _WINDOW, axis=1)
        end = np.ascontiguousarray(windows[:, -1])  # what the strides below may not reach
        best = max(best, _extreme(rows_times(end, self.matrix)))
        candidates = windows[:, ::_STRIDE]
        count = candidates.shape[1]
        # A window may reach into the stride after its own: look at both.
        loud = np.zeros((len(x), (count + 1) * _STRIDE), dtype=np.bool_)
        looked_at = min(x.shape[1], loud.shape[1])
        threshold = best / self.reach * (1 - 1e-6)  # the margin covers float32 rounding
        np.greater(x[:, :looked_at], threshold, out=loud[:, :looked_at])
        loud[:, :looked_at] |= x[:, :looked_at] < -threshold
        eights = loud.view(np.uint64).reshape(len(x), count + 1, _STRIDE // 8)
        strides = (eights[..., 0] | eights[..., 1]) != 0
        chosen = candidates[strides[:, :-1] | strides[:, 1:]]
        for start in range(0, len(chosen), _BATCH):
            best = max(best, _extreme(rows_times(chosen[start : start + _BATCH], self.matrix)))
        return best


@lru_cache(maxsize=8)
def _interpolation(sample_rate: int) -> _Interpolation:
    return _Interpolation(sample_rate)


def peak_within(audio: AnyFloats, sample_rate: int) -> float:
    """The true peak (linear) of an excerpt (frames, channels), without what its edges would add.

    Unlike a whole file, an excerpt is not followed by silence: only interpolated values whose twelve
    samples all lie in it count, beside the samples themselves. 0 for nothing.
    """
    interpolation, best = _interpolation(sample_rate), 0.0
    for start in range(0, len(audio), CHUNK_FRAMES):
        chunk = audio[max(0, start - REACH_FRAMES) : start + CHUNK_FRAMES]
        planar = np.ascontiguousarray(chunk.T, dtype=np.float32)
        best = interpolation.peak(planar, max(best, _extreme(planar)))
    return best


class TruePeak:
    """A streaming true-peak meter: `add` blocks in order, then read `true_peak`.

    It is linear, of the loudest channel, 1.0 at full scale. Memory does not grow with the length.
    """

    def __init__(self, sample_rate: int, channels: int) -> None:
        self._interpolation = _interpolation(sample_rate)
        self._memory = np.zeros((channels, _HISTORY + CHUNK_FRAMES), dtype=np.float32)
        self._best = 0.0

    def add(self, block: AnyFloats) -> None:
        """Take the next `block` (frames, channels), finite floats."""
        for start in range(0, len(block), CHUNK_FRAMES):
            self._take(block[start : start + CHUNK_FRAMES].T)

    @property
    def true_peak(self) -> float:
        """The true peak so far, as if silence followed; the sample peak is its floor."""
        end = np.pad(self._memory[:, :_HISTORY], ((0, 0), (0, REACH_FRAMES)))
        return self._interpolation.peak(end, self._best)

    def _take(self, planar: AnyFloats) -> None:
        """The memory begins with what came before: the last samples that a window can reach."""
        frames = planar.shape[1]
        joined = self._memory[:, : _HISTORY + frames]
        joined[:, _HISTORY:] = planar
        self._best = self._interpolation.peak(joined, max(self._best, _extreme(joined[:, _HISTORY:])))
        self._memory[:, :_HISTORY] = joined[:, -_HISTORY:].copy()
