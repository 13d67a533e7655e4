"""What an edit does to the song, in a clause of section names: "bridge before the first refrain"."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from render.song.forms import Section, bars_text
from reports.verdict.phrases import listed
from reports.way_back.arrangement import (
    Arrangement,
    Cell,
    Clear,
    Copy,
    Move,
    Mute,
    Op,
    Over,
    Remove,
    Rest,
    Slot,
)

_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth")


class Effects:
    """Clauses for one edit: names the bars that an edit deals with, in the states before and after it."""

    def __init__(
        self, song: Arrangement, before: Arrangement, after: Arrangement, sections: Sequence[Section]
    ) -> None:
        self.song, self.before, self.after, self.sections = song, before, after, sections

    def of(self, op: Op) -> str:
        match op:
            case Copy(first, stop, to, _):
                what = self.named(self.before.slots[first:stop])
                again = to in (first, stop)
                return f"{what} once more" if again else f"{what} also {self.where(to + stop - first)}"
            case Move(first, stop, to, _):
                what = self.named(self.before.slots[first:stop])
                return f"{what} {self.where(to + stop - first if to <= first else to)}"
            case Remove(first, stop, _):
                return f"leaves out {self.named(self.before.slots[first:stop])}"
            case Rest(to, slots):
                return f"a rest {self.where(to + len(slots))}"
            case Over(source, _, ticks):
                slot = self.song_slot(self.before.heard(source, source + ticks)[-1])
                return f"the pickup into {self.named(self.song.slots[slot : slot + 1], whole=True)}"
            case Mute(start, stop, stems):
                first, last = self.after.slot_at(start), self.after.slot_at(stop - 1)
                named = self.named(self.after.slots[first : last + 1])
                return f"{named} without {listed(sorted(stems))}"
            case Clear():
                return "the song's own beginning is not heard"

    def song_slot(self, cell: Cell) -> int:
        """The song's own bar that comes after what a cell holds."""
        if cell.source is None:
            return 0
        return self.song.slot_at(cell.source + cell.ticks - self.song.source_of(0))

    def where(self, slot: int) -> str:
        """ "before the first refrain", "at the end": what comes at a slot after the edit."""
        if slot >= len(self.after.slots):
            return "at the end"
        return f"before {self.single(slot)}"

    def single(self, slot: int) -> str:
        """The part that begins at a slot (or goes on there), told apart from others of its name."""
        bar = self.after.slots[slot]
        if bar.silent:
            return "the silence"
        section = self.section(bar.bar)
        if section is None:
            return f"bar {bar.bar} of the song"
        within = "" if bar.bar == section.first_bar else f" (from its bar {bar.bar - section.first_bar + 1})"
        places = [
            at for at, other in enumerate(self.after.slots) if not other.silent and other.bar == bar.bar
        ]
        if len(places) < 2 or places.index(slot) >= len(_ORDINALS):
            return f"{section.name}{within}"
        return f"the {_ORDINALS[places.index(slot)]} {section.name}{within}"

    def named(self, slots: Sequence[Slot], *, whole: bool = False) -> str:
        """ "bridge", "verse 1 bars 3-4", "intro to refrain"."""
        names = list(self._runs(slots, whole))
        return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}" if names else "the end"

    def _runs(self, slots: Sequence[Slot], whole: bool) -> Iterator[str]:
        for (section, silent), run in itertools.groupby(slots, key=lambda s: (self.section(s.bar), s.silent)):
            bars = [slot.bar for slot in run]
            if silent:
                yield "the silence"
            elif section is None:
                yield f"bars {bars_text(bars[0], bars[-1])} of the song"
            elif whole or (bars[0] == section.first_bar and bars[-1] == section.last_bar):
                yield section.name
            else:
                first = bars[0] - section.first_bar + 1
                last = bars[-1] - section.first_bar + 1
                yield f"{section.name} bar{'' if first == last else 's'} {bars_text(first, last)}"

    def section(self, bar: int) -> Section | None:
        """The section that a bar of the song belongs to."""
        return next((s for s in self.sections if s.first_bar <= bar <= s.last_bar), None)
