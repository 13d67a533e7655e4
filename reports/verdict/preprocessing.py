"""Preprocessing: a table of ratings (pandas) to the model's arrays (numpy)."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from render.arrays import Floats, Ints
from render.errors import RatingsError
from reports.model.familiarity import Observations

_NEEDED = ("listener", "day", "round", "position", "form", "rating")


def tidy(table: pd.DataFrame) -> pd.DataFrame:
    """A sorted copy with every column filled: listen, sitting, exposure, prior_listens, previous, group.

    One row a rated listen. Sorted by listener, round, sitting, position and form, so that nothing that
    follows depends on the order of the rows. `listen` is counted where it is missing; `exposure` is then
    listen - 1; `previous` is the form at the position just before in the same sitting ("" if there is none
    or it is not certain); `group` numbers the (listener, round, sitting). Raises RatingsError when a column
    is missing or a listener rated a form twice in a round.
    """
    missing = [name for name in _NEEDED if name not in table]
    if missing:
        raise RatingsError(f"The table of ratings lacks {', '.join(missing)}; expected {', '.join(_NEEDED)}.")
    t = table.copy()
    for column in ("listener", "form", "day"):
        t[column] = t[column].astype(str)
    t["sitting"] = t["sitting"].astype(str) if "sitting" in t else ""
    t = t.sort_values(["listener", "round", "sitting", "position", "form"], ignore_index=True)
    if t.duplicated(["listener", "round", "form"]).any():
        row = t[t.duplicated(["listener", "round", "form"])].iloc[0]
        raise RatingsError(
            f'{row["listener"]} rated "{row["form"]}" twice in round {row["round"]}; expected one rating for '
            "each listener, round and form. Keep the one that counts."
        )
    counted = t.groupby(["listener", "form"]).cumcount() + 1
    t["listen"] = t["listen"].fillna(counted) if "listen" in t else counted
    t["listen"] = t["listen"].astype(np.int64)
    t["exposure"] = t["exposure"].fillna(t["listen"] - 1) if "exposure" in t else t["listen"] - 1
    t["exposure"] = t["exposure"].astype(np.float64)
    t["prior_listens"] = t["prior_listens"].fillna(0.0).astype(np.float64) if "prior_listens" in t else 0.0
    t["rating"] = t["rating"].astype(np.float64)
    spell = ["listener", "round", "sitting"]
    t["group"] = t.groupby(spell, sort=True).ngroup().astype(np.int64)
    t["previous"] = _previous(t)
    return t


def _previous(t: pd.DataFrame) -> pd.Series:
    """The form heard just before each row of the sorted table `t`."""
    before = t.shift(1)
    certain = (before["group"] == t["group"]) & (before["position"] == t["position"] - 1)
    shared = t.duplicated(["group", "position"], keep=False)
    certain &= ~shared & ~shared.shift(1, fill_value=False)
    return before["form"].where(certain, "").fillna("").astype(str)


def observations(t: pd.DataFrame, listeners: Sequence[str], forms: Sequence[str]) -> Observations:
    """The arrays of a tidy table; codes follow the order of `listeners` and `forms`."""
    form_code = {name: i for i, name in enumerate(forms)}
    listener_code = {name: i for i, name in enumerate(listeners)}
    return Observations(
        rating=t["rating"].to_numpy(np.float64),
        listener=_codes(t["listener"], listener_code),
        form=_codes(t["form"], form_code),
        group=np.unique(t["group"].to_numpy(np.int64), return_inverse=True)[1].astype(np.int64),
        position=_ranked(t["position"].to_numpy(np.int64)),
        previous=_codes(t["previous"], {**form_code, "": -1}),
        exposure=(t["exposure"] + t["prior_listens"]).to_numpy(np.float64),
        listeners=len(listeners),
        forms=len(forms),
    )


def _codes(names: pd.Series, code: dict[str, int]) -> Ints:
    return np.array([code[name] for name in names], dtype=np.int64)


def _ranked(values: Ints) -> Ints:
    return np.unique(values, return_inverse=True)[1].astype(np.int64)


def mean_weights(names: Sequence[str], weights: Mapping[str, float] | None) -> Floats:
    """(L,) weights of the listeners that sum to 1; equal where none are given or all are zero."""
    raw = np.array([1.0 if weights is None else weights.get(name, 1.0) for name in names])
    if raw.size and raw.sum() <= 0:
        raw = np.ones_like(raw)
    return np.asarray(raw / max(raw.sum(), 1e-300), dtype=np.float64)
