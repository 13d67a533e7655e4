"""The song being rebuilt: bars on a ruler, and what sounds in them, exactly.

An arrangement is a row of bars (slots) and, laid over it, what sounds (cells). Every edit keeps each
bar's material at its own place in the bar, so that a fixed ruler in any audio program goes on telling
the truth: bars are put in and taken out whole, if need be shifted by a pickup ("bar 8 beat 4 up to bar
12 beat 4" is four bars). Times are whole ticks, fine enough for every beat of the song.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import NamedTuple

from render.audio.timeline import lay_out
from render.song.forms import Form, Part, Piece, Silence, goes_on
from render.song.grid import Grid
from render.song.song import Song


class Slot(NamedTuple):
    """One bar on the ruler: tempo and meter of the song's bar `bar`; a silence's last may be shorter."""

    bar: int
    beats: Fraction
    ticks: int
    silent: bool = False


class Cell(NamedTuple):
    """An unbroken stretch of the song from tick `source` on (None: silence) without the muted stems."""

    source: int | None
    ticks: int
    muted: frozenset[str] = frozenset()


Cells = tuple[Cell, ...]


class Copy(NamedTuple):
    """Slots [first, stop) again before slot `to`, all three `shift` ticks early; what follows moves later."""

    first: int
    stop: int
    to: int
    shift: int = 0


class Remove(NamedTuple):
    """Slots [first, stop) out, `shift` ticks early; what follows closes up."""

    first: int
    stop: int
    shift: int = 0


class Move(NamedTuple):
    """Slots [first, stop) out and in again before slot `to` (outside them), all three `shift` ticks early."""

    first: int
    stop: int
    to: int
    shift: int = 0

    @property
    def copy(self) -> Copy:
        return Copy(*self)

    @property
    def rest(self) -> Remove:
        """What is left to do once it is copied."""
        later = self.stop - self.first if self.to <= self.first else 0
        return Remove(self.first + later, self.stop + later, self.shift)


class Rest(NamedTuple):
    """Silent slots put in before slot `to`."""

    to: int
    slots: tuple[Slot, ...]


class Over(NamedTuple):
    """`ticks` of what sounds from tick `source` on, laid over what sounds from tick `to` on."""

    source: int
    to: int
    ticks: int


class Mute(NamedTuple):
    """Stems out in ticks [start, stop)."""

    start: int
    stop: int
    stems: frozenset[str]


class Clear(NamedTuple):
    """Silence before tick `stop`, which lies before the first bar line."""

    stop: int


Op = Copy | Remove | Move | Rest | Over | Mute | Clear


@dataclass(frozen=True)
class Arrangement:
    """Slots and cells; the cells begin `lead` ticks before the first slot and end with the last one.

    What rings after the last slot is not in it: it follows the last bar, whatever that is.
    """

    lead: int
    slots: tuple[Slot, ...]
    cells: Cells

    @cached_property
    def lines(self) -> tuple[int, ...]:
        """The tick of each slot's bar line, and of the end."""
        return tuple(itertools.accumulate((slot.ticks for slot in self.slots), initial=self.lead))

    @cached_property
    def starts(self) -> list[int]:
        """The tick at which each cell begins."""
        return [*itertools.accumulate((cell.ticks for cell in self.cells[:-1]), initial=0)]

    def source_of(self, tick: int) -> int:
        """A tick of the song as written in ticks of its own file, before which there may be silence."""
        return tick - self.starts[-1]

    def heard(self, start: int, stop: int) -> Cells:
        """What sounds in ticks [start, stop)."""
        if start >= stop:
            return ()
        first = max(bisect.bisect_right(self.starts, start) - 1, 0)
        last = bisect.bisect_left(self.starts, stop, lo=first)
        there, offset = self.cells[first:last], self.starts[first]
        if len(there) < 2:
            return part(there, start - offset, stop - offset)
        head = part(there[:1], start - offset, stop) if start > offset else there[:1]
        end = stop - self.starts[last - 1]
        return (*head, *there[1:-1], *(part(there[-1:], 0, end) if end < there[-1].ticks else there[-1:]))

    def slot_at(self, tick: int) -> int:
        """The slot that holds a tick; what lies before the first belongs to it."""
        return max(bisect.bisect_right(self.lines, tick) - 1, 0)

    def can_shift(self, shift: int, *slots: int) -> bool:
        """Whether cutting `shift` ticks before all these slots leaves every bar line in its place."""
        reaches = {self._reach(slot, shift) for slot in slots}
        return len(reaches) == 1 and None not in reaches

    def _reach(self, slot: int, shift: int) -> tuple[object, ...] | None:
        """The bars that `shift` goes back over whole: () within one bar, None beyond the first sound."""
        if shift > self.lines[slot]:
            return None
        over: list[object] = []
        while shift > 0 and slot and (over or shift >= self.slots[slot - 1].ticks):
            slot -= 1
            over.append(self.slots[slot][1:3])
            shift -= self.slots[slot].ticks
        return tuple(over)

    def after(self, op: Op) -> Arrangement:
        """What the edit leaves."""
        lines, slots = self.lines, self.slots
        match op:
            case Copy(first, stop, to, shift):
                slots = slots[:to] + slots[first:stop] + slots[to:]
                at = lines[to] - shift
                cells = self.with_new(at, at, self.heard(lines[first] - shift, lines[stop] - shift))
            case Remove(first, stop, shift):
                slots = slots[:first] + slots[stop:]
                cells = self.with_new(lines[first] - shift, lines[stop] - shift, ())
            case Move(first, stop, to, shift):  # two neighbouring ranges change places
                one, two, three = sorted((first, stop, to))
                slots = slots[:one] + slots[two:three] + slots[one:two] + slots[three:]
                one, two, three = (lines[slot] - shift for slot in (one, two, three))
                cells = self.with_new(one, three, end_to_end(self.heard(two, three), self.heard(one, two)))
            case Rest(to, new):
                slots = slots[:to] + new + slots[to:]
                cells = self.with_new(lines[to], lines[to], (Cell(None, sum(s.ticks for s in new)),))
            case Over(source, to, ticks):
                cells = self.with_new(to, to + ticks, self.heard(source, source + ticks))
            case Mute(start, stop, stems):
                cells = self.with_new(start, stop, joined(mute(self.heard(start, stop), stems)))
            case Clear(stop):
                cells = self.with_new(0, stop, (Cell(None, stop),))
        return Arrangement(self.lead, slots, cells)

    def with_new(self, start: int, stop: int, new: Cells) -> Cells:
        """The cells with others in the place of what sounds in ticks [start, stop)."""
        end = self.starts[-1] + self.cells[-1].ticks if self.cells else 0
        return end_to_end(end_to_end(self.heard(0, start), new), self.heard(stop, end))


def part(cells: Cells, start: int, stop: int) -> Cells:
    """What sounds in ticks [start, stop)."""
    cells_there, at = [], 0
    for cell in cells:
        lo, hi = max(start - at, 0), min(stop - at, cell.ticks)
        if lo < hi:
            whole = hi - lo == cell.ticks
            source = None if cell.source is None else cell.source + lo
            cells_there.append(cell if whole else Cell(source, hi - lo, cell.muted))
        at += cell.ticks
        if at >= stop:
            break
    return tuple(cells_there)


def joined(cells: Iterable[Cell]) -> Cells:
    """Cells that go on where the last one stopped, made one."""
    merged: list[Cell] = []
    for cell in cells:
        if merged and continues(merged[-1], cell):
            merged[-1] = merged[-1]._replace(ticks=merged[-1].ticks + cell.ticks)
        elif cell.ticks:
            merged.append(cell)
    return tuple(merged)


def end_to_end(one: Cells, two: Cells) -> Cells:
    """The cells of both, made one where the second goes on where the first stopped."""
    if one and two and continues(one[-1], two[0]):
        return (*one[:-1], one[-1]._replace(ticks=one[-1].ticks + two[0].ticks), *two[1:])
    return one + two


def continues(one: Cell, two: Cell) -> bool:
    """Whether `two` goes on where `one` stops, with the same stems."""
    if one.source is None or two.source is None:
        return one.source == two.source
    return one.source + one.ticks == two.source and one.muted == two.muted


def mute(cells: Cells, stems: frozenset[str]) -> Cells:
    return tuple(c if c.source is None else c._replace(muted=c.muted | stems) for c in cells)


def unmuted(cells: Cells) -> Cells:
    """The same with every stem heard."""
    return joined(c._replace(muted=frozenset()) for c in cells)


def find(state: Arrangement, wanted: Cell) -> int | None:
    """The tick at which `wanted` sounds unbroken, or None; what lies before the first bar is taken last."""
    at, tick = 0, None
    for cell in state.cells:
        if cell.source is not None and wanted.source is not None and cell.muted == wanted.muted:
            ahead = wanted.source - cell.source
            if ahead >= 0 and ahead + wanted.ticks <= cell.ticks:
                tick = at + ahead
                if tick >= state.lead:
                    break
        at += cell.ticks
    return tick


@dataclass(frozen=True)
class Task:
    """From `start` (the song as written) to `goal` (the form).

    `joins` are the goal's slots at which a part begins that does not simply go on; `pickups` the ticks
    of pickup at each. `clear` is set where the song's lead-in must be silenced, up to that tick.
    """

    grid: Grid
    per_s: int
    start: Arrangement
    goal: Arrangement
    parts: tuple[int, ...]
    joins: tuple[int, ...]
    pickups: tuple[int, ...]
    clear: int | None

    def seconds(self, tick: int) -> Fraction:
        """Where a tick of an arrangement lies in its file, bar 1 falling where it falls in the song."""
        return self.grid.start_s + Fraction(tick - self.start.lead, self.per_s)


def pickup_s(grid: Grid, piece: Piece) -> Fraction:
    """Seconds from the beginning of a piece's pickup to the line of its first bar."""
    return grid.line_s(piece.first_bar) - grid.before_line_s(piece.first_bar, piece.pickup_beats)


def task(song: Song, form: Form) -> Task:
    """The song as written and the form as arrangements in common ticks.

    Raises:
        FormError: as `render.audio.timeline.lay_out` does.
    """
    lay_out(song, form)
    grid = song.grid
    pickups = [pickup_s(grid, p) for p in form.parts if isinstance(p, Piece)]
    silences = [
        grid.stretch(form.bar_of_silence(at)).length_s(p.length, p.unit)
        for at, p in enumerate(form.parts)
        if isinstance(p, Silence)
    ]
    times = [grid.start_s, *(s.beat_s for s in grid.stretches), *pickups, *silences]
    per_s = math.lcm(*(t.denominator for t in times))
    return _Goal(song, form, per_s).task()


class _Goal:
    """Lays the form out in slots and cells, part by part."""

    def __init__(self, song: Song, form: Form, per_s: int) -> None:
        self.song, self.form, self.grid, self.per_s = song, form, song.grid, per_s
        self.slots: list[Slot] = []
        self.cells: Cells = ()
        self.parts: list[int] = []
        self.joins: list[int] = []
        self.pickups: list[int] = []

    def ticks(self, time_s: Fraction) -> int:
        ticks = time_s * self.per_s
        assert ticks.denominator == 1
        return int(ticks)

    def line(self, bar: int) -> int:
        return self.ticks(self.grid.line_s(bar))

    def task(self) -> Task:
        song_lead, top = self.line(1), self.form.parts[0]
        keeps_lead = isinstance(top, Piece) and top.first_bar == 1
        top_pickup = self.pickup(top) if isinstance(top, Piece) and not keeps_lead else 0
        lead = max(song_lead, top_pickup)
        rest = (Cell(None, lead - song_lead),) if lead > song_lead else ()
        song_slots = tuple(self.bar_slots(1, self.song.last_bar))
        start = Arrangement(lead, song_slots, (*rest, Cell(0, self.line(self.song.last_bar + 1))))
        if keeps_lead:
            assert isinstance(top, Piece)
            self.cells = (*rest, Cell(0, song_lead, self.muted(top))) if song_lead else rest
        else:
            self.cells = (Cell(None, lead),) if lead else ()
        self.lay_parts(keeps_lead)
        clear = None if keeps_lead or lead - song_lead >= lead - top_pickup else lead - top_pickup
        goal = Arrangement(lead, tuple(self.slots), joined(self.cells))
        return Task(
            self.grid, self.per_s, start, goal,
            tuple(self.parts), tuple(self.joins), tuple(self.pickups), clear,
        )  # fmt: skip

    def lay_parts(self, keeps_lead: bool) -> None:
        before: Part | None = None
        for index, now in enumerate(self.form.parts):
            self.parts.append(len(self.slots))
            if isinstance(now, Silence):
                slots = self.silent_slots(index, now)
                self.joins.append(len(self.slots))
                self.pickups.append(0)
                self.cells = (*self.cells, Cell(None, sum(s.ticks for s in slots)))
            else:
                slots = tuple(self.bar_slots(now.first_bar, now.last_bar))
                on = goes_on(before, now)
                pickup = 0 if on or (index == 0 and keeps_lead) else self.pickup(now)
                if not on:
                    self.joins.append(len(self.slots))
                    self.pickups.append(pickup)
                total = sum(cell.ticks for cell in self.cells)
                length = pickup + sum(s.ticks for s in slots)
                cell = Cell(self.line(now.first_bar) - pickup, length, self.muted(now))
                self.cells = (*part(self.cells, 0, total - pickup), cell)
            self.slots += slots
            before = now

    def pickup(self, piece: Piece) -> int:
        return self.ticks(pickup_s(self.grid, piece))

    def muted(self, piece: Piece) -> frozenset[str]:
        stems = frozenset(piece.treatment.stems)
        if piece.treatment.mode == "only":
            return frozenset(self.song.stems) - stems
        return stems

    def bar_slots(self, first: int, last: int) -> Iterator[Slot]:
        for bar in range(first, last + 1):
            stretch = self.grid.stretch(bar)
            yield Slot(bar, Fraction(stretch.meter.beats), self.ticks(stretch.bar_s))

    def silent_slots(self, index: int, silence: Silence) -> tuple[Slot, ...]:
        """Whole bars, and what is left over as a shorter bar of its own."""
        bar = self.form.bar_of_silence(index)
        stretch = self.grid.stretch(bar)
        whole = Fraction(stretch.meter.beats)
        beats = silence.length * whole if silence.unit == "bars" else silence.length
        full = Slot(bar, whole, self.ticks(stretch.bar_s), True)
        rest = beats % whole
        left = (Slot(bar, rest, self.ticks(rest * stretch.beat_s), True),) if rest else ()
        return (full,) * int(beats // whole) + left
