"""Sound of the maker's page: passages of the bounce with or without a click, joins, steps of the way back.

Samples are the study's own, float32 and interleaved, at the song's rate: nothing is resampled or coded.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import soundfile

from listening.maker.blinding import require_playable
from listening.maker.sheets.verdict import step_heard
from listening.maker.workspace import Workspace
from render.arrays import Audio
from render.audio.click import click_track, mix_with_click
from render.audio.stems import read_audio
from render.errors import PageError
from render.joins.excerpts import as_it_was, form_excerpt, join_excerpt
from render.song.song import Song

LONGEST_PIECE_S = 10.0


@dataclass(frozen=True)
class SampleBytes:
    """Interleaved little-endian float32 samples, their rate and number of channels."""

    samples: bytes
    rate: int
    channels: int


def sound(work: Workspace, kind: str, asked: Mapping[str, str]) -> SampleBytes:
    """What a button of a sheet plays.

    Raises:
        PageError: 404, there is no such sound; 403, it would tell what a round keeps sealed;
        FairhearingError: the song is not in order.
    """
    song = work.song()
    if kind == "song":
        samples = _passage(work, song, asked)
    elif kind in ("join", "as-it-was"):
        samples = _around_join(work, song, asked, kind == "join")
    elif kind == "after":
        samples = _after_step(work, song, asked)
    else:
        raise PageError(404, "nothing", "There is no such sound.")
    return SampleBytes(samples.astype("<f4").tobytes(), song.audio.sample_rate, samples.shape[1])


def _passage(work: Workspace, song: Song, asked: Mapping[str, str]) -> Audio:
    """Frames of the bounce, with a click on every beat if it is asked for."""
    first, frames = _int(asked, "from"), _int(asked, "frames")
    rate = song.audio.sample_rate
    if not 0 <= first < song.audio.frames or not 0 < frames <= LONGEST_PIECE_S * rate:
        raise PageError(404, "nothing", "There is no such passage.")
    with soundfile.SoundFile(song.audio.path) as file:
        file.seek(first)
        samples: Audio = file.read(min(frames, song.audio.frames - first), dtype="float32", always_2d=True)
    if asked.get("click") != "1":
        return samples
    click = click_track(song.grid, first, len(samples))
    return mix_with_click(samples, click, peak_of(work, song))[0]


def peak_of(work: Workspace, song: Song) -> float:
    """The bounce's largest sample, read once."""
    key = ("peak", song.audio.path, song.audio.path.stat().st_mtime_ns)
    if key not in work.cache:
        work.cache[key] = float(np.abs(read_audio(song.audio.path)).max(initial=0.0))
    largest: float = work.cache[key]
    return largest


def _around_join(work: Workspace, song: Song, asked: Mapping[str, str], joined: bool) -> Audio:
    form = song.form(asked.get("form", ""))
    require_playable(work, song, form)
    index = _int(asked, "index")
    if joined:
        excerpt = join_excerpt(song, form, index)
        work.note("join heard", {"form": form.name, "index": index})
        return excerpt
    as_written = as_it_was(song, form, index, "new")
    if as_written is None:
        as_written = as_it_was(song, form, index, "old")
    if as_written is None:
        raise PageError(404, "nothing", "There is only silence on both sides.")
    return as_written


def _after_step(work: Workspace, song: Song, asked: Mapping[str, str]) -> Audio:
    """The form decided on, around the place where a step of its way back shows."""
    step = step_heard(work, asked.get("step", ""))
    if step is None or step[1].after is None:
        raise PageError(404, "nothing", "There is no such step.")
    form, after = song.form(step[0]), step[1].after
    require_playable(work, song, form)
    return form_excerpt(song, form, after.first_frame, after.first_frame + after.frames)


def _int(asked: Mapping[str, str], name: str) -> int:
    value = asked.get(name, "")
    if not (value.isascii() and value.isdigit() and len(value) <= 12):
        raise PageError(422, "shape", f"{name}: a whole number stands here.")
    return int(value)
