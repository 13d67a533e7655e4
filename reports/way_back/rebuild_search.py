"""The shortest list of edits that can be found: a sure list first, then a search for a shorter one.

The search deepens edit by edit (iterative deepening). A state's distance is at least a third of the number of
the form's joins it does not hold yet, because no edit makes more than three new joins. Edits that make
none of the form's joins are left aside: no case is known where they help (for small forms the tests
compare with a search that leaves nothing aside). For large forms the search stops after `effort` states
and the sure list stands, a copy and the removal of what was copied made one move.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from reports.way_back.arrangement import (
    Arrangement,
    Cell,
    Cells,
    Clear,
    Copy,
    Move,
    Mute,
    Op,
    Over,
    Remove,
    Rest,
    Task,
    find,
    part,
)
from reports.way_back.rebuild_build import blocks, built, cut_bars, uncut
from reports.way_back.rebuild_order import fused, in_order

EFFORT = 6_000  # states looked at before the search gives up

MOST_NEW_JOINS = 3  # of one edit: a move makes one where it comes from and two where it goes

MOST_JOINS = 40  # of larger forms the search would see too little to find anything

Edge = tuple[int | None, frozenset[str]]
Seam = tuple[Edge, Edge]


def shortest(task: Task, effort: int = EFFORT) -> list[Op]:
    """Edits from the song to the form, as few as were found; applied in order they give it exactly."""
    lists = [built(task, keep, shifts) for keep in (True, False) for shifts in (True, False)]
    small = len(task.joins) <= MOST_JOINS
    sure = [ops for ops in lists if ops is not None]
    best = min((fused(task.start, ops) for ops in sure) if small else sure, key=len)
    return in_order(task.start, _Search(task, effort).shorter_than(best)) if small else best


ANEW = 100  # a join of the goal that the song lacks so far, beside one that it has already


def enough(worth: int, need: int) -> bool:
    """Whether an edit makes a join of the goal, and at least `need` that were lacking."""
    return worth > 0 and worth // ANEW >= need


def bars_touched(op: Op) -> int:
    """How many bars an edit copies or removes: of lists as short, small edits are easier to follow."""
    return op.stop - op.first if isinstance(op, Copy | Remove | Move) else 0


class _Spot(NamedTuple):
    """A bar line worth cutting at, `shift` ticks early: what sounds up to it and from it on."""

    slot: int
    tick: int
    left: Edge
    right: Edge


class _Search:
    def __init__(self, task: Task, effort: int) -> None:
        self.task, self.left = task, effort
        self.goal = self.cleared(task.goal.cells)
        self.goal_ticks = ticks(self.goal)
        self.wanted = frozenset(joins(self.goal))
        self.cuts = frozenset(cut_bars(task))
        self.shifts = sorted({0, *task.pickups})
        rests = {task.goal.slots[b.first : b.stop] for b in blocks(task) if b.bar is None}
        self.rests = sorted(rests | {one + two for one in rests for two in rests})  # to be parted later
        self.tails = self.pickups_wanted()
        stems = {cell.muted for cell in task.goal.cells}
        self.mutes = sorted(
            ({one - two for one in stems for two in stems} | stems) - {frozenset()}, key=sorted
        )
        self.treatments = stems
        self.seen: dict[tuple[object, ...], int] = {}

    def pickups_wanted(self) -> list[Cell]:
        """What lies before the goal's joins, as far as their pickups reach."""
        pickups = set()
        for at, pickup in zip(self.task.joins, self.task.pickups, strict=True):
            slot = self.task.goal.slots[at]
            if pickup and not slot.silent:
                source = self.task.start.source_of(self.task.start.lines[slot.bar - 1])
                pickups.add((source - pickup, pickup))
        return [Cell(source, ticks) for source, ticks in sorted(pickups)]

    def cleared(self, cells: Cells) -> Cells:
        if self.task.clear is None:
            return cells
        whole = Arrangement(self.task.start.lead, (), cells)
        return whole.after(Clear(self.task.clear)).cells

    def shorter_than(self, best: list[Op]) -> list[Op]:
        """The shortest list under `best`, or `best`."""
        last: list[Op] = [Clear(self.task.clear)] if self.task.clear is not None else []
        for length in range(self.least(self.task.start), len(best) - len(last)):
            self.seen.clear()
            edits = self.within(self.task.start, length)
            if edits is not None:
                return [*edits, *last]
            if self.left <= 0:
                break
        return best

    def least(self, state: Arrangement) -> int:
        """No fewer edits than this lead from `state` to the goal."""
        cells = self.cleared(state.cells)
        missing = len(self.wanted.difference(joins(cells)))
        if missing == 0:
            return 0 if cells == self.goal and state.slots == self.task.goal.slots else 1
        least = (missing + MOST_NEW_JOINS - 1) // MOST_NEW_JOINS
        return least if least > 1 or self.one_away(cells) else 2

    def one_away(self, cells: Cells) -> bool:
        """False if surely no single edit leads to the goal: what differs is not in one place."""
        total, wanted = ticks(cells), self.goal_ticks
        return total == wanted or alike(cells, self.goal) + alike(cells, self.goal, back=True) >= min(
            total, wanted
        )

    def within(self, state: Arrangement, length: int) -> list[Op] | None:
        """At most `length` edits to the goal, or None."""
        least = self.least(state)
        if least == 0:
            return []
        key = (state.cells, tuple([(slot.bar, slot.silent) for slot in state.slots]), state.lines)
        if least > length or self.left <= 0 or self.seen.get(key, -1) >= length:
            return None
        self.seen[key] = length
        children = []
        for op in self.edits(state, length):
            self.left -= 1
            new = state.after(op)
            least = self.least(new)
            if least < length:
                children.append((least, op, new))
            if self.left <= 0:
                break
        children.sort(key=lambda child: (child[0], bars_touched(child[1])))
        for _, op, new in children:
            rest = self.within(new, length - 1)
            if rest is not None:
                return [op, *rest]
        return None

    def edits(self, state: Arrangement, length: int) -> Iterator[Op]:
        """The edits that make a join of the goal, and so many missing ones that `length` edits are enough."""
        cells = self.cleared(state.cells)
        missing = self.wanted.difference(joins(cells))
        need = max(len(missing) - MOST_NEW_JOINS * (length - 1), 0)
        worth = {join: ANEW if join in missing else 1 for join in self.wanted}
        for shift in self.shifts:
            yield from self.moved(state, list(self.spots(state, cells, shift)), shift, worth, need)
        spots = list(self.spots(state, cells, 0))
        silent: Edge = (None, frozenset())
        for spot in spots:
            if enough(worth.get((spot.left, silent), 0) + worth.get((silent, spot.right), 0), need):
                for slots in self.rests:
                    yield Rest(spot.slot, slots)
        if need <= 2:
            yield from self.laid_over(state, cells, spots)
            yield from self.muted(state, cells)

    def moved(
        self, state: Arrangement, spots: list[_Spot], shift: int, worth: Mapping[Seam, int], need: int
    ) -> Iterator[Op]:
        """Removals, copies and moves, cut `shift` ticks before bar lines, that are worth trying."""
        made = [[worth.get((one.left, two.right), 0) for two in spots] for one in spots]
        places = range(len(spots))
        begun = [
            [to for to in places if made[to][at]] for at in places
        ]  # where a copy from `at` on begins well
        ended = [[to for to in places if made[end][to]] for end in places]
        for at, first in enumerate(spots):
            for end in places[at + 1 :]:
                stop, closed = spots[end], made[at][end]
                closes = enough(closed, need)
                worth_trying = places if closes else sorted({*begun[at], *ended[end]})
                if not worth_trying or not state.can_shift(shift, first.slot, stop.slot):
                    continue
                if closes:
                    yield Remove(first.slot, stop.slot, shift)
                for to in worth_trying:
                    spot, opened = spots[to], made[to][at] + made[end][to]
                    if enough(opened + closed, need) and state.can_shift(shift, first.slot, spot.slot):
                        if enough(opened, need):
                            yield Copy(first.slot, stop.slot, spot.slot, shift)
                        if not at <= to <= end:
                            yield Move(first.slot, stop.slot, spot.slot, shift)

    def laid_over(self, state: Arrangement, cells: Cells, spots: list[_Spot]) -> Iterator[Op]:
        for tail in self.tails:
            for treatment in self.treatments:
                source = find(state, tail._replace(muted=treatment))
                if source is None:
                    continue
                for spot in spots:
                    to = spot.tick - tail.ticks
                    if to < 0 or to == source:
                        continue
                    left = edges(cells, to)[0]
                    assert tail.source is not None
                    end = (tail.source + tail.ticks, treatment)
                    if (left, (tail.source, treatment)) in self.wanted or (end, spot.right) in self.wanted:
                        yield Over(source, to, tail.ticks)

    def muted(self, state: Arrangement, cells: Cells) -> Iterator[Op]:
        if not self.mutes:
            return
        spots = [spot for shift in self.shifts for spot in self.spots(state, cells, shift)]
        spots = sorted(
            {s.tick: s for s in [*spots, _Spot(0, 0, *edges(cells, 0))]}.values(), key=lambda s: s.tick
        )
        for at, start in enumerate(spots):
            for stop in spots[at + 1 :]:
                for stems in self.mutes:
                    begins = (start.left, (start.right[0], start.right[1] | stems)) in self.wanted
                    ends = ((stop.left[0], stop.left[1] | stems), stop.right) in self.wanted
                    if (begins or ends) and all(
                        c.source is None or c.muted | stems in self.treatments
                        for c in part(cells, start.tick, stop.tick)
                    ):
                        yield Mute(start.tick, stop.tick, stems)

    def spots(self, state: Arrangement, cells: Cells, shift: int) -> Iterator[_Spot]:
        slots, last = state.slots, len(state.slots)
        for at, line in enumerate(state.lines):
            inside = 0 < at < last and uncut(slots[at - 1], slots[at], self.cuts)
            if not inside and shift <= line:
                yield _Spot(at, line - shift, *edges(cells, line - shift))


END: Edge = (-1, frozenset())


def begins(cell: Cell) -> Edge:
    """What begins with a cell."""
    return cell[0], cell[2]


def stops(cell: Cell) -> Edge:
    """What stops with a cell."""
    return None if cell[0] is None else cell[0] + cell[1], cell[2]


def joins(cells: Cells) -> Iterator[Seam]:
    """Every place where the sound does not simply go on, as (what stops, what begins)."""
    before = END
    for cell in cells:
        yield before, begins(cell)
        before = stops(cell)
    yield before, END


def ticks(cells: Cells) -> int:
    return sum([cell.ticks for cell in cells])


def alike(one: Cells, two: Cells, *, back: bool = False) -> int:
    """Ticks from the beginning on, or `back` from the end, in which both are the same."""
    same, edge = 0, stops if back else begins
    for a, b in zip(one[::-1], two[::-1], strict=False) if back else zip(one, two, strict=False):
        if edge(a) != edge(b):
            break
        same += min(a.ticks, b.ticks)
        if a.ticks != b.ticks:
            break
    return same


def edges(cells: Cells, tick: int) -> tuple[Edge, Edge]:
    """What stops at a tick and what begins there."""
    at, left = 0, END
    for cell in cells:
        inside = tick - at
        if inside < cell.ticks:
            here = (None if cell.source is None else cell.source + inside, cell.muted)
            return (left if inside == 0 else here), here
        at += cell.ticks
        left = stops(cell)
    return left, END
