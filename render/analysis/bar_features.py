"""How each bar (or beat) of a song sounds: its harmony, its timbre, its level."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy import fft

from render.analysis.onsets import band_energies
from render.arrays import Audio, Floats

WINDOW_S = 0.17  # long enough to tell semitones apart from about 130 Hz up
HOP_S = 0.04
_LOWEST_NOTE, _HIGHEST_NOTE = 45, 96  # MIDI: A2 (110 Hz) to C7
_TIMBRE_BANDS = 20
_FLOOR_DB = -70.0  # relative to the loudest frame


@dataclass(frozen=True)
class SegmentSound:
    """One row per segment: `chroma` (n, 12), each of length 1 (0 for silence); `bands_db` (n, 20), energy in
    logarithmic bands; `level_db` (n,) RMS level."""

    chroma: Floats
    bands_db: Floats
    level_db: Floats


def describe(audio: Audio, sample_rate: int, edges_s: Floats) -> SegmentSound:
    """The sound of the segments between consecutive `edges_s` (n + 1 times, seconds, rising)."""
    hop = round(HOP_S * sample_rate)
    chroma = _chroma(audio, sample_rate, round(WINDOW_S * sample_rate), hop)
    bands = band_energies(audio, sample_rate, 2 * hop, hop, _TIMBRE_BANDS)
    steps = np.clip(np.round(edges_s * sample_rate / hop).astype(int), 0, len(bands))
    loudest = max(float(bands.sum(axis=1).max(initial=0.0)), 1e-12)
    floor = loudest * 10 ** (_FLOOR_DB / 10)
    rows = []
    for start, stop in itertools.pairwise(steps):
        stop = max(stop, start + 1)
        rows.append((_mean(chroma[start:stop]), _mean(bands[start:stop])))
    harmony = np.array([row[0] for row in rows])
    energy = np.array([row[1] for row in rows])
    length = np.linalg.norm(harmony, axis=1, keepdims=True)
    return SegmentSound(
        chroma=np.where(length > 1e-9, harmony / np.maximum(length, 1e-9), 0.0),
        bands_db=10 * np.log10(energy + floor / _TIMBRE_BANDS),
        level_db=10 * np.log10(energy.sum(axis=1) + floor),
    )


def _mean(rows: Floats) -> Floats:
    mean: Floats = rows.mean(axis=0) if len(rows) else np.zeros(rows.shape[1])
    return mean


def _chroma(audio: Audio, sample_rate: int, window: int, hop: int) -> Floats:
    """The tones of the twelve pitch classes, compressed: `(steps, 12)`."""
    mono = audio @ np.full(audio.shape[1], 1 / audio.shape[1], np.float32)
    size = fft.next_fast_len(window, real=True)
    frames = np.lib.stride_tricks.sliding_window_view(np.pad(mono, (window // 2, window)), window)[::hop]
    frames = frames[: -(-len(audio) // hop)]
    notes = _note_weights(sample_rate, size)
    shape = np.hanning(window).astype(np.float32)
    out = np.zeros((len(frames), 12))
    for start in range(0, len(frames), 1024):
        spectra = fft.rfft(frames[start : start + 1024] * shape, size, axis=1)
        by_note = np.sqrt((spectra.real**2 + spectra.imag**2) @ notes)
        # what stands out from its neighbouring notes is a tone; drums fill all of them alike
        around = (np.roll(by_note, 1, axis=1) + np.roll(by_note, -1, axis=1)) / 2
        tones = np.sqrt(np.maximum(by_note - around, 0.0))
        for note in range(tones.shape[1]):
            out[start : start + 1024, (note + _LOWEST_NOTE) % 12] += tones[:, note]
    return out


def _note_weights(sample_rate: int, size: int) -> Audio:
    """Each spectral bin's weight in each semitone, `(bins, notes)`."""
    frequencies = np.arange(size // 2 + 1) * sample_rate / size
    pitches = 69 + 12 * np.log2(np.maximum(frequencies, 1.0) / 440)
    notes = np.arange(_LOWEST_NOTE, _HIGHEST_NOTE + 1)
    weights: Audio = np.maximum(1 - np.abs(pitches[:, None] - notes), 0.0).astype(np.float32)
    return weights
