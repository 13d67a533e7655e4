"""A real sound device for tests: a PulseAudio null sink whose monitor is recorded, frame by frame.

    with null_sink(48000) as sink:
        with sink.recording() as tape:
            subprocess.run([...], env=sink.env)        # plays at 48 kHz, stereo
        played = tape.integers()                       # (frames, 2) int32, 24-bit values in the upper bits

It needs the system packages pulseaudio, pulseaudio-utils and libasound2-plugins; every process is ended
by its id. With `norewinds=1`, and silence after what is played, what was recorded at the monitor is what
was played, integer for integer, if the rates agree (measured).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.heard import sounding

PROGRAMS = ("pulseaudio", "pactl", "parec")
CHANNELS = 2
LONGEST_S = 30.0
SETTLE_S = 0.4  # of silence, by which the recorder is behind the end of what was played


@dataclass(frozen=True)
class Tape:
    """What came out of the sink while it was recorded."""

    path: Path

    def integers(self) -> NDArray[np.int32]:
        """(frames, 2) int32 with the 24-bit values in the upper bits, as soundfile reads int32."""
        raw = np.frombuffer(self.path.read_bytes(), dtype=np.uint8)
        raw = raw[: len(raw) - len(raw) % (3 * CHANNELS)].reshape(-1, 3)
        wide = np.zeros((len(raw), 4), dtype=np.uint8)
        wide[:, 1:] = raw
        return wide.view("<i4").reshape(-1, CHANNELS).astype(np.int32)

    def silent_for(self, frames: int, since_bytes: int) -> bool:
        """Whether that many frames of digital silence were recorded after the first `since_bytes`."""
        frame_bytes = 3 * CHANNELS
        with self.path.open("rb") as file:
            whole = file.seek(0, os.SEEK_END) // frame_bytes * frame_bytes
            if whole - since_bytes < frames * frame_bytes:
                return False
            file.seek(whole - frames * frame_bytes)
            return not any(file.read(frames * frame_bytes))

    def sounding(self) -> NDArray[np.int32]:
        """The recording without the digital silence before and after."""
        return sounding(self.integers())


@dataclass(frozen=True)
class NullSink:
    """A running sound server with one silent device. `env` is what a program needs to play on it."""

    env: dict[str, str]
    rate: int
    folder: Path

    @contextmanager
    def recording(self) -> Iterator[Tape]:
        """Record all that is played within the block."""
        tape = Tape(self.folder / f"tape-{time.monotonic_ns()}.raw")
        command = ["parec", "--device=null0.monitor", "--raw", "--format=s24le", f"--rate={self.rate}",
                   f"--channels={CHANNELS}", "--latency-msec=50"]  # fmt: skip
        with tape.path.open("wb") as out:
            recorder = subprocess.Popen(command, env=self.env, stdout=out, stderr=subprocess.DEVNULL)
            try:
                _wait_for(lambda: tape.path.stat().st_size > 0, "parec recorded nothing")
                yield tape
                ended = tape.path.stat().st_size
                _wait_for(lambda: tape.silent_for(round(SETTLE_S * self.rate), ended), "the sound went on")
            finally:
                _end(recorder)


@contextmanager
def null_sink(rate: int = 48000, *, rewinds: bool = False) -> Iterator[NullSink]:
    """A PulseAudio server in a folder of its own, for as long as the block runs.

    A sink that `rewinds` takes the first piece of a sound at once and then stands for a second, as devices
    do that were asleep; what it plays cannot be recorded integer for integer.
    """
    missing = [name for name in PROGRAMS if shutil.which(name) is None]
    if missing:
        pytest.skip(f"PulseAudio is not installed ({', '.join(missing)} missing)")
    with tempfile.TemporaryDirectory(prefix="fh-pulse-") as place:
        folder = Path(place)
        env = _environment(folder, rate)
        socket = env["PULSE_SERVER"].removeprefix("unix:")
        server = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
             "--disable-shm=yes", "--log-target=stderr",
             "-L", f"module-native-protocol-unix auth-anonymous=1 socket={socket}",
             "-L", f"module-null-sink sink_name=null0 format=s24le rate={rate} channels={CHANNELS} "
                   f"norewinds={int(not rewinds)}"],
            env=env, stdout=subprocess.DEVNULL, stderr=(folder / "server.txt").open("wb"),
        )  # fmt: skip
        try:
            _wait_for(lambda: _answers(env), f"PulseAudio did not start; see {folder / 'server.txt'}")
            yield NullSink(env, rate, folder)
        finally:
            _end(server)


@pytest.fixture(scope="module")
def sink() -> Iterator[NullSink]:
    """A null sink at 48 kHz, shared by a test module."""
    with null_sink() as running:
        yield running


@pytest.fixture
def portaudio() -> None:
    """The PortAudio library, which Linux wheels of sounddevice do not carry."""
    try:
        import sounddevice  # noqa: F401
    except OSError:
        pytest.skip("PortAudio is not installed")


def _environment(folder: Path, rate: int) -> dict[str, str]:
    runtime, home = folder / "rt", folder / "home"
    for made in (runtime, home, runtime / "pulse"):
        made.mkdir(mode=0o700)
    config = folder / "daemon.conf"
    config.write_text(f"default-sample-rate = {rate}\nalternate-sample-rate = {rate}\n")
    alsa = folder / "asound.conf"  # so that PortAudio's default device is the null sink
    alsa.write_text("pcm.!default { type pulse }\nctl.!default { type pulse }\n")
    (home / ".asoundrc").write_text(alsa.read_text())
    return os.environ | {
        "XDG_RUNTIME_DIR": str(runtime),
        "HOME": str(home),
        "PULSE_RUNTIME_PATH": str(runtime / "pulse"),
        "PULSE_CONFIG": str(config),
        "PULSE_SERVER": f"unix:{runtime / 'pulse' / 'native'}",
    }


def _answers(env: dict[str, str]) -> bool:
    asked = subprocess.run(["pactl", "info"], env=env, capture_output=True, timeout=LONGEST_S, check=False)
    return asked.returncode == 0


def _wait_for(happened: object, otherwise: str) -> None:
    assert callable(happened)
    until = time.monotonic() + LONGEST_S
    while not happened():
        if time.monotonic() > until:
            raise AssertionError(otherwise)
        time.sleep(0.05)


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(timeout=5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(timeout=5)
