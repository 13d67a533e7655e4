"""A list of edits that always leads to the form: keep what stands in its order, put the rest in between.

Which blocks of the song stay where they are is chosen so that the fewest copies and removals remain.
Then, from left to right, the missing parts are copied in from whatever the arrangement already holds
(a chorus built once is copied whole the next time), pickups are laid over what they displace, and only
then what is left over is taken out. If anything needed got lost on the way, the form is built afresh.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

from reports.way_back.arrangement import (
    Arrangement,
    Cell,
    Clear,
    Copy,
    Mute,
    Op,
    Over,
    Remove,
    Rest,
    Slot,
    Task,
    continues,
    find,
    part,
    unmuted,
)


@dataclass(frozen=True)
class Block:
    """Slots [first, stop) of the goal: bars of the song from `bar` on, or (`bar` None) a silence."""

    first: int
    stop: int
    bar: int | None

    @property
    def bars(self) -> int:
        return self.stop - self.first


def cut_bars(task: Task) -> list[int]:
    """Bars of the song before which the goal begins or ends a run, with the song's first and end."""
    slots = task.goal.slots
    cuts = {1, len(task.start.slots) + 1}
    for at in task.joins:
        cuts |= {slot.bar for slot in slots[at : at + 1] if not slot.silent}
        cuts |= {slot.bar + 1 for slot in slots[max(at - 1, 0) : at] if not slot.silent}
    if not slots[-1].silent:
        cuts.add(slots[-1].bar + 1)
    return sorted(cuts)


def blocks(task: Task) -> list[Block]:
    """The goal as blocks, cut wherever the goal cuts the song; silences that meet are one."""
    slots, cuts = task.goal.slots, set(cut_bars(task))
    edges = [0]
    for at in range(1, len(slots)):
        one, two = slots[at - 1], slots[at]
        if not (one.silent and two.silent) and not uncut(one, two, cuts):
            edges.append(at)
    edges.append(len(slots))
    return [Block(a, b, None if slots[a].silent else slots[a].bar) for a, b in itertools.pairwise(edges)]


def uncut(one: Slot, two: Slot, cuts: Collection[int]) -> bool:
    """Whether two neighbouring slots are so in the song, at a line where the goal does not cut it."""
    return not (one.silent or two.silent) and one.bar + 1 == two.bar and two.bar not in cuts


def kept_blocks(task: Task, goal: list[Block]) -> list[int]:
    """Indices of the goal's blocks that stay where they stand in the song: fewest edits, then most kept."""
    song = cut_bars(task)[:-1]
    width = len(goal)
    start = (0, 0, 0, 0)  # song blocks used, goal blocks made, a removal open, a copy open
    best: dict[tuple[int, int, int, int], tuple[int, int]] = {start: (0, 0)}
    came: dict[tuple[int, int, int, int], tuple[int, int, int, int]] = {}

    def offer(now: tuple[int, int, int, int], new: tuple[int, int, int, int], edits: int, kept: int) -> None:
        cost = (best[now][0] + edits, best[now][1] - kept)
        if new not in best or cost < best[new]:
            best[new], came[new] = cost, now

    for used in range(len(song) + 1):
        for made in range(width + 1):
            for removing, copying in ((0, 0), (0, 1), (1, 0), (1, 1)):
                now = (used, made, removing, copying)
                if now not in best:
                    continue
                if made < width:
                    goes_on = copying and _follows(goal[made - 1], goal[made])
                    offer(now, (used, made + 1, removing, 1), 0 if goes_on else 1, 0)
                if used < len(song) and made < width and goal[made].bar == song[used]:
                    offer(now, (used + 1, made + 1, 0, 0), 0, goal[made].bars)
                if used < len(song):
                    offer(now, (used + 1, made, 1, copying), 0 if removing else 1, 0)
    ends = [(len(song), width, r, c) for r in (0, 1) for c in (0, 1) if (len(song), width, r, c) in best]
    now = min(ends, key=lambda state: best[state])
    kept = []
    while now in came:
        before = came[now]
        if (before[0] + 1, before[1] + 1) == now[:2]:
            kept.append(before[1])
        now = before
    return kept[::-1]


def _follows(one: Block, two: Block) -> bool:
    return one.bar is not None and one.bar + one.bars == two.bar


def built(task: Task, keep: bool, shifts: bool) -> list[Op] | None:
    """Edits that make the form from the song, or None where a source was lost on the way.

    With `keep` False nothing stays in place: the form is built before the song, which then goes. With
    `shifts` False only whole bars are copied. Both False never lose a source: the song stays whole
    until the end.
    """
    goal = blocks(task)
    ops = _Builder(task, goal, kept_blocks(task, goal) if keep else [], shifts).ops()
    state = task.start
    for op in ops:
        state = state.after(op)
    return ops if state == task.goal else None


class _Builder:
    """Walks the goal from left to right; `origin` names each present slot's goal slot (None: left over)."""

    def __init__(self, task: Task, goal: list[Block], kept: list[int], shifts: bool) -> None:
        self.task, self.blocks, self.kept, self.shifts = task, goal, set(kept), shifts
        self.state = task.start
        self.wanted = replace(task.goal, cells=unmuted(task.goal.cells))
        self.origin: list[int | None] = [None] * len(task.start.slots)
        for at in kept:
            block = goal[at]
            assert block.bar is not None
            for step in range(block.bars):
                self.origin[block.bar - 1 + step] = block.first + step
        self.pickup = dict(zip(task.joins, task.pickups, strict=True))
        self.widest = max(task.pickups, default=0)
        self.made: list[Op] = []

    def do(self, op: Op) -> None:
        self.state = self.state.after(op)
        self.made.append(op)

    def ops(self) -> list[Op]:
        at = 0
        while at < len(self.blocks):
            at = at + 1 if at in self.kept else self.bring(at)
        removals = self.removals()
        self.lay_over({line for line in removals if not self.faults_after_removal(line)})
        for line in removals:
            self.take_out(line)
        self.lay_over(set())
        self.mutes()
        if self.task.clear is not None:
            self.do(Clear(self.task.clear))
        return self.made

    def bring(self, at: int) -> int:
        """Put the goal's blocks from `at` on in their place, as many as one edit can; the next block."""
        first = self.blocks[at].first
        to = self.origin.index(first - 1) + 1 if first else 0
        limit = next((k for k in range(at, len(self.blocks)) if k in self.kept), len(self.blocks))
        stop, source = self.longest(at, limit)
        length = self.blocks[stop - 1].stop - first
        if source is None:
            op: Op = Rest(to, self.task.goal.slots[first : first + length])
        else:
            op = min(self.shifted(source, length, to, first), key=lambda o: self.wrong(o, first, length, to))
        self.do(op)
        self.origin[to:to] = range(first, first + length)
        if first and any(isinstance(o, Copy | Rest) for o in self.made[:-1]):
            self.mend(to, first, copies_only=True)
        return stop

    def longest(self, at: int, limit: int) -> tuple[int, int | None]:
        """How many blocks from `at` on sound somewhere already, and the slot where (None: a new silence)."""
        best, where = at + 1, None
        for source in range(len(self.state.slots)):
            stop = self.matched(source, at, limit)
            if stop > best or (where is None and stop == best and self.blocks[at].bar is not None):
                best, where = stop, source
        return best, where

    def matched(self, source: int, at: int, limit: int) -> int:
        """The goal block up to which slots from `source` on are what is wanted (the last tail excepted)."""
        first, stop = self.blocks[at].first, at
        goal, here = self.wanted, self.state
        while stop < limit:
            end = self.blocks[stop].stop
            length = end - first
            if here.slots[source : source + length] != goal.slots[first:end]:
                break
            if stop > at:  # the tail of the block before must be right as well
                line = self.blocks[stop].first
                span = here.lines[source + line - first] - here.lines[source]
                begin = here.lines[source]
                if here.heard(begin, begin + span) != goal.heard(goal.lines[first], goal.lines[line]):
                    break
            stop += 1
        return stop

    def shifted(self, source: int, length: int, to: int, first: int) -> Iterator[Copy]:
        """The copy as it stands, and moved ahead by the pickups of its two joins."""
        shifts = {0, self.pickup.get(first, 0), self.pickup.get(first + length, 0)} if self.shifts else {0}
        for shift in sorted(shifts):
            if self.state.can_shift(shift, source, source + length, to):
                yield Copy(source, source + length, to, shift)

    def wrong(self, op: Copy, first: int, length: int, to: int) -> tuple[int, int]:
        """How many ends of a copy would sound wrong, for choosing among its shifts."""
        new = self.state.after(op)
        follows = (self.origin[to] if to < len(self.origin) else len(self.wanted.slots)) == first + length
        faults = len(self.faults(new, to, first))
        after = len(self.faults(new, to + length, first + length)) if follows else 0
        return faults + after, op.shift

    def faults(self, state: Arrangement, line: int, goal_line: int) -> list[tuple[int, Cell]]:
        """(tick, what should sound) wherever the last beats before a line are not the goal's."""
        here, there = state.lines[line], self.wanted.lines[goal_line]
        reach = min(self.widest, here, there)
        has, wants = state.heard(here - reach, here), self.wanted.heard(there - reach, there)
        faults: list[tuple[int, Cell]] = []
        tick = here - reach
        for has_cell, wants_cell in _aligned(has, wants):
            if has_cell != wants_cell:
                at, last = faults[-1] if faults else (0, None)
                if last is not None and at + last.ticks == tick and continues(last, wants_cell):
                    faults[-1] = at, last._replace(ticks=last.ticks + wants_cell.ticks)
                else:
                    faults.append((tick, wants_cell))
            tick += wants_cell.ticks
        return faults

    def mend(self, line: int, goal_line: int, copies_only: bool = False) -> bool:
        """Lay the goal's material over what is wrong before a line; whether all of it could be found."""
        done = True
        for tick, cell in self.faults(self.state, line, goal_line):
            source = find(self.state, cell)
            host = goal_line - 1
            original = any(b.first <= host < b.stop and i in self.kept for i, b in enumerate(self.blocks))
            if source is None or cell.source is None or (copies_only and original):
                done = False
            else:
                self.do(Over(source, tick, cell.ticks))
        return done

    def lay_over(self, leave: set[int]) -> None:
        """Mend every line but those in `leave` (goal slots): first those whose old tail nobody waits for."""
        lines = [n for n in (*self.task.joins, len(self.wanted.slots)) if n not in leave]
        lines = [n for n in lines if self.faults_at(n)]
        while lines:
            free = [n for n in lines if not self.awaited(n, lines)]
            line = (free or lines)[0]
            self.mend(self.place(line), line)
            lines.remove(line)

    def place(self, goal_line: int) -> int:
        return self.origin.index(goal_line - 1) + 1 if goal_line else 0

    def faults_at(self, goal_line: int) -> list[tuple[int, Cell]]:
        return self.faults(self.state, self.place(goal_line), goal_line)

    def awaited(self, line: int, lines: list[int]) -> bool:
        """Whether mending `line` would destroy the only source of another line's pickup."""
        state = self.state
        for tick, cell in self.faults_at(line):
            gone = state.with_new(tick, tick + cell.ticks, (Cell(None, cell.ticks),))
            state = replace(state, cells=gone)
        others = (cell for n in lines if n != line for _, cell in self.faults_at(n))
        return any(find(state, cell) is None for cell in others)

    def removals(self) -> list[int]:
        """Goal slots before which something left over stands."""
        pairs = itertools.pairwise([*self.origin, len(self.wanted.slots)])
        return [two for one, two in pairs if one is None and two is not None]

    def take_out(self, goal_line: int) -> None:
        """Remove what is left over before a goal slot."""
        op = self.removal(goal_line)
        self.do(op)
        del self.origin[op.first : op.stop]

    def removal(self, goal_line: int) -> Remove:
        """The removal before a goal slot, shifted by the pickup that then fits best."""
        stop = self.origin.index(goal_line) if goal_line < len(self.wanted.slots) else len(self.origin)
        first = self.place(goal_line)
        shifts = {0, self.pickup.get(goal_line, 0)}
        options = [Remove(first, stop, s) for s in sorted(shifts) if self.state.can_shift(s, first, stop)]
        return min(options, key=lambda o: len(self.faults(self.state.after(o), first, goal_line)))

    def faults_after_removal(self, goal_line: int) -> int:
        op = self.removal(goal_line)
        return len(self.faults(self.state.after(op), op.first, goal_line))

    def mutes(self) -> None:
        """Mute the goal's treatments, one edit per stretch of the same stems."""
        start = 0
        for stems, cells in itertools.groupby(self.task.goal.cells, key=lambda cell: cell.muted):
            stop = start + sum(cell.ticks for cell in cells)
            if stems:
                self.do(Mute(start, stop, stems))
            start = stop


def _aligned(one: tuple[Cell, ...], two: tuple[Cell, ...]) -> Iterator[tuple[Cell, Cell]]:
    """Both rows of cells cut at each other's edges."""
    edges = {0}
    for cells in (one, two):
        edges |= set(itertools.accumulate(cell.ticks for cell in cells))
    for start, stop in itertools.pairwise(sorted(edges)):
        yield part(one, start, stop)[0], part(two, start, stop)[0]
