"""Listeners, candidate forms and weights of a verdict, and the listens heard so far."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from render.arrays import Floats
from render.errors import RatingsError
from reports.model.gates import Coverage, known_before
from reports.verdict.preprocessing import mean_weights


@dataclass(frozen=True)
class Panel:
    """Listeners, forms and weights: names in a fixed order. `silent` and `unheard` have no ratings yet.

    `shown` gives a listener's name as reports print it; it is for words only, never a key.
    """

    listeners: tuple[str, ...]  # with ratings
    forms: tuple[str, ...]  # every form of the model, retired ones last
    candidates: tuple[str, ...]
    silent: tuple[str, ...]
    unheard: tuple[str, ...]
    retired: tuple[str, ...]
    weights: Floats = field(repr=False)  # (L,) sum 1
    ballots: Floats = field(repr=False)  # (L,) weights as given
    shown: Callable[[str], str] = field(default=str, repr=False)


def panel_of(
    t: pd.DataFrame,
    weights: Mapping[str, float] | None,
    listeners: Sequence[str],
    forms: Sequence[str],
    retired: Collection[str],
    shown: Callable[[str], str] = str,
) -> Panel:
    """Everybody and everything of a tidy table and of the study, in alphabetical order."""
    rated_by, rated = sorted(set(t["listener"])), set(t["form"])
    gone = sorted(rated & set(retired))
    candidates = sorted((rated | set(forms)) - set(retired))
    if len(candidates) < 2:
        raise RatingsError(
            f"There is {'one form' if candidates else 'no form'} to judge; expected at least two. "
            "Rate every form of the study in each round."
        )
    return Panel(
        listeners=tuple(rated_by),
        forms=(*candidates, *gone),
        candidates=tuple(candidates),
        silent=tuple(sorted(set(listeners) - set(rated_by))),
        unheard=tuple(sorted(set(candidates) - rated)),
        retired=tuple(gone),
        weights=mean_weights(rated_by, weights),
        ballots=np.array([(weights or {}).get(name, 1.0) for name in rated_by]),
        shown=shown,
    )


def prior_listens(t: pd.DataFrame, forms: Sequence[str]) -> Floats:
    """(F,) how often the listeners had heard each of `forms` before the study, on average."""
    known = t.groupby("form")["prior_listens"].mean().reindex(list(forms)).fillna(0.0)
    return known.to_numpy(np.float64)


def coverage_of(
    t: pd.DataFrame, panel: Panel, weights: Mapping[str, float] | None, forms: Sequence[str]
) -> Coverage:
    """Listens of `forms` and days of each listener, silent ones included; weight 0 is not waited for."""
    counts = t.groupby(["listener", "form"])["listen"].max().unstack()
    counts = counts.reindex(columns=list(forms)).fillna(0)
    least, days = counts.min(axis=1), t.groupby("listener")["day"].nunique()
    rounds = t.groupby("listener")["round"].nunique()
    everybody = [*panel.listeners, *panel.silent]
    asked = [name for name in everybody if (weights or {}).get(name, 1.0) > 0] or everybody
    return Coverage(
        names=asked,
        listens=[int(least.get(name, 0)) for name in asked],
        days=[int(days.get(name, 0)) for name in asked],
        rounds=int(rounds.max()) if len(rounds) else 0,
        known=known_before(prior_listens(t, forms)),
    )
