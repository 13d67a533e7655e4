"""The way back as a list to tick off: its steps in order, and where each is heard before and after."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from render.audio.timeline import lay_out
from render.figures import size_text
from render.song.song import Song
from reports.way_back.arrangement import task
from reports.way_back.package import WayBack, step_id
from reports.way_back.rebuild import SheetStep
from reports.way_back.stems import STEMS

AROUND_BARS = 2
GROUPS = IN_PROJECT, AGAIN, BY_EAR = (
    "In the song's project", "To perform again", "To check by ear, join by join",
)  # fmt: skip


@dataclass(frozen=True)
class BouncePassage:
    """A stretch of sound: its first frame and how many there are."""

    first_frame: int
    frames: int


@dataclass(frozen=True)
class TickStep:
    """A step to tick off. `before` is a passage of the bounce, `after` one of the form (frame 0: its first
    bar line); None where there is nothing to hear. `id` stays the same while the step does."""

    id: str
    group: str
    words: str
    note: str
    before: BouncePassage | None
    after: BouncePassage | None


def tick_steps(song: Song, way: WayBack) -> tuple[TickStep, ...]:
    """All steps of a way back: edits in the project, what is performed again, joins to check by ear."""
    places = _Places(song, way)
    steps = []
    for step in way.sheet.steps:
        note = f"{step.edit.effect}; it shows at {step.place}"
        form_s = float(step.form_s)
        before_s = _heard_at_s(step)
        before = places.before(places.bounce_at_s(form_s) if before_s is None else before_s)
        after = places.after(form_s)
        steps.append(TickStep(step_id(way, step), IN_PROJECT, step.edit.text, note, before, after))
    for item in way.again:
        words = f"{item.bars}, {item.part}: {item.what}"
        key = hashlib.sha256(f"{way.form}/{words}".encode()).hexdigest()[:12]
        group = BY_EAR if item.by_ear else AGAIN
        form_s = places.form_s(item.first_bar)
        before, after = places.before(places.bounce_at_s(form_s)), places.after(form_s)
        steps.append(TickStep(key, group, words, item.why, before, after))
    return tuple(steps)


def contents_words(folder: Path) -> str:
    """What the folder of a decision holds, and how large it is, for who takes it away."""
    sizes = {path.relative_to(folder): path.stat().st_size for path in folder.rglob("*") if path.is_file()}
    stems = {path: size for path, size in sizes.items() if path.parts[0] == STEMS}
    words = (
        f"One ZIP of {size_text(sum(sizes.values()))}: the rebuild sheet and the re-record list as text and "
        "as tables, a Standard MIDI File with the form's tempo, meter and markers, and the form as it was "
        "heard, with a cue at each part"
    )
    if stems:
        words += f"; {len(stems)} stems in the new order take {size_text(sum(stems.values()))} of it"
    return f"{words}."


def _heard_at_s(step: SheetStep) -> float | None:
    """Where in the bounce the material of an edit stands, or what the edit touches; None: only silence."""
    places = (step.edit.start, step.edit.to, step.edit.stop)
    return next((float(p.bounce_s) for p in places if p is not None and p.bounce_s is not None), None)


class _Places:
    """Where bars of a form lie in it and in the bounce, as passages of two bars on either side."""

    def __init__(self, song: Song, way: WayBack) -> None:
        form = song.form(way.form)
        self.song, self.way = song, way
        self.timeline, self.todo = lay_out(song, form), task(song, form)

    def form_s(self, bar: int) -> float:
        """Seconds after the form's first bar line at which a bar of it begins."""
        goal = self.todo.goal
        return (goal.lines[min(bar, len(goal.slots)) - 1] - goal.lead) / self.todo.per_s

    def bounce_at_s(self, form_s: float) -> float | None:
        """Where the bounce has what the form plays at a place; None for a silence."""
        marks = self.way.sheet.landmarks
        mark = next((m for m in reversed(marks) if self.form_s(m.first_bar) <= form_s + 1e-6), marks[0])
        if mark.bounce_s is None:
            return None
        return float(mark.bounce_s) + form_s - self.form_s(mark.first_bar)

    def before(self, at_s: float | None) -> BouncePassage | None:
        """The bounce around a place, in frames of its file."""
        return None if at_s is None else self._around(at_s, 0, self.song.audio.frames)

    def after(self, at_s: float) -> BouncePassage:
        """The form around a place, in frames after its first bar line."""
        return self._around(at_s, self.timeline.start, self.timeline.stop)

    def _around(self, at_s: float, low: int, high: int) -> BouncePassage:
        rate, bars_s = self.song.audio.sample_rate, float(self.song.grid.stretch(1).bar_s) * AROUND_BARS
        first = min(max(round((at_s - bars_s) * rate), low), high - 1)
        stop = min(max(round((at_s + bars_s) * rate), first + 1), high)
        return BouncePassage(first, stop - first)
