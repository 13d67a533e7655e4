"""Audio as the 24-bit integers that renders hold: rounding, writing, decoding.

The same integers go into WAV and FLAC: we round to 24 bit ourselves, without dither. Left to the writer, WAV
and FLAC of the same floats differ in a third of all samples (measured).
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from render.arrays import Audio
from render.audio.containers import SAMPLE_BYTES

Int32 = NDArray[np.int32]

SUBTYPE = "PCM_24"


def to_int24(block: Audio, gain: float, scratch: Audio) -> Int32:
    """gain x block rounded to 24 bit, in the upper bits of int32. `scratch` has at least block's shape."""
    work = scratch[: len(block)]
    np.multiply(block, np.float32(gain * (1 << 23)), out=work)
    np.rint(work, out=work)
    np.multiply(work, np.float32(256), out=work)
    return work.astype(np.int32)


def from_int24(data: bytes, channels: int) -> Int32:
    """The bytes of a 24-bit WAV -> (frames, channels) in the upper bits of int32, as to_int24 made them.

    Each channel is contiguous. (A view reads every sample with the byte before it, which is then cleared:
    three times as fast as decoding by libsndfile, and the same integers, as a test compares.)
    """
    frames = len(data) // (channels * SAMPLE_BYTES)
    strides = (SAMPLE_BYTES, channels * SAMPLE_BYTES)
    samples: Int32 = np.ndarray((channels, frames), "<i4", b"\0" + data, 0, strides)
    return np.bitwise_and(samples, -256).T


def write_24_bit(
    path: Path, blocks: Iterable[Int32 | Audio], sample_rate: int, channels: int, kind: str = "WAV"
) -> None:
    """Write blocks of 24-bit integers (upper bits of int32), or of floats within full scale, to `path`.

    Raises:
        OSError: the file could not be written whole.
    """
    try:
        with soundfile.SoundFile(path, "w", sample_rate, channels, subtype=SUBTYPE, format=kind) as file:
            for block in blocks:
                file.write(block)
    except (soundfile.LibsndfileError, AssertionError):  # soundfile asserts that all frames were written
        raise OSError(28, "the disk did not take the whole file (is it full?)") from None
