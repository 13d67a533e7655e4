"""Loudness after ITU-R BS.1770-5 (11/2023), with the EBU's loudness range.

    L = -0.691 + 10 log10( sum over channels of z )          (Annex 1, eq. 2)

z is the mean square of a channel's K-weighted signal over a block; mono, left and right have the weight 1.
`power` below means that sum; lufs(power) is L. What is measured was read by render.audio.stems, which refuses
rates below 8 kHz, more than two channels, and samples that are no numbers.

Everything is built from one series: the energy of the K-weighted signal between the edges of all windows
(a 10 ms grid). A file can be measured block by block without ever being whole in memory: the meter keeps
800 bytes per second of audio.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from render.arrays import AnyFloats, Floats, Ints
from render.loudness.buffers import CHUNK_FRAMES, Float32
from render.loudness.kweighting import KWeighting
from render.loudness.true_peak import TruePeak

_OFFSET_DB = -0.691
_GATE_POWER = 10.0 ** ((-70.0 - _OFFSET_DB) / 10.0)  # the absolute gate, -70 LUFS
_SHORT_TERM_S = 3
_TRAILING_SILENCE_S = 1.5  # EBU Tech 3342, for file meters


@dataclass(frozen=True)
class Loudness:
    """What a meter read.

    integrated_lufs        gated loudness of the whole; -inf below 0.4 s or when nothing passes the gate
    lra_lu                 loudness range (EBU Tech 3342); None below 3 s or when nothing passes its gate.
                           1.5 s of silence is appended, as Tech 3342 asks of file meters: an excerpt of a
                           few seconds reads some LU for its end alone
    true_peak_dbtp         -inf for digital silence
    """

    integrated_lufs: float
    lra_lu: float | None
    true_peak_dbtp: float


def lufs(power: npt.ArrayLike) -> Floats:
    """Loudness of weighted mean squares (eq. 2), any shape; -inf for 0."""
    with np.errstate(divide="ignore"):
        return _OFFSET_DB + 10.0 * np.log10(np.asarray(power, dtype=np.float64))


def _peak_db(peak: float) -> float:
    with np.errstate(divide="ignore"):
        return float(20.0 * np.log10(peak))


def _block_length(sample_rate: int) -> int:
    return (4 * sample_rate + 5) // 10


def _window_starts(frames: int, sample_rate: int, per_second: int, length: int) -> Ints:
    """Starts at round(i / per_second * sample_rate), from the start (no drift), of windows that fit."""
    starts = (np.arange(frames * per_second // sample_rate + 2) * sample_rate + per_second // 2) // per_second
    return starts[starts + length <= frames]


def integrated_lufs(block_powers: npt.ArrayLike) -> float:
    """Gated loudness (eq. 5 to 7) of the blocks' powers (weighted mean squares, eq. 3).

    A block counts when it is above -70 LKFS and above the loudness of those blocks minus 10 LU; -inf when
    none does.
    """
    powers = np.asarray(block_powers, dtype=np.float64)
    above = powers[powers > _GATE_POWER]
    if not above.size:
        return float("-inf")
    return float(lufs(above[above > above.mean() / 10.0].mean()))


def loudness_range_lu(short_term_powers: npt.ArrayLike) -> float | None:
    """Loudness range (EBU Tech 3342) of a 10 Hz series of 3 s powers; None when none passes the gate.

    Spread between the 10th and the 95th percentile (nearest rank) of the values that are not below
    -70 LUFS nor more than 20 LU below the loudness of those.
    """
    powers = np.asarray(short_term_powers, dtype=np.float64)
    above = powers[powers >= _GATE_POWER]
    if not above.size:
        return None
    kept = np.sort(above[above >= above.mean() / 100.0])
    low, high = (int((kept.size - 1) * percent / 100 + 0.5) for percent in (10, 95))
    return float(lufs(kept[high]) - lufs(kept[low]))


def _window_edges(after: int, until: int, sample_rate: int) -> Ints:
    """Every frame in (after, until] where a window starts or ends: the 10 ms grid, and the blocks' ends."""
    first, last = max(0, after * 100 // sample_rate - 42), until * 100 // sample_rate + 2
    edges = (np.arange(first, last) * sample_rate + 50) // 100
    if sample_rate % 5:  # 400 ms is no whole number of frames: blocks end beside the grid
        edges = np.union1d(edges, edges + _block_length(sample_rate))
    return edges[(edges > after) & (edges <= until)]


def _window_powers(energies: Floats, edges: Ints, starts: Ints, length: int) -> Floats:
    """Powers of the windows [start, start + length) from the energies between neighbouring `edges`."""
    if not starts.size:
        return np.empty(0)
    bounds = np.searchsorted(edges, np.stack((starts, starts + length), axis=1))
    sums: Floats = np.add.reduceat(np.append(energies, 0.0), bounds.ravel())[::2]
    return sums / length


class FrameEnergies:
    """K-weighted energy of each frame, channels summed, of a signal that arrives in pieces."""

    def __init__(self, sample_rate: int, channels: int) -> None:
        self._weighting = KWeighting(sample_rate, channels)
        self._memory = np.empty((channels, CHUNK_FRAMES), dtype=np.float32)

    def of(self, audio: AnyFloats) -> Float32:
        """(frames,) of the next `audio` (frames, channels), CHUNK_FRAMES at most, until the next call."""
        weighted = self._memory[:, : len(audio)]
        self._weighting.run(audio.T, weighted)
        np.square(weighted, out=weighted)
        for channel in weighted[1:]:
            weighted[0] += channel
        energies: Float32 = weighted[0]
        return energies


class EnergySeries:
    """Energies between window edges, of a K-weighted signal that arrives in pieces."""

    def __init__(self, sample_rate: int) -> None:
        self.frames = 0
        self._sample_rate = sample_rate
        self._finished: list[Floats] = []
        self._unfinished = 0.0

    def add(self, energies: Float32) -> None:
        """Take the next frames' energies (frames,), in pieces of any length."""
        frames = len(energies)
        if not frames:
            return
        edges = _window_edges(self.frames, self.frames + frames, self._sample_rate) - self.frames
        sums = np.add.reduceat(energies, np.append(0, edges[edges < frames])).astype(np.float64)
        sums[0] += self._unfinished
        self._finished.append(sums[: len(edges)])
        self._unfinished = float(sums[-1]) if len(edges) < len(sums) else 0.0
        self.frames += frames

    def powers(self, per_second: int, length: int) -> Floats:
        """Powers of all complete windows of `length` frames that start `per_second` times a second."""
        edges = np.append(0, _window_edges(0, self.frames, self._sample_rate))
        starts = _window_starts(self.frames, self._sample_rate, per_second, length)
        return _window_powers(np.concatenate(self._finished or [np.empty(0)]), edges, starts, length)

    def integrated_lufs(self) -> float:
        """Gated loudness of what has been added; -inf below 0.4 s or when nothing passes the gate."""
        return integrated_lufs(self.powers(10, _block_length(self._sample_rate)))


class LoudnessMeter:
    """A streaming meter: `add` the blocks of a file in order, then ask once for the `result()`.

    Blocks are finite floats (frames, channels), full scale 1.0, of any length; long ones (32768 frames or
    more) are fastest. How the audio is cut into blocks does not matter (to float32 accuracy: 1e-5 LU).
    """

    def __init__(self, sample_rate: int, channels: int) -> None:
        self.sample_rate = sample_rate
        self.channels = channels
        self._peak = TruePeak(sample_rate, channels)
        self._frame_energies = FrameEnergies(sample_rate, channels)
        self._energy = EnergySeries(sample_rate)

    def add(self, block: AnyFloats) -> None:
        """Measure the next `block`."""
        self._peak.add(block)
        self._weigh(block)

    def _weigh(self, block: AnyFloats) -> None:
        for start in range(0, len(block), CHUNK_FRAMES):
            self._energy.add(self._frame_energies.of(block[start : start + CHUNK_FRAMES]))

    def result(self) -> Loudness:
        """The reading of everything added; silence follows then, so nothing can be added any more."""
        integrated, short_frames = self._energy.integrated_lufs(), _SHORT_TERM_S * self.sample_rate
        lra_lu = None
        if self._energy.frames >= short_frames:
            self._weigh(np.zeros((round(_TRAILING_SILENCE_S * self.sample_rate), self.channels), np.float32))
            lra_lu = loudness_range_lu(self._energy.powers(10, short_frames))
        return Loudness(integrated, lra_lu, _peak_db(self._peak.true_peak))
