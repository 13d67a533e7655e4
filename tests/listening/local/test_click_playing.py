"""`check --click`: the song with its click, through a real sound device or into a file."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listening.cautions import CAUTION
from listening.local.click_playing import play_click
from render.errors import DeviceError
from render.song.song import load_song
from tests.heard import sounding
from tests.places import ROOT
from tests.pulse import NullSink, portaudio, sink
from tests.songs import make_study

__all__ = ["portaudio", "sink"]


def check(folder: Path, *arguments: str, env: dict[str, str] | None = None) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "listening.cli", "check", "--click", *arguments], cwd=folder,
        env=(env or dict(os.environ)) | {"PYTHONPATH": str(ROOT), "COLUMNS": "100"}, capture_output=True,
        text=True, timeout=120, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done.returncode, " ".join(done.stderr.split())


def test_a_file_is_written_with_the_caution_and_the_gain_and_nothing_else_is_replaced(tmp_path: Path) -> None:
    study = make_study(tmp_path / "study")
    (study / "mine.wav").write_bytes(b"mine")
    code, said = check(study, "with-click.wav")
    assert code == 0 and CAUTION in said and "nothing clips" in said
    sound, rate = soundfile.read(study / "with-click.wav", always_2d=True)
    assert (len(sound), rate) == (soundfile.info(study / "song.wav").frames, 48000)
    for taken in ("song.wav", "mine.wav"):
        before = (study / taken).read_bytes()
        code, said = check(study, taken)
        assert code == 1 and "give --click a name that is free" in said
        assert (study / taken).read_bytes() == before


def test_without_a_device_it_says_how_to_have_a_file(tmp_path: Path) -> None:
    song = load_song(make_study(tmp_path / "study"))
    with pytest.raises(DeviceError, match=r"no sound device .* `fairhearing check --click click\.wav`"):
        play_click(song, print, device="a device that nobody has")


@pytest.mark.device
@pytest.mark.usefixtures("portaudio")
def test_it_plays_every_sample_of_the_file(tmp_path: Path, sink: NullSink) -> None:
    study = make_study(tmp_path / "study", bars=6, sections={"verse": "1-6"}, forms={"twice": ["verse x2"]})
    assert check(study, "click.wav")[0] == 0
    with sink.recording() as tape:
        code, said = check(study, env=sink.env)
        assert code == 0, said
    written = soundfile.read(study / "click.wav", dtype="int32", always_2d=True)[0]
    assert np.array_equal(sounding(tape.integers()), sounding(written))
