"""All joins in one sound file, for the maker alone: four bars around each, with a gap between.

Never part of a round: whoever listens blind should hear whole forms only.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from render.arrays import Audio
from render.audio.integers import write_24_bit
from render.audio.splice import Source, Splicer
from render.audio.timeline import Join, Timeline, lay_out, longest_lead
from render.errors import RenderError
from render.figures import clock_text
from render.files import replacing, writing_into
from render.joins.excerpts import around
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
        start, stop = around(song, timeline, join)
        sound = _edged(splicer.read(start, stop), rate)
        sounds += [sound, np.zeros((gap, sound.shape[1]), np.float32)]
        old, new = timeline.part(join.before), timeline.part(join.after)
        before, after = old.text if old else "the top", new.text if new else "the end"
        excerpts.append(JoinExcerpt(at / rate, forms, timeline.bar_after(join), before, after))
        at += len(sound) + gap
    if not excerpts:
        raise RenderError(
            "there are no joins to hear: every form plays the song in its own order; add a form"
        )
    whole = np.concatenate(sounds[:-1])
    whole /= max(float(np.max(np.abs(whole), initial=0.0)), 1.0)
    with writing_into(path.parent), replacing(path) as half:
        write_24_bit(half, [whole], rate, whole.shape[1])
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
            key = (_end(timeline.part(join.before)), _start(timeline.part(join.after)), ending)
            first.setdefault(key, (timeline, splicer, join))
            known = names.setdefault(key, [])
            if timeline.form.name not in known:
                known.append(timeline.form.name)
    for key, (timeline, splicer, join) in first.items():
        yield timeline, splicer, join, tuple(names[key])


def _end(part: Part | None) -> object:
    return (part.last_bar, part.treatment) if isinstance(part, Piece) else part


def _start(part: Part | None) -> object:
    return (part.first_bar, part.treatment, part.pickup_beats) if isinstance(part, Piece) else part


def _edged(sound: Audio, rate: int) -> Audio:
    """Short fades at both ends, so that only the join itself can click."""
    out = sound.copy()
    length = min(round(_EDGE_S * rate), len(out) // 2)
    ramp = np.linspace(0, 1, length, dtype=np.float32)[:, None]
    out[:length] *= ramp
    out[len(out) - length :] *= ramp[::-1]
    return out
