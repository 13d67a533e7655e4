"""Assessment: the model fitted to a table of ratings and the verdict's state, without words. Quick."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from typing import Self

import numpy as np
import pandas as pd

from render.arrays import Floats
from reports.model.familiarity import OWN, SLOW, Observations, Prior, fading
from reports.model.gates import (
    MAY_STOP,
    CautiousReadings,
    Chances,
    Coverage,
    Rules,
    Ruling,
    State,
    even_risk,
    rule,
    safe_risk,
)
from reports.model.precision import noise_ratios, unsteady
from reports.model.reading import SEED, Reading, later_half, read
from reports.verdict.panel import Panel, coverage_of, panel_of
from reports.verdict.preprocessing import observations, tidy
from reports.verdict.sensitivity import SensitivityBasis


@dataclass(frozen=True)
class Assessment:
    """The readings of a table and what the gates make of them. `table` is tidy (`preprocessing.tidy`).

    `reading` and `cautious` are over all candidate forms. While some rest (`resting`), the gates are applied
    to `playing_chances` and `playing_cautious`, which are over those that play.
    """

    table: pd.DataFrame = field(repr=False)
    panel: Panel
    resting: tuple[str, ...]
    coverage: Coverage  # of the forms that play
    reading: Reading = field(repr=False)
    cautious: CautiousReadings = field(repr=False)
    playing_chances: Chances = field(repr=False)
    playing_cautious: CautiousReadings = field(repr=False)
    rules: Rules
    seed: int
    kept_apart: Mapping[str, int] = field(repr=False)

    @classmethod
    def of(
        cls,
        table: pd.DataFrame,
        *,
        seed: int = SEED,
        weights: Mapping[str, float] | None = None,
        listeners: Sequence[str] = (),
        forms: Sequence[str] = (),
        retired: Collection[str] = (),
        resting: Collection[str] = (),
        kept_apart: Mapping[str, int] | None = None,
        rules: Rules | None = None,
        shown: Callable[[str], str] = str,
    ) -> Self:
        """Assesses a table of ratings: one row a rated listen (columns: see `preprocessing.tidy`).

        `weights` are the listeners' (1 where missing); `listeners` and `forms` name those that belong to the
        study even if they have no rating yet; `retired` forms inform the model but are not judged;
        `resting` ones are not waited for, and the gates are read among the others;
        `kept_apart` counts ratings by listener that are not in the table, as they came after the opening;
        `shown` gives a listener's name as words print it. The same ratings give the same verdict whatever
        the order of the rows.

        Raises:
            RatingsError: a column is missing, a form was rated twice in a round, or there is nothing to
                compare.
        """
        t = tidy(table)
        panel = panel_of(t, weights, listeners, forms, retired, shown)
        at_rest = tuple(name for name in panel.candidates if name in resting)
        at_rest = at_rest if len(panel.candidates) - len(at_rest) >= 2 else ()
        plays = [i for i, name in enumerate(panel.candidates) if name not in at_rest]
        reading, draws = _readings(t, panel, seed)
        candidates = list(range(len(panel.candidates)))
        heard = coverage_of(t, panel, weights, [panel.candidates[i] for i in plays])
        return cls(
            table=t,
            panel=panel,
            resting=at_rest,
            coverage=replace(heard, unsteady=unsteady(reading.seen)),
            reading=reading,
            cautious=draws.among(candidates),
            playing_chances=Chances.of(reading.draws[:, plays]) if at_rest else reading.chances,
            playing_cautious=draws.among(plays),
            rules=rules or Rules(),
            seed=seed,
            kept_apart=kept_apart or {},
        )

    @cached_property
    def playing(self) -> tuple[str, ...]:
        """The candidates that do not rest, in the order of `playing_chances`."""
        return tuple(name for name in self.panel.candidates if name not in self.resting)

    @cached_property
    def ruling(self) -> Ruling:
        return rule(self.playing_chances, self.coverage, self.rules, self.playing_cautious)

    @property
    def state(self) -> State:
        return self.ruling.state

    @property
    def may_stop(self) -> bool:
        """Whether listening may stop: the study may be opened, regularly, before its plan is done."""
        return self.state in MAY_STOP

    @cached_property
    def order(self) -> tuple[str, ...]:
        """The candidate forms, best first; a form that nobody has heard, or that rests, cannot lead."""
        names = self.panel.candidates
        out = {*self.panel.unheard, *self.resting}
        return tuple(names[i] for i in sorted(self.reading.chances.order, key=lambda i: names[i] in out))

    @property
    def best(self) -> str:
        """The form with the least expected loss, whatever the state."""
        return self.order[0]

    @property
    def even(self) -> tuple[str, str] | None:
        """The two forms between which the choice is free, if there are such; the better one first."""
        pair = self.ruling.even
        return (self.playing[pair[0]], self.playing[pair[1]]) if pair else None

    @property
    def safe_risk(self) -> float:
        """What choosing the best form gives away on average at most, in points (see `gates.safe_risk`)."""
        return safe_risk(self.panel.candidates.index(self.best), self.reading.chances, self.cautious)

    @property
    def even_risk(self) -> float | None:
        """What a free choice between the two even forms gives away at most, in points."""
        if self.even is None:
            return None
        at = self.panel.candidates.index
        return even_risk((at(self.even[0]), at(self.even[1])), self.reading.chances, self.cautious)

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
            round=t["round"].to_numpy(np.int64),
            heard_on=t["heard_on"].fillna("").astype(str).tolist() if "heard_on" in t else (),
            stumbled=(t["late_s"] > 0).tolist() if "late_s" in t else (),
            cut_heard=(t["cut_heard"] == 1).tolist() if "cut_heard" in t else (),
        )


@dataclass(frozen=True)
class _CautiousDraws:
    """Draws (N, C) of the cautious readings, over the candidates; each is made when first asked for."""

    slow: Callable[[], Floats]
    own_way: Callable[[], Floats]
    late: Callable[[], Floats]
    fading: Callable[[int], Floats]  # of the candidate with this index

    def among(self, plays: Sequence[int]) -> CautiousReadings:
        """The readings among the candidates `plays` (indices)."""

        def chances(draws: Callable[[], Floats]) -> Callable[[], Chances]:
            return lambda: Chances.of(draws()[:, list(plays)])

        return CautiousReadings(
            chances(self.slow),
            chances(self.own_way),
            chances(self.late),
            lambda form: chances(lambda: self.fading(plays[form]))(),
        )


def _readings(t: pd.DataFrame, panel: Panel, seed: int) -> tuple[Reading, _CautiousDraws]:
    """The main reading and the cautious ones."""
    seen = observations(t, panel.listeners, panel.forms)
    seen = replace(seen, noise_ratio=noise_ratios(seen))
    candidates = [panel.forms.index(name) for name in panel.candidates]

    def again(observed: Observations, prior: Prior) -> Reading:
        return read(observed, panel.weights, candidates=candidates, prior=prior, seed=seed)

    later = later_half(seen.listener, t["round"].to_numpy(np.int64))
    return again(seen, Prior()), _CautiousDraws(
        slow=cache(lambda: again(seen, SLOW).draws),
        own_way=cache(lambda: again(seen, OWN).draws),
        late=cache(lambda: again(seen.only(later), Prior()).draws),
        fading=cache(lambda form: again(seen, fading(candidates[form])).draws),
    )
