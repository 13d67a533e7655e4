"""All joins in one sound file, for the maker alone: four bars around each, with a gap between.

Never part of a round: whoever listens blind should hear whole forms only.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from render.arrays import Audio
from render.audio.splice import Source, Splicer
from render.audio.timeline import Join, Timeline, lay_out, longest_lead
from render.errors import RenderError, WriteError
from render.figures import clock_text
from render.files import replacing
from render.joins.excerpts import BARS_EACH_SIDE, around
from render.song.forms import Part, Piece
from render.song.song import Song

GAP_S = 1.5
_EDGE_S = 0.02


@dataclass(frozen=True)
class JoinExcerpt:
    """A join's excerpt in the file, from `start_s` on, and every form that has the join."""

    start_s: float
    forms: tuple[str, ...]
    bar: int
    before: str
    after: str

    @property
    def line(self) -> str:
        named = ", ".join(f'"{form}"' for form in self.forms)
        return f"{clock_text(self.start_s)}  {self.before} > {self.after} (bar {self.bar} of {named})"


def write_audition(song: Song, source: Source, path: Path) -> list[JoinExcerpt]:
    """Write the joins of all the song's forms to `path` (24-bit WAV), two bars on each side of each line.

    A join that several forms share is written once. Where samples pass full scale, all is turned down.

    Raises:
        RenderError: there are no joins; WriteError: the file cannot be written; FormError: a form is
            not in order.
    """
    timelines = [lay_out(song, form) for form in song.forms]
    lead = longest_lead(song, timelines)
    rendered = [(timeline, Splicer(timeline, source, lead)) for timeline in timelines]
    excerpts: list[JoinExcerpt] = []
    sounds: list[Audio] = []
    rate = song.grid.sample_rate
    gap = round(GAP_S * rate)
    at = 0
    for timeline, splicer, join, forms in _distinct(rendered):
        start, stop = around(song, timeline, join, BARS_EACH_SIDE, BARS_EACH_SIDE)
        sound = _edged(splicer.read(start, stop), rate)
        sounds += [sound, np.zeros((gap, sound.shape[1]), np.float32)]
        excerpts.append(
            JoinExcerpt(
                at / rate,
                forms,
                timeline.bar_after(join),
                _text(timeline, join.before, "the top"),
                _text(timeline, join.after, "the end"),
            )
        )
        at += len(sound) + gap
    if not excerpts:
        raise RenderError(
            "there are no joins to hear: every form plays the song in its own order; add a form"
        )
    _write(path, np.concatenate(sounds[:-1]), rate)
    return excerpts


def _distinct(
    rendered: Iterable[tuple[Timeline, Splicer]],
) -> Iterator[tuple[Timeline, Splicer, Join, tuple[str, ...]]]:
    """Each join once, in order, with the names of all forms that have it."""
    first: dict[tuple[object, object, str], tuple[Timeline, Splicer, Join]] = {}
    names: dict[tuple[object, object, str], list[str]] = {}
    for timeline, splicer in rendered:
        for join in timeline.joins:
            ending = str(timeline.ending) if join.after is None else ""
            key = (_end(timeline, join.before), _start(timeline, join.after), ending)
            first.setdefault(key, (timeline, splicer, join))
            known = names.setdefault(key, [])
            if timeline.form.name not in known:
                known.append(timeline.form.name)
    for key, (timeline, splicer, join) in first.items():
        yield timeline, splicer, join, tuple(names[key])


def _part(timeline: Timeline, index: int | None) -> Part | None:
    return None if index is None else timeline.form.parts[index]


def _end(timeline: Timeline, index: int | None) -> object:
    part = _part(timeline, index)
    return (part.last_bar, part.treatment) if isinstance(part, Piece) else part


def _start(timeline: Timeline, index: int | None) -> object:
    part = _part(timeline, index)
    return (part.first_bar, part.treatment, part.pickup_beats) if isinstance(part, Piece) else part


def _text(timeline: Timeline, index: int | None, missing: str) -> str:
    part = _part(timeline, index)
    return part.text if part else missing


def _edged(sound: Audio, rate: int) -> Audio:
    """Short fades at both ends, so that only the join itself can click."""
    out = sound.copy()
    length = min(round(_EDGE_S * rate), len(out) // 2)
    ramp = np.linspace(0, 1, length, dtype=np.float32)[:, None]
    out[:length] *= ramp
    out[len(out) - length :] *= ramp[::-1]
    return out


def _write(path: Path, sound: Audio, rate: int) -> None:
    peak = float(np.max(np.abs(sound), initial=0.0))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with replacing(path) as half:
            soundfile.write(half, sound / max(peak, 1.0), rate, format="WAV", subtype="PCM_24")
    except (OSError, RuntimeError) as error:
        raise WriteError(f"{path} could not be written: {error}; choose another place") from None
