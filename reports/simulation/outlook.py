"""Power analysis before the first round: what a panel and plan can settle, by simulation.

Listeners are simulated as in `worlds` (with the noise that ratings of a whole song have in practice); every
study is read after every round with the model and the gates of the verdict, until it is clear.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import TYPE_CHECKING

import numpy as np

from render.arrays import Floats
from reports.model.gates import CLEAR, EVEN, Rules
from reports.model.reading import SEED
from reports.simulation.campaign import run
from reports.simulation.worlds import World, simulate
from reports.verdict import phrases

if TYPE_CHECKING:
    from reports.verdict.judge import Judgement

GAPS = (4.0, 6.0, 8.0, 10.0, 15.0)
ORDINARY_GAP = 8.0  # points between the best form and the next that a study should be able to settle
GOOD_CHANCE = 0.80
MOST_ROUNDS = 24
MOST_LISTENERS = 12  # of a panel whose way to go is simulated
BATCH = 10  # studies that share the orders of listening, and so the work on the model
HELPS = 0.5  # a chance worth a change of plan
Progress = Callable[[int, int], None]  # (steps done, steps in all)


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

    def sized(self, listeners: int, forms: int) -> "PlannedPanel":
        """A like panel of another size: listeners repeat, forms nobody knows are dropped or added."""
        rows = self.prior_listens[np.arange(listeners) % self.listeners]
        known = np.argsort(-rows.sum(0), kind="stable")
        made = np.zeros((listeners, forms))
        keep = known[: min(forms, self.forms)]
        made[:, : len(keep)] = rows[:, keep]
        return PlannedPanel(made)


@dataclass(frozen=True)
class RoundPlan:
    """The plan: rounds over days."""

    rounds: int
    days: int

    def day_of(self, around: int) -> int:
        """The day of a round; after the plan's end it goes on at the same pace."""
        return ceil(around * min(self.days, self.rounds) / self.rounds)


@dataclass(frozen=True)
class Outlook:
    """What to expect. Mappings are by the gap, in points, between the best form and all others.

    `clear_right`, `clear_wrong`: chances that the verdict is clear by the plan's end, and right or wrong;
    `rounds_needed`: rounds for an 80 % chance of clear and right, None if more than `most_rounds`.
    """

    clear_right: dict[float, float]
    clear_wrong: dict[float, float]
    rounds_needed: dict[float, int | None]
    most_rounds: int
    studies: int
    sentences: tuple[str, ...]

    @property
    def enough(self) -> bool:
        """Whether the plan has at least an even chance to settle an ordinary difference."""
        return self.clear_right.get(ORDINARY_GAP, 1.0) >= 0.5

    def as_json(self) -> dict[str, object]:
        return {
            "gaps": [
                {
                    "gap": gap,
                    "clear_and_right": round(self.clear_right[gap], 3),
                    "clear_but_wrong": round(self.clear_wrong[gap], 3),
                    "rounds_needed": self.rounds_needed[gap],
                }
                for gap in self.clear_right
            ],
            "most_rounds": self.most_rounds,
            "studies": self.studies,
            "enough": self.enough,
            "sentences": list(self.sentences),
        }


@dataclass(frozen=True)
class _Runs:
    """First clear readings: `round` (G, S) of gap and study, 0 = never; `right` (G, S)."""

    gaps: tuple[float, ...]
    round: Floats
    right: Floats

    def chance(self, gap: float, last: int, right: bool = True) -> float:
        row = self.gaps.index(gap)
        done = (self.round[row] > 0) & (self.round[row] <= last)
        return float((done & (self.right[row] == right)).mean())

    def needed(self, gap: float, most: int) -> int | None:
        return next((r for r in range(1, most + 1) if self.chance(gap, r) >= GOOD_CHANCE), None)


def outlook(
    panel: PlannedPanel,
    plan: RoundPlan,
    *,
    gaps: Sequence[float] = GAPS,
    studies: int = 200,
    most_rounds: int = MOST_ROUNDS,
    noise_sd: float = 10.0,
    advise: bool = True,
    seed: int = SEED,
    progress: Progress | None = None,
) -> Outlook:
    """Simulates `studies` studies a gap; the same arguments give the same outlook.

    `progress` is called with the steps done and the steps in all. With `advise`, a plan that is too weak for
    an ordinary difference is compared with more listeners and with fewer forms.
    """
    most = max(most_rounds, plan.rounds)
    world = World(listeners=panel.listeners, forms=panel.forms, noise_sd=noise_sd)
    batches = ceil(studies / BATCH)
    steps = _Steps(progress, batches * most)
    runs = _run(panel, plan, world, tuple(gaps), batches, most, seed, steps)
    right = {gap: runs.chance(gap, plan.rounds) for gap in gaps}
    needed = {gap: runs.needed(gap, most) for gap in gaps}
    found = Outlook(
        clear_right=right,
        clear_wrong={gap: runs.chance(gap, plan.rounds, right=False) for gap in gaps},
        rounds_needed=needed,
        most_rounds=most,
        studies=batches * BATCH,
        sentences=(),
    )
    sentences = _sentences(found, panel, plan)
    if advise and not found.enough:
        sentences += _advice(found, panel, plan, world, batches, seed, steps)
    return replace(found, sentences=tuple(sentences))


class _Steps:
    """Counts steps; more can be added while it runs."""

    def __init__(self, progress: Progress | None, total: int) -> None:
        self.progress, self.done, self.total = progress, 0, total

    def add(self, count: int) -> None:
        self.total += count

    def step(self) -> None:
        self.done += 1
        if self.progress:
            self.progress(self.done, self.total)


def _run(
    panel: PlannedPanel,
    plan: RoundPlan,
    world: World,
    gaps: tuple[float, ...],
    batches: int,
    most: int,
    seed: int,
    steps: _Steps,
) -> _Runs:
    first = np.zeros((len(gaps), batches, BATCH))
    right = np.zeros_like(first)
    raw = np.ones(panel.listeners) if panel.weights is None else panel.weights
    weights = raw / raw.sum() if raw.sum() > 0 else np.full(len(raw), 1 / len(raw))
    for batch in range(batches):
        best = batch % panel.forms  # every form, the known one too, is the best one equally often
        made = [
            simulate(
                replace(world, advantage=gap, best=best),
                most,
                (seed, batch),
                noise_seed=(seed, batch, study),
                prior=panel.prior_listens,
            )
            for gap in gaps
            for study in range(BATCH)
        ]
        done = run(made, weights, most, plan.day_of, seed=seed, step=steps.step)
        first[:, batch] = done.first.reshape(len(gaps), BATCH)
        right[:, batch] = (done.named == best).reshape(len(gaps), BATCH)
    return _Runs(gaps, first.reshape(len(gaps), -1), right.reshape(len(gaps), -1))


def _sentences(found: Outlook, panel: PlannedPanel, plan: RoundPlan) -> list[str]:
    told = []
    who = phrases.counted(panel.listeners, "listener")
    for gap, chance in found.clear_right.items():
        needed = found.rounds_needed[gap]
        rounds = f"about {needed} rounds" if needed else f"more than {found.most_rounds} rounds"
        told.append(
            f"If the best form is {gap:g} points ahead, {who} {'sees' if panel.listeners == 1 else 'see'} it "
            f"clearly within {phrases.counted(plan.rounds, 'round')} with a chance of "
            f"{phrases.chance(chance)}; "
            f"for 80 % it takes {rounds}."
        )
    if plan.rounds < Rules().clear_listens or plan.days < Rules().clear_days:
        told.append(
            f"A clear verdict needs at least {phrases.number(Rules().clear_listens)} rounds over "
            f"{phrases.number(Rules().clear_days)} days: plan more."
        )
    alone_from = Rules().own_way_chance[0][-1][0]
    if panel.listeners == 1 and plan.rounds < alone_from:
        told.append(
            f"One listener alone settles hardly anything before round {phrases.number(alone_from)}: plan as "
            "many rounds, or ask a second listener."
        )
    return told


def _advice(
    found: Outlook, panel: PlannedPanel, plan: RoundPlan, world: World, batches: int, seed: int, steps: _Steps
) -> list[str]:
    """What would settle an ordinary difference: more rounds, more listeners, fewer forms."""
    gap = ORDINARY_GAP
    told = [
        f"This plan will hardly settle an ordinary difference ({gap:g} points): the chance is "
        f"{phrases.chance(found.clear_right[gap])}."
    ]
    helps: list[str] = []
    hardly: list[str] = []
    if needed := found.rounds_needed[gap]:
        helps.append(f"{needed} rounds with the same listeners (80 %)")
    sizes = [(count, panel.forms) for count in (2 * panel.listeners, 4 * panel.listeners)]
    sizes += [(panel.listeners, panel.forms - 1)] if panel.forms > 2 else []
    last = max(plan.rounds, Rules().clear_listens)
    pace = RoundPlan(last, max(plan.days, Rules().clear_days))
    steps.add(len(sizes) * batches * last)
    for listeners, forms in sizes:
        size = replace(world, listeners=listeners, forms=forms)
        runs = _run(panel.sized(listeners, forms), pace, size, (gap,), batches, last, seed, steps)
        what = (
            phrases.counted(listeners, "listener") if forms == panel.forms else phrases.counted(forms, "form")
        )
        chance = runs.chance(gap, last)
        option = f"{what} in {phrases.counted(last, 'round')} ({phrases.chance(chance)})"
        (helps if chance >= HELPS else hardly).append(option)
    if helps:
        told.append(f"What would help, with its chance: {'; '.join(helps)}.")
    if hardly:
        told.append(f"What would hardly help: {'; '.join(hardly)}.")
    return told


def to_go(
    judgement: "Judgement", *, studies: int = 100, seed: int = SEED, progress: Progress | None = None
) -> str | None:
    """What a clear verdict probably still needs, in one sentence, if the lead is what it looks like now.

    Simulated with this panel's size, its prior listens, its pace and the noise of its ratings so far. None
    when the verdict is clear or even, with no ratings, or with more than MOST_LISTENERS listeners.
    """
    seen, panel = judgement.reading.seen, judgement.panel
    if judgement.state in (CLEAR, EVEN) or not len(seen) or seen.listeners > MOST_LISTENERS:
        return None
    known = np.full((seen.listeners, seen.forms), np.inf)
    np.minimum.at(known, (seen.listener, seen.form), seen.exposure)
    known = np.where(np.isinf(known), 0.0, known)[:, list(judgement.reading.candidates)]
    first, second = judgement.order[:2]
    gap = max(judgement.settled[first].mean - judgement.settled[second].mean, 0.5)
    found = outlook(
        PlannedPanel(known, panel.weights),
        RoundPlan(judgement.rounds, judgement.days),
        gaps=(gap,),
        studies=studies,
        noise_sd=judgement.noise_sd,
        advise=False,
        seed=seed,
        progress=progress,
    )
    needed = found.rounds_needed[gap]
    lead = f"If the lead stays as large as it looks now ({phrases.points(gap)})"
    if needed is None:
        return f"{lead}, even {found.most_rounds} rounds will hardly make it clear; more listeners might."
    left = needed - judgement.rounds
    if left <= 0:
        return f"{lead}, any of the next rounds may make it clear."
    return f"{lead}, about {phrases.counted(left, 'more round')} will probably make it clear."
