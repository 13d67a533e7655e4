"""RIFF/WAVE files: their chunks, their cue points and labels (Multimedia Programming Interface, 1991)."""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from render.errors import AudioError
from render.files import replacing

HEADER = 12  # "RIFF", a size, "WAVE"
LARGEST_RIFF_BYTES = 0xFFFFFFFF
LARGEST_LIST_BYTES = 1_000_000  # cue points and labels of a song


@dataclass(frozen=True)
class Cue:
    """A named frame of an audio file."""

    frame: int
    label: str


@dataclass(frozen=True)
class Chunk:
    """A chunk's name, where its content begins, and how long that is (an odd one is padded by a byte)."""

    name: bytes
    at: int
    length: int


def chunks(file: BinaryIO, path: Path) -> Iterator[Chunk]:
    """The chunks of a WAV file, in their order.

    Raises:
        AudioError: it is none, or is cut short.
    """
    file.seek(0)
    head = file.read(HEADER)
    if len(head) < HEADER or head[:4] != b"RIFF" or head[8:] != b"WAVE":
        raise AudioError(f"{path} is no WAV file (RIFF/WAVE)")
    end = file.seek(0, os.SEEK_END)
    at = HEADER
    while at + 8 <= end:
        file.seek(at)
        name, length = struct.unpack("<4sI", file.read(8))
        if at + 8 + length > end:
            raise AudioError(f"{path} is cut short ({end} bytes)")
        yield Chunk(name, at + 8, length)
        at += 8 + length + length % 2


def read_cues(path: Path) -> list[Cue]:
    """The cue points of a WAV file with their labels ("" without one), by frame; none for other files.

    What is damaged there is passed over: the audio does not depend on it.
    """
    places: dict[int, int] = {}
    labels: dict[int, str] = {}
    try:
        with path.open("rb") as file:
            for chunk in chunks(file, path):
                if chunk.name not in (b"cue ", b"LIST") or chunk.length > LARGEST_LIST_BYTES:
                    continue
                file.seek(chunk.at)
                content = file.read(chunk.length)
                if chunk.name == b"cue ":
                    places |= _places(content)
                elif content[:4] == b"adtl":
                    labels |= _labels(content[4:])
    except (AudioError, OSError):
        pass
    cues = [Cue(frame, labels.get(number, "")) for number, frame in places.items()]
    return sorted(cues, key=lambda cue: cue.frame)


def _places(content: bytes) -> dict[int, int]:
    """Cue points by number: their frames (dwSampleOffset; with one data chunk it counts from its start)."""
    points = content[4 : len(content) - (len(content) - 4) % 24] if len(content) >= 4 else b""
    return {number: frame for number, _, _, _, _, frame in struct.iter_unpack("<II4sIII", points)}


def _labels(content: bytes) -> dict[int, str]:
    labels, at = {}, 0
    while at + 12 <= len(content):
        name, length, number = struct.unpack_from("<4sII", content, at)
        if name == b"labl" and length >= 4:
            raw = content[at + 12 : at + 8 + length].split(b"\0")[0]
            try:
                labels[number] = raw.decode("utf-8")
            except UnicodeDecodeError:
                labels[number] = raw.decode("cp1252", "replace")
        at += 8 + length + length % 2
    return labels


def write_cued_wav(source_wav: Path, cues: Sequence[Cue], path: Path) -> None:
    """Copy a WAV with cue points and their labels after its audio; samples and format stay byte for byte.

    Cue and label chunks that are there already are replaced; every other chunk is kept. Frames beyond
    the audio are refused.

    Raises:
        AudioError: no RIFF/WAVE file, cut short, a frame outside the audio, or too large for RIFF.
    """
    with source_wav.open("rb") as source, replacing(path) as half, half.open("wb") as out:
        kept = [chunk for chunk in chunks(source, source_wav) if _is_kept(source, chunk)]
        frames = _frames(source, kept, source_wav)
        for cue in cues:
            if not 0 <= cue.frame <= frames:
                raise AudioError(
                    f'{source_wav}: the cue "{cue.label}" lies at frame {cue.frame}, but the audio has '
                    f"{frames} frames; make the cues from the same render"
                )
        added = _cue_chunk(cues) + _labels_chunk(cues) if cues else b""
        size = 4 + sum(8 + chunk.length + chunk.length % 2 for chunk in kept) + len(added)
        if size > LARGEST_RIFF_BYTES:
            raise AudioError(f"{source_wav} is too large for a WAV with cue points (4 GB); leave them out")
        out.write(b"RIFF" + struct.pack("<I", size) + b"WAVE")
        for chunk in kept:
            out.write(chunk.name + struct.pack("<I", chunk.length))
            _copy(source, chunk, out)
            out.write(b"\0" * (chunk.length % 2))
        out.write(added)


def _is_kept(file: BinaryIO, chunk: Chunk) -> bool:
    file.seek(chunk.at)
    return chunk.name != b"cue " and not (chunk.name == b"LIST" and file.read(4) == b"adtl")


def _frames(file: BinaryIO, there: Sequence[Chunk], path: Path) -> int:
    by_name = {chunk.name: chunk for chunk in there}
    if b"fmt " not in by_name or b"data" not in by_name:
        raise AudioError(f'{path} has no "fmt " or no "data" chunk; render the form again')
    file.seek(by_name[b"fmt "].at + 12)
    bytes_per_frame = struct.unpack("<H", file.read(2))[0]
    return int(by_name[b"data"].length // max(bytes_per_frame, 1))


def _cue_chunk(cues: Sequence[Cue]) -> bytes:
    """count, then per cue: name, position in play order, "data", chunk start, block start, sample offset."""
    points = [
        struct.pack("<II4sIII", number, cue.frame, b"data", 0, 0, cue.frame)
        for number, cue in enumerate(cues, start=1)
    ]
    return _chunk(b"cue ", struct.pack("<I", len(cues)) + b"".join(points))


def _labels_chunk(cues: Sequence[Cue]) -> bytes:
    labels = [
        _chunk(b"labl", struct.pack("<I", number) + cue.label.replace("\0", " ").encode("utf-8") + b"\0")
        for number, cue in enumerate(cues, start=1)
    ]
    return _chunk(b"LIST", b"adtl" + b"".join(labels))


def _chunk(name: bytes, content: bytes) -> bytes:
    """A chunk, padded to an even length that its size does not count."""
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def _copy(source: BinaryIO, chunk: Chunk, out: BinaryIO) -> None:
    source.seek(chunk.at)
    length = chunk.length
    while length:
        block = source.read(min(length, 1 << 20))
        out.write(block)
        length -= len(block)
