"""A form's sound as it reaches a listener's device before it is heard: bytes that tell nothing of it.

Sizes, headers and padding of sound files tell how long they play, and nobody should know that before they
have heard a form. So all copies of a round travel at one size, each behind its own length and before zeros,
combined with a stream of pseudo-random words. The key comes with the listen that is due, so that the sound is
decoded before anybody waits for it: this is no secrecy against somebody who takes the page apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

LENGTH_BYTES = 4
_WORD_BYTES = 4


def masked_bytes(file_bytes: int) -> int:
    """The size at which files of up to `file_bytes` travel."""
    return -(-(LENGTH_BYTES + file_bytes) // _WORD_BYTES) * _WORD_BYTES


@dataclass(frozen=True)
class MaskedCopy:
    """The file at `path`, `size` bytes (see `masked_bytes`) as it travels under `key` (32 bits)."""

    path: Path
    size: int
    key: int

    def read(self, start: int, stop: int) -> bytes:
        """The bytes from `start` to before `stop`, as they travel."""
        first = start // _WORD_BYTES * _WORD_BYTES
        last = -(-stop // _WORD_BYTES) * _WORD_BYTES
        return mask(self._plain(first, last), first, self.key)[start - first : stop - first]

    def _plain(self, first: int, last: int) -> bytes:
        """The same before they are masked: the length, the file, zeros."""
        with self.path.open("rb") as file:
            length = self.path.stat().st_size.to_bytes(LENGTH_BYTES, "little")
            file.seek(max(first - LENGTH_BYTES, 0))
            content = length[first:last] + file.read(last - max(first, LENGTH_BYTES))
        return content.ljust(last - first, b"\0")


def mask(data: bytes, start: int, key: int) -> bytes:
    """Whole words that begin at byte `start`, masked; or, as the same stream is laid on twice, unmasked.

    Word i of the stream is MurmurHash3's finalizer (A. Appleby; constants from memory) of key + i x 2^32 /
    golden ratio, so that any part of it can be had by itself.
    """
    words = np.frombuffer(data, "<u4")
    first = start // _WORD_BYTES
    mixed = np.arange(first, first + len(words), dtype=np.uint32) * np.uint32(0x9E3779B1) + np.uint32(key)
    for shift, factor in ((16, 0x85EBCA6B), (13, 0xC2B2AE35)):
        mixed ^= mixed >> np.uint32(shift)
        mixed *= np.uint32(factor)
    mixed ^= mixed >> np.uint32(16)
    masked: bytes = (words ^ mixed).astype("<u4").tobytes()
    return masked
