"""One render written to the disk, read back and measured while it is still being written.

The writer's thread goes on with the next block while a second one reads back what has been written, takes
its SHA-256 and measures its loudness: on two cores a render then costs little more than its writing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np

from render.audio.containers import SAMPLE_BYTES, wav_format
from render.audio.integers import Int32, from_int24, write_24_bit
from render.errors import RenderError
from render.loudness.buffers import CHUNK_FRAMES
from render.loudness.meter import Loudness, LoudnessMeter
from render.renders.pipeline import followed_by
from render.riff import HEADER


def write_measured(
    path: Path, blocks: Iterable[Int32], frames: int, sample_rate: int, channels: int
) -> tuple[Loudness, str]:
    """Write `frames` frames of 24-bit integers (as of to_int24) to a WAV file, read back and measured.

    Returns its loudness, and the SHA-256 of its audio (as wav_audio_sha256 gives it).

    Raises:
        RenderError: what was read back is not a WAV file of that format and length.
        OSError: the file could not be written whole.
    """
    with ReadBack(path, frames, sample_rate, channels) as file, followed_by(file.take) as take:
        write_24_bit(path, _telling(blocks, take), sample_rate, channels)
    file.require_format()
    return file.meter.result(), file.digest.hexdigest()


def _telling(blocks: Iterable[Int32], tell: Callable[[int], None]) -> Iterator[Int32]:
    """The same blocks; the next is asked for when the last is on the disk, which is told by its frames."""
    for block in blocks:
        yield block
        tell(len(block))


class ReadBack:
    """Hashes and measures a file while it grows: what lies there, not what was meant."""

    def __init__(self, path: Path, frames: int, sample_rate: int, channels: int) -> None:
        self.path = path
        self.channels = channels
        self.format = wav_format(frames, sample_rate, channels)  # known before the file says it
        self.meter = LoudnessMeter(sample_rate, channels)
        self.digest = hashlib.sha256(self.format)
        self.file: BinaryIO | None = None

    def __enter__(self) -> ReadBack:
        return self

    def __exit__(self, *_error: object) -> None:
        if self.file:
            self.file.close()

    def take(self, frames: int) -> None:
        """Read, hash and measure the next `frames` that have been written."""
        if not self.file:
            self.file = self.path.open("rb")
            self.file.seek(HEADER + len(self.format))
        for start in range(0, frames, CHUNK_FRAMES):
            length = min(CHUNK_FRAMES, frames - start) * self.channels * SAMPLE_BYTES
            data = self.file.read(length)
            if len(data) < length:
                raise self._lost()
            self._measure(data)

    def _measure(self, data: bytes) -> None:
        self.digest.update(data)
        samples = from_int24(data, self.channels).astype(np.float32)
        samples *= np.float32(2**-31)
        self.meter.add(samples)

    def require_format(self) -> None:
        """Refuse a file whose header does not agree with what was written."""
        with self.path.open("rb") as file:
            file.seek(HEADER)
            if file.read(len(self.format)) != self.format:
                raise self._lost()

    def _lost(self) -> RenderError:
        return RenderError(f"{self.path} is not what was written; check the disk, then render again")
