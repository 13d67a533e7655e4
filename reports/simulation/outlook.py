"""Power analysis before the first round: what a panel and plan can settle, by simulation.

Listeners are simulated as in `worlds`, with the noise that ratings of a whole song have in practice; each
study is read with the model and the gates of the verdict. Answers come in steps, each with its error, so
that a page can show the first one at once and better ones while somebody waits.
"""

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field, replace
from math import ceil, sqrt
from typing import TypeAlias

import numpy as np

from render.arrays import Floats, Ints
from reports.model.familiarity import Prior, fit
from reports.model.posterior import Targets
from reports.model.reading import SEED
from reports.simulation import outlook_words
from reports.simulation.campaign import run
from reports.simulation.worlds import Simulated, World, simulate

LEADS = (4.0, 6.0, 8.0, 10.0, 15.0)  # of the best form over all others, points
UNKNOWN_SD = 5.0  # of the forms' settled effects where nothing is known, points
STEPS = (8, 24, 40, 64, 64)  # studies a row whose gates are read, in each step of refinement
CHEAP, CHEAP_UNKNOWN = 2, 4  # times as many studies in which only the form named is read
NOISE_SD = 10.0
DRAWS = 400
Progress: TypeAlias = Callable[[int, int], None]  # (steps done, steps in all)


@dataclass(frozen=True)
class PlannedPanel:
    """The panel: prior listens (L, F) of each listener for each form, and the listeners' weights (L,)."""

    prior_listens: Floats
    weights: Floats | None = None

    @property
    def listeners(self) -> int:
        return len(self.prior_listens)

    @property
    def forms(self) -> int:
        return int(self.prior_listens.shape[1])

    @property
    def shares(self) -> Floats:
        """(L,) weights that sum to 1."""
        raw = np.ones(self.listeners) if self.weights is None else self.weights
        return np.asarray(raw / raw.sum() if raw.sum() > 0 else np.full(len(raw), 1 / len(raw)))

    def one_more(self) -> "PlannedPanel":
        """The panel with one more listener, like the first one."""
        weights = None if self.weights is None else np.append(self.weights, self.weights.mean())
        return PlannedPanel(np.vstack([self.prior_listens, self.prior_listens[:1]]), weights)


@dataclass(frozen=True)
class RoundPlan:
    """The plan: rounds over days."""

    rounds: int
    days: int

    def day_of(self, around: int) -> int:
        """The day of a round; after the plan's end it goes on at the same pace."""
        return ceil(around * min(self.days, self.rounds) / self.rounds)


@dataclass(frozen=True)
class Estimate:
    """A simulated mean with its standard error."""

    value: float
    error: float

    @staticmethod
    def of(values: Floats) -> "Estimate":
        n = max(len(values), 1)
        return Estimate(float(values.mean()), float(values.std() / sqrt(n)))

    @staticmethod
    def share(hits: Floats) -> "Estimate":
        """A share; the error stays above 0 where all or none are hits (two of each are added)."""
        n = len(hits)
        p = (hits.sum() + 2) / (n + 4)
        return Estimate(float(hits.mean()), float(sqrt(p * (1 - p) / (n + 4))))


@dataclass(frozen=True)
class OutlookRow:
    """What to expect where the best form leads by `lead` points (None: nothing is known, SD 5 points)."""

    lead: float | None
    named: Estimate  # the form named at the plan's end is the best
    lost: Estimate  # points given away by following it
    safe: Estimate  # safe to choose, or clear, by the plan's end
    clear: Estimate


@dataclass(frozen=True)
class Outlook:
    """An answer: rows by lead, and what more listening is worth, in points gained where nothing is known."""

    rows: tuple[OutlookRow, ...]
    one_more_round: Estimate
    one_more_listener: Estimate
    studies: int  # a row, whose gates were read; named and lost rest on more
    done: float  # share of the work that is done, 0-1
    sentences: tuple[str, ...] = ()

    def row(self, lead: float | None) -> OutlookRow:
        return next(row for row in self.rows if row.lead == lead)

    def as_json(self) -> dict[str, object]:
        return asdict(self)


class _Cancelled(Exception):
    """The caller asked to stop."""


def outlook(
    panel: PlannedPanel,
    plan: RoundPlan,
    *,
    round_minutes: float | None = None,
    refine: bool = True,
    noise_sd: float = NOISE_SD,
    seed: int = SEED,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] = lambda: False,
) -> Iterator[Outlook]:
    """Yields successive answers, each better than the one before; the last one has `done` 1.

    The first one comes within a second; `refine=False` gives only that. `round_minutes` is the length of a
    round, for the sentences. `progress` is called with steps done and steps in all; when `cancelled` says
    so, the answers end. The same arguments give the same answers, and other plans use the same random
    numbers, so that differences between plans have less error than either.
    """
    sizes = STEPS if refine else STEPS[:1]
    work = _Work(panel, plan, noise_sd, seed, sum(sizes) * plan.rounds, progress, cancelled)
    done = 0
    try:
        for batch, size in enumerate(sizes):
            work.add(batch, size)
            done += size
            answer = work.answer(done / sum(STEPS))
            yield replace(answer, sentences=outlook_words.sentences(answer, panel, plan, round_minutes))
    except _Cancelled:
        return


@dataclass
class _Work:
    """Simulated studies so far, by row: lists of arrays (S,)."""

    panel: PlannedPanel
    plan: RoundPlan
    noise_sd: float
    seed: int
    total: int
    progress: Progress | None
    cancelled: Callable[[], bool]
    count: int = 0
    named: dict[float | None, list[Floats]] = field(default_factory=dict)
    lost: dict[float | None, list[Floats]] = field(default_factory=dict)
    safe: dict[float | None, list[Floats]] = field(default_factory=dict)
    clear: dict[float | None, list[Floats]] = field(default_factory=dict)
    by_round: list[Floats] = field(default_factory=list)
    by_listener: list[Floats] = field(default_factory=list)

    def add(self, batch: int, size: int) -> None:
        """Simulates and reads `size` studies a row, and more for the form named alone."""
        rounds, rows = self.plan.rounds, (*LEADS, None)
        many = {lead: size * (CHEAP if lead else CHEAP_UNKNOWN) for lead in rows}
        made = {lead: self._simulate(self.panel, lead, batch, many[lead]) for lead in rows}
        lost = {lead: self._lost(self.panel, made[lead], rounds) for lead in rows}
        self.by_round.append(lost[None] - self._lost(self.panel, made[None], rounds + 1))
        more = self.panel.one_more()
        wider = self._simulate(more, None, batch, many[None])
        self.by_listener.append(lost[None] - self._lost(more, wider, rounds))
        read = [study for lead in rows for study in made[lead][:size]]
        state = run(
            read, self.panel.shares, rounds, self.plan.day_of, seed=self.seed, draws=DRAWS,
            equally_precise=True, ask_even=False, step=lambda: self._step(size),
        )  # fmt: skip
        safe, clear = (np.split(at.any(0).astype(float), len(rows)) for at in (state.enough, state.clear))
        for i, lead in enumerate(rows):
            self.lost.setdefault(lead, []).append(lost[lead])
            self.named.setdefault(lead, []).append((lost[lead] <= 0).astype(float))
            self.safe.setdefault(lead, []).append(safe[i])
            self.clear.setdefault(lead, []).append(clear[i])

    def _simulate(self, panel: PlannedPanel, lead: float | None, batch: int, count: int) -> list[Simulated]:
        world = World(
            listeners=panel.listeners,
            forms=panel.forms,
            noise_sd=self.noise_sd,
            advantage=lead or 0.0,
            spread=UNKNOWN_SD if lead is None else 0.0,
        )
        # every form, the known one too, is the best one equally often
        return [
            simulate(
                replace(world, best=study % panel.forms),
                self.plan.rounds + 1,
                (self.seed, batch),
                noise_seed=(self.seed, batch, study),
                prior=panel.prior_listens,
            )
            for study in range(count)
        ]

    def _lost(self, panel: PlannedPanel, made: list[Simulated], rounds: int) -> Floats:
        """(S,) points given away by following the form named after `rounds` rounds."""
        if self.cancelled():
            raise _Cancelled
        until = np.flatnonzero(made[0].round <= rounds)
        ratings = np.column_stack([study.seen.rating[until] for study in made])
        targets = Targets.of(fit(made[0].seen.only(until), Prior(), ratings), panel.shares)
        named: Ints = targets.means().argmax(1)
        truth = np.stack([study.truth for study in made])
        return np.asarray(truth.max(1) - truth[np.arange(len(made)), named], dtype=np.float64)

    def _step(self, size: int) -> None:
        if self.cancelled():
            raise _Cancelled
        self.count += size
        if self.progress:
            self.progress(self.count, self.total)

    def answer(self, done: float) -> Outlook:
        rows = tuple(
            OutlookRow(
                lead=lead,
                named=Estimate.share(np.concatenate(self.named[lead])),
                lost=Estimate.of(np.concatenate(self.lost[lead])),
                safe=Estimate.share(np.concatenate(self.safe[lead])),
                clear=Estimate.share(np.concatenate(self.clear[lead])),
            )
            for lead in self.named
        )
        return Outlook(
            rows=rows,
            one_more_round=Estimate.of(np.concatenate(self.by_round)),
            one_more_listener=Estimate.of(np.concatenate(self.by_listener)),
            studies=sum(len(part) for part in self.safe[None]),
            done=done,
        )
