"""The same edits in another order: a copy and a removal made one move, and the steps from the top down.

Two neighbouring edits change places where each, counted anew, leaves what the two left before; that is
tried, not reasoned.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from reports.way_back.arrangement import Arrangement, Clear, Copy, Move, Mute, Op, Over, Remove, Rest


def fused(start: Arrangement, ops: Sequence[Op]) -> list[Op]:
    """Copies whose original goes later, made moves where the two can be brought together."""
    done = list(ops)
    at = 0
    while at < len(done):
        shorter = _with_its_copy(start, done, at) if isinstance(done[at], Remove) else None
        done, at = (shorter, 0) if shorter is not None else (done, at + 1)
    return done


def _with_its_copy(start: Arrangement, ops: list[Op], at: int) -> list[Op] | None:
    """The list with the removal `at` drawn ahead to the copy that it belongs to; None where it has none."""
    trial = list(ops)
    states = _states(start, ops)
    while at > 0:
        copy, removal = trial[at - 1], trial[at]
        if isinstance(copy, Copy) and not copy.first <= copy.to <= copy.stop:
            move = Move(*copy)
            if removal == move.rest:
                return [*trial[: at - 1], move, *trial[at + 1 :]]
        pair = swapped(states[at - 1], copy, removal)
        if pair is None:
            return None
        trial[at - 1 : at + 1] = pair
        at -= 1
    return None


def in_order(start: Arrangement, ops: Sequence[Op]) -> list[Op]:
    """The steps from the top of the finished form down, as far as they can change places."""
    done, states = list(ops), _states(start, ops)
    for _ in done:
        for at in range(1, len(done)):
            one, two = done[at - 1], done[at]
            places = [
                final_slot(shows_at(op, states[n + 1]), done[n + 1 :]) for n, op in ((at - 1, one), (at, two))
            ]
            pair = swapped(states[at - 1], one, two) if places[1] < places[0] else None
            if pair is not None:
                done[at - 1 : at + 1] = pair
                states[at] = states[at - 1].after(pair[0])
    return done


def _states(start: Arrangement, ops: Sequence[Op]) -> list[Arrangement]:
    """The states before each edit, and after the last one."""
    return list(itertools.accumulate(ops, lambda state, op: state.after(op), initial=start))


def shows_at(op: Op, after: Arrangement) -> int:
    """The slot of the song after an edit at which it shows."""
    match op:
        case Move(first, stop, to, _):
            return to if to <= first else to - (stop - first)
        case Copy(first, stop, to, _):
            return stop if to in (first, stop) else to
        case Rest(to, _):
            return to
        case Remove(first, _, _):
            return first
        case Over(_, to, ticks):
            return after.slot_at(to + ticks - 1)
        case Mute(begin, _, _):
            return after.slot_at(begin)
        case Clear():
            return 0


def final_slot(slot: int, later: Sequence[Op]) -> int:
    """Where a slot lies once later edits are made too (where it goes, the place where it was)."""
    for op in later:
        for shift in _shifts(op):
            slot = max(_moved(slot, [shift]), default=shift.start)
    return slot


def swapped(state: Arrangement, one: Op, two: Op) -> tuple[Op, Op] | None:
    """`two` first and then `one`, each with the bars counted anew; None where that is not the same."""
    middle = state.after(one)
    wanted = middle.after(two)
    for early in _recounted(two, [_inverse(shift) for shift in reversed(_shifts(one))], middle, state):
        if _fits(state, early):
            between = state.after(early)
            for late in _recounted(one, _shifts(early), state, between):
                if _fits(between, late) and between.after(late) == wanted:
                    return early, late
    return None


class _Shift(NamedTuple):
    """Slots put in (`added` > 0) at `start`, or taken out from `start` up to `stop`."""

    start: int
    stop: int
    added: int


def _shifts(op: Op) -> list[_Shift]:
    match op:
        case Copy(first, stop, to, _):
            return [_Shift(to, to, stop - first)]
        case Rest(to, slots):
            return [_Shift(to, to, len(slots))]
        case Remove(first, stop, _):
            return [_Shift(first, stop, first - stop)]
        case Move():
            return [*_shifts(op.copy), *_shifts(op.rest)]
    return []


def _inverse(shift: _Shift) -> _Shift:
    if shift.added > 0:
        return _Shift(shift.start, shift.start + shift.added, -shift.added)
    return _Shift(shift.start, shift.start, -shift.added)


def _recounted(op: Op, shifts: Sequence[_Shift], here: Arrangement, there: Arrangement) -> Iterator[Op]:
    """The edit, stated for the song `here`, as it is stated `there`: each way it can be meant."""
    match op:
        case Rest(to, slots):
            yield from (Rest(place, slots) for place in _moved(to, shifts))
        case Remove(first, stop, shift):
            pairs = itertools.product(_moved(first, shifts), _moved(stop, shifts))
            yield from (Remove(a, b, shift) for a, b in pairs)
        case Copy() | Move():
            places = itertools.product(*(_moved(slot, shifts) for slot in (op.first, op.stop, op.to)))
            yield from (type(op)(a, b, c, op.shift) for a, b, c in places)
        case Over(source, to, ticks):
            ends = itertools.product(*(_retimed(at + ticks, shifts, here, there) for at in (source, to)))
            yield from (Over(a - ticks, b - ticks, ticks) for a, b in ends)
        case Mute(start, stop, stems):
            ends = itertools.product(*(_retimed(at, shifts, here, there) for at in (start, stop)))
            yield from (Mute(a, b, stems) for a, b in ends)
        case Clear():
            yield op  # it lies before the first bar line, where nothing is put in or taken out


def _retimed(tick: int, shifts: Sequence[_Shift], here: Arrangement, there: Arrangement) -> list[int]:
    """A tick by its distance from the next bar line, which may lie elsewhere `there`."""
    slot = bisect.bisect_left(here.lines, tick)
    return [there.lines[place] - (here.lines[slot] - tick) for place in _moved(slot, shifts)]


def _moved(slot: int, shifts: Sequence[_Shift]) -> list[int]:
    """Where a bar line lies after the shifts; none where it is gone, two where slots came in right there."""
    places = {slot}
    for start, stop, added in shifts:
        places = {p for p in places if p <= start} | {p + added for p in places if p >= stop}
    return sorted(places)


def _fits(state: Arrangement, op: Op) -> bool:
    """Whether an edit can be made at all."""
    last, end = len(state.slots), state.lines[-1]
    match op:
        case Rest(to, _):
            return 0 <= to <= last
        case Remove(first, stop, shift):
            return 0 <= first < stop <= last and state.can_shift(shift, first, stop)
        case Copy(first, stop, to, shift):
            return 0 <= first < stop <= last and 0 <= to <= last and state.can_shift(shift, first, stop, to)
        case Move(first, stop, to, _):
            return not first <= to <= stop and _fits(state, op.copy)
        case Over(source, to, ticks):
            return min(source, to) >= 0 and max(source, to) + ticks <= end
        case Mute(start, stop, _):
            return 0 <= start < stop <= end
        case Clear():
            return True
