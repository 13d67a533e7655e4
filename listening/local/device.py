"""A render out of a sound device: streamed, whole, in real time, with no way to seek.

A reader thread fills a bounded queue; the device's callback empties it. Heard to the end means: every
frame was delivered, no under-run, no starved callback, a tail of silence longer than the device's
latency was played after it, and the wall clock agrees.
"""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import soundfile

from render.errors import DeviceError

BLOCK_FRAMES = 1024
QUEUE_BLOCKS = 96
TAIL_S = 0.6
EARLY_S = 0.05  # a device may end this much before the wall clock says so (its clock is its own)
LATENCY_S = 0.2
SAMPLE_BYTES = 4


@dataclass(frozen=True)
class Heard:
    """What came of playing a file."""

    frames: int
    delivered_frames: int
    wall_s: float
    underflows: int
    starved: int
    stopped: bool
    failure: str | None
    sample_rate: int

    @property
    def void_reason(self) -> str | None:
        """Why this was no whole listen, or None if it was one."""
        if self.stopped:
            return "stopped by the listener"
        if self.failure:
            return self.failure
        if self.delivered_frames < self.frames:
            return "the sound device went away"
        if self.underflows or self.starved:
            return "the sound broke up (under-run)"
        if self.wall_s < self.frames / self.sample_rate - EARLY_S:
            return "the device took the audio faster than real time"
        return None


def sound_library() -> ModuleType:
    """sounddevice, or a message that says what to install."""
    try:
        with quiet_stderr():
            import sounddevice
    except (ImportError, OSError):
        raise DeviceError(
            "no sound: the PortAudio library is missing. On Debian or Ubuntu: `apt-get install "
            "libportaudio2`; on macOS and Windows it comes with the sounddevice package: reinstall that. "
            "Or listen in the browser: add --page"
        ) from None
    return sounddevice  # type: ignore[no-any-return]


def require_device(device: str | None) -> None:
    """Refuse early, with what to do, when there is nothing to listen on."""
    library = sound_library()
    try:
        with quiet_stderr():
            found: Any = library.query_devices(device, "output")
        if not found:
            raise ValueError
    except (ValueError, library.PortAudioError):
        named = f'there is no sound device "{device}"' if device else "there is no sound device"
        with quiet_stderr():
            names = [d["name"] for d in library.query_devices() if d["max_output_channels"] > 0]
        there = f" (there is: {', '.join(names)})" if names else ""
        raise DeviceError(
            f"{named}{there}; connect one and choose it in the system's sound settings, or listen in the "
            "browser: add --page"
        ) from None


class Playing:
    """One file on its way to the device."""

    def __init__(self, path: Path, device: str | None = None) -> None:
        self._library = sound_library()
        self._file = soundfile.SoundFile(path)
        self._device = device
        self._blocks: queue.Queue[bytes | None] = queue.Queue(QUEUE_BLOCKS)
        self._rest = b""
        self._frame_bytes = SAMPLE_BYTES * self._file.channels
        self._tail_left = round(TAIL_S * self._file.samplerate)
        self._at_end = False
        self._stop = threading.Event()
        self._finished = threading.Event()
        self._ready = threading.Event()  # the queue is full, or all is read: a disk may have had to wake up
        self.delivered_frames = 0
        self._underflows = 0
        self._starved = 0
        self._failure: str | None = None

    @property
    def time_s(self) -> float:
        """Seconds into the file, as heard (what the device has taken, less its latency)."""
        rate: int = self._file.samplerate
        return max(self.delivered_frames / rate - LATENCY_S, 0.0)

    def stop(self) -> None:
        """Stop at once."""
        self._stop.set()

    def run(self, while_playing: Callable[[Playing], None]) -> Heard:
        """Play from the first frame to the last; `while_playing` is called about ten times a second."""
        reader = threading.Thread(target=self._read, daemon=True)
        reader.start()
        while not self._ready.wait(0.1) and not self._stop.is_set():
            while_playing(self)
        started = time.monotonic()
        try:
            self._play(while_playing)
        except (self._library.PortAudioError, ValueError) as error:
            raise DeviceError(
                f"the sound device refused {self._file.samplerate} Hz, {self._file.channels} channels "
                f"({_first_line(error)}); choose another device with --device, or listen in the browser: "
                "add --page"
            ) from None
        finally:
            self._stop_reader(reader)
        wall_s = time.monotonic() - started
        return Heard(
            self._file.frames, min(self.delivered_frames, self._file.frames), wall_s, self._underflows,
            self._starved, self._stop.is_set(), self._failure, self._file.samplerate,
        )  # fmt: skip

    def _play(self, while_playing: Callable[[Playing], None]) -> None:
        with quiet_stderr():
            stream = self._library.RawOutputStream(
                samplerate=self._file.samplerate, channels=self._file.channels, dtype="int32",
                device=self._device, latency=LATENCY_S, callback=self._fill, dither_off=True,
                finished_callback=self._finished.set,
            )  # fmt: skip
            with stream:
                while not self._finished.wait(0.1):
                    while_playing(self)
                    if self._stop.is_set():
                        stream.abort()
                        break

    def _read(self) -> None:
        """The reader thread: file -> queue."""
        try:
            while not self._stop.is_set():
                data = self._file.buffer_read(BLOCK_FRAMES, dtype="int32")
                block = bytes(data)
                self._put(block or None)
                if not block:
                    return
                if self._blocks.full():
                    self._ready.set()
        except (RuntimeError, OSError):
            self._failure = "the render could not be read to its end"
            self._put(None)
        finally:
            self._ready.set()

    def _put(self, block: bytes | None) -> None:
        while not self._stop.is_set():
            try:
                self._blocks.put(block, timeout=0.2)
                return
            except queue.Full:
                continue

    def _fill(self, out: Any, frames: int, _time: Any, status: Any) -> None:
        """The device's callback: queue -> device, then the tail of silence, then the end."""
        if status.output_underflow and self.delivered_frames > 0:
            self._underflows += 1
        wanted = frames * self._frame_bytes
        data = self._take(wanted)
        self.delivered_frames += len(data) // self._frame_bytes
        missing = wanted - len(data)
        out[:] = data + bytes(missing)
        if missing and not self._at_end:
            self._starved += 1
        elif missing:
            self._tail_left -= missing // self._frame_bytes
            if self._tail_left <= 0:
                raise self._library.CallbackStop

    def _take(self, wanted: int) -> bytes:
        data = self._rest
        while len(data) < wanted and not self._at_end:
            try:
                block = self._blocks.get(timeout=0.05)
            except queue.Empty:
                break
            if block is None:
                self._at_end = True
            else:
                data += block
        self._rest = data[wanted:]
        return data[:wanted]

    def _stop_reader(self, reader: threading.Thread) -> None:
        stopped = self._stop.is_set()
        self._stop.set()
        reader.join(timeout=2)
        if not stopped:
            self._stop.clear()
        self._file.close()


@contextmanager
def quiet_stderr() -> Iterator[None]:
    """Keep what sound libraries print from C off the screen."""
    try:
        saved = os.dup(2)
    except OSError:  # there is no stderr to keep clean
        yield
        return
    sys.stderr.flush()
    with open(os.devnull, "w") as nowhere:  # noqa: PTH123
        os.dup2(nowhere.fileno(), 2)
    try:
        yield
    finally:
        sys.stderr.flush()
        os.dup2(saved, 2)
        os.close(saved)


def _first_line(error: BaseException) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__
