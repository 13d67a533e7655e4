"""The verdict: which form is best once all are equally familiar, how sure that is, in values and in words."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reports.model import gates
from reports.model.gates import Chances, settled_interval
from reports.model.posterior import Targets
from reports.model.reading import level
from reports.verdict import caveats, phrases
from reports.verdict.assessment import Assessment
from reports.verdict.odd_listeners import odd_listeners
from reports.verdict.sensitivity import AlternativeReading, sensitivity
from reports.verdict.supplementary import Supplementary, supplementary


@dataclass(frozen=True)
class SettledRating:
    """A settled rating, 0-100, with the ends of its 90 % interval."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class Judgement(Assessment):
    """A verdict. Mappings are by form, best first; losses are rating points.

    What costs further fits (sensitivity, supplementary statistics, and the words that mention them) is
    computed when first asked for.
    """

    @property
    def form(self) -> str | None:
        """The form that the verdict names: none unless clear, safe or leaning."""
        return self.best if self.state in (gates.CLEAR, gates.SAFE, gates.LEANING) else None

    @property
    def rounds(self) -> int:
        return self.coverage.rounds

    @property
    def noise_sd(self) -> float:
        """The expected SD of one rating around its expectation, in points."""
        return self.reading.fit.noise_sd()

    @cached_property
    def p_best(self) -> dict[str, float]:
        """The chance of each form of being the best for these listeners."""
        return self.by_form(self.reading.chances.best)

    @cached_property
    def expected_loss(self) -> dict[str, float]:
        """What choosing each form gives away on average, in points."""
        return self.by_form(self.reading.chances.loss)

    @cached_property
    def p_best_people_like_them(self) -> dict[str, float] | None:
        """The chances for the population that the panel stands for; None with one listener."""
        if len(self.panel.listeners) < 2:
            return None
        reading = self.reading
        draws = Targets.of(reading.fit, None).draws(len(reading.draws), self.seed)
        return self.by_form(Chances.of(draws[:, list(reading.candidates)]).best)

    @cached_property
    def settled(self) -> dict[str, SettledRating]:
        """Settled ratings: the forms' distances from their own average, set around the average level."""
        panel, reading = self.panel, self.reading
        heard = [i for i, name in enumerate(panel.candidates) if name not in panel.unheard]
        anchor = level(reading, panel.weights) if heard else 50.0
        middle = reading.draws[:, heard or slice(None)].mean(1, keepdims=True)
        draws = np.clip(reading.draws - middle + anchor, 0.0, 100.0)
        low, high = settled_interval(draws)
        at = {name: panel.candidates.index(name) for name in self.order}
        return {
            name: SettledRating(float(draws[:, i].mean()), float(low[i]), float(high[i]))
            for name, i in at.items()
        }

    @cached_property
    def listens(self) -> dict[str, int]:
        """Rated listens of each form."""
        counts = self.table["form"].value_counts()
        return {name: int(counts.get(name, 0)) for name in self.order}

    @property
    def days(self) -> int:
        return int(self.table["day"].nunique())

    @cached_property
    def sensitivity(self) -> tuple[AlternativeReading, ...]:
        """The same ratings under other assumptions: one model fit each."""
        return sensitivity(self.basis(), self.panel.forms.index(self.best))

    @cached_property
    def beside(self) -> Supplementary:
        """Supplementary statistics; not used for the verdict."""
        return supplementary(self.table, self.reading, self.panel, self.seed)

    @cached_property
    def sentence(self) -> str:
        """The verdict in one sentence."""
        if not len(self.table):
            return phrases.NOTHING
        sentence = phrases.sentence(
            self.state,
            self.order,
            self.p_best,
            self.expected_loss,
            phrases.Risks(self.safe_risk, self.even, self.even_risk),
            self.rules,
        )
        return sentence + caveats.but(self.state, self.sensitivity)

    @property
    def sealed(self) -> str:
        """The state in one sentence, without any name."""
        return phrases.SEALED[self.state]

    @property
    def risk(self) -> str:
        """What choosing the best form now would risk."""
        if not len(self.table):
            return phrases.NOTHING
        return phrases.risk(self.order, self.p_best, self.expected_loss)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What the reader must know beside the sentence."""
        return (
            *caveats.missing(self),
            *caveats.held_back(self),
            *odd_listeners(self, self.sensitivity),
            *caveats.findings(self.state, self.sensitivity, self.beside),
        )

    def as_json(self, *, sealed: bool = False) -> dict[str, object]:
        """What `verdict --json` prints; sealed, nothing but the state."""
        if sealed:
            return {"state": self.state, "may_stop": self.may_stop, "sentence": self.sealed}
        return {
            "state": self.state,
            "form": self.form,
            "may_stop": self.may_stop,
            "even": list(self.even) if self.even else None,
            "resting": list(self.resting),
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


judge = Judgement.of
