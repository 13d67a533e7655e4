"""The file of joins: what it holds, and where."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.audio.stems import Mixes, read_audio
from render.errors import RenderError
from render.joins import audition
from render.song.song import Song, load_song

RATE = 16000
BAR = 2 * RATE  # 120 quarters, 4/4
TOML = """
[song]
title = "Audition"
audio = "a.wav"
tempo = 120
[sections]
A = { bars = "1-4" }
B = { bars = "5-8" }
C = { bars = "9-12" }
[forms]
"one" = ["A", "C"]
"two" = ["A", "C", "B"]
"""


@pytest.fixture
def song(tmp_path: Path) -> Song:
    """A song whose every sample tells its place: a rising ramp."""
    ramp = np.linspace(-0.9, 0.9, 12 * BAR, dtype=np.float32)[:, None]
    soundfile.write(tmp_path / "a.wav", ramp, RATE, subtype="FLOAT")
    (tmp_path / "song.toml").write_text(TOML, encoding="utf-8")
    return replace(load_song(tmp_path), joining=1)  # a ramp's slope would die away over the line


def test_each_join_is_there_once_with_four_bars_and_a_gap(tmp_path: Path, song: Song) -> None:
    mixes = Mixes(song, read_audio(song.audio.path), None)
    excerpts = audition.write_audition(song, mixes, tmp_path / "joins.wav")
    assert [(c.before, c.after, c.forms) for c in excerpts] == [
        ("A", "C", ("one", "two")),
        ("C", "B", ("two",)),
        ("B", "the end", ("two",)),
    ]
    sound, rate = soundfile.read(tmp_path / "joins.wav", always_2d=True)
    assert rate == RATE and soundfile.info(tmp_path / "joins.wav").subtype == "PCM_24"
    gap = round(1.5 * RATE)
    assert [round(c.start_s * RATE) for c in excerpts] == [0, 4 * BAR + gap, 2 * (4 * BAR + gap)]
    assert not sound[4 * BAR : 4 * BAR + gap].any()
    source = read_audio(song.audio.path)
    middle = slice(BAR, 2 * BAR - 400)
    assert sound[middle] == pytest.approx(source[3 * BAR : 4 * BAR - 400], abs=2**-22)
    assert sound[2 * BAR : 3 * BAR] == pytest.approx(source[8 * BAR : 9 * BAR], abs=2**-22)
    assert excerpts[1].line.startswith("0:09.5  C > B (bar 9 of")


def test_no_joins_is_an_error_and_leaves_no_file(tmp_path: Path, song: Song) -> None:
    alone = replace(song, forms=song.forms[:1])
    mixes = Mixes(alone, read_audio(song.audio.path), None)
    with pytest.raises(RenderError, match="no joins"):
        audition.write_audition(alone, mixes, tmp_path / "joins.wav")
    assert not list(tmp_path.glob("joins*"))
