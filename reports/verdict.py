"""The verdict: which form wins once all are equally familiar, and how sure that is."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from render.errors import RatingsError
from reports import gates, words
from reports.beside import Beside, beside
from reports.familiarity import CAUTIOUS, Floats, Prior
from reports.gates import Chances, Heard, Rules, settled_interval, state_of
from reports.observe import mean_weights, observations, tidy
from reports.reading import SEED, Reading, level, read
from reports.sensitivity import Basis, Change, sensitivity
from reports.settled import targets


@dataclass(frozen=True)
class Panel:
    """Who judges what: names in a fixed order. `silent` and `unheard` have no ratings yet."""

    listeners: tuple[str, ...]  # with ratings
    forms: tuple[str, ...]  # every form of the model, retired ones last
    candidates: tuple[str, ...]
    silent: tuple[str, ...]
    unheard: tuple[str, ...]
    retired: tuple[str, ...]
    weights: Floats = field(repr=False)


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
    p_cautious: dict[str, float]  # the same by the cautious reading, which a clear verdict needs too
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
        return words.SEALED[self.state]

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
    rules: Rules | None = None,
) -> Judgement:
    """Judges a table of ratings: one row a rated listen (columns: see `observe.tidy`).

    `weights` are the listeners' (1 where missing); `listeners` and `forms` name those that belong to the
    study even if they have no rating yet; `retired` forms inform the model but are not judged. The same
    ratings give the same judgement whatever the order of the rows. Raises RatingsError.
    """
    rules = rules or Rules()
    t = tidy(table)
    panel = panel_of(t, weights, listeners, forms, retired)
    seen = observations(t, panel.listeners, panel.forms)
    candidates = [panel.forms.index(name) for name in panel.candidates]
    reading = read(seen, panel.weights, candidates=candidates, seed=seed)
    heard = heard_by(t, panel, weights)
    second = read(seen, panel.weights, candidates=candidates, prior=CAUTIOUS, seed=seed).chances
    state = state_of(reading.chances, heard, rules, lambda: second)
    names = [panel.candidates[i] for i in _heard_first(reading.chances, panel)]
    best = _by_name(reading.chances.best, names, panel)
    loss = _by_name(reading.chances.loss, names, panel)
    behind = heard.behind(rules.clear_listens, rules.clear_days)
    changes = sensitivity(_basis(t, reading, panel, seed), panel.forms.index(names[0]))
    evidence = beside(
        t,
        reading,
        listeners=panel.listeners,
        forms=panel.forms,
        candidates=panel.candidates,
        weights=panel.weights,
        ballot_weights=np.array([(weights or {}).get(name, 1.0) for name in panel.listeners]),
        prior=Prior(),
        seed=seed,
    )
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
        sentence=words.sentence(state, names, best, loss, rules) + _but(state, changes)
        if len(t)
        else words.NOTHING,
        risk=words.risk(names, best, loss) if len(t) else words.NOTHING,
        behind=behind,
        notes=tuple(
            _notes(panel, heard, behind, rules)
            + _held_back(state, reading, heard, rules, names[0], second.best)
            + _findings(state, changes, evidence)
        ),
        p_cautious=_by_name(second.best, names, panel),
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


def _but(state: str, changes: Sequence[Change]) -> str:
    """What is added to the sentence when another method would name another form."""
    others = [change for change in changes if not change.same]
    if not others or state not in (gates.CLEAR, gates.LEANING):
        return ""
    return " " + words.otherwise([(change.change, change.best) for change in others])


def _held_back(
    state: str, reading: Reading, heard: Heard, rules: Rules, leader: str, cautious: Floats
) -> list[str]:
    """Why a verdict is not clear although its chance is high enough: the cautious reading doubts it."""
    lenient = Chances(np.ones_like(cautious), np.zeros_like(cautious))
    if state == gates.CLEAR or state_of(reading.chances, heard, rules, lambda: lenient) != gates.CLEAR:
        return []
    chance = float(cautious[reading.chances.order[0]])
    return [
        f'"{leader}" would be clear, but its lead may still be wearing off: allowing for that, the chance is '
        f"{words.chance(chance)}, and after {words.counted(heard.reached, 'listen')} of each form it must be "
        f"{words.chance(rules.cautious_needed(heard.reached))}. Further rounds will tell."
    ]


def _findings(state: str, changes: Sequence[Change], evidence: Beside) -> list[str]:
    found = []
    others = [(change.change, change.best) for change in changes if not change.same]
    if others and state not in (gates.CLEAR, gates.LEANING):
        found.append(words.otherwise(others))
    if evidence.camps:
        found.append(evidence.camps.sentence)
    return [*found, *evidence.diagnostics.warnings]


def panel_of(
    t: pd.DataFrame,
    weights: Mapping[str, float] | None,
    listeners: Sequence[str],
    forms: Sequence[str],
    retired: Collection[str],
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
        weights=mean_weights(rated_by, None if weights is None else dict(weights)),
    )


def heard_by(t: pd.DataFrame, panel: Panel, weights: Mapping[str, float] | None) -> Heard:
    """What each listener has heard, silent ones too; who has weight 0 is not waited for."""
    counts = t.pivot_table(index="listener", columns="form", values="listen", aggfunc="max")
    counts = counts.reindex(columns=list(panel.candidates)).fillna(0)
    least, days = counts.min(axis=1), t.groupby("listener")["day"].nunique()
    rounds = t.groupby("listener")["round"].nunique()
    everybody = [*panel.listeners, *panel.silent]
    asked = [name for name in everybody if (weights or {}).get(name, 1.0) > 0] or everybody
    return Heard(
        names=asked,
        listens=[int(least.get(name, 0)) for name in asked],
        days=[int(days.get(name, 0)) for name in asked],
        rounds=int(rounds.max()) if len(rounds) else 0,
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


def _notes(panel: Panel, heard: Heard, behind: Sequence[str], rules: Rules) -> list[str]:
    notes = []
    if panel.unheard:
        notes.append(f"{words.quoted(panel.unheard)}: not heard by anybody yet; nothing is known about it.")
    if panel.silent:
        notes.append(f"{words.few(panel.silent)}: no ratings yet.")
    if panel.retired:
        notes.append(f"{words.quoted(panel.retired)}: retired; the ratings are kept, but it is not judged.")
    enough = f"{words.counted(rules.clear_listens, 'listen')} of every form over {rules.clear_days} days"
    if not heard.enough(rules.clear_listens, rules.clear_days):
        notes.append(
            f"A clear verdict needs at least {enough} from half of the listeners or more; still to come: "
            f"{words.few(behind)}."
        )
    elif behind:
        notes.append(f"{words.few(behind)}: not yet {enough}; the others have heard enough.")
    return notes
