"""Listeners' comments, placed at the bar and the part of the form that they are about."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from reports.facts.road_map import RoadMap, RoadMapPart
from sessions.records import LogContents


@dataclass(frozen=True)
class PlacedComment:
    """One comment. `shown` is the listener's name as it always appears. `listen` counts the listener's whole
    listens of the form (None: it was broken off). `bar` and `part` are None where it is about the whole;
    `time_s` is a time of the form's file."""

    form: str
    listener: str
    shown: str
    listen: int | None
    round: int
    rating: float | None
    text: str
    time_s: float | None
    bar: int | None
    part: RoadMapPart | None
    after_opening: bool
    listen_id: int

    @property
    def listen_words(self) -> str:
        """ "listen 3", or that it was broken off."""
        return f"listen {self.listen}" if self.listen else "a listen broken off"


@dataclass(frozen=True)
class PartComments:
    """Comments on one part of a form (None: on the whole), in the order in which they sound."""

    part: RoadMapPart | None
    comments: tuple[PlacedComment, ...]


def all_comments(
    contents: LogContents,
    names: Mapping[int, str],
    maps: Mapping[str, RoadMap],
    lead_s: float,
    shown: Callable[[str], str],
) -> tuple[PlacedComment, ...]:
    """Every comment of the log, oldest first. `names` are the reports' names of the log's forms; `lead_s`
    is where bar 1 lies in their files (the log counts from it); `shown` gives a listener's name as it
    appears."""
    comments: list[PlacedComment] = []
    whole: dict[tuple[str, int], int] = {}
    for listen in contents.listens:
        key = listen.listener, listen.form_id
        if listen.heard_to_the_end:
            whole[key] = whole.get(key, 0) + 1
        name = names[listen.form_id]
        count = whole[key] if listen.heard_to_the_end else None
        for after_bar_1_s, text in listen.comments:
            time_s = None if after_bar_1_s is None else after_bar_1_s + lead_s
            comments.append(
                PlacedComment(
                    form=name,
                    listener=listen.listener,
                    shown=shown(listen.listener),
                    listen=count,
                    round=listen.round_number,
                    rating=listen.rating,
                    text=text,
                    time_s=time_s,
                    bar=None if time_s is None else maps[name].bar_at(time_s),
                    part=None if time_s is None else maps[name].part_at(time_s),
                    after_opening=listen.after_opening,
                    listen_id=listen.id,
                )
            )
    return tuple(comments)


def grouped(comments: Sequence[PlacedComment], form: str) -> tuple[PartComments, ...]:
    """The comments on a form, part by part in its order; those on the whole come last."""
    own = [c for c in comments if c.form == form]
    placed = sorted((c for c in own if c.part is not None), key=lambda c: (c.time_s or 0.0, c.listen_id))
    by_part = [PartComments(part, tuple(run)) for part, run in groupby(placed, key=lambda c: c.part)]
    rest = tuple(c for c in own if c.part is None)
    return (*by_part, PartComments(None, rest)) if rest else tuple(by_part)
