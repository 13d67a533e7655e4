"""The re-record list: what should be performed again for a form, why, and what listeners said there.

First what must be performed again, in an order that is our own judgement (common practice, no source): a
breath or phrase cut by a lost pickup, the same performance heard again, an arrangement changed by muting.
Then, one line a join, what needs an ear: the last bar before it and the entry after it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby, pairwise
from typing import Literal

from render.song.forms import Form, Part, Piece, bars_text
from render.song.song import Song
from reports.facts.comments import PlacedComment
from reports.way_back.arrangement import Task, task

ItemKind = Literal["pickup given up", "heard again", "treatment", "join"]

ORDER: tuple[ItemKind, ...] = ("pickup given up", "heard again", "treatment", "join")
AT_A_JOIN: frozenset[ItemKind] = frozenset(("pickup given up", "join"))
LATE_BARS = 1  # somebody who notices a join writes about it a little later


@dataclass(frozen=True)
class Item:
    """Something to perform again, or to check by ear: bars of the new form (inclusive), the part (at a join,
    the parts that meet there), what, and why in words."""

    first_bar: int
    last_bar: int
    part: str
    what: str
    why: str
    kind: ItemKind
    comments: tuple[PlacedComment, ...] = ()

    @property
    def by_ear(self) -> bool:
        """Whether an ear must say if anything is to be performed again."""
        return self.kind == "join"

    @property
    def bars(self) -> str:
        """ "Bars 5-6", "Bar 5"."""
        one = self.first_bar == self.last_bar
        return f"{'Bar' if one else 'Bars'} {bars_text(self.first_bar, self.last_bar)}"


def listing(song: Song, form: Form, comments: Sequence[PlacedComment] = ()) -> list[Item]:
    """What to perform again for `form`, then the joins to check by ear; empty for "as written".

    Bars are those of the rebuild sheet and the MIDI map: an odd silence ends with a short bar of its own.
    Each comment stands with one item, the nearest one to the bar it is about.

    Raises:
        FormError: as `render.audio.timeline.lay_out` does.
    """
    entries = _Listing(song, form, task(song, form))
    items = [*entries.pickups(), *entries.repeats(), *entries.treatments(), *entries.joins()]
    items.sort(
        key=lambda item: (ORDER.index(item.kind), -entries.weight(item), item.first_bar, item.last_bar)
    )
    return _with_comments(items, comments)


def _with_comments(items: Sequence[Item], comments: Sequence[PlacedComment]) -> list[Item]:
    placed: list[list[PlacedComment]] = [[] for _ in items]
    for comment in comments:
        near = [at for at, item in enumerate(items) if comment.bar is not None and _near(item, comment.bar)]
        if comment.bar is not None and near:
            placed[min(near, key=lambda at: _far(items[at], comment.bar or 0))].append(comment)
    return [replace(item, comments=tuple(own)) for item, own in zip(items, placed, strict=True)]


def _near(item: Item, bar: int) -> bool:
    return item.first_bar <= bar <= item.last_bar + (LATE_BARS if item.kind in AT_A_JOIN else 0)


def _far(item: Item, bar: int) -> tuple[bool, int]:
    """Bars that hold the comment's own come first, and among them the fewest."""
    return bar > item.last_bar, item.last_bar - item.first_bar


@dataclass(frozen=True)
class _Meeting:
    """Two pieces that follow one another, with their places in the form, and the silences between them (None:
    the form's beginning or end)."""

    before: int | None
    after: int | None
    ends: Piece | None
    begins: Piece | None
    between: tuple[Part, ...]

    @property
    def words(self) -> str:
        parts = [part for part in (self.ends, *self.between, self.begins) if part is not None]
        return " › ".join(part.text for part in parts)


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

    def meetings(self) -> Iterator[_Meeting]:
        """Where bars meet that did not meet in the song, silences between them included."""
        parts, nothing = self.form.parts, (None, None)
        pieces = [(at, part) for at, part in enumerate(parts) if isinstance(part, Piece)]
        for (before, ends), (after, begins) in pairwise([nothing, *pieces, nothing]):
            between = parts[0 if before is None else before + 1 : after]
            last = ends.last_bar if ends else 0
            first = begins.first_bar if begins else self.song.last_bar + 1
            if between or last + 1 != first:
                yield _Meeting(before, after, ends, begins, between)

    def joins(self) -> Iterator[Item]:
        for meeting in self.meetings():
            ends, begins = meeting.ends, meeting.begins
            what: list[str] = []
            why: list[str] = []
            bars: list[int] = []
            if meeting.before is not None and ends is not None:
                bars.append(self.bars(meeting.before)[1])
                what.append("the last bar")
                why += self.way_out(ends, begins, meeting)
            if meeting.after is not None and begins is not None:
                bars.append(self.bars(meeting.after)[0])
                what.append("the entry")
                why += self.way_in(begins, ends)
            if what:
                words = " and ".join(what)
                yield Item(bars[0], bars[-1], meeting.words, words, "; ".join(why), "join")

    def way_in(self, begins: Piece, ends: Piece | None) -> Iterator[str]:
        if begins.first_bar == 1:
            was = "the entry was performed as the song's beginning"
        else:
            was = f'the entry was performed coming from "{self.name(begins.first_bar - 1)}"'
        if ends is None:
            yield f"the form now begins here; {was}" if begins.first_bar > 1 else "it now comes after silence"
        elif ends.last_bar + 1 != begins.first_bar:
            yield was

    def way_out(self, ends: Piece, begins: Piece | None, meeting: _Meeting) -> Iterator[str]:
        following = ends.last_bar + 1
        if following > self.song.last_bar:
            led = "the last bar was performed as the song's end"
        else:
            led = f'the last bar was performed leading to "{self.name(following)}"'
        if begins is None:
            yield f"the form now ends here; {led}" if not meeting.between else f"only silence follows; {led}"
        elif following == begins.first_bar:
            yield "they were performed without the silence between them"
        else:
            yield led
        owner = self.owners.get(following)
        taken = self.pickup_of(begins, ends) if begins and not meeting.between else Fraction(0)
        if owner and taken < owner.pickup_beats:
            name = owner.name
            yield f'the pickup to "{name}" is still heard in it, and "{name}" does not follow at once'

    def pickups(self) -> Iterator[Item]:
        for meeting in self.meetings():
            ends, begins = meeting.ends, meeting.begins
            if ends is None or begins is None or meeting.before is None or meeting.between:
                continue
            given = self.pickup_of(begins, ends)
            if given:
                last = self.bars(meeting.before)[1]
                one = given == 1
                yield Item(
                    last, last, ends.text, "the last beat" if one else f"the last {float(given):g} beats",
                    f'{"it was" if one else "they were"} given up to the pickup of "{begins.text}"; sing or '
                    f"play {'it' if one else 'them'} so that both fit",
                    "pickup given up",
                )  # fmt: skip

    def pickup_of(self, begins: Piece, ends: Piece) -> Fraction:
        """The beats that `ends` gives up to the pickup of `begins`; none where they met in the song."""
        return Fraction(0) if ends.last_bar + 1 == begins.first_bar else begins.pickup_beats

    def name(self, bar: int) -> str:
        """The section that a bar of the song belongs to."""
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
