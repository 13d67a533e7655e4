"""The words of a rebuild sheet: what one edit says to a person, in bars, beats and seconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from render.figures import counted, figure
from render.song.forms import Ending, Section
from render.song.grid import Grid
from reports.verdict.phrases import listed
from reports.way_back.arrangement import (
    Arrangement,
    Copy,
    Move,
    Mute,
    Op,
    Over,
    Remove,
    Rest,
    Slot,
    Task,
    part,
)
from reports.way_back.rebuild_effects import Effects
from reports.way_back.rebuild_order import shows_at

EditKind = Literal["copy", "move", "remove", "silence", "copy over", "mute", "clear", "ending"]


@dataclass(frozen=True)
class Position:
    """A place on the ruler: bar and beat, both from 1. Beat 0 of bar 1 lies one beat before bar 1.

    `bounce_s` is the time in the bounce of what sounds there so far (None: silence).
    """

    bar: int
    beat: Fraction
    bounce_s: Fraction | None

    @property
    def on_line(self) -> bool:
        return self.beat == 1

    def __str__(self) -> str:
        if self.on_line:
            return f"bar {self.bar}"
        if self.beat < 1:
            return f"{counted(1 - self.beat, 'beat')} before bar 1"
        return f"bar {self.bar} beat {figure(self.beat)}"


@dataclass(frozen=True)
class Edit:
    """One action. Ranges run from `start` up to `stop`, which is not part of them; `to` is where it goes.

    `slots` are a silence's bars; `beats` the length of what is inserted, laid over or removed where it
    is no whole number of bars. `effect` says what it does to the song. `length_bars` are the bars of music
    after the edit, in which a short bar counts as the part of a bar that it is. `slot` is the bar (from 0) of
    the song after the edit where it shows.
    """

    kind: EditKind
    text: str
    effect: str = ""
    start: Position | None = None
    stop: Position | None = None
    to: Position | None = None
    slots: tuple[Slot, ...] = ()
    beats: Fraction | None = None
    stems: tuple[str, ...] = ()
    length_bars: Fraction = Fraction(0)
    slot: int = 0


class Wording:
    """Puts one edit into words, between the states before and after it."""

    def __init__(
        self, todo: Task, before: Arrangement, after: Arrangement, sections: Sequence[Section]
    ) -> None:
        self.todo, self.before, self.after = todo, before, after
        self.effects = Effects(todo.start, before, after, sections)

    def edit(self, op: Op) -> Edit:
        """The edit in words, with what it does to the song and how long that is then."""
        slot, length = shows_at(op, self.after), length_bars(self.after.slots, self.todo.grid)
        return replace(self.stated(op), effect=self.effects.of(op), slot=slot, length_bars=length)

    def stated(self, op: Op) -> Edit:
        match op:
            case Copy() | Move() | Remove():
                return self.bars(op)
            case Rest():
                return self.silence(op)
            case Over():
                return self.over(op)
            case Mute():
                return self.mute(op)
        stop = self.at(op.stop)
        return Edit("clear", f"Silence everything that sounds before {stop}.", stop=stop)

    def bars(self, op: Copy | Move | Remove) -> Edit:
        """Whole bars copied, moved or removed."""
        lines = self.before.lines
        start, stop = self.at(lines[op.first] - op.shift), self.at(lines[op.stop] - op.shift)
        length = counted(op.stop - op.first, "bar")
        what = f"{_range(start, stop)}{f' ({length})' if op.shift else ''}"
        if isinstance(op, Remove):
            return Edit("remove", f"Remove {what} and close up.", "", start, stop)
        to = self.at(lines[op.to] - op.shift)
        at_end = op.to == len(self.before.slots) and not op.shift
        goes = f"to the end, after bar {op.to}" if at_end else f"to before {to}"
        if isinstance(op, Move):
            return Edit("move", f"Move {what} {goes}.", "", start, stop, to)
        later = "" if at_end else f"; what follows moves {length} later"
        text = f"Repeat {what}." if op.to in (op.first, op.stop) else f"Copy {what} {goes}{later}."
        return Edit("copy", text, "", start, stop, to)

    def silence(self, op: Rest) -> Edit:
        to = self.at(self.before.lines[op.to])
        words = silence_words(op.slots, self.todo.grid)
        beats = sum((slot.beats for slot in op.slots), Fraction(0))
        where = f"at the end, after bar {op.to}" if op.to == len(self.before.slots) else f"before {to}"
        text = f"Insert {words} of silence {where}."
        short = [op.to + n for n, slot in enumerate(op.slots, start=1) if self.short(slot)]
        if short:
            text += f" Bar {short[0]} then has only {counted(op.slots[-1].beats, 'beat')}."
        return Edit("silence", text, to=to, slots=op.slots, beats=beats)

    def over(self, op: Over) -> Edit:
        start, stop, to = self.at(op.source), self.at(op.source + op.ticks), self.at(op.to)
        end = self.at(op.to + op.ticks)
        beats = self.beats(op.source, op.source + op.ticks)
        what = "beat" if beats == 1 else counted(beats, "beat")
        text = (
            f"Copy the {what} from {start} up to {stop} over what sounds from {to} up to "
            f"{end}; nothing moves."
        )
        return Edit("copy over", text, "", start, stop, to, beats=beats)

    def mute(self, op: Mute) -> Edit:
        from_the_top = op.start < self.before.lead and op.start in (0, self.opening())
        start, stop = self.at(0 if from_the_top else op.start), self.at(op.stop)
        stems = tuple(sorted(op.stems))
        where = f"everything before {stop}" if from_the_top else _range(start, stop).removeprefix("from ")
        within = "in" if from_the_top or (start.on_line and stop.on_line) else "from"
        rings = op.stop == self.before.lines[-1]
        text = f"Mute {listed(stems)} {within} {where}{', and in what rings after it' if rings else ''}."
        return Edit("mute", text, "", start, stop, stems=stems)

    def opening(self) -> int:
        """The tick at which the first sound begins."""
        first = self.before.cells[0]
        return first.ticks if first.source is None else 0

    def span(self, start: int, stop: int) -> Fraction:
        return Fraction(stop - start, self.todo.per_s)

    def short(self, slot: Slot) -> bool:
        return slot.beats != self.todo.grid.stretch(slot.bar).meter.beats

    def at(self, tick: int) -> Position:
        """The bar and beat of a tick in the state before the edit."""
        state, grid = self.before, self.todo.grid
        bounce_s = self.bounce_s(tick)
        if tick < state.lead:
            beat_s = grid.stretch(1).beat_s
            return Position(1, 1 - self.span(tick, state.lead) / beat_s, bounce_s)
        bar = max(n for n, line in enumerate(state.lines) if line <= tick)
        into_s = self.span(state.lines[bar], tick)
        beat = 1 + into_s / grid.stretch(state.slots[bar].bar).beat_s if into_s else Fraction(1)
        return Position(bar + 1, beat, bounce_s)

    def bounce_s(self, tick: int) -> Fraction | None:
        """The time in the bounce of what sounds from a tick on; at the end, of where it stops."""
        after = part(self.before.cells, tick, tick + 1)
        if after:
            return None if after[0].source is None else Fraction(after[0].source, self.todo.per_s)
        last = self.before.cells[-1]
        return None if last.source is None else Fraction(last.source + last.ticks, self.todo.per_s)

    def beats(self, start: int, stop: int) -> Fraction:
        """Beats in [start, stop), bar by bar."""
        state, grid = self.before, self.todo.grid
        beats = self.span(start, min(stop, max(start, state.lead))) / grid.stretch(1).beat_s
        for slot, line in zip(state.slots, state.lines, strict=False):
            lo, hi = max(start, line), min(stop, line + slot.ticks)
            if lo < hi:
                beats += self.span(lo, hi) / grid.stretch(slot.bar).beat_s
        return beats


def silence_words(slots: tuple[Slot, ...], grid: Grid) -> str:
    """ "1 bar", "2 beats", "1 bar and 2 beats"."""
    short = [slot.beats for slot in slots if slot.beats != grid.stretch(slot.bar).meter.beats]
    whole, rest = len(slots) - len(short), sum(short, Fraction(0))
    words = [counted(whole, "bar")] if whole else []
    return " and ".join([*words, counted(rest, "beat")] if rest else words)


def ending_edit(todo: Task, ending: Ending) -> Edit:
    last = len(todo.goal.slots)
    length = counted(ending.length, ending.unit[:-1])
    text = {
        "ring": f"Let bar {last} ring on for {length} under a fade to silence; nothing follows.",
        "fade": (
            f"Fade the song out over its last {length}, to silence at the end of bar {last}; nothing follows."
        ),
        "cut": f"End at the end of bar {last}: cut away what rings on after it.",
    }[ending.kind]
    bars = length_bars(todo.goal.slots, todo.grid)
    effect = {"ring": "the last chord rings out", "fade": "a fade-out", "cut": "a dry end"}[ending.kind]
    return Edit("ending", text, effect, length_bars=bars, slot=last)


def length_bars(slots: tuple[Slot, ...], grid: Grid) -> Fraction:
    """How many bars they are, a short one being the part of a bar that it is."""
    return sum((slot.beats / grid.stretch(slot.bar).meter.beats for slot in slots), Fraction(0))


def clock(time_s: Fraction) -> str:
    """Minutes, seconds and thousandths: "1:04.250"."""
    thousandths = round(time_s * 1000)
    sign, thousandths = ("-" if thousandths < 0 else ""), abs(thousandths)
    return f"{sign}{thousandths // 60000}:{thousandths // 1000 % 60:02d}.{thousandths % 1000:03d}"


def _range(start: Position, stop: Position) -> str:
    """ "bars 5-12", "bar 5", "bar 8 beat 4 up to bar 12 beat 4", "from 1 beat before bar 1 up to bar 5"."""
    if start.on_line and stop.on_line:
        last = stop.bar - 1
        return f"bar {start.bar}" if last == start.bar else f"bars {start.bar}-{last}"
    return f"{'from ' if start.beat < 1 else ''}{start} up to {stop}"
