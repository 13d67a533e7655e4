"""Supplementary statistics, not used for the verdict: plain tables, tests, each listener, the vote."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reports.model.familiarity import Prior
from reports.model.reading import Reading
from reports.verdict.agreement import Agreement, agreement
from reports.verdict.diagnostics import Diagnostics, diagnose
from reports.verdict.listeners import Camps, ListenerEffects, ListenerOrder, ballots, camps, own_orders
from reports.verdict.panel import Panel
from reports.verdict.votes import Vote, count

BALLOT_LISTENS = 2  # of every form, before a listener's own order is a ballot


@dataclass(frozen=True)
class Plain:
    """Plain tables.

    `forms`: one row a form (listens, mean, median, SD, rounds won; a tie for the first place counts in
    parts); `by_day` and `by_listen`: mean ratings, forms in columns; `rank_by_day`: mean rank within rounds
    (1 = best).
    """

    forms: pd.DataFrame
    by_day: pd.DataFrame
    by_listen: pd.DataFrame
    rank_by_day: pd.DataFrame


@dataclass(frozen=True)
class Supplementary:
    """All supplementary statistics of a study."""

    plain: Plain
    agreement: Agreement
    listeners: tuple[ListenerOrder, ...]
    camps: Camps | None
    voters: tuple[str, ...]  # listeners with BALLOT_LISTENS of every form
    vote: Vote
    diagnostics: Diagnostics


def supplementary(t: pd.DataFrame, reading: Reading, panel: Panel, seed: int) -> Supplementary:
    """From a tidy table, its reading and the panel."""
    listeners, candidates = panel.listeners, panel.candidates
    settling = ListenerEffects.of(reading)
    cells = t.groupby(["listener", "form"])["rating"]
    heard = cells.mean().unstack().reindex(index=list(listeners), columns=list(candidates))
    listens = cells.size().unstack().reindex(index=list(listeners), columns=list(candidates)).fillna(0)
    rounds = t.set_index(["listener", "round", "form"])["rating"].unstack().reindex(columns=list(candidates))
    votes = np.asarray((listens >= BALLOT_LISTENS).to_numpy().all(axis=1), dtype=np.bool_)
    ranks = ballots(settling, heard.notna().to_numpy(np.float64))
    return Supplementary(
        plain=plain(t, candidates),
        agreement=agreement(rounds.to_numpy(np.float64), heard.to_numpy(np.float64)),
        listeners=own_orders(settling, listeners, candidates, seed),
        camps=camps(settling, [panel.shown(name) for name in listeners], candidates, panel.weights),
        voters=tuple(name for name, has in zip(listeners, votes, strict=True) if has),
        vote=count(ranks, panel.ballots * votes, candidates),
        diagnostics=diagnose(reading, t, panel, Prior()),
    )


def plain(t: pd.DataFrame, candidates: Sequence[str]) -> Plain:
    """The plain tables of a tidy table, for the forms in `candidates`."""
    names = list(candidates)
    t = t[t["form"].isin(names)]
    each = t.groupby("form")["rating"]
    within = t.groupby("group")["rating"]
    top = t["rating"] == within.transform("max")
    compared = within.transform("size") > 1
    won = (top / top.groupby(t["group"]).transform("sum")).where(compared, 0.0)
    forms = pd.DataFrame(
        {
            "listens": each.size(),
            "mean": each.mean(),
            "median": each.median(),
            "sd": each.std(),
            "rounds_won": won.groupby(t["form"]).sum(),
        }
    ).reindex(names)
    forms["listens"] = forms["listens"].fillna(0).astype(int)
    forms["rounds_won"] = forms["rounds_won"].fillna(0.0)
    ranked = t.assign(rank=within.rank(ascending=False))[compared]
    day = {name: _day_key(name) for name in t["day"].unique()}

    def table(rows: pd.DataFrame, index: str, values: str) -> pd.DataFrame:
        made = rows.groupby([index, "form"])[values].mean().unstack().reindex(columns=names)
        return made.sort_index(key=lambda keys: keys.map(day)) if index == "day" and len(made) else made

    return Plain(forms, table(t, "day", "rating"), table(t, "listen", "rating"), table(ranked, "day", "rank"))


def _day_key(day: str) -> str:
    """Whole numbers in the order of numbers, dates in that of dates."""
    return f"{int(day):012d}" if day.lstrip("-").isdigit() else day
