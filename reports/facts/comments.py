"""What listeners wrote, placed at the bar and the part it is about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from reports.facts.strips import Strip, StripPart
from sessions.records import ListenRecord, LogContents


@dataclass(frozen=True)
class Comment:
    """One comment. `listen` counts the listener's whole listens of the form (None: it was broken off);
    `bar` and `part` are None where it is about the whole; `time_s` counts from the form's first bar line."""

    form: str
    listener: str
    listen: int | None
    round: int
    day: str
    rating: float | None
    text: str
    time_s: float | None
    bar: int | None
    part: StripPart | None
    after_opening: bool
    listen_id: int

    @property
    def listen_words(self) -> str:
        """ "listen 3", or that it was broken off."""
        return f"listen {self.listen}" if self.listen else "a listen broken off"


@dataclass(frozen=True)
class Group:
    """Comments on one part of a form (None: on the whole), in the order in which they sound."""

    part: StripPart | None
    comments: tuple[Comment, ...]


def all_comments(
    contents: LogContents, names: Mapping[int, str], strips: Mapping[str, Strip]
) -> tuple[Comment, ...]:
    """Every comment of the log, oldest first. `names` are the reports' names of the log's forms."""
    found: list[Comment] = []
    whole: dict[tuple[str, int], int] = {}
    for listen in contents.listens:
        key = listen.listener, listen.form_id
        if listen.heard_to_the_end:
            whole[key] = whole.get(key, 0) + 1
        name = names[listen.form_id]
        count = whole[key] if listen.heard_to_the_end else None
        found += [
            _comment(listen, name, count, time_s, text, strips[name]) for time_s, text in listen.comments
        ]
    return tuple(found)


def _comment(
    listen: ListenRecord, form: str, count: int | None, time_s: float | None, text: str, strip: Strip
) -> Comment:
    return Comment(
        form=form,
        listener=listen.listener,
        listen=count,
        round=listen.round_number,
        day=listen.local_date,
        rating=listen.rating,
        text=text,
        time_s=time_s,
        bar=None if time_s is None else strip.bar_at(time_s),
        part=None if time_s is None else strip.part_at(time_s),
        after_opening=listen.after_opening,
        listen_id=listen.id,
    )


def grouped(comments: Sequence[Comment], form: str) -> tuple[Group, ...]:
    """The comments on a form, part by part in its order; those on the whole come last."""
    own = [c for c in comments if c.form == form]
    placed = sorted((c for c in own if c.part is not None), key=lambda c: (c.time_s or 0.0, c.listen_id))
    groups: dict[int, list[Comment]] = {}
    for comment in placed:
        assert comment.part is not None
        groups.setdefault(comment.part.number, []).append(comment)
    found = [Group(group[0].part, tuple(group)) for group in groups.values()]
    rest = tuple(c for c in own if c.part is None)
    return (*found, Group(None, rest)) if rest else tuple(found)
