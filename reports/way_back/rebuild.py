"""The rebuild sheet: a short list of edits that turns the song as written into a form.

Each edit is stated for the song as the edits before have left it, in bars and beats, with the time at
which it lies, so that it can be carried out in any audio program. See `arrangement` for what an edit
does exactly and `rebuild_search` for how short the list is.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from render.audio.timeline import lay_out
from render.song.forms import Form, bars_text
from render.song.song import Song
from reports.files import plain
from reports.way_back.arrangement import Task, task
from reports.way_back.rebuild_search import EFFORT, shortest
from reports.way_back.rebuild_words import Edit, Wording, clock, counted, ending_edit, length_bars

COLUMNS = (
    "step", "kind", "from_bar", "from_beat", "up_to_bar", "up_to_beat", "to_bar", "to_beat", "beats",
    "stems", "from_time", "to_time", "total_bars", "total_time", "text",
)  # fmt: skip


@dataclass(frozen=True)
class Landmark:
    """A part of the finished form, for checking: its bars, its time, its words."""

    first_bar: int
    last_bar: int
    time_s: Fraction
    text: str


@dataclass(frozen=True)
class Sheet:
    """The edits in order, what should be there in the end, and what holds for all of them."""

    title: str
    form: str
    edits: tuple[Edit, ...]
    landmarks: tuple[Landmark, ...]
    notes: tuple[str, ...]
    total_bars: int  # on the ruler
    length_bars: Fraction  # of music: a short bar is the part of a bar that it is
    total_s: Fraction

    def as_markdown(self) -> str:
        """The sheet as a page to print or to read beside the session."""
        lines = [f'# How to rebuild {plain(self.title)} as "{plain(self.form)}"', ""]
        if not self.edits:
            lines += ["Nothing to do: this is the song as it stands.", ""]
        for step, edit in enumerate(self.edits, start=1):
            where = " to ".join(clock(p.time_s) for p in (edit.start, edit.to) if p)
            now = f"Now {counted(edit.length_bars, 'bar')}, {clock(edit.total_s)}."
            lines += [f"{step}. {plain(edit.text)}  ", f"   {f'At {where}. ' if where else ''}{now}"]
        lines += ["", "## What you should have then", "", "| bars | starts at | part |", "|---|---|---|"]
        for mark in self.landmarks:
            bars = bars_text(mark.first_bar, mark.last_bar)
            lines.append(f"| {bars} | {clock(mark.time_s)} | {plain(mark.text)} |")
        total = f"{counted(self.length_bars, 'bar')}; the last one ends at {clock(self.total_s)}."
        lines += ["", f"Together {total}", "", "## Good to know", ""]
        return "\n".join([*lines, *(f"- {plain(note)}" for note in self.notes), ""])

    def as_csv(self) -> str:
        """One row per edit; columns as in `COLUMNS`."""
        out = io.StringIO()
        writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(self._rows())
        return out.getvalue()

    def _rows(self) -> Iterator[dict[str, object]]:
        for step, edit in enumerate(self.edits, start=1):
            row: dict[str, object] = {"step": step, "kind": edit.kind}
            for name, at in (("from", edit.start), ("up_to", edit.stop), ("to", edit.to)):
                row[f"{name}_bar"] = at.bar if at else None
                row[f"{name}_beat"] = round(float(at.beat), 6) if at else None
            row["beats"] = round(float(edit.beats), 6) if edit.beats is not None else None
            row["stems"] = " and ".join(edit.stems)
            row["from_time"] = clock(edit.start.time_s) if edit.start else ""
            row["to_time"] = clock(edit.to.time_s) if edit.to else ""
            yield row | {
                "total_bars": _number(edit.length_bars),
                "total_time": clock(edit.total_s),
                "text": edit.text,
            }


def sheet(song: Song, form: Form, effort: int = EFFORT) -> Sheet:
    """The rebuild sheet of a form; `effort` bounds the search for a shorter list.

    Raises:
        FormError: as `render.audio.timeline.lay_out` does.
    """
    todo = task(song, form)
    timeline = lay_out(song, form)
    edits, state = [], todo.start
    for op in shortest(todo, effort):
        new = state.after(op)
        edits.append(Wording(todo, state, new).edit(op))
        state = new
    rings = song.audio.frames > song.grid.line_frame(song.last_bar + 1)
    if timeline.ending.kind != "song" and (rings or timeline.ending.kind != "cut"):
        edits.append(ending_edit(todo, timeline.ending))
    marks = []
    starts = (*todo.parts, len(todo.goal.slots))
    for index, now in enumerate(form.parts):
        line = todo.seconds(todo.goal.lines[starts[index]])
        marks.append(Landmark(starts[index] + 1, starts[index + 1], line, now.text))
    end_s = todo.seconds(todo.goal.lines[-1])
    notes = tuple(_notes(song, todo))
    slots = todo.goal.slots
    bars = length_bars(slots, song.grid)
    return Sheet(song.title, form.name, tuple(edits), tuple(marks), notes, len(slots), bars, end_s)


def _notes(song: Song, todo: Task) -> Iterator[str]:
    yield "Work on a copy of the project, on all tracks at once, with the grid and bar lines on."
    yield (
        'Bars and beats are those of the song as the steps before have left it. "Up to" does not include '
        "the place it names."
    )
    yield f"Times count from the start of the audio file; bar 1 lies at {clock(song.grid.start_s)}."
    early_s = todo.seconds(0)
    if early_s < 0:
        yield (
            f"The first pickup begins {float(-early_s):.3f} s before the audio file does: make that much "
            "room before bar 1 first (the times above do not count it)."
        )
    yield (
        f"Crossfade each new join by about {song.crossfade_ms:g} ms, ending just before the bar line (or "
        "before the pickup), so that the new downbeat stays whole."
    )
    if song.grid.changes:
        yield "Tempo and meter changes belong to their bars: they move, come twice and go with them."
    if any(slot.beats != song.grid.stretch(slot.bar).meter.beats for slot in todo.goal.slots):
        bars = counted(length_bars(todo.goal.slots, song.grid), "bar")
        yield (
            "A silence that is no whole number of bars ends with a short bar of its own; in lengths it "
            f"counts as the part of a bar that it is: {bars} in the end."
        )


def _number(bars: Fraction) -> int | float:
    """Whole bars as an integer."""
    return bars.numerator if bars.denominator == 1 else round(float(bars), 6)
