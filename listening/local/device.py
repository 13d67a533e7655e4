"""Playback of a render on a sound device: streamed, whole, in real time, with no way to seek.

A reader thread fills a bounded queue; the device's callback empties it. Heard to the end means: every
frame was delivered, at most a blemish was late or missing (sessions/records.py), a tail of silence longer
than the device's latency was played after it, and the wall clock agrees.
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

from listening.counts import hearing
from listening.local.slip import SlipMeter
from render.errors import DeviceError
from sessions.records import Stumble

BLOCK_FRAMES = 1024
QUEUE_BLOCKS = 96
TAIL_S = 0.6
EARLY_S = 0.05  # a device may end this much before the wall clock says so (its clock is its own)
LATENCY_S = 1.0  # what the device holds: a busy laptop may not get to it for as long
LONGEST_LATENCY_S = 5.0  # no device says more and means it
NEAR_S = 2.0  # two tellings of one gap
FLAGGED_S = 0.01  # of an under-run that the device told and the clock did not show
SAMPLE_BYTES = 4


@dataclass(frozen=True)
class PlaybackResult:
    """The result of playing a file. `late_s` were late or missing in all, at `stumbles` (seconds of the
    file)."""

    frames: int
    delivered_frames: int
    wall_s: float
    late_s: float
    stumbles: tuple[Stumble, ...]
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
        if hearing(self.late_s) == "void":
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
            output: Any = library.query_devices(device, "output")
        if not output:
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
        self._rate: int = self._file.samplerate
        self._frame_bytes = SAMPLE_BYTES * self._file.channels
        self._tail_left = 0  # set when the device's latency is known
        self._at_end = False
        self._stop = threading.Event()
        self._finished = threading.Event()
        self._ready = threading.Event()  # the queue is full, or all is read: a disk may have had to wake up
        self.delivered_frames = 0
        self._handed_frames = 0  # delivered ones, and silence in the place of missing ones
        self._stream: Any = None
        self._dac = (0.0, 0.0)  # a moment of the stream's clock, seconds of the file that are played by then
        self._slip = SlipMeter()
        self._missing: list[Stumble] = []
        self._flagged: list[Stumble] = []
        self._failure: str | None = None
        self._stopped_at_s = 0.0

    @property
    def time_s(self) -> float:
        """Seconds into the file, as heard: by when the device says that it plays what it was given last."""
        if self._stream is None:
            return 0.0
        moment, played_s = self._dac
        heard_s = played_s - (moment - float(self._stream.time))
        return max(min(heard_s, self.delivered_frames / self._rate), 0.0)

    def stop(self) -> None:
        """Stop at once."""
        self._stop.set()

    def run(self, while_playing: Callable[[Playing], None]) -> PlaybackResult:
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
            stopped = self._stop.is_set()
            self._stop.set()  # the reader too
            reader.join(timeout=2)
            self._file.close()
        wall_s = time.monotonic() - started
        stumbles = self._stumbles()
        heard = round(self._stopped_at_s * self._rate) if stopped else self.delivered_frames
        return PlaybackResult(
            self._file.frames, min(heard, self._file.frames), wall_s, sum((stumble.length_s for stumble in
            stumbles), 0.0), tuple(stumbles), stopped, self._failure, self._rate,
        )  # fmt: skip

    def _stumbles(self) -> list[Stumble]:
        """All gaps; of those that the device told, the ones that were not measured too."""
        measured = [*self._slip.stumbles(), *self._missing]
        flagged = [x for x in self._flagged if all(abs(x.at_s - y.at_s) > NEAR_S for y in measured)]
        return sorted([*measured, *flagged], key=lambda stumble: stumble.at_s)

    def _play(self, while_playing: Callable[[Playing], None]) -> None:
        with quiet_stderr():
            stream = self._library.RawOutputStream(
                samplerate=self._file.samplerate, channels=self._file.channels, dtype="int32",
                device=self._device, latency=LATENCY_S, callback=self._fill, dither_off=True,
                finished_callback=self._finished.set,
            )  # fmt: skip
            self._tail_left = round((TAIL_S + stream.latency) * self._rate)
            with stream:
                self._stream = stream
                while not self._finished.wait(0.1):
                    while_playing(self)
                    if self._stop.is_set():
                        self._stopped_at_s = self.time_s
                        stream.abort()
                        break
                self._stream = None

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

    def _fill(self, out: Any, frames: int, times: Any, status: Any) -> None:
        """The device's callback: queue -> device, then the tail of silence, then the end."""
        at_s = self.delivered_frames / self._rate
        if status.output_underflow and self.delivered_frames > 0 and not self._at_end:
            self._flagged.append(Stumble(at_s, FLAGGED_S))
        self._slip.asked(time.monotonic(), self._handed_frames / self._rate)
        delay_s = times.outputBufferDacTime - times.currentTime
        if not 0 < delay_s < LONGEST_LATENCY_S:  # the device does not tell
            delay_s = LATENCY_S
        self._dac = (times.currentTime + delay_s, at_s)
        wanted = frames * self._frame_bytes
        data = self._take(wanted)
        self.delivered_frames += len(data) // self._frame_bytes
        self._handed_frames += frames
        missing = wanted - len(data)
        out[:] = data + bytes(missing)
        if missing and not self._at_end:
            self._missing.append(Stumble(at_s, missing / self._frame_bytes / self._rate))
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
