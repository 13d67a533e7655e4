"""Sound by frames of 5 and 40 ms: energy in bands and tones of the twelve pitch classes.

Both are computed once a song, whatever its grid: what bars and beats sound like is a mean over them.
"""

from __future__ import annotations

import zlib
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from render.arrays import Audio, Floats
from render.steps import Step, no_step, part_of

HOP_S = 0.005
WINDOW_S = 0.03
CHROMA_EVERY = 8  # frames of HOP_S
BANDS = 30
_CHROMA_WINDOW_S = 0.17  # long enough to tell semitones apart from about 130 Hz up
_LOWEST_NOTE, _HIGHEST_NOTE = 45, 96  # MIDI: A2 (110 Hz) to C7
_HIGHEST_HZ = 2600.0  # what the highest note needs
_LOWEST_HZ, _TOP_HZ = 40.0, 10000.0
_LISTENING = "listening for what begins when"
_BLOCK = 256  # windows, or rows of a product, at a time: what stays in a core's cache
_KEPT = 4


@dataclass(frozen=True)
class SongFrames:
    """`bands` (steps, 30): energy in logarithmic bands every `hop_s`; `chroma` (steps / 8, 12)."""

    hop_s: float
    bands: Audio
    chroma: Audio

    @property
    def chroma_hop_s(self) -> float:
        return self.hop_s * CHROMA_EVERY


_recent: OrderedDict[tuple[int, ...], SongFrames] = OrderedDict()


def song_frames(audio: Audio, sample_rate: int, step: Step = no_step) -> SongFrames:
    """The frames of `audio`, (frames, channels).

    Those of the last few songs are kept in memory, as tempo, bar lines and sections all ask for them. `step`
    is told how far it is, in parts of 100.
    """
    key = _mark(audio, sample_rate)
    frames = _recent.get(key)
    if frames is None:
        hop = round(HOP_S * sample_rate)
        frames = SongFrames(
            hop / sample_rate,
            band_energies(audio, sample_rate, round(WINDOW_S * sample_rate), hop, part_of(step, 0, 85)),
            _chroma(audio, sample_rate, CHROMA_EVERY * hop, part_of(step, 85, 100)),
        )
    keep(audio, sample_rate, frames)
    return frames


def keep(audio: Audio, sample_rate: int, frames: SongFrames) -> None:
    """Have `song_frames` give these for this audio (they were computed earlier)."""
    key = _mark(audio, sample_rate)
    _recent[key] = frames
    _recent.move_to_end(key)
    while len(_recent) > _KEPT:
        _recent.popitem(last=False)


def _mark(audio: Audio, sample_rate: int) -> tuple[int, ...]:
    """Tells audio in memory apart, also changed in place: its address, shape and a spread of samples."""
    spread = np.ascontiguousarray(audio[:: max(len(audio) // 4096, 1)])
    return audio.ctypes.data, *audio.shape, sample_rate, zlib.crc32(spread.tobytes())


def band_edges() -> Floats:
    """Edges of triangular bands on a logarithmic scale, hertz, `(BANDS + 2,)`."""
    return np.geomspace(_LOWEST_HZ, _TOP_HZ, BANDS + 2)


def band_energies(audio: Audio, sample_rate: int, window: int, hop: int, step: Step = no_step) -> Audio:
    """Energy in logarithmic bands, `(steps, BANDS)`, of all channels' mean; step i is centred on frame
    i x hop."""
    size = _fast_length(window)
    triangles = _triangles(sample_rate, size)
    triangles = triangles[: int(np.flatnonzero(triangles.any(axis=1))[-1]) + 1]
    spectra = _Spectra(window, size, len(triangles))
    out = np.empty((-(-len(audio) // hop), BANDS), np.float32)
    for first, views in _windows(audio, window, hop, window // 2):
        step(_LISTENING, first, len(out))
        np.matmul(spectra.power(views), triangles, out=out[first : first + len(views)])
    return out


class _Spectra:
    """Power spectra of blocks of windows, in memory that is used again: fresh pages cost more than the
    transforms."""

    def __init__(self, window: int, size: int, bins: int) -> None:
        # numpy transforms float32 in half the time if it also scales, by 1 / size
        self._shape, self._bins = (np.hanning(window) * size).astype(np.float32), bins
        self._windows = np.zeros((_BLOCK, size), np.float32)
        self._transforms: NDArray[Any] = np.empty((_BLOCK, size // 2 + 1), np.complex64)
        self._power, self._imaginary = np.empty((2, _BLOCK, bins), np.float32)

    def power(self, windows: Audio) -> Audio:
        """Of (n, window): the lowest bins, `(n, bins)`, until the next call."""
        n = len(windows)
        np.multiply(windows, self._shape, out=self._windows[:n, : windows.shape[1]])
        np.fft.rfft(self._windows[:n], axis=1, norm="forward", out=self._transforms[:n])
        transforms = self._transforms[:n, : self._bins]
        power: Audio = np.multiply(transforms.real, transforms.real, out=self._power[:n])
        power += np.multiply(transforms.imag, transforms.imag, out=self._imaginary[:n])
        return power


def _fast_length(frames: int) -> int:
    """The next length whose only prime factors are 2, 3 and 5, for the Fourier transform."""
    powers: Iterator[int] = (2**i * 3**j * 5**k for i in range(24) for j in range(9) for k in range(7))
    return min(length for length in powers if length >= frames)


def _windows(audio: Audio, window: int, hop: int, before: int) -> Iterator[tuple[int, Audio]]:
    """Windows of the channels' mean that begin `before` frames ahead of every hop, in blocks: (number of the
    first, (n, window))."""
    steps = -(-len(audio) // hop)
    for first in range(0, steps, _BLOCK):
        last = min(first + _BLOCK, steps) - 1
        mono = _mono(audio, first * hop - before, last * hop - before + window)
        yield first, np.lib.stride_tricks.sliding_window_view(mono, window)[::hop]


def _mono(audio: Audio, start: int, stop: int) -> Audio:
    """The mean of all channels from `start` to `stop`, `(frames,)`; zeros outside the audio."""
    out = np.zeros(stop - start, np.float32)
    inside = audio[max(start, 0) : max(stop, 0)]
    first = max(-start, 0)
    np.matmul(
        inside, np.full(audio.shape[1], 1 / audio.shape[1], np.float32), out=out[first : first + len(inside)]
    )
    return out


def _triangles(sample_rate: int, size: int) -> NDArray[np.float32]:
    """Weights of each spectral bin in each band, `(bins, bands)`; narrow low bands get their nearest bin."""
    frequencies = np.arange(size // 2 + 1) * sample_rate / size
    edges = band_edges()
    width = sample_rate / size
    low = np.minimum(edges[:-2], edges[1:-1] - width)
    high = np.maximum(edges[2:], edges[1:-1] + width)
    rising = (frequencies[:, None] - low) / (edges[1:-1] - low)
    falling = (high - frequencies[:, None]) / (high - edges[1:-1])
    return np.maximum(np.minimum(rising, falling), 0.0).astype(np.float32)


def _chroma(audio: Audio, sample_rate: int, hop: int, step: Step) -> Audio:
    """The tones of the twelve pitch classes, compressed: `(steps, 12)`; computed at a lower rate."""
    factor = max(int(sample_rate / 2 / (1.3 * _HIGHEST_HZ)), 1)
    while hop % factor:
        factor -= 1
    low, rate = _decimated(audio, factor), sample_rate / factor
    window = round(_CHROMA_WINDOW_S * rate)
    size = _fast_length(window)
    notes = _note_weights(rate, size)
    spectra = _Spectra(window, size, len(notes))
    out = np.zeros((-(-len(low) // (hop // factor)), 12), np.float32)
    for first, views in _windows(low, window, hop // factor, window // 2):
        step(_LISTENING, first, len(out))
        by_note = np.sqrt(spectra.power(views) @ notes)
        # what stands out from its neighbouring notes is a tone; drums fill all of them alike
        around = (np.roll(by_note, 1, axis=1) + np.roll(by_note, -1, axis=1)) / 2
        tones = np.sqrt(np.maximum(by_note - around, 0.0))
        for note in range(tones.shape[1]):
            out[first : first + len(views), (note + _LOWEST_NOTE) % 12] += tones[:, note]
    return out


def _decimated(audio: Audio, factor: int) -> Audio:
    """Every `factor`-th sample of the channels' mean, `(frames, 1)`, after a windowed-sinc low-pass
    (Blackman; textbook), 64 a product."""
    if factor == 1:
        return audio
    reach, outputs = 8 * factor, 64
    t = np.arange(-reach, reach + 1)
    taps = np.sinc(t * 0.85 / factor) * np.blackman(len(t))
    low_pass = np.zeros((2 * reach + outputs * factor, outputs), np.float32)
    for output in range(outputs):
        low_pass[output * factor : output * factor + len(taps), output] = taps / taps.sum()
    rows = [views @ low_pass for _, views in _windows(audio, len(low_pass), outputs * factor, reach)]
    return np.concatenate(rows).reshape(-1, 1)[: -(-len(audio) // factor)]


def _note_weights(sample_rate: float, size: int) -> Audio:
    """Each spectral bin's weight in each semitone, `(bins, notes)`."""
    frequencies = np.arange(size // 2 + 1) * sample_rate / size
    pitches = 69 + 12 * np.log2(np.maximum(frequencies, 1.0) / 440)
    notes = np.arange(_LOWEST_NOTE, _HIGHEST_NOTE + 1)
    weights: Audio = np.maximum(1 - np.abs(pitches[:, None] - notes), 0.0).astype(np.float32)
    return weights
