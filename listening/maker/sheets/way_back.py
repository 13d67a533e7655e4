"""Where a step of the way back is heard: its place in the bounce, and the join that it makes."""

from __future__ import annotations

from dataclasses import dataclass

from render.audio.timeline import Timeline, lay_out
from render.song.forms import Piece
from render.song.song import Song
from reports.way_back.package import WayBack
from reports.way_back.rebuild_words import Edit
from reports.way_back.rerecord import Item

AROUND_BARS = 2


@dataclass(frozen=True)
class Place:
    """Where a step is heard: frames of the bounce, and the join of the new form with this index, if any."""

    first_frame: int
    frames: int
    join: int | None


def places(song: Song, way: WayBack) -> dict[str, Place]:
    """Step ("edit 1", "again 1") -> where it is heard; steps that only end or silence have none."""
    timeline = lay_out(song, song.form(way.form))
    by_step: dict[str, Place] = {}
    for number, edit in enumerate(way.sheet.edits, start=1):
        place = _of_edit(song, timeline, edit)
        if place is not None:
            by_step[f"edit {number}"] = place
    for number, item in enumerate(way.again, start=1):
        place = _of_item(song, timeline, item)
        if place is not None:
            by_step[f"again {number}"] = place
    return by_step


def _of_edit(song: Song, timeline: Timeline, edit: Edit) -> Place | None:
    times_s = [float(p.bounce_s) for p in (edit.start, edit.stop, edit.to) if p and p.bounce_s is not None]
    if not times_s:
        return None
    misses = [(_miss_s(song, timeline, index, times_s), index) for index in range(len(timeline.joins))]
    return _around(song, times_s[0], min(misses)[1] if misses else None)


def _of_item(song: Song, timeline: Timeline, item: Item) -> Place | None:
    """The join nearest to the item's bars of the new form; before it, the bounce where the new part was."""
    misses = []
    for index, join in enumerate(timeline.joins):
        if join.after is not None:
            bar = int(timeline.parts[join.after].start_bar) + 1
            misses.append((max(item.first_bar - bar, bar - item.last_bar, 0), index))
    if not misses:
        return None
    index = min(misses)[1]
    after = timeline.joins[index].after
    part = timeline.form.parts[after] if after is not None else None
    if not isinstance(part, Piece):
        return None
    return _around(song, float(song.grid.line_s(part.first_bar)), index)


def _miss_s(song: Song, timeline: Timeline, index: int, times_s: list[float]) -> float:
    """How far the two sides of a join lie from the places of an edit, in seconds of the bounce."""
    join, miss_s = timeline.joins[index], 0.0
    for side, later in ((join.before, 1), (join.after, 0)):
        part = timeline.form.parts[side] if side is not None else None
        if isinstance(part, Piece):
            line_s = float(song.grid.line_s(part.last_bar + 1 if later else part.first_bar))
            miss_s += min(abs(line_s - time_s) for time_s in times_s)
    return miss_s


def _around(song: Song, time_s: float, join: int | None) -> Place:
    bar_s = float(song.grid.stretch(1).bar_s) * AROUND_BARS
    rate, last = song.audio.sample_rate, song.audio.frames - 1
    first = min(max(round((time_s - bar_s) * rate), 0), last)
    stop = min(max(round((time_s + bar_s) * rate), first + 1), last + 1)
    return Place(first, stop - first, join)
