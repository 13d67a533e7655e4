"""The re-record list: what should be performed again for a form, why, and what listeners said there.

The order is what a listener would notice first; that order is our own judgement (common practice, no
source): a breath or phrase cut by a lost pickup, then a new way into a part, a new way out of one, the
same performance heard again, a pickup to nothing, and last an arrangement changed by muting.
"""

from __future__ import annotations

import bisect
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby
from typing import Literal

from render.forms import Form, Piece, Silence, bars_text
from render.song import Song
from reports.arrangement import Task, task

Kind = Literal["pickup given up", "new before", "new after", "heard again", "loose pickup", "treatment"]

ORDER: tuple[Kind, ...] = (
    "pickup given up", "new before", "new after", "heard again", "loose pickup", "treatment",
)  # fmt: skip
JOINS: frozenset[Kind] = frozenset(ORDER[:3])
LATE_BARS = 1  # somebody who notices a join writes about it a little later


@dataclass(frozen=True)
class Comment:
    """What somebody wrote about a bar of the new form (1-based; None: about the whole)."""

    bar: int | None
    text: str
    listener: str = ""


@dataclass(frozen=True)
class Item:
    """Something to perform again: bars of the new form (inclusive), the part, what, and why in words."""

    first_bar: int
    last_bar: int
    part: str
    what: str
    why: str
    kind: Kind
    comments: tuple[Comment, ...] = ()

    @property
    def bars(self) -> str:
        return bars_text(self.first_bar, self.last_bar)


def listing(song: Song, form: Form, comments: Sequence[Comment] = ()) -> list[Item]:
    """What to perform again for `form`, what is noticed first coming first; empty for "as written".

    Bars are those of the rebuild sheet and the MIDI map: an odd silence ends with a short bar of its own.

    Raises:
        FormError: as `render.timeline.lay_out` does.
    """
    told = _Listing(song, form, task(song, form))
    items = [*told.joins(), *told.repeats(), *told.treatments()]
    items.sort(key=lambda item: (ORDER.index(item.kind), -told.weight(item), item.first_bar, item.last_bar))
    return [_with_comments(item, comments) for item in items]


def bar_at(song: Song, form: Form, after_bar_1_s: float) -> int:
    """The bar of the new form that sounds `after_bar_1_s` seconds after its first bar line (at least 1)."""
    todo = task(song, form)
    goal = todo.goal
    tick = goal.lead + after_bar_1_s * todo.per_s
    return min(max(bisect.bisect_right(goal.lines, tick), 1), len(goal.slots))


def _with_comments(item: Item, comments: Sequence[Comment]) -> Item:
    last = item.last_bar + (LATE_BARS if item.kind in JOINS else 0)
    there = [c for c in comments if c.bar is not None and item.first_bar <= c.bar <= last]
    return replace(item, comments=tuple(there))


class _Listing:
    def __init__(self, song: Song, form: Form, todo: Task) -> None:
        self.song, self.form, self.todo = song, form, todo
        self.starts = [*(at + 1 for at in todo.parts), len(todo.goal.slots) + 1]
        self.owners = {section.first_bar: section for section in song.sections if section.pickup_beats}
        self.uses = Counter(
            bar for p in form.parts if isinstance(p, Piece) for bar in range(p.first_bar, p.last_bar + 1)
        )

    def bars(self, index: int) -> tuple[int, int]:
        """First and last bar of a part in the new form."""
        return self.starts[index], self.starts[index + 1] - 1

    def weight(self, item: Item) -> int:
        """How often the bars are heard: the more, the sooner it is noticed."""
        return item.last_bar - item.first_bar if item.kind == "heard again" else 0

    def joins(self) -> Iterator[Item]:
        for index, now in enumerate(self.form.parts):
            before = self.form.parts[index - 1] if index else None
            after = self.form.parts[index + 1] if index + 1 < len(self.form.parts) else None
            if isinstance(now, Piece):
                yield from self.way_in(index, now, before)
                yield from self.way_out(index, now, after)

    def way_in(self, index: int, now: Piece, before: Piece | Silence | None) -> Iterator[Item]:
        first, _ = self.bars(index)
        if isinstance(before, Piece) and before.last_bar + 1 == now.first_bar:
            return
        if before is None and now.first_bar == 1:
            return
        was = self.name(now.first_bar - 1, "the song's beginning")
        heard = before.text if before else "the beginning"
        why = f'new neighbour before it: it now comes after "{heard}", performed it came after "{was}"'
        if before is None:
            why = f'the form now begins here; it was performed coming from "{was}"'
        yield Item(first, first, now.text, "the entry", why, "new before")

    def way_out(self, index: int, now: Piece, after: Piece | Silence | None) -> Iterator[Item]:
        _, last = self.bars(index)
        natural = isinstance(after, Piece) and now.last_bar + 1 == after.first_bar
        if natural or (after is None and now.last_bar == self.song.last_bar):
            return
        led = self.name(now.last_bar + 1, "the end of the song")
        if isinstance(after, Piece):
            given = self.pickup_of(after, now)
            if given:
                beats = f"{float(given):g} beat{'' if given == 1 else 's'}"
                yield Item(
                    last, last, now.text, f"the last {beats}",
                    f'they were given up to the pickup of "{after.text}"; sing or play them so that both fit',
                    "pickup given up",
                )  # fmt: skip
        heard = "the end" if after is None else f'"{after.text}"'
        why = f'new neighbour after it: it now leads to {heard}, performed it led to "{led}"'
        yield Item(last, last, now.text, "the last bar", why, "new after")
        owner = self.owners.get(now.last_bar + 1)
        taken = self.pickup_of(after, now) if isinstance(after, Piece) else Fraction(0)
        if owner and taken < owner.pickup_beats:
            yield Item(
                last, last, now.text, "the last beats",
                f'the pickup to "{owner.name}" is still heard in them, and "{owner.name}" does not follow',
                "loose pickup",
            )  # fmt: skip

    def pickup_of(self, after: Piece, now: Piece) -> Fraction:
        return Fraction(0) if now.last_bar + 1 == after.first_bar else after.pickup_beats

    def name(self, bar: int, otherwise: str) -> str:
        """The section that a bar of the song belongs to."""
        if not 1 <= bar <= self.song.last_bar:
            return otherwise
        for section in self.song.sections:
            if section.first_bar <= bar <= section.last_bar:
                return section.name
        return f"bar {bar}"

    def repeats(self) -> Iterator[Item]:
        """Stretches of a part whose bars have been heard before in the form."""
        heard: Counter[int] = Counter()
        for index, now in enumerate(self.form.parts):
            if not isinstance(now, Piece):
                continue
            first, _ = self.bars(index)
            times = [(offset, heard[now.first_bar + offset]) for offset in range(now.bars)]
            for count, run in groupby(times, key=lambda pair: pair[1]):
                offsets = [offset for offset, _ in run]
                if count:
                    total = self.uses[now.first_bar + offsets[0]]
                    yield Item(
                        first + offsets[0], first + offsets[-1], now.text, "a new performance",
                        f"the same performance is heard again: time {count + 1} of {total} for bars "
                        f"{bars_text(now.first_bar + offsets[0], now.first_bar + offsets[-1])} of the song",
                        "heard again",
                    )  # fmt: skip
            heard.update(range(now.first_bar, now.last_bar + 1))

    def treatments(self) -> Iterator[Item]:
        for index, now in enumerate(self.form.parts):
            if isinstance(now, Piece) and now.treatment.mode != "all":
                first, last = self.bars(index)
                yield Item(
                    first, last, now.text, "what is left playing",
                    f"treatment changed: it is heard {now.treatment}, and the others were performed with "
                    "the whole band; listen for gaps and for what leans on the missing part",
                    "treatment",
                )  # fmt: skip
