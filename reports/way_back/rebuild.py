"""The rebuild sheet: a short list of edits that turns the song as written into a form.

Each edit is stated for the song as the edits before have left it, in bars and beats, with the time at
which it lies, so that it can be carried out in any audio program. See `arrangement` for what an edit
does exactly and `rebuild_search` for how short the list is.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby

from render.audio.timeline import lay_out
from render.figures import counted
from render.song.forms import Form, Piece, bars_text
from render.song.song import Song
from reports.files import cell, csv_text
from reports.way_back.arrangement import Copy, Op, Task, task
from reports.way_back.rebuild_order import final_slot
from reports.way_back.rebuild_search import EFFORT, shortest
from reports.way_back.rebuild_words import Edit, Wording, clock, ending_edit, length_bars

COLUMNS = (
    "step", "kind", "from_bar", "from_beat", "up_to_bar", "up_to_beat", "to_bar", "to_beat", "beats",
    "stems", "from_bounce_time", "to_bounce_time", "total_bars", "text", "effect", "place",
)  # fmt: skip


@dataclass(frozen=True)
class Landmark:
    """A part of the finished form, for checking: its bars, its words, and where it lies in the bounce
    (None: a silence)."""

    first_bar: int
    last_bar: int
    bounce_s: Fraction | None
    text: str

    @property
    def bars(self) -> str:
        return bars_text(self.first_bar, self.last_bar)


@dataclass(frozen=True)
class SheetStep:
    """One edit of the sheet. `place` names the part of the finished form where it shows; `form_s` is the
    time there, in seconds after the form's first bar line."""

    number: int
    edit: Edit
    place: str
    form_s: Fraction

    @property
    def times(self) -> str:
        """Where to look, in the bounce: "1:30.402 to 0:40.402", "" for what is silent there."""
        places = [at.bounce_s for at in (self.edit.start, self.edit.to) if at]
        words = [clock(time_s) if time_s is not None else "the silence" for time_s in places]
        return " to ".join(dict.fromkeys(words))  # what is repeated goes nowhere else


@dataclass(frozen=True)
class Sheet:
    """The steps in order, what should be there in the end, and what holds for all of them."""

    title: str
    form: str
    steps: tuple[SheetStep, ...]
    landmarks: tuple[Landmark, ...]
    notes: tuple[str, ...]
    length_bars: Fraction  # of music: a short bar is the part of a bar that it is
    length_s: Fraction  # from the first bar line to the last

    @property
    def edits(self) -> tuple[Edit, ...]:
        return tuple(step.edit for step in self.steps)

    @property
    def groups(self) -> tuple[tuple[str, tuple[SheetStep, ...]], ...]:
        """Neighbouring steps by the part where they show."""
        return tuple((place, tuple(run)) for place, run in groupby(self.steps, key=lambda step: step.place))

    def as_csv(self) -> str:
        """One row per edit; columns as in `COLUMNS`."""
        return csv_text(COLUMNS, self._rows())

    def _rows(self) -> Iterator[dict[str, object]]:
        for step in self.steps:
            edit = step.edit
            row: dict[str, object] = {"step": step.number, "kind": edit.kind}
            for name, at in (("from", edit.start), ("up_to", edit.stop), ("to", edit.to)):
                row[f"{name}_bar"] = at.bar if at else None
                row[f"{name}_beat"] = round(float(at.beat), 6) if at else None
            row["beats"] = round(float(edit.beats), 6) if edit.beats is not None else None
            row["stems"] = " and ".join(edit.stems)
            for name, at in (("from", edit.start), ("to", edit.to)):
                row[f"{name}_bounce_time"] = clock(at.bounce_s) if at and at.bounce_s is not None else ""
            yield row | {
                "total_bars": _number(edit.length_bars),
                "text": edit.text,
                "effect": cell(edit.effect),
                "place": cell(step.place),
            }


def sheet(song: Song, form: Form, effort: int = EFFORT) -> Sheet:
    """The rebuild sheet of a form; `effort` bounds the search for a shorter list.

    Raises:
        FormError: as `render.audio.timeline.lay_out` does.
    """
    todo = task(song, form)
    edits = list(_edits(song, form, todo, effort))
    marks = []
    starts = (*todo.parts, len(todo.goal.slots))
    for index, now in enumerate(form.parts):
        bounce_s = song.grid.line_s(now.first_bar) if isinstance(now, Piece) else None
        marks.append(Landmark(starts[index] + 1, starts[index + 1], bounce_s, now.text))
    slots, lines = todo.goal.slots, todo.goal.lines
    return Sheet(
        title=song.title,
        form=form.name,
        steps=tuple(_step(todo, form, number, edit) for number, edit in enumerate(edits, 1)),
        landmarks=tuple(marks),
        notes=tuple(_notes(song, todo)),
        length_bars=length_bars(slots, song.grid),
        length_s=Fraction(lines[-1] - todo.goal.lead, todo.per_s),
    )


def _edits(song: Song, form: Form, todo: Task, effort: int) -> Iterator[Edit]:
    """The edits in words; `slot` becomes the bar of the finished form."""
    ops, state = shortest(todo, effort), todo.start
    at = 0
    for _, run in groupby(ops, key=_what_goes_where):
        same = list(run)  # repeats of one and the same: each shows behind the one before
        at += len(same)
        for number, op in enumerate(same):
            new = state.after(op)
            edit = Wording(todo, state, new, song.sections).edit(op)
            shows = edit.slot + (number * (op.stop - op.first) if isinstance(op, Copy) else 0)
            yield replace(edit, slot=final_slot(shows, ops[at:]))
            state = new
    ending = lay_out(song, form).ending
    rings = song.audio.frames > song.grid.line_frame(song.last_bar + 1)
    if ending.kind != "song" and (rings or ending.kind != "cut"):
        yield ending_edit(todo, ending)


def _what_goes_where(op: Op) -> object:
    """Alike for edits that put the same bars in the same place: before or behind themselves is one."""
    if isinstance(op, Copy) and op.to in (op.first, op.stop):
        return op._replace(to=op.stop)
    return op


def _step(todo: Task, form: Form, number: int, edit: Edit) -> SheetStep:
    slot = min(max(edit.slot, 0), len(todo.goal.slots))
    form_s = Fraction(todo.goal.lines[slot] - todo.goal.lead, todo.per_s)
    part = bisect.bisect_right(todo.parts, slot) - 1
    stop = todo.parts[part + 1] if part + 1 < len(todo.parts) else len(todo.goal.slots)
    bars = bars_text(todo.parts[part] + 1, stop)
    place = f"{form.parts[part].text} ({'bars' if '-' in bars else 'bar'} {bars})"
    return SheetStep(number, edit, place if slot < len(todo.goal.slots) else "the end", form_s)


def _notes(song: Song, todo: Task) -> Iterator[str]:
    yield "Work on a copy of the project, on all tracks at once, with the grid and bar lines on."
    yield (
        'Bars and beats are those of the song as the steps before have left it. "Up to" does not include '
        "the place it names."
    )
    yield (
        "Times are those of the bounce, where what is spoken of stands in the song as written; its bar 1 "
        f"lies at {clock(song.grid.start_s)}."
    )
    early_s = todo.seconds(0)
    if early_s < 0:
        yield (
            f"The first pickup begins {float(-early_s):.3f} s before the audio file does: make that much "
            "room before bar 1 first."
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
