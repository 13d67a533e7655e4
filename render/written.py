"""One render written to the disk, and measured as it lies there while it is still being written.

The writer's thread goes on with the next block while a second one reads back what has been written, takes
its SHA-256 and measures its loudness: on two cores a render then costs little more than its writing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import SimpleQueue

import numpy as np

from render.containers import (
    RIFF_HEADER,
    SAMPLE_BYTES,
    Int32,
    from_int24,
    wav_format,
    write_int32,
)
from render.errors import RenderError
from render.loudness import Loudness, Meter
from render.products import CHUNK_FRAMES


def write_measured(
    path: Path, blocks: Iterable[Int32], frames: int, sample_rate: int, channels: int
) -> tuple[Loudness, str]:
    """Write `frames` frames of 24-bit integers (as of to_int24) to a WAV file, read back and measured.

    Returns its loudness, and the SHA-256 of its audio (as wav_audio_sha256 gives it).

    Raises:
        RenderError: what was read back is not a WAV file of that format and length.
        OSError: the file could not be written whole.
    """
    written: SimpleQueue[int] = SimpleQueue()  # frames of the next block on the disk; 0 at the end
    reader = ReadBack(path, frames, sample_rate, channels)
    with ThreadPoolExecutor(1) as second:
        measured = second.submit(reader.follow, written)
        try:
            write_int32(path, _telling(blocks, written), sample_rate, channels)
        finally:
            written.put(0)
        measured.result()
    reader.require_format()
    return reader.meter.result(), reader.digest.hexdigest()


def _telling(blocks: Iterable[Int32], written: SimpleQueue[int]) -> Iterator[Int32]:
    """The same blocks; the next one is asked for when the last is on the disk."""
    for block in blocks:
        yield block
        written.put(len(block))


class ReadBack:
    """Hashes and measures a file while it grows: what lies there, not what was meant."""

    def __init__(self, path: Path, frames: int, sample_rate: int, channels: int) -> None:
        self.path = path
        self.channels = channels
        self.format = wav_format(frames, sample_rate, channels)  # known before the file says it
        self.meter = Meter(sample_rate, channels)
        self.digest = hashlib.sha256(self.format)

    def follow(self, written: SimpleQueue[int]) -> None:
        """Read, hash and measure what is being written, until `written` says 0."""
        frames = written.get()
        with self.path.open("rb") as file:
            file.seek(RIFF_HEADER + len(self.format))
            while frames:
                for _ in range(0, frames, CHUNK_FRAMES):
                    self._take(file.read(min(frames, CHUNK_FRAMES) * self.channels * SAMPLE_BYTES))
                    frames -= CHUNK_FRAMES
                frames = written.get()

    def _take(self, data: bytes) -> None:
        self.digest.update(data)
        samples = from_int24(data, self.channels).astype(np.float32)
        samples *= np.float32(2**-31)
        self.meter.add(samples)

    def require_format(self) -> None:
        with self.path.open("rb") as file:
            file.seek(RIFF_HEADER)
            if file.read(len(self.format)) != self.format:
                raise RenderError(f"{self.path} is not what was written; check the disk, then render again")
