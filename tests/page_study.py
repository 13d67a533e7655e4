"""A small study for the page's tests: an invented song of some seconds, three forms, three listeners."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.renders.copies import flac_copies
from render.renders.render_forms import render_forms
from sessions.study import Study
from tests.clocks import SetClock

# Bars of 1 s. The forms' lengths differ, and so would the sizes of their files.
SONG_TOML = """\
[song]
title = "Gulls & <Gales>"
audio = "bounce.wav"
tempo = 120
meter = "2/4"
start = 0.25

[sections]
"low" = { bars = "1-1" }
"middle" = { bars = "2-2" }
"high" = { bars = "3-3" }

[forms]
"upside down" = ["high", "middle", "low"]
"no middle at all" = { parts = ["low", "high"], ending = "cut" }

[listeners]
ana = {}
bo = {}
"Zoë <b>" = {}

[plan]
rounds = 2
days = 2
"""
EVENING = datetime(2026, 3, 9, 19, 0, tzinfo=UTC)  # an invented Monday, when the page's tests begin


def write_bounce(path: Path, sample_rate: int = 48000, bar_s: float = 1.0) -> None:
    """Three tones with different noise, one a bar, so that any two parts can be told apart."""
    dice = np.random.default_rng(20260309)
    t = np.arange(round((3 * bar_s + 0.6) * sample_rate)) / sample_rate
    tone = np.select([t < 0.25 + bar_s, t < 0.25 + 2 * bar_s], [220.0, 330.0], 495.0)
    left = 0.2 * np.sin(2 * np.pi * np.cumsum(tone) / sample_rate)
    noise = 0.005 * dice.standard_normal((len(t), 2))
    audio = np.column_stack([left, 0.8 * left]) + noise
    audio[: round(0.05 * sample_rate)] *= np.linspace(0, 1, round(0.05 * sample_rate))[:, None]
    soundfile.write(path, audio, sample_rate, subtype="PCM_24")


def make_study(
    folder: Path,
    clock: Callable[[], datetime] | None = None,
    *,
    sample_rate: int = 48000,
    bar_s: float = 1.0,
    toml: str = SONG_TOML,
) -> Study:
    """The study in `folder`, rendered and with a log, as after a first `host`; its bars last `bar_s`."""
    folder.mkdir(parents=True, exist_ok=True)
    write_bounce(folder / "bounce.wav", sample_rate, bar_s)
    (folder / "song.toml").write_text(toml.replace("tempo = 120", f"tempo = {120 / bar_s}"), encoding="utf-8")
    study = Study(folder, clock) if clock else Study(folder)
    study.register(render_forms(study.song))
    study.log.secret("page_key")
    flac_copies(folder, study.manifest)
    return study


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study of forms of some four seconds, made once for a module's tests to copy."""
    return make_study(tmp_path_factory.mktemp("page") / "study").folder


@pytest.fixture(scope="module")
def rendered_short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with forms of some two seconds, for tests that hear them in real time."""
    return make_study(tmp_path_factory.mktemp("short page") / "study", bar_s=0.4).folder


@pytest.fixture(scope="module")
def rendered_long(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with forms of some ten seconds each: something happens in mid-listen, on slow machines too."""
    toml = SONG_TOML.replace('["low", "high"]', '["low", "high", "high"]')
    return make_study(tmp_path_factory.mktemp("long page") / "study", bar_s=3.0, toml=toml).folder


def copied(study: Path, to: Path, clock: SetClock | None = None) -> Study:
    """A copy of a study's folder, to do with as a test likes."""
    shutil.copytree(study, to)
    return Study(to, clock) if clock else Study(to)
