"""Samples of an audio file from any frame on, as float32 in (frames, channels).

WAV files of 16-bit or 24-bit integers, or of 32-bit floats, are decoded here, in a fifth of the time that
libsndfile takes and to the same numbers, as a test compares. All others are left to libsndfile.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from render.arrays import Audio
from render.audio.integers import from_int24
from render.errors import AudioError
from render.song.audio_header import PlainWav, plain_wav

ABSURD = 1000.0  # times full scale: no mix is 60 dB too loud
_FAILURES = (OSError, RuntimeError)  # libsndfile's errors are RuntimeErrors
_BLOCK_FRAMES = 1 << 13  # decoded at a time: what stays in a core's cache

# By format tag and bits a sample: bytes -> numbers, and what one of them is of full scale
_DECODERS: dict[tuple[int, int], tuple[Callable[[bytes], NDArray[Any]], float]] = {
    (1, 16): (lambda data: np.frombuffer(data, "<i2"), 2.0**-15),
    (1, 24): (lambda data: from_int24(data, 1), 2.0**-31),
    (3, 32): (lambda data: np.frombuffer(data, "<f4"), 1.0),
}


class _Samples(Protocol):
    """An open file of `frames` frames and `channels` channels."""

    frames: int
    channels: int
    sample_rate: int

    def fill(self, out: Audio, start: int) -> int:
        """Write the frames from `start` on into `out`; returns how many could be read."""
        ...

    def close(self) -> None: ...


class AudioFile:
    """An audio file that stays open until it is closed; not for several threads at once.

    Raises:
        AudioError: it cannot be decoded, or holds a NaN or an infinity where it is read (with its place).
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._samples = _samples(path)
        except _FAILURES:
            raise AudioError(f"{path} cannot be decoded; export it again") from None
        self.frames, self.channels = self._samples.frames, self._samples.channels
        self.sample_rate = self._samples.sample_rate

    def read(self, start: int, stop: int) -> Audio:
        """Frames [start, stop), all of them."""
        out = np.empty((stop - start, self.channels), np.float32)
        if self.fill(out, start) < len(out):
            raise AudioError(f"{self.path} cannot be decoded to its end; export it again")
        return out

    def fill(self, out: Audio, start: int) -> int:
        """Write the frames from `start` on into `out`, (frames, channels); returns how many were there."""
        try:
            got = self._samples.fill(out, start)
        except _FAILURES:
            got = 0
        _require_numbers(out[:got], self.path, start, self.sample_rate)
        return got

    def blocks(self, frames: int) -> Iterator[Audio]:
        """The whole file, `frames` frames at a time."""
        for start in range(0, self.frames, frames):
            yield self.read(start, min(start + frames, self.frames))

    def close(self) -> None:
        self._samples.close()

    def __enter__(self) -> AudioFile:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()


def _samples(path: Path) -> _Samples:
    plain = plain_wav(path)
    return _PlainSamples(plain) if plain and plain.format in _DECODERS else _LibsndfileSamples(path)


class _PlainSamples:
    """The samples of a WAV file, decoded by numpy."""

    def __init__(self, wav: PlainWav) -> None:
        self.frames, self.channels = wav.info.frames, wav.info.channels
        self.sample_rate = wav.info.sample_rate
        self._decode, self._scale = _DECODERS[wav.format]
        self._at, self._frame_bytes = wav.at, self.channels * wav.format[1] // 8
        self._file = wav.info.path.open("rb", buffering=0)

    def fill(self, out: Audio, start: int) -> int:
        stop = min(start + len(out), self.frames)
        self._file.seek(self._at + start * self._frame_bytes)
        for at in range(start, stop, _BLOCK_FRAMES):
            wanted = min(_BLOCK_FRAMES, stop - at)
            data = self._file.read(wanted * self._frame_bytes)
            got = len(data) // self._frame_bytes
            block = out[at - start : at - start + got]
            block[...] = self._decode(data[: got * self._frame_bytes]).reshape(block.shape)
            if self._scale != 1:
                block *= np.float32(self._scale)
            if got < wanted:
                return at - start + got
        return max(stop - start, 0)

    def close(self) -> None:
        self._file.close()


class _LibsndfileSamples:
    """The samples of any file that libsndfile reads."""

    def __init__(self, path: Path) -> None:
        import soundfile  # here, because most songs need no libsndfile

        self._file = soundfile.SoundFile(path)
        self.frames, self.channels = max(self._file.frames, 0), self._file.channels
        self.sample_rate = self._file.samplerate

    def fill(self, out: Audio, start: int) -> int:
        if self._file.tell() != start:  # in compressed files, a seek costs
            self._file.seek(start)
        return len(self._file.read(dtype="float32", always_2d=True, out=out))

    def close(self) -> None:
        self._file.close()


def _require_numbers(block: Audio, path: Path, start: int, sample_rate: int) -> None:
    """Refuse a NaN, an infinity, and what is so far over full scale that it can be no sound."""
    if not block.size or (block.min() > -ABSURD and block.max() < ABSURD):  # a NaN is neither
        return
    at = int(np.argmax(~(np.abs(block) < ABSURD).all(axis=1)))
    value = block[at][~(np.abs(block[at]) < ABSURD)][0]
    what = f"{abs(value):.3g} times full scale" if np.isfinite(value) else "that is no number"
    raise AudioError(
        f"{path} holds a sample {what} at {(start + at) / sample_rate:.3f} s (frame {start + at}); bounce it "
        "again and look for a faulty effect there"
    )
