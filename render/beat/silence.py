"""Silence before a song's first sound, which every form would play first."""

from __future__ import annotations

LONG_SILENCE_S = 3.0  # our own rule of thumb: longer than any count-in's breath


def silence_lines(first_sound_s: float) -> list[str]:
    """What to tell a person about silence in front of the song; nothing where it is short."""
    if first_sound_s < LONG_SILENCE_S:
        return []
    return [
        f"the audio begins with {first_sound_s:.1f} s of silence, and every form plays it first: "
        "bounce the song without it (its start moves earlier by as much)"
    ]
