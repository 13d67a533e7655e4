"""Dissent from a form: rounds in which it fell behind, listeners who want another one, their comments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from reports.facts.comments import PlacedComment
from reports.facts.study_facts import Facts
from reports.verdict.judge import Judgement
from reports.verdict.sensitivity import AlternativeReading


@dataclass(frozen=True)
class Margin:
    """In one round of one listener: the form's rating less the mean of the other forms'."""

    listener: str
    round: int
    points: float


@dataclass(frozen=True)
class Other:
    """A listener whose own settled order has another form first, with that form's chance for them."""

    listener: str
    form: str
    chance: float


@dataclass(frozen=True)
class System:
    """What was heard on one kind of system: the form rated highest there, and by how much over the mean."""

    heard_on: str
    listens: int
    best: str
    points: float
    of_form: float | None


@dataclass(frozen=True)
class Dissent:
    """Dissent from `form`, in ratings and in words; `comments` come from listens in which it fell behind."""

    form: str
    margins: tuple[Margin, ...]
    others: tuple[Other, ...]
    listeners: int
    comments: tuple[PlacedComment, ...]
    praise: tuple[PlacedComment, ...]  # of the other forms, where they were rated above it in the same round
    changes: tuple[AlternativeReading, ...]  # other ways of judging that name another form
    systems: tuple[System, ...]

    @property
    def rounds_below(self) -> int:
        return sum(margin.points < 0 for margin in self.margins)

    @property
    def speaks(self) -> bool:
        """Whether anything at all speaks against the form."""
        return bool(
            self.rounds_below or self.others or self.changes or self.systems_against
            or self.comments or self.praise
        )  # fmt: skip

    @property
    def systems_against(self) -> tuple[System, ...]:
        return tuple(system for system in self.systems if system.best != self.form)


def dissent(facts: Facts, form: str) -> Dissent | None:
    """What speaks against `form`; None where nothing is rated."""
    judgement, ratings = facts.judgement, facts.ratings
    if judgement is None or ratings is None:
        return None
    table = ratings.table[ratings.table["form"].isin(judgement.order)]
    margins = _margins(table, form)
    behind = {(m.listener, m.round) for m in margins if m.points < 0}
    above = _rated_above(table, form)
    return Dissent(
        form=form,
        margins=margins,
        others=_others(judgement, form),
        listeners=len(judgement.beside.listeners),
        comments=tuple(c for c in facts.comments if c.form == form and (c.listener, c.round) in behind),
        praise=tuple(c for c in facts.comments if (c.listener, c.round, c.form) in above),
        changes=tuple(change for change in judgement.sensitivity if change.best != form),
        systems=systems(table, form, judgement.order),
    )


def _others(judgement: Judgement, form: str) -> tuple[Other, ...]:
    owns = [own for own in judgement.beside.listeners if own.order and own.order[0] != form]
    others = [Other(own.listener, own.order[0], own.p_best[own.order[0]]) for own in owns]
    return tuple(sorted(others, key=lambda other: -other.chance))


def _margins(table: pd.DataFrame, form: str) -> tuple[Margin, ...]:
    its = table["form"] == form
    own, rest = (rows.groupby(["listener", "round"])["rating"].mean() for rows in (table[its], table[~its]))
    both = (own - rest).dropna()  # the rounds that have both
    return tuple(
        Margin(str(listener), int(number), float(points))
        for (listener, number), points in zip(both.index.to_list(), both, strict=True)
    )


def _rated_above(table: pd.DataFrame, form: str) -> set[tuple[str, int, str]]:
    """(listener, round, other form) where the other form was rated higher in the same round."""
    its = table.loc[table["form"] == form, ["listener", "round", "rating"]]
    both = table.merge(its, on=["listener", "round"], suffixes=("", "_its"))
    above = both.loc[both["rating"] > both["rating_its"], ["listener", "round", "form"]]
    return set(above.itertuples(index=False, name=None))


def systems(table: pd.DataFrame, form: str, forms: Sequence[str]) -> tuple[System, ...]:
    """By what was heard on: ratings less the mean of their round, averaged for each form."""
    if not len(table):
        return ()
    level = table.groupby(["listener", "round"])["rating"].transform("mean")
    off = table.assign(off=table["rating"] - level)
    heard = []
    for heard_on, own in off.groupby("heard_on"):
        means = own.groupby("form")["off"].mean().reindex(list(forms)).dropna()
        if len(means):
            its = float(means[form]) if form in means else None
            heard.append(System(str(heard_on), len(own), str(means.idxmax()), float(means.max()), its))
    return tuple(sorted(heard, key=lambda system: -system.listens))
