"""The log as a table: one row per rated listen, ready for the verdict and for ratings.csv."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from render.renders.manifest import Manifest
from render.song.song import Song
from sessions.records import ASPECTS, FormRecord, LogContents
from sessions.resting import resting_hashes

COLUMNS: Mapping[str, str] = {
    "listener": "who listened; what begins with = + - or @ has an apostrophe before it, for spreadsheets",
    "day": "the listener's own date",
    "round": "the listener's round, from 1",
    "position": "place in the round's order, from 1",
    "form": "the form heard (an apostrophe as for listener)",
    "rating": "0-100, the last correction",
    "listen": "this listener's count of whole listens of this form, this one included",
    "exposure": "how often they had heard it before in this study; a voided listen counts by the part heard",
    "prior_listens": "how often they had heard it, or what it replaces, before (declared or inherited)",
    "sitting": "number of the unbroken spell of listening",
    "heard_on": "what it was heard on (an apostrophe as for listener)",
    "means": "device, page or packet; simulated for scripted listeners",
    "code": "the listen's three-digit code",
    "opening": "0-100, optional",
    "flow": "0-100, optional",
    "build": "0-100, optional",
    "ending": "0-100, optional",
    "started_utc": "when the listen began",
    "after_opening": "1 if the study was open by then: such ratings stay out of the verdict",
    "comments": "number of comments on this listen",
    "late_s": "seconds of its sound that came late or not at all; it counts all the same",
    "cut_heard": "1 if a cut was heard in it, 0 if not; empty where nobody was asked at the round's end",
}


@dataclass(frozen=True)
class StudyRatings:
    """What was rated, and who and what belongs to the study.

    `table` has COLUMNS for the listens that count in the verdict, `after` those since the study was
    opened. `forms` are the current ones, in song.toml's order; `retired` were rated once and taken out.
    """

    table: pd.DataFrame
    after: pd.DataFrame
    listeners: tuple[str, ...]
    weights: Mapping[str, float]
    forms: tuple[str, ...]
    retired: tuple[str, ...]
    names: Mapping[int, str]  # form id of the log -> the name it has in reports
    resting: tuple[str, ...] = ()  # current forms that later rounds are without

    @property
    def both(self) -> pd.DataFrame:
        """Every rated listen, also those since the study was opened."""
        return pd.concat([self.table, self.after], ignore_index=True)


def study_ratings(song: Song, manifest: Manifest, contents: LogContents) -> StudyRatings:
    """The log's rated listens under the names of the forms as they are now."""
    names = form_names(manifest, contents)
    current = {form.content_hash for form in manifest.forms}
    rows = [row for listener in contents.listeners for row in _rows(listener, song, names, contents)]
    everything = pd.DataFrame(rows, columns=list(COLUMNS))
    late = everything["after_opening"] == 1
    rated_ids = {x.form_id for x in contents.listens if x.rating is not None}
    return StudyRatings(
        table=everything[~late].reset_index(drop=True),
        after=everything[late].reset_index(drop=True),
        listeners=tuple(listener.name for listener in song.listeners),
        weights={listener.name: listener.weight for listener in song.listeners},
        forms=tuple(form.name for form in manifest.forms),
        retired=tuple(
            names[f.id] for f in contents.forms if f.content_hash not in current and f.id in rated_ids
        ),
        names=names,
        resting=tuple(f.name for f in manifest.forms if f.content_hash in resting_hashes(contents.events)),
    )


def form_names(manifest: Manifest, contents: LogContents) -> dict[int, str]:
    """form id -> name; a retired form whose name is in use again is told apart by a number."""
    current = {form.content_hash: form.name for form in manifest.forms}
    names = {form.id: current[form.content_hash] for form in contents.forms if form.content_hash in current}
    taken = set(current.values())
    for form in contents.forms:
        if form.id not in names:
            later = (f"{form.name} (earlier version {n})" for n in itertools.count(2))
            choices = itertools.chain((form.name, f"{form.name} (earlier version)"), later)
            names[form.id] = next(name for name in choices if name not in taken)
            taken.add(names[form.id])
    return names


def _rows(
    listener: str, song: Song, names: Mapping[int, str], contents: LogContents
) -> list[dict[str, object]]:
    declared = {x.name: x.prior_listens for x in song.listeners}.get(listener, {})
    by_hash = {form.content_hash: form for form in contents.forms}
    answers = {round_.id: round_.answers for round_ in contents.rounds_of(listener)}
    heard: dict[int, float] = {}
    whole: dict[int, int] = {}
    rows = []
    for listen in contents.listens_of(listener):
        form = contents.form(listen.form_id)
        before = heard.get(form.id, 0.0)
        heard[form.id] = before + listen.fraction_heard
        if not listen.heard_to_the_end:
            continue
        whole[form.id] = whole.get(form.id, 0) + 1
        if listen.rating is None:
            continue
        given = answers.get(listen.round_id)
        row: dict[str, object] = {
            "listener": listen.listener,
            "day": listen.local_date,
            "round": listen.round_number,
            "position": listen.position,
            "form": names[form.id],
            "rating": listen.rating,
            "listen": whole[form.id],
            "exposure": before,
            "prior_listens": _prior(form, names, declared, heard, by_hash),
            "sitting": listen.sitting_id,
            "heard_on": listen.heard_on,
            "means": listen.means,
            "code": listen.code,
            "started_utc": listen.started_utc,
            "after_opening": int(listen.after_opening),
            "comments": len(listen.comments),
            "late_s": listen.late_s,
            "cut_heard": None if given is None else int(listen.id in given.cuts),
        }
        rows.append(row | {aspect: listen.ratings.get(aspect) for aspect in ASPECTS})
    return rows


def _prior(
    form: FormRecord,
    names: Mapping[int, str],
    declared: Mapping[str, float],
    heard: Mapping[int, float],
    by_hash: Mapping[str, FormRecord],
) -> float:
    """Declared prior listens, and, for a revision, all that its predecessor had been heard by then."""
    total = declared.get(names[form.id], 0.0)
    seen = {form.content_hash}
    before = by_hash.get(form.replaces or "")
    while before is not None and before.content_hash not in seen:
        seen.add(before.content_hash)
        total += heard.get(before.id, 0.0) + declared.get(before.name, 0.0)
        before = by_hash.get(before.replaces or "")
    return total
