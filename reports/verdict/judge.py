"""The verdict: which form wins once all are equally familiar, and how sure that is."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from render.arrays import Floats
from reports.model import gates
from reports.model.familiarity import OWN, SLOW, Prior
from reports.model.gates import Chances, Doubts, Rules, settled_interval, state_of
from reports.model.posterior import targets
from reports.model.reading import SEED, Reading, level, read
from reports.verdict import caveats, phrases
from reports.verdict.panel import Panel, heard_by, panel_of
from reports.verdict.preprocessing import observations, tidy
from reports.verdict.sensitivity import Basis, Change, sensitivity
from reports.verdict.supplementary import Beside, beside


@dataclass(frozen=True)
class Settled:
    """A settled rating, 0-100, with the ends of its 90 % interval."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class Judgement:
    """All that a reading says. Mappings are by form, best first; losses are rating points."""

    state: str
    best: str  # the form with the least expected loss, whatever the state
    p_best: dict[str, float]
    expected_loss: dict[str, float]
    settled: dict[str, Settled]
    order: tuple[str, ...]
    listens: dict[str, int]
    days: int
    rounds: int
    sentence: str
    risk: str  # what choosing the best form now would risk
    behind: tuple[str, ...]  # listeners who have not heard enough for a clear verdict
    notes: tuple[str, ...]  # what the reader must know beside the sentence
    p_best_people_like_them: dict[str, float] | None  # None with one listener
    noise_sd: float
    panel: Panel = field(repr=False)
    reading: Reading = field(repr=False)
    sensitivity: tuple[Change, ...]
    beside: Beside = field(repr=False)

    @property
    def form(self) -> str | None:
        """The form that the verdict names: none unless clear or leaning."""
        return self.best if self.state in (gates.CLEAR, gates.LEANING) else None

    @property
    def sealed(self) -> str:
        """The state in one sentence, without any name."""
        return phrases.SEALED[self.state]

    def as_json(self, *, sealed: bool = False) -> dict[str, object]:
        """What `verdict --json` prints; sealed, nothing but the state."""
        if sealed:
            return {"state": self.state, "sentence": self.sealed}
        return {
            "state": self.state,
            "form": self.form,
            "p_best": _rounded(self.p_best, 4),
            "expected_loss": _rounded(self.expected_loss, 3),
            "settled": {
                form: {"mean": round(s.mean, 2), "low": round(s.low, 2), "high": round(s.high, 2)}
                for form, s in self.settled.items()
            },
            "order": list(self.order),
            "listens": self.listens,
            "days": self.days,
            "sentence": self.sentence,
            "sensitivity": [change.as_json() for change in self.sensitivity],
            "vote": self.beside.vote.as_json(),
        }


def _rounded(values: Mapping[str, float], digits: int) -> dict[str, float]:
    return {name: round(value, digits) for name, value in values.items()}


def judge(
    table: pd.DataFrame,
    *,
    seed: int = SEED,
    weights: Mapping[str, float] | None = None,
    listeners: Sequence[str] = (),
    forms: Sequence[str] = (),
    retired: Collection[str] = (),
    kept_apart: Mapping[str, int] | None = None,
    rules: Rules | None = None,
) -> Judgement:
    """Judges a table of ratings: one row a rated listen (columns: see `observe.tidy`).

    `weights` are the listeners' (1 where missing); `listeners` and `forms` name those that belong to the
    study even if they have no rating yet; `retired` forms inform the model but are not judged;
    `kept_apart` counts ratings by listener that are not in the table, as they came after the opening. The
    same ratings give the same judgement whatever the order of the rows. Raises RatingsError.
    """
    rules = rules or Rules()
    t = tidy(table)
    panel = panel_of(t, weights, listeners, forms, retired)
    seen = observations(t, panel.listeners, panel.forms)
    candidates = [panel.forms.index(name) for name in panel.candidates]
    reading = read(seen, panel.weights, candidates=candidates, seed=seed)
    doubts = Doubts(
        *(
            read(seen, panel.weights, candidates=candidates, prior=prior, seed=seed).chances
            for prior in (SLOW, OWN)
        )
    )
    heard = heard_by(t, panel, weights)
    state = state_of(reading.chances, heard, rules, lambda: doubts)
    names = [panel.candidates[i] for i in _heard_first(reading.chances, panel)]
    changes = sensitivity(_basis(t, reading, panel, seed), panel.forms.index(names[0]))
    evidence = beside(t, reading, panel, seed)
    behind = heard.behind(rules.clear_listens, rules.clear_days)
    best = _by_name(reading.chances.best, names, panel)
    loss = _by_name(reading.chances.loss, names, panel)
    told = phrases.sentence(state, names, best, loss, rules) + caveats.but(state, changes)
    counts = t["form"].value_counts()
    return Judgement(
        state=state,
        best=names[0],
        p_best=best,
        expected_loss=loss,
        settled=_settled(reading, panel, names),
        order=tuple(names),
        listens={name: int(counts.get(name, 0)) for name in names},
        days=int(t["day"].nunique()),
        rounds=heard.rounds,
        sentence=told if len(t) else phrases.NOTHING,
        risk=phrases.risk(names, best, loss) if len(t) else phrases.NOTHING,
        behind=behind,
        notes=(
            *caveats.missing(panel, heard, behind, rules, kept_apart or {}),
            *caveats.held_back(state, reading, heard, rules, names[0], doubts),
            *caveats.findings(state, changes, evidence),
        ),
        p_best_people_like_them=_like_them(reading, panel, names, seed),
        noise_sd=reading.fit.noise_sd(),
        panel=panel,
        reading=reading,
        sensitivity=changes,
        beside=evidence,
    )


def _basis(t: pd.DataFrame, reading: Reading, panel: Panel, seed: int) -> Basis:
    return Basis(
        reading=reading,
        listeners=panel.listeners,
        forms=panel.forms,
        weights=panel.weights,
        prior=Prior(),
        seed=seed,
        prior_listens=t["prior_listens"].to_numpy(np.float64),
        round=t.groupby("listener")["round"].rank(method="dense").to_numpy(np.float64),
        heard_on=t["heard_on"].fillna("").astype(str).tolist() if "heard_on" in t else (),
    )


def _heard_first(chances: Chances, panel: Panel) -> list[int]:
    """Candidates, best first; a form that nobody has heard yet cannot lead."""
    return sorted(chances.order, key=lambda i: panel.candidates[i] in panel.unheard)


def _by_name(values: Floats, names: Sequence[str], panel: Panel) -> dict[str, float]:
    return {name: float(values[panel.candidates.index(name)]) for name in names}


def _settled(reading: Reading, panel: Panel, names: Sequence[str]) -> dict[str, Settled]:
    """Settled ratings: the forms' distances from their own average, set around the average level."""
    heard = [i for i, name in enumerate(panel.candidates) if name not in panel.unheard]
    anchor = level(reading, panel.weights) if heard else 50.0
    middle = reading.draws[:, heard or slice(None)].mean(1, keepdims=True)
    draws = np.clip(reading.draws - middle + anchor, 0.0, 100.0)
    low, high = settled_interval(draws)
    at = {name: panel.candidates.index(name) for name in names}
    return {n: Settled(float(draws[:, i].mean()), float(low[i]), float(high[i])) for n, i in at.items()}


def _like_them(reading: Reading, panel: Panel, names: Sequence[str], seed: int) -> dict[str, float] | None:
    if len(panel.listeners) < 2:
        return None
    draws = targets(reading.fit, None).draws(len(reading.draws), seed)[:, list(reading.candidates)]
    return _by_name(Chances.of(draws).best, names, panel)
