"""Excerpts around one join, as the render will hold it and as the song has it, without rendering the form.

Bars are read from the files as needed, so that an excerpt of some seconds takes some milliseconds.
"""

from __future__ import annotations

from typing import Literal

from render.arrays import Audio
from render.audio.splice import Splicer
from render.audio.stems import BounceFile, Mixes, fit_stems_once
from render.audio.timeline import Join, Timeline, lay_out
from render.errors import SongError
from render.song.forms import AS_WRITTEN, Form, Part, Piece
from render.song.grid import exact
from render.song.song import Song

BARS_EACH_SIDE = 2


def join_excerpt(
    song: Song,
    form: Form,
    join_index: int,
    bars_before: float = BARS_EACH_SIDE,
    bars_after: float = BARS_EACH_SIDE,
) -> Audio:
    """The bars around a join of `form`, (frames, channels): sample for sample the render before its gain.

    `join_index` counts the form's joins from 0, as JoinFinding.index does. Bars are as long as the old
    part's before the line, as the new part's after it; the excerpt ends where the form does.

    Raises:
        SongError: there is no such join; FormError: the form is not in order; AudioError: a file cannot
            be read.
    """
    timeline = lay_out(song, form)
    join = _join(timeline, join_index)
    return _excerpt(song, timeline, *around(song, timeline, join, bars_before, bars_after))


def form_excerpt(song: Song, form: Form, start: int, stop: int) -> Audio:
    """Frames [start, stop) of a form, (frames, channels), before its gain; frame 0 is its first bar line.

    Raises:
        FormError: the form is not in order; AudioError: a file cannot be read.
    """
    timeline = lay_out(song, form)
    return _excerpt(song, timeline, max(start, timeline.start), min(stop, timeline.stop))


def _excerpt(song: Song, timeline: Timeline, start: int, stop: int) -> Audio:
    with Mixes(song, BounceFile(song.audio), fit_stems_once(song)) as mixes:
        return Splicer(timeline, mixes, max(-timeline.start, 0)).read(start, stop)


def as_it_was(
    song: Song,
    form: Form,
    join_index: int,
    side: Literal["old", "new"] = "new",
    bars_before: float = BARS_EACH_SIDE,
    bars_after: float = BARS_EACH_SIDE,
) -> Audio | None:
    """The same line in the song as written, (frames, channels): what comes before the new part there, or
    (`side` "old") what follows the old part; None where that side of the join is silence.

    Raises:
        SongError, FormError, AudioError: as join_excerpt.
    """
    timeline = lay_out(song, form)
    join = _join(timeline, join_index)
    part = _part(timeline, join.before if side == "old" else join.after)
    if not isinstance(part, Piece):
        return None
    written = lay_out(song, song.form(AS_WRITTEN))
    bar = part.last_bar + 1 if side == "old" else part.first_bar
    origin = song.grid.line_frame(1)
    before = song.grid.frame(exact(bars_before) * song.grid.stretch(max(bar - 1, 1)).bar_s)
    after = song.grid.frame(exact(bars_after) * song.grid.stretch(bar).bar_s)
    line = song.grid.line_frame(bar) - origin
    start, stop = max(line - before, written.start), min(line + after, written.stop)
    with Mixes(song, BounceFile(song.audio), None) as mixes:
        return Splicer(written, mixes, max(-written.start, 0)).read(start, max(stop, start))


def around(
    song: Song, timeline: Timeline, join: Join, bars_before: float, bars_after: float
) -> tuple[int, int]:
    """First frame and end of the bars around a join, in frames of the form (0 = its first bar line)."""
    old = _part(timeline, join.before) or _part(timeline, join.after)
    new = _part(timeline, join.after) or old
    before, after = (
        song.grid.frame(exact(bars) * song.grid.stretch(bar if isinstance(part, Piece) else 1).bar_s)
        for part, bar, bars in (
            (old, old.last_bar if isinstance(old, Piece) else 1, bars_before),
            (new, new.first_bar if isinstance(new, Piece) else 1, bars_after),
        )
    )
    return max(join.line - before, timeline.start), min(join.line + after, timeline.stop)


def _join(timeline: Timeline, index: int) -> Join:
    if not 0 <= index < len(timeline.joins):
        has = f"joins 0 to {len(timeline.joins) - 1}" if timeline.joins else "no joins"
        raise SongError(f'forms."{timeline.form.name}" has {has}, so there is no join {index}')
    return timeline.joins[index]


def _part(timeline: Timeline, index: int | None) -> Part | None:
    return None if index is None else timeline.form.parts[index]
