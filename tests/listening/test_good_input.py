"""What is right is taken: else the tests of bad input would pass if everything were refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.song.forms import Section, parse_ending, parse_part
from render.song.song import load_song
from tests.command_line import told
from tests.songs import make_study

CONTAINERS = [("WAV", "PCM_24"), ("WAV", "FLOAT"), ("FLAC", "PCM_24"), ("AIFF", "PCM_16"), ("OGG", "VORBIS")]
FORMS = ((1, "one"), (2, "two"))
TOML = """\
[song]
title = "x"
audio = "song.wav"
tempo = 240
meter = "1/4"

[sections]
a = {bars = "1-2"}

[forms]
b = ["a bars 2", "a bars 1"]
"""


def test_a_part_and_an_ending() -> None:
    parts = parse_part(
        "verse bars 1-2 x2 without voice", [Section("verse", 1, 4)], ["voice", "bass"], "part 1"
    )
    assert len(parts) == 2
    assert str(parse_ending("fade 2 bars", "ending")) == "fade 2 bars"


def test_a_song(tmp_path: Path) -> None:
    folder = make_study(tmp_path, rate=8000, channels=1, stems=("drums", "voice"))
    assert [form.name for form in load_song(folder).forms] == ["as written", "refrain first", "twice"]


@pytest.mark.parametrize("kind, subtype", CONTAINERS)
def test_a_bounce(tmp_path: Path, kind: str, subtype: str) -> None:
    (tmp_path / "song.toml").write_text(TOML)
    noise = np.random.default_rng(1).normal(0, 0.1, (8000, 2))
    soundfile.write(tmp_path / "song.wav", noise, 8000, format=kind, subtype=subtype)
    told(tmp_path, "check")
    told(tmp_path, "render")


def test_a_sheet_of_ratings(tmp_path: Path) -> None:
    rows = ["listener,day,round,position,form,rating"]
    for who in ("ana", "bo"):
        for number in (1, 2):
            rows += [
                f"{who},{number},{number},{at},{form},{40 + 7 * at}" for at, form in ((1, "one"), (2, "two"))
            ]
    (tmp_path / "sheet.csv").write_text("\n".join(rows))
    told(tmp_path, "verdict", str(tmp_path / "sheet.csv"), study=False)
