"""24-bit WAV files: the header, padding to one size for all forms (sizes tell none), SHA-256 of the audio."""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path
from typing import BinaryIO

from render.errors import AudioError, NotRenderedError
from render.riff import HEADER, chunks

SAMPLE_BYTES = 3
LONGEST_WAV_BYTES = (1 << 32) - (1 << 20)
WAV_PAD_HEADER = 8  # "JUNK" and its length


def wav_bytes(frames: int, channels: int) -> int:
    """The size of a padded WAV of so many frames, before any padding is added."""
    data = frames * channels * SAMPLE_BYTES
    return 44 + data + data % 2 + WAV_PAD_HEADER


def wav_format(frames: int, sample_rate: int, channels: int) -> bytes:
    """What stands in a 24-bit WAV file between its RIFF header and its audio: the format, and the length."""
    frame_bytes = channels * SAMPLE_BYTES
    fields = (1, channels, sample_rate, sample_rate * frame_bytes, frame_bytes, 8 * SAMPLE_BYTES)
    return struct.pack("<4sIHHIIHH4sI", b"fmt ", 16, *fields, b"data", frames * frame_bytes)


def pad_wav(path: Path, size: int) -> None:
    """Let a WAV file have `size` bytes by a JUNK chunk after its data (grown or made); audio untouched."""
    with path.open("r+b") as file:
        start, length = _data(file, path)
        at = start + length + length % 2
        file.truncate(size)
        file.seek(at)
        file.write(b"JUNK" + struct.pack("<I", size - at - WAV_PAD_HEADER))
        file.seek(4)
        file.write(struct.pack("<I", size - 8))


def wav_audio_sha256(path: Path) -> str:
    """SHA-256 over a WAV file's audio and the format it is to be played in (what lies before it).

    Padding behind it, and the size that follows from that, may change.
    """
    digest = hashlib.sha256()
    with path.open("rb") as file:
        start, length = _data(file, path)
        file.seek(HEADER)
        digest.update(file.read(start - HEADER))
        while length > 0 and (block := file.read(min(length, 1 << 20))):
            digest.update(block)
            length -= len(block)
    return digest.hexdigest()


def _data(file: BinaryIO, path: Path) -> tuple[int, int]:
    """Where a WAV file's audio begins, and its bytes."""
    try:
        for chunk in chunks(file, path):
            if chunk.name == b"data":
                return chunk.at, chunk.length
    except AudioError as error:
        raise NotRenderedError(f"{error}; delete it and run `fairhearing render`") from None
    raise NotRenderedError(f"{path} holds no audio; delete it and run `fairhearing render`")
