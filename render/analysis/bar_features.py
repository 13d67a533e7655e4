"""Features of each bar (or beat) of a song: harmony, timbre, level, rhythm."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from render.analysis.frames import BANDS, song_frames
from render.analysis.onsets import Onsets
from render.arrays import Audio, Floats

SLOTS = 16  # places in a bar at which its rhythm is looked at
_FLOOR_DB = -70.0  # relative to the loudest frame


@dataclass(frozen=True)
class SegmentSound:
    """One row per segment: `chroma` (n, 12), each of length 1 (0 for silence); `bands_db` (n, 30), energy in
    logarithmic bands; `level_db` (n,) RMS level."""

    chroma: Floats
    bands_db: Floats
    level_db: Floats


def describe(audio: Audio, sample_rate: int, edges_s: Floats) -> SegmentSound:
    """The sound of the segments between consecutive `edges_s` (n + 1 times, seconds, rising)."""
    frames = song_frames(audio, sample_rate)
    loudest = max(float(frames.bands.sum(axis=1).max(initial=0.0)), 1e-12)
    floor = loudest * 10 ** (_FLOOR_DB / 10)
    harmony = _means(frames.chroma, edges_s / frames.chroma_hop_s)
    energy = _means(frames.bands, edges_s / frames.hop_s)
    length = np.linalg.norm(harmony, axis=1, keepdims=True)
    return SegmentSound(
        chroma=np.where(length > 1e-9, harmony / np.maximum(length, 1e-9), 0.0),
        bands_db=10 * np.log10(energy + floor / BANDS),
        level_db=10 * np.log10(energy.sum(axis=1) + floor),
    )


def rhythm(curve: Onsets, edges_s: Floats) -> Floats:
    """Attacks by place in the bar: 16 places x 3 registers, `(bars, 48)`; 1 = a strong one of the song."""
    places = edges_s[:-1, None] + np.diff(edges_s)[:, None] * np.arange(SLOTS) / SLOTS
    steps = np.round(places * curve.rate).astype(int)
    near = np.clip(steps[..., None] + np.arange(-3, 4), 0, len(curve.registers) - 1)  # 15 ms either way
    hits = curve.registers[near].max(axis=2)
    strong = np.percentile(hits, 95, axis=(0, 1))
    attacks: Floats = np.minimum(hits / np.maximum(strong, 1e-9), 1.5).reshape(len(hits), -1)
    return attacks


def _means(rows: Audio, edges: Floats) -> Floats:
    """Means of the rows between consecutive edges, at least one row each."""
    steps = np.clip(np.round(edges).astype(int), 0, len(rows))
    means = [rows[a : max(b, a + 1)] for a, b in itertools.pairwise(steps)]
    return np.array([m.mean(axis=0, dtype=np.float64) if len(m) else np.zeros(rows.shape[1]) for m in means])
