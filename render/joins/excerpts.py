"""Excerpts around one join, as the render will hold it and as the song has it, without rendering the form.

Bars are read from the files as needed, so that an excerpt of some seconds takes some milliseconds.
"""

from __future__ import annotations

from typing import Literal

from render.arrays import Audio
from render.audio.splice import Splicer
from render.audio.stem_fit import StemFit
from render.audio.stems import Mixes, fit_stems_once
from render.audio.timeline import Join, Timeline, lay_out
from render.errors import SongError
from render.song.forms import AS_WRITTEN, Form, Piece
from render.song.song import Song

BARS_EACH_SIDE = 2


def join_excerpt(song: Song, form: Form, join_index: int) -> Audio:
    """Two bars on each side of a join of `form`, (frames, channels): sample for sample as the render has them
    before its gain.

    `join_index` counts the form's joins from 0, as JoinFinding.index does. Bars are as long as the old
    part's before the line, as the new part's after it; the excerpt ends where the form does.

    Raises:
        SongError: there is no such join; FormError: the form is not in order; AudioError: a file cannot
            be read.
    """
    timeline = lay_out(song, form)
    start, stop = around(song, timeline, _join(timeline, join_index))
    return _excerpt(song, timeline, start, stop, fit_stems_once(song))


def form_excerpt(song: Song, form: Form, start: int, stop: int) -> Audio:
    """Frames [start, stop) of a form, (frames, channels), before its gain; frame 0 is its first bar line.

    Raises:
        FormError: the form is not in order; AudioError: a file cannot be read.
    """
    timeline = lay_out(song, form)
    start, stop = max(start, timeline.start), min(stop, timeline.stop)
    return _excerpt(song, timeline, start, stop, fit_stems_once(song))


def _excerpt(song: Song, timeline: Timeline, start: int, stop: int, fit: StemFit | None) -> Audio:
    with Mixes(song, None, fit) as mixes:
        return Splicer(timeline, mixes, max(-timeline.start, 0)).read(start, stop)


def as_it_was(song: Song, form: Form, join_index: int, side: Literal["old", "new"]) -> Audio | None:
    """The same line in the song as written, (frames, channels): what comes before the new part there, or
    (`side` "old") what follows the old part; None where that side of the join is silence.

    Raises:
        SongError, FormError, AudioError: as join_excerpt.
    """
    timeline = lay_out(song, form)
    join = _join(timeline, join_index)
    part = timeline.part(join.before if side == "old" else join.after)
    if not isinstance(part, Piece):
        return None
    written = lay_out(song, song.form(AS_WRITTEN))
    bar = part.last_bar + 1 if side == "old" else part.first_bar
    line = song.grid.line_frame(bar) - song.grid.line_frame(1)
    start = max(line - _bars_frames(song, max(bar - 1, 1)), written.start)
    stop = min(line + _bars_frames(song, bar), written.stop)
    return _excerpt(song, written, start, max(stop, start), fit=None)


def around(song: Song, timeline: Timeline, join: Join) -> tuple[int, int]:
    """First frame and end of the bars around a join, in frames of the form (0 = its first bar line)."""
    old = timeline.part(join.before) or timeline.part(join.after)
    new = timeline.part(join.after) or old
    before = _bars_frames(song, old.last_bar if isinstance(old, Piece) else 1)
    after = _bars_frames(song, new.first_bar if isinstance(new, Piece) else 1)
    return max(join.line - before, timeline.start), min(join.line + after, timeline.stop)


def _bars_frames(song: Song, bar: int) -> int:
    """The frames on one side of a line, in bars as long as `bar` is."""
    return song.grid.frame(BARS_EACH_SIDE * song.grid.stretch(bar).bar_s)


def _join(timeline: Timeline, index: int) -> Join:
    if not 0 <= index < len(timeline.joins):
        has = f"joins 0 to {len(timeline.joins) - 1}" if timeline.joins else "no joins"
        raise SongError(f'forms."{timeline.form.name}" has {has}, so there is no join {index}')
    return timeline.joins[index]
