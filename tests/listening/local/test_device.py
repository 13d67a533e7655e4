"""The sound device, for real: a PulseAudio null sink whose monitor is recorded."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from listening.counts import hearing
from listening.local.device import LATENCY_S
from tests.places import ROOT
from tests.pulse import NullSink, Tape, null_sink, portaudio, sink

__all__ = ["portaudio", "sink"]
pytestmark = [pytest.mark.device, pytest.mark.usefixtures("portaudio")]

MOST_SHORT_TAPES = 3  # recordings in a row that lost some of the sound themselves

PLAY = """
import json, sys
from dataclasses import asdict
from pathlib import Path
from listening.local.device import Playing
stop_after, device = float(sys.argv[2]), sys.argv[3] or None
def look(playing):
    if playing.delivered_frames and len(sys.argv) > 4:
        print("it plays", flush=True)
        sys.argv.pop()
    if stop_after and playing.time_s > stop_after:
        playing.stop()
heard = Playing(Path(sys.argv[1]), device).run(look)
print(json.dumps(asdict(heard) | {"void_reason": heard.void_reason}))
"""


def play(path: Path, env: dict[str, str], stop_after: float = 0, device: str = "") -> dict[str, object]:
    done = subprocess.run(
        [sys.executable, "-c", PLAY, str(path), str(stop_after), device],
        env=env, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == "", "sound libraries must not write on the screen"
    values: dict[str, object] = json.loads(done.stdout)
    return values


def noise(path: Path, rate: int, seconds: float, channels: int = 2) -> np.ndarray:
    rng = np.random.default_rng(5)
    samples = rng.integers(-(1 << 20), 1 << 20, (round(rate * seconds), channels), dtype=np.int32)
    samples[[0, -1]] = 1 << 19  # so that the first and the last frame can be told from silence
    soundfile.write(path, samples << 8, rate, subtype="PCM_24")
    return samples << 8


@pytest.mark.parametrize("rate", [44100, 48000])
def test_every_sample_of_a_listen_reaches_the_output(tmp_path: Path, rate: int) -> None:
    samples = noise(tmp_path / "x.wav", rate, 2.5)
    with null_sink(rate) as at_rate:
        with at_rate.recording() as tape:
            heard = play(tmp_path / "x.wav", at_rate.env)
        assert heard["void_reason"] is None
        assert heard["delivered_frames"] == len(samples)
        np.testing.assert_array_equal(tape.sounding(), samples)


SLOW_DISK = """
import sys, time
import soundfile
from pathlib import Path
from listening.local.device import Playing
class Woken(soundfile.SoundFile):
    asleep = True
    def buffer_read(self, *args, **how):
        if self.asleep:
            time.sleep(1.5)
            self.asleep = False
        return super().buffer_read(*args, **how)
soundfile.SoundFile = Woken
print(Playing(Path(sys.argv[1])).run(lambda playing: None).void_reason)
"""


def test_a_disk_that_has_to_wake_up_costs_no_listen(tmp_path: Path, sink: NullSink) -> None:
    noise(tmp_path / "x.wav", 48000, 1)
    done = subprocess.run(
        [sys.executable, "-c", SLOW_DISK, str(tmp_path / "x.wav")], env=sink.env, cwd=ROOT, timeout=60,
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout == "None\n"


def test_a_stop_voids_and_tells_how_much_was_heard(tmp_path: Path, sink: NullSink) -> None:
    samples = noise(tmp_path / "x.wav", 48000, 6)
    heard = play(tmp_path / "x.wav", sink.env, stop_after=1.0)
    assert heard["void_reason"] == "stopped by the listener"
    assert 48000 <= int(str(heard["delivered_frames"])) < 2 * 48000 < len(samples), (
        "as heard, not as handed over"
    )


STALLED = """
import json, sys
from dataclasses import asdict
from pathlib import Path
from listening.local.device import Playing
said = False
def look(playing):
    global said
    if playing.time_s > 2 and not said:
        said = True
        print("it plays", flush=True)
played = Playing(Path(sys.argv[1])).run(look)
print(json.dumps(asdict(played) | {"void_reason": played.void_reason}))
"""


def _stalled(path: Path, sink: NullSink, still_s: float) -> tuple[dict[str, Any], Tape]:
    """What the program says of a file played while it was made to stand still, and the sink's tape."""
    with sink.recording() as tape:
        child = subprocess.Popen(
            [sys.executable, "-c", STALLED, str(path)], env=sink.env, cwd=ROOT, text=True,
            stdout=subprocess.PIPE,
        )  # fmt: skip
        assert child.stdout is not None and child.stdout.readline() == "it plays\n"
        child.send_signal(signal.SIGSTOP)
        time.sleep(still_s)
        child.send_signal(signal.SIGCONT)
        out, _ = child.communicate(timeout=60)
    return json.loads(out), tape


@pytest.mark.parametrize("gap_s", [0.0, 0.2, 1.0, 5.0])
def test_what_a_stall_takes_from_the_sound_is_measured(tmp_path: Path, sink: NullSink, gap_s: float) -> None:
    """The process stands still for as long as its buffer lasts, and then some; the sink records what is
    missing. The buffer holds a second; a sound server may hold up to another one in front of it."""
    samples = noise(tmp_path / "x.wav", 48000, 7)
    for _attempt in range(MOST_SHORT_TAPES):
        played, tape = _stalled(tmp_path / "x.wav", sink, LATENCY_S + gap_s if gap_s else LATENCY_S / 2)
        missing_s = (len(tape.sounding()) - len(samples)) / 48000
        if missing_s > -0.02:  # a stall only adds to what the sink plays: a shorter tape is not whole
            break
    assert played["late_s"] == pytest.approx(missing_s, abs=0.06), "as the sink heard it"
    assert max(gap_s - 1.0, 0.0) - 0.05 <= missing_s <= gap_s + 0.25, "the buffer holds a second"
    assert (played["void_reason"] is not None) == (hearing(missing_s) == "void"), played
    for stumble in played["stumbles"]:
        assert 2.0 < stumble["at_s"] < 4.5


def test_a_moment_is_where_the_ear_is(tmp_path: Path, sink: NullSink) -> None:
    """What `time_s` says, against what had come out of the sink at that moment."""
    noise(tmp_path / "x.wav", 48000, 6)
    with sink.recording() as tape:
        child = subprocess.Popen(
            [sys.executable, "-c", STALLED.replace('"it plays"', 'playing.time_s'), str(tmp_path / "x.wav")],
            env=sink.env, cwd=ROOT, text=True, stdout=subprocess.PIPE,
        )  # fmt: skip
        assert child.stdout is not None
        said_s = float(child.stdout.readline())
        out_s = len(tape.sounding()) / 48000
        child.communicate(timeout=60)
    assert said_s == pytest.approx(out_s, abs=0.2), "parec is up to 50 ms behind"


def test_a_device_that_swallows_audio_faster_than_real_time_is_rejected(tmp_path: Path) -> None:
    """ALSA's "null" plugin opens like a device but keeps no time."""
    noise(tmp_path / "x.wav", 48000, 6)
    (tmp_path / ".asoundrc").write_text("pcm.!default { type null }\n")
    env = os.environ | {"HOME": str(tmp_path), "PULSE_SERVER": "unix:/nowhere"}
    heard = play(tmp_path / "x.wav", env)
    assert heard["void_reason"] == "the device took the audio faster than real time"


def test_a_sound_server_that_dies_voids_the_listen(tmp_path: Path) -> None:
    noise(tmp_path / "x.wav", 48000, 8)
    with null_sink() as dying:
        child = subprocess.Popen(
            [sys.executable, "-c", PLAY, str(tmp_path / "x.wav"), "0", "", "say"],
            env=dying.env, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert child.stdout is not None and child.stdout.readline() == "it plays\n"
    out, _ = child.communicate(timeout=60)
    values = json.loads(out)
    assert values["void_reason"] in ("the sound device went away", "the sound broke up (under-run)")


REQUIRE = """
from listening.local.device import require_device
from render.errors import DeviceError
import sys
try:
    require_device(sys.argv[1] or None)
except DeviceError as error:
    print(error)
"""


def test_without_a_device_the_message_says_what_to_do(tmp_path: Path) -> None:
    env = os.environ | {"PULSE_SERVER": "unix:/nowhere", "HOME": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", REQUIRE, ""], env=env, cwd=ROOT, capture_output=True, text=True, timeout=60,
        check=True,
    )  # fmt: skip
    assert "there is no sound device" in done.stdout and "--page" in done.stdout
    assert done.stderr == ""


def test_an_unknown_device_is_named_with_those_there_are(sink: NullSink) -> None:
    done = subprocess.run(
        [sys.executable, "-c", REQUIRE, "Grandma's gramophone"], env=sink.env, cwd=ROOT, capture_output=True,
        text=True, timeout=60, check=True,
    )  # fmt: skip
    assert 'no sound device "Grandma\'s gramophone"' in done.stdout and "there is: " in done.stdout


def test_without_portaudio_the_message_says_what_to_install(tmp_path: Path) -> None:
    """Linux wheels of sounddevice carry no PortAudio: then its import raises OSError, as here."""
    (tmp_path / "sounddevice.py").write_text('raise OSError("PortAudio library not found")')
    env = os.environ | {"PYTHONPATH": f"{tmp_path}{os.pathsep}{ROOT}"}
    done = subprocess.run(
        [sys.executable, "-c", REQUIRE, ""], env=env, cwd=tmp_path, capture_output=True, text=True,
        timeout=60, check=True,
    )  # fmt: skip
    assert "apt-get install libportaudio2" in done.stdout and "--page" in done.stdout
