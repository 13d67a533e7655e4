"""Loudness after ITU-R BS.1770-5 (11/2023), with the EBU's loudness range.

    L = -0.691 + 10 log10( sum over channels of G z )          (Annex 1, eq. 2)

z is the mean square of a channel's K-weighted signal over a block, G its weight: 1.0 for mono, left, right
and centre, 1.41 for the surrounds. `power` below means that weighted sum; lufs(power) is L.

Everything is built from one series: the energy of the K-weighted signal between the edges of all windows
(a 10 ms grid). A file can be measured block by block without ever being whole in memory: the meter keeps
800 bytes per second of audio.
"""

import copy
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from render.arrays import AnyFloats
from render.errors import AudioError
from render.loudness.buffers import CHUNK_FRAMES, Float32
from render.loudness.k_response import Float64
from render.loudness.kweighting import KWeighting
from render.loudness.true_peak import TruePeak

Int64 = npt.NDArray[np.int64]

_OFFSET_DB = -0.691
_ABSOLUTE_GATE_LUFS = -70.0
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


def lufs(power: npt.ArrayLike) -> Float64:
    """Loudness of weighted mean squares (eq. 2), any shape; -inf for 0."""
    with np.errstate(divide="ignore"):
        return _OFFSET_DB + 10.0 * np.log10(np.asarray(power, dtype=np.float64))


def _power(level_lufs: float) -> float:
    return float(10.0 ** ((level_lufs - _OFFSET_DB) / 10.0))


def _peak_db(peak: float) -> float:
    with np.errstate(divide="ignore"):
        return float(20.0 * np.log10(peak))


def _block_length(sample_rate: int) -> int:
    return (4 * sample_rate + 5) // 10


def _window_starts(frames: int, sample_rate: int, per_second: int, length: int) -> Int64:
    """Starts at round(i / per_second * sample_rate), from the start (no drift), of windows that fit."""
    starts = (np.arange(frames * per_second // sample_rate + 2) * sample_rate + per_second // 2) // per_second
    return starts[starts + length <= frames]


def integrated_lufs(block_powers: npt.ArrayLike) -> float:
    """Gated loudness (eq. 5 to 7) of the blocks' powers (weighted mean squares, eq. 3).

    A block counts when it is above -70 LKFS and above the loudness of those blocks minus 10 LU; -inf when
    none does.
    """
    powers = np.asarray(block_powers, dtype=np.float64)
    above = powers[powers > _power(_ABSOLUTE_GATE_LUFS)]
    if not above.size:
        return float("-inf")
    return float(lufs(above[above > above.mean() / 10.0].mean()))


def loudness_range_lu(short_term_powers: npt.ArrayLike) -> float | None:
    """Loudness range (EBU Tech 3342) of a 10 Hz series of 3 s powers; None when none passes the gate.

    Spread between the 10th and the 95th percentile (nearest rank) of the values that are not below
    -70 LUFS nor more than 20 LU below the loudness of those.
    """
    powers = np.asarray(short_term_powers, dtype=np.float64)
    above = powers[powers >= _power(_ABSOLUTE_GATE_LUFS)]
    if not above.size:
        return None
    kept = np.sort(above[above >= above.mean() / 100.0])
    low, high = (int((kept.size - 1) * percent / 100 + 0.5) for percent in (10, 95))
    return float(lufs(kept[high]) - lufs(kept[low]))


def _window_edges(after: int, until: int, sample_rate: int) -> Int64:
    """Every frame in (after, until] where a window starts or ends: the 10 ms grid, and the blocks' ends."""
    first, last = max(0, after * 100 // sample_rate - 42), until * 100 // sample_rate + 2
    edges = (np.arange(first, last) * sample_rate + 50) // 100
    if sample_rate % 5:  # 400 ms is no whole number of frames: blocks end beside the grid
        edges = np.union1d(edges, edges + _block_length(sample_rate))
    return edges[(edges > after) & (edges <= until)]


def _window_powers(energies: Float64, edges: Int64, starts: Int64, length: int) -> Float64:
    """Powers of the windows [start, start + length) from the energies between neighbouring `edges`."""
    if not starts.size:
        return np.empty(0)
    bounds = np.searchsorted(edges, np.stack((starts, starts + length), axis=1))
    sums: Float64 = np.add.reduceat(np.append(energies, 0.0), bounds.ravel())[::2]
    return sums / length


def _channel_gains(channels: int, gains: Sequence[float] | None) -> Float64:
    if gains is None and channels in (1, 2):
        return np.ones(channels)
    if gains is None or len(gains) != channels:
        given = "none" if gains is None else str(len(gains))
        raise AudioError(
            f"Audio of {channels} channels was to be measured with {given} channel weights; mono and stereo"
            " need none, anything else one per channel (ITU-R BS.1770-5, Table 3). Bounce to stereo."
        )
    return np.array(gains, dtype=np.float64)


class FrameEnergies:
    """K-weighted energy of each frame, channels weighted and summed, of a signal that arrives in pieces."""

    def __init__(self, sample_rate: int, channels: int, channel_gains: Sequence[float] | None = None) -> None:
        self._weighting = KWeighting(sample_rate, channels)
        self._gains = _channel_gains(channels, channel_gains).astype(np.float32)[:, None]
        self._memory = np.empty((channels, CHUNK_FRAMES), dtype=np.float32)

    def of(self, audio: AnyFloats) -> Float32:
        """(frames,) of the next `audio` (frames, channels), CHUNK_FRAMES at most, until the next call."""
        weighted = self._memory[:, : len(audio)]
        self._weighting.run(audio.T, weighted)
        np.square(weighted, out=weighted)
        if not (self._gains == 1).all():
            weighted *= self._gains
        for channel in weighted[1:]:
            weighted[0] += channel
        energies: Float32 = weighted[0]
        return energies

    def ringing(self, frames: int) -> Float32:
        """(frames,) of the silence that would follow; what comes after is as if it had not been asked."""
        state = self._weighting.state
        silence = np.zeros((frames, len(self._gains)), dtype=np.float32)
        pieces = [
            self.of(silence[start : start + CHUNK_FRAMES]).copy() for start in range(0, frames, CHUNK_FRAMES)
        ]
        self._weighting.state = state
        return np.concatenate(pieces)


class EnergySeries:
    """Energies between window edges, of a K-weighted signal that arrives in pieces."""

    def __init__(self, sample_rate: int) -> None:
        self.frames = 0
        self._sample_rate = sample_rate
        self._finished: list[Float64] = []
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

    def followed_by(self, energies: Float32) -> "EnergySeries":
        """A copy that has taken `energies` more."""
        longer = copy.copy(self)
        longer._finished = list(self._finished)
        longer.add(energies)
        return longer

    def powers(self, per_second: int, length: int) -> Float64:
        """Powers of all complete windows of `length` frames that start `per_second` times a second."""
        edges = np.append(0, _window_edges(0, self.frames, self._sample_rate))
        starts = _window_starts(self.frames, self._sample_rate, per_second, length)
        return _window_powers(np.concatenate(self._finished or [np.empty(0)]), edges, starts, length)

    def integrated_lufs(self) -> float:
        """Gated loudness of what has been added; -inf below 0.4 s or when nothing passes the gate."""
        return integrated_lufs(self.powers(10, _block_length(self._sample_rate)))


class LoudnessMeter:
    """A streaming meter: `add` the blocks of a file in order, then read `result()`.

    Blocks are float (frames, channels), full scale 1.0, of any length; long ones (32768 frames or more) are
    fastest. How the audio is cut into blocks does not matter (to float32 accuracy: 1e-5 LU). `result` may
    be read at any time, and adding may go on after it. `channel_gains` are the weights of BS.1770's Table 3,
    needed only beyond stereo.
    """

    def __init__(self, sample_rate: int, channels: int, channel_gains: Sequence[float] | None = None) -> None:
        self.sample_rate = sample_rate
        self.channels = channels
        self._peak = TruePeak(sample_rate, channels)
        self._frame_energies = FrameEnergies(sample_rate, channels, channel_gains)
        self._energy = EnergySeries(sample_rate)

    def add(self, block: AnyFloats) -> None:
        """Measure the next `block`; raises AudioError on NaN, infinity, integers or another shape."""
        if block.ndim != 2 or block.shape[1] != self.channels or block.dtype.kind != "f":
            raise AudioError(
                f"A block to measure must be floating point, shape (frames, {self.channels}); this one is"
                f" {block.dtype}, shape {block.shape}. Read the file as float32 with always_2d=True."
            )
        for start in range(0, len(block), CHUNK_FRAMES):
            chunk = block[start : start + CHUNK_FRAMES]
            self._peak.add(chunk)
            self._energy.add(self._frame_energies.of(chunk))

    def result(self) -> Loudness:
        """The reading of everything added so far."""
        short_frames = _SHORT_TERM_S * self.sample_rate
        lra_lu = None
        if self._energy.frames >= short_frames:
            silence = self._frame_energies.ringing(round(_TRAILING_SILENCE_S * self.sample_rate))
            longer = self._energy.followed_by(silence)
            lra_lu = loudness_range_lu(longer.powers(10, short_frames))
        return Loudness(
            integrated_lufs=self._energy.integrated_lufs(),
            lra_lu=lra_lu,
            true_peak_dbtp=_peak_db(self._peak.true_peak),
        )
