"""Taps on the page to a tempo and a start of bar 1, refined by the song's attacks where it played."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from listening.maker.workspace import Workspace
from render.analysis.frames_file import recall_frames
from render.analysis.onsets import Onsets, onsets
from render.audio.stems import read_audio
from render.beat.taps import ENOUGH_TAPS, TappedBeat, tempo_from_taps
from render.errors import PageError
from render.song.song import Song

MOST_TAPS = 2000


@dataclass(frozen=True)
class Offer:
    """A tempo and starts of bar 1 that fit the taps: the likelier first, half a beat beside second."""

    words: str
    tempo: float
    starts_s: tuple[float, ...]
    question: str


def from_taps(work: Workspace, args: Mapping[str, Any]) -> Offer:
    """What the taps say.

    Raises:
        PageError: they are too few, or follow no beat.
    """
    song = work.song()
    in_song, free = _times(args, "at_s"), _times(args, "free_s")
    if len(free) < ENOUGH_TAPS:
        raise PageError(422, "taps", f"{len(free)} taps: tap {ENOUGH_TAPS} beats or more.")
    along = len(in_song) == len(free)
    try:
        tapped = tempo_from_taps(np.array(in_song if along else free), _curve(work, song) if along else None)
    except ValueError as error:
        raise PageError(422, "taps", str(error)) from None
    if not along:
        return Offer(
            f"{tapped.line}. Where the beat lies can only be told from taps along with the song",
            tapped.tempo,
            (),
            "",
        )
    starts = [_first_beat(song, tapped, tapped.beat_at_s)]
    if tapped.other_at_s is not None:
        starts.append(_first_beat(song, tapped, tapped.other_at_s))
    return Offer(tapped.line, tapped.tempo, tuple(starts), tapped.question or "")


def _first_beat(song: Song, tapped: TappedBeat, beat_at_s: float) -> float:
    """The beat of the tapped grid nearest to where bar 1 begins by song.toml."""
    start_s = beat_at_s + round((float(song.grid.start_s) - beat_at_s) / tapped.beat_s) * tapped.beat_s
    return round(start_s if start_s >= 0 else start_s + tapped.beat_s, 4)


def _curve(work: Workspace, song: Song) -> Onsets:
    """The song's onset curve, computed once."""
    key = ("onsets", song.audio.path, song.audio.path.stat().st_mtime_ns)
    if key not in work.cache:
        bounce = read_audio(song.audio.path)
        recall_frames(work.folder, song.audio.path, bounce, song.audio.sample_rate)
        work.cache[key] = onsets(bounce, song.audio.sample_rate)
    curve: Onsets = work.cache[key]
    return curve


def _times(args: Mapping[str, Any], name: str) -> list[float]:
    value = args.get(name)
    if not isinstance(value, list) or len(value) > MOST_TAPS:
        raise PageError(422, "shape", "The taps are not understood.")
    if not all(isinstance(x, int | float) and 0 <= x < 1e7 for x in value):
        raise PageError(422, "shape", "The taps are not understood.")
    return [float(x) for x in value]
