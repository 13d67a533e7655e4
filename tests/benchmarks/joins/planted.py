"""Edits of known size planted into performed lines: clicks, level steps, cuts through held notes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from render.arrays import Audio

GAPS_MS = (0.5, 1.0, 2.0, 4.0)
STEPS_DB = (1.0, 2.0, 4.0, 6.0)
FADE_S = 0.01


def between_beats(step_db: float) -> str:
    """The kind of a level step where what sounds goes on; at bar lines it is mostly struck anew."""
    return f"level step of {step_db:g} dB between beats"


def planted(excerpt: Audio, elsewhere: Audio, number: int, rate: int) -> Iterator[tuple[str, Audio]]:
    """(kind, excerpt with that edit at its middle); `number` chooses size and sign.

    `elsewhere` is an excerpt of the same piece, of the same length, taken between beats.
    """
    mid = len(excerpt) // 2
    gap = round(GAPS_MS[number % len(GAPS_MS)] * rate / 1000)
    clicked = np.concatenate(
        [excerpt[:mid], excerpt[mid + gap :], np.zeros((gap, excerpt.shape[1]), np.float32)]
    )
    yield "click", clicked
    sign = 1 if number // len(STEPS_DB) % 2 else -1
    gain = 10 ** (sign * STEPS_DB[number % len(STEPS_DB)] / 20)
    ramp = np.ones((len(excerpt), 1), np.float32)
    half = round(FADE_S * rate / 2)
    ramp[mid - half : mid + half, 0] = np.linspace(1, gain, 2 * half)
    ramp[mid + half :] = gain
    yield "level step", excerpt * ramp
    yield between_beats(STEPS_DB[number % len(STEPS_DB)]), elsewhere * ramp
    up = np.zeros((len(excerpt), 1), np.float32)
    up[mid - half : mid + half, 0] = np.linspace(0, 1, 2 * half)
    up[mid + half :] = 1
    yield "cut through notes", excerpt * np.sqrt(1 - up) + elsewhere * np.sqrt(up)
