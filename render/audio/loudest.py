"""The loudest excerpt of an audio file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile


def loudest(path: Path, frames: int) -> int:
    """The frame at which the `frames` frames of highest energy begin, to the second."""
    with soundfile.SoundFile(path) as file:
        second, last = int(file.samplerate), int(file.frames) - frames
        blocks = file.blocks(second, dtype="float32", always_2d=True)
        energy = np.array([float(np.vdot(block, block)) for block in blocks])
    window = np.ones(min(max(frames // second, 1), len(energy)))
    start = int(np.argmax(np.convolve(energy, window, mode="valid"))) * second
    return max(min(start, last), 0)
