"""Where sounds begin: an onset curve for the whole song, and exact attack times near a beat.

The curve is spectral flux: the rise of log-compressed energy in bands of a third of an octave or so,
summed (the usual onset detection function; common practice, no single source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from render.analysis.frames import HOP_S, band_edges, song_frames
from render.arrays import Audio, Floats

# Log compression rises before the attack is in the window's middle; measured on clicks and plucked notes.
LATENCY_S = 0.003
LOW_HZ, HIGH_HZ = 180.0, 2500.0  # what parts kick and bass from chords, and chords from cymbals
_DYNAMIC_RANGE = 1e-5  # of the loudest band: below this (-50 dB) nothing counts as a beginning


@dataclass(frozen=True, eq=False)  # one song's curve is itself: what is computed of it is remembered by that
class Onsets:
    """Onset strength over time: `strength` (steps,), and in three registers, `registers` (steps, 3).

    Step i lies at `i / rate` seconds of the audio. Strengths are normalised so that their mean is 1 (all
    zero for silence).
    """

    rate: float
    strength: Floats
    registers: Floats

    @property
    def seconds(self) -> float:
        return len(self.strength) / self.rate

    def at(self, times_s: Floats) -> Floats:
        """Strength at times (linear between steps, 0 outside)."""
        steps = np.arange(len(self.strength))
        strength: Floats = np.interp(times_s * self.rate, steps, self.strength, left=0.0, right=0.0)
        return strength

    def smooth(self, sigma_s: float) -> Onsets:
        """The same, blurred: for folding many bars whose timing is not to the millisecond."""
        reach = int(4 * sigma_s * self.rate + 0.5)
        bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / (sigma_s * self.rate)) ** 2)
        return Onsets(self.rate, _convolved(self.strength, bell / bell.sum()), self.registers)


def onsets(audio: Audio, sample_rate: int) -> Onsets:
    """Onset strength every 5 ms of `audio`, (frames, channels)."""
    frames = song_frames(audio, sample_rate)
    energies = frames.bands.astype(np.float64)
    compressed = np.log1p(energies / (_DYNAMIC_RANGE * max(float(energies.max(initial=0.0)), 1e-12)))
    rises = np.maximum(np.diff(compressed, axis=0, prepend=compressed[:1]), 0.0)
    rises += np.vstack([rises[:1], rises[:-1]])  # a rise may be spread over two steps
    late = round(LATENCY_S / frames.hop_s)
    rises = np.vstack([np.zeros((late, rises.shape[1])), rises])[: len(rises)]
    centres = band_edges()[1:-1]
    registers = np.stack(
        [
            rises[:, centres < LOW_HZ].sum(axis=1),
            rises[:, (centres >= LOW_HZ) & (centres < HIGH_HZ)].sum(axis=1),
            rises[:, centres >= HIGH_HZ].sum(axis=1),
        ],
        axis=1,
    )
    strength = rises.sum(axis=1)
    around = round(0.5 / HOP_S)
    strength = np.maximum(strength - _convolved(strength, np.full(around, 1 / around)), 0.0)
    mean = float(strength.mean()) if len(strength) else 0.0
    return Onsets(1 / frames.hop_s, strength / mean if mean > 0 else strength, registers)


def _convolved(curve: Floats, weights: Floats) -> Floats:
    """A curve's weighted means around each step; at its ends it is mirrored."""
    before = len(weights) // 2
    if not len(curve):
        return curve
    padded = np.pad(curve, (before, len(weights) - 1 - before), mode="symmetric")
    return np.convolve(padded, weights, mode="valid")


def attack_times(audio: Audio, sample_rate: int, near_s: Floats) -> Floats:
    """Exact times of the attacks within 40 ms of `near_s`, seconds; only where there is a clear one.

    An attack is placed where the energy of the sample steps, in slots of 1 ms, first passes a fifth of
    its peak.
    """
    slot, reach = max(round(sample_rate / 1000), 1), 40
    times_s = []
    for at_s in near_s:
        start = round(at_s * sample_rate) - (reach + 10) * slot
        excerpt = audio[max(start, 0) : max(start, 0) + (2 * reach + 20) * slot]
        if start < 0 or len(excerpt) < (2 * reach + 20) * slot:
            continue
        steps = np.diff(excerpt, axis=0, prepend=excerpt[:1]) ** 2
        energy = steps.sum(axis=1).reshape(-1, slot).sum(axis=1)
        top = int(np.argmax(energy[10:-10])) + 10
        before = float(np.mean(energy[max(top - 15, 0) : max(top - 5, 1)]))
        if energy[top] > 10 * before + 1e-12:
            first = max(top - 12, 0)
            place = first + int(np.argmax(energy[first : top + 1] > 0.2 * energy[top]))
            times_s.append((start + place * slot) / sample_rate)
    return np.array(times_s)
