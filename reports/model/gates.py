"""Decision rules: from posterior chances and listens heard to the verdict's state."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Final, Literal, TypeAlias

import numpy as np

from render.arrays import Floats

State: TypeAlias = Literal["clear", "safe", "even", "leaning", "keep listening"]
CLEAR: Final = "clear"
SAFE: Final = "safe"
EVEN: Final = "even"
LEANING: Final = "leaning"
LISTEN: Final = "keep listening"
MAY_STOP: Final = (CLEAR, SAFE, EVEN)  # states in which listening may stop and the study may be opened
# What is stated of a safe choice is half as much again as the readings say: where a form wears off more than
# any of them expects, choosing costs more than their losses (bench_verdict).
RISK_MARGIN = 1.5
CLOSE_POINTS = 3.0  # two forms within so many rating points of each other are as good as equal
HARDLY_EVER_MORE = 0.99  # chance with which the loss stated of a free choice is not exceeded
KNOWN_LISTENS = 5.0  # prior listens more than another form's, from which a form is known from before
Steps: TypeAlias = tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class Rules:
    """The gates. Chances are 0-1, losses are rating points, counts are per listener."""

    clear_chance: float = 0.90
    late_clear_chance: float = 0.95
    late_after_round: int = 12
    leaning_chance: float = 0.80
    bearable_loss: float = 2.0
    safe_loss: float = 0.65
    safe_known_loss: float = 0.4  # of a form known from before: the others may still be wearing in
    safe_unsteady_loss: float = 0.3  # where somebody's ratings tell clearly less than others'
    safe_fading_loss: float = 0.8  # where this form alone may wear off in its own way,
    safe_fading_loss_alone: float = 0.7  # and only one listener has heard enough
    even_chance: float = 0.80
    even_cautious_chance: float = 0.50
    sinking_loss: float = 1.2  # of the leader, in the later half of the listens read on its own
    safe_late_listens: int = 10  # before so many, safe does not ask the later half: it tells next to nothing
    clear_listens: int = 5
    clear_days: int = 3
    leaning_listens: int = 3
    # (listens, chance that the reading "each form in its own way" must give) where one listener, two, three,
    # four, five or more have heard enough. An early lead may wear off, and the fewer ears, the longer it
    # takes to tell: one listener's first eleven listens settle only what is beyond doubt.
    own_way_chance: tuple[Steps, ...] = (
        ((5, 0.98), (12, 0.87)),
        ((5, 0.96), (6, 0.94), (7, 0.91), (8, 0.87)),
        ((5, 0.93), (6, 0.91), (7, 0.88), (8, 0.84)),
        ((5, 0.93), (6, 0.91), (7, 0.88), (8, 0.84)),
        ((5, 0.90), (6, 0.88), (7, 0.85), (8, 0.82)),
    )

    def needed(self, rounds: int) -> float:
        """The chance that a clear verdict needs after so many rounds."""
        return self.late_clear_chance if rounds > self.late_after_round else self.clear_chance

    def own_way_needed(self, heard: "Coverage") -> float:
        """The chance that the reading "each form in its own way" must give after what was heard."""
        ears = heard.met(self.clear_listens, self.clear_days)
        steps = self.own_way_chance[min(max(ears, 1), len(self.own_way_chance)) - 1]
        listens = max(heard.reached, self.clear_listens)
        return [chance for least, chance in steps if least <= listens][-1]


@dataclass(frozen=True)
class Chances:
    """Posterior summary of F forms: (F,) chance to be best, expected loss of choosing it (points).

    `draws` (N, F) are what it was made from.
    """

    best: Floats
    loss: Floats
    draws: Floats = field(repr=False)

    @staticmethod
    def of(draws: Floats) -> "Chances":
        """From (N, F) draws of the settled effects; an exact tie is shared evenly."""
        top = draws.max(1, keepdims=True)
        wins = draws == top
        return Chances((wins / wins.sum(1, keepdims=True)).mean(0), (top - draws).mean(0), draws)

    def close(self, a: int, b: int) -> float:
        """The chance that two forms lie within CLOSE_POINTS of each other."""
        return float((np.abs(self.draws[:, a] - self.draws[:, b]) <= CLOSE_POINTS).mean())

    def most_loss(self, form: int) -> float:
        """What choosing a form gives away at most, in points, with a chance of HARDLY_EVER_MORE."""
        off = self.draws.max(1) - self.draws[:, form]
        rank = min(int(HARDLY_EVER_MORE * len(off)), len(off) - 1)
        return float(np.partition(off, rank)[rank])

    @property
    def order(self) -> list[int]:
        """Form codes, the least expected loss first (ties: the likelier one, then the lower code)."""
        return sorted(range(len(self.loss)), key=lambda f: (self.loss[f], -self.best[f], f))


@dataclass(frozen=True)
class Coverage:
    """Listens and days: for each listener, the fewest listens of any form and the number of days."""

    names: Sequence[str]
    listens: Sequence[int]
    days: Sequence[int]
    rounds: int  # the most rounds that any listener has done
    known: Collection[int] = ()  # forms known from before (see `known_before`)
    unsteady: bool = False  # a listener's ratings tell clearly less than others' (see `precision.unsteady`)

    def enough(self, listens: int, days: int = 0) -> bool:
        """At least half of the listeners have heard every form `listens` times over `days` days."""
        met = self.met(listens, days)
        return met > 0 and 2 * met >= len(self.names)

    def met(self, listens: int, days: int = 0) -> int:
        """Number of listeners that meet the minimum."""
        return len(self.names) - len(self.behind(listens, days))

    @property
    def reached(self) -> int:
        """The number of listens of every form that at least half of the listeners have reached."""
        return max((n for n in self.listens if self.enough(n)), default=0)

    def behind(self, listens: int, days: int = 0) -> tuple[str, ...]:
        """Listeners below the minimum."""
        each = zip(self.names, self.listens, self.days, strict=True)
        return tuple(name for name, n, d in each if n < listens or d < days)


def known_before(prior_listens: Floats) -> tuple[int, ...]:
    """Forms with KNOWN_LISTENS more prior listens (F,), in the listeners' mean, than the least known one."""
    return tuple(np.flatnonzero(prior_listens - prior_listens.min() >= KNOWN_LISTENS).tolist())


class CautiousReadings:
    """Posteriors under more cautious assumptions, each computed when first asked for.

    `slow`: familiarity may take long to settle; `own_way`: each form wears off in its own way; `late`: the
    later half of each listener's listens, read on its own; `fading` (of a form): that form alone wears off in
    its own way.
    """

    def __init__(
        self,
        slow: Callable[[], Chances],
        own_way: Callable[[], Chances],
        late: Callable[[], Chances],
        fading: Callable[[int], Chances],
    ) -> None:
        self._slow, self._own_way, self._late, self.fading = slow, own_way, late, cache(fading)

    @cached_property
    def slow(self) -> Chances:
        return self._slow()

    @cached_property
    def own_way(self) -> Chances:
        return self._own_way()

    @cached_property
    def late(self) -> Chances:
        return self._late()

    def sinking(self, leader: int, rules: Rules) -> bool:
        """Whether the later listens, read on their own, speak against the leader."""
        return bool(self.late.loss[leader] > rules.sinking_loss)


@dataclass(frozen=True)
class Ruling:
    """The state, and the two forms between which the choice is free (None: there are no two such)."""

    state: State
    even: tuple[int, int] | None


def rule(chances: Chances, heard: Coverage, rules: Rules, cautious: CautiousReadings) -> Ruling:
    """Applies the gates, in the order clear, safe, even, leaning, keep listening."""
    leader = chances.order[0]
    state: State = LISTEN
    even = None
    if heard.enough(rules.clear_listens, rules.clear_days):
        even = _even(chances, rules, cautious)
        if _clear(chances, heard, rules, cautious):
            return Ruling(CLEAR, None)
        if safe_but_for_late(chances, heard, rules, cautious):
            asked = heard.reached >= rules.safe_late_listens
            if not (asked and cautious.sinking(leader, rules)):
                return Ruling(SAFE, even)
    if even is not None:
        state = EVEN
    elif chances.best[leader] >= rules.leaning_chance and heard.enough(rules.leaning_listens):
        state = LEANING
    return Ruling(state, even)


def passes_main(chances: Chances, heard: Coverage, rules: Rules) -> bool:
    """Whether the main reading alone would call its leader clear."""
    leader = chances.order[0]
    return bool(
        heard.enough(rules.clear_listens, rules.clear_days)
        and chances.best[leader] >= rules.needed(heard.rounds)
        and chances.loss[leader] <= rules.bearable_loss
    )


def _clear(chances: Chances, heard: Coverage, rules: Rules, cautious: CautiousReadings) -> bool:
    leader = chances.order[0]
    return bool(
        passes_main(chances, heard, rules)
        and cautious.own_way.best[leader] >= rules.own_way_needed(heard)
        and cautious.slow.best[leader] >= rules.needed(heard.rounds)
        and not cautious.sinking(leader, rules)
    )


def safe_but_for_late(chances: Chances, heard: Coverage, rules: Rules, cautious: CautiousReadings) -> bool:
    """Whether the leader is safe to choose by all its ratings, whatever the later ones say on their own."""
    leader = chances.order[0]
    bearable = min(
        rules.safe_loss,
        rules.safe_known_loss if leader in heard.known else np.inf,
        rules.safe_unsteady_loss if heard.unsteady else np.inf,
    )
    alone = heard.met(rules.clear_listens, rules.clear_days) <= 1
    if_fading = rules.safe_fading_loss_alone if alone else rules.safe_fading_loss
    return bool(chances.loss[leader] <= bearable and cautious.fading(leader).loss[leader] <= if_fading)


def _even(chances: Chances, rules: Rules, cautious: CautiousReadings) -> tuple[int, int] | None:
    a, b = chances.order[:2]
    if chances.close(a, b) < rules.even_chance:
        return None
    for reading in (cautious.own_way, cautious.slow):
        if reading.close(a, b) < rules.even_cautious_chance or reading.order[0] not in (a, b):
            return None
    first = cautious.late.order[0]
    return (a, b) if first in (a, b) or not cautious.sinking(a, rules) else None


def safe_risk(leader: int, chances: Chances, cautious: CautiousReadings) -> float:
    """What choosing `leader` gives away on average at most, in points.

    The largest expected loss of the main, the fading and the late reading, times RISK_MARGIN.
    """
    largest = max(reading.loss[leader] for reading in (chances, cautious.fading(leader), cautious.late))
    return float(RISK_MARGIN * largest)


def even_risk(even: tuple[int, int], chances: Chances, cautious: CautiousReadings) -> float:
    """What a free choice between two forms gives away at most, in points: the readings' largest bound."""
    readings = (chances, cautious.own_way, cautious.slow)
    return float(max(reading.most_loss(form) for reading in readings for form in even))


def settled_interval(draws: Floats, share: float = 0.90) -> tuple[Floats, Floats]:
    """(F,) lower and upper ends of the central intervals that hold `share` of the (N, F) draws."""
    low, high = np.quantile(draws, [(1 - share) / 2, (1 + share) / 2], axis=0)
    return low, high
