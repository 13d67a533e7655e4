"""Silence before a song's first sound, which every form would play first."""

from __future__ import annotations

import numpy as np

from render.analysis.frames import song_frames
from render.arrays import Audio

AUDIBLE_DB = -50.0  # against the loudest moment: a soft intro is 20 to 40 dB down, the hiss before it more
LONG_SILENCE_S = 3.0  # our own rule of thumb: longer than any count-in's breath


def silent_until_s(audio: Audio, sample_rate: int) -> float:
    """When `audio`, (frames, channels), is first heard, also softly and without an attack, seconds."""
    frames = song_frames(audio, sample_rate)
    energy = frames.bands.sum(axis=1)
    loudest = float(energy.max(initial=0.0))
    return float(np.argmax(energy > loudest * 10 ** (AUDIBLE_DB / 10))) * frames.hop_s if loudest > 0 else 0.0


def silence_lines(first_sound_s: float) -> list[str]:
    """What to tell a person about silence in front of the song; nothing where it is short."""
    if first_sound_s < LONG_SILENCE_S:
        return []
    return [
        f"the audio begins with {first_sound_s:.1f} s of silence, and every form plays it first: "
        "bounce the song without it (its start moves earlier by as much)"
    ]
