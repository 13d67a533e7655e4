"""Assessment: the model fitted to a table of ratings and the verdict's state, without words. Quick."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from render.arrays import Floats
from reports.model.familiarity import OWN, SLOW, Prior
from reports.model.gates import CautiousReadings, Coverage, Rules, State, state_of
from reports.model.reading import SEED, Reading, read
from reports.verdict.panel import Panel, coverage_of, panel_of
from reports.verdict.preprocessing import observations, tidy
from reports.verdict.sensitivity import SensitivityBasis


@dataclass(frozen=True)
class Assessment:
    """The readings of a table and the state they give. `table` is tidy (see `preprocessing.tidy`)."""

    state: State
    table: pd.DataFrame = field(repr=False)
    panel: Panel
    coverage: Coverage
    reading: Reading = field(repr=False)
    cautious: CautiousReadings = field(repr=False)
    rules: Rules
    seed: int

    @cached_property
    def order(self) -> tuple[str, ...]:
        """The candidate forms, best first; a form that nobody has heard yet cannot lead."""
        names = self.panel.candidates
        ranked = sorted(self.reading.chances.order, key=lambda i: names[i] in self.panel.unheard)
        return tuple(names[i] for i in ranked)

    @property
    def best(self) -> str:
        """The form with the least expected loss, whatever the state."""
        return self.order[0]

    def by_form(self, values: Floats) -> dict[str, float]:
        """Values (C,) of the candidates by name, best first."""
        return {name: float(values[self.panel.candidates.index(name)]) for name in self.order}

    @property
    def behind(self) -> tuple[str, ...]:
        """Listeners who have not heard enough for a clear verdict."""
        return self.coverage.behind(self.rules.clear_listens, self.rules.clear_days)

    def basis(self) -> SensitivityBasis:
        """Inputs of the sensitivity analysis."""
        t = self.table
        return SensitivityBasis(
            reading=self.reading,
            listeners=[self.panel.shown(name) for name in self.panel.listeners],
            forms=self.panel.forms,
            weights=self.panel.weights,
            prior=Prior(),
            seed=self.seed,
            prior_listens=t["prior_listens"].to_numpy(np.float64),
            round=t.groupby("listener")["round"].rank(method="dense").to_numpy(np.float64),
            heard_on=t["heard_on"].fillna("").astype(str).tolist() if "heard_on" in t else (),
        )


def assess(
    table: pd.DataFrame,
    *,
    seed: int = SEED,
    weights: Mapping[str, float] | None = None,
    listeners: Sequence[str] = (),
    forms: Sequence[str] = (),
    retired: Collection[str] = (),
    rules: Rules | None = None,
    shown: Callable[[str], str] = str,
) -> Assessment:
    """Assesses a table of ratings, one row a rated listen; arguments as for `judge.judge`.

    Raises:
        RatingsError: a column is missing, a form was rated twice in a round, or there is nothing to compare.
    """
    rules = rules or Rules()
    t = tidy(table)
    panel = panel_of(t, weights, listeners, forms, retired, shown)
    seen = observations(t, panel.listeners, panel.forms)
    candidates = [panel.forms.index(name) for name in panel.candidates]
    reading = read(seen, panel.weights, candidates=candidates, seed=seed)
    cautious = CautiousReadings(
        *(
            read(seen, panel.weights, candidates=candidates, prior=prior, seed=seed).chances
            for prior in (SLOW, OWN)
        )
    )
    coverage = coverage_of(t, panel, weights)
    state = state_of(reading.chances, coverage, rules, lambda: cautious)
    return Assessment(state, t, panel, coverage, reading, cautious, rules, seed)
