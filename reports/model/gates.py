"""Decision rules: from posterior chances and listens heard to the verdict's state."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from render.arrays import Floats

State: TypeAlias = Literal["clear", "safe", "even", "leaning", "keep listening"]
CLEAR: Final = "clear"
SAFE: Final = "safe"
EVEN: Final = "even"
LEANING: Final = "leaning"
LISTEN: Final = "keep listening"
Steps: TypeAlias = tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class Rules:
    """The gates. Chances are 0-1, losses are rating points, counts are per listener."""

    clear_chance: float = 0.90
    late_clear_chance: float = 0.95
    late_after_round: int = 12
    leaning_chance: float = 0.80
    bearable_loss: float = 2.0
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
    """Posterior summary of F forms: (F,) chance to be best, expected loss of choosing it (points)."""

    best: Floats
    loss: Floats

    @staticmethod
    def of(draws: Floats) -> "Chances":
        """From (N, F) draws of the settled effects; an exact tie is shared evenly."""
        top = draws.max(1, keepdims=True)
        wins = draws == top
        return Chances((wins / wins.sum(1, keepdims=True)).mean(0), (top - draws).mean(0))

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


@dataclass(frozen=True)
class CautiousReadings:
    """Posteriors under two cautious priors: slow familiarity; each form wears off in its own way."""

    slow: Chances
    own_way: Chances

    def consent(self, leader: int, heard: Coverage, rules: Rules) -> bool:
        """Whether both agree that `leader` is clear."""
        return bool(
            self.slow.best[leader] >= rules.needed(heard.rounds)
            and self.own_way.best[leader] >= rules.own_way_needed(heard)
        )


def state_of(
    chances: Chances, heard: Coverage, rules: Rules, doubts: Callable[[], CautiousReadings | None]
) -> State:
    """The state, tested in the order clear, even, leaning, keep listening.

    `doubts` gives the cautious readings (None: no doubts); it is asked only when all else says clear.
    """
    order = chances.order
    leader = order[0]
    if (
        chances.best[leader] >= rules.needed(heard.rounds)
        and chances.loss[leader] <= rules.bearable_loss
        and heard.enough(rules.clear_listens, rules.clear_days)
        and ((doubt := doubts()) is None or doubt.consent(leader, heard, rules))
    ):
        return CLEAR
    if len(order) > 1 and chances.loss[order[1]] <= rules.bearable_loss and heard.enough(rules.clear_listens):
        return EVEN
    if chances.best[leader] >= rules.leaning_chance and heard.enough(rules.leaning_listens):
        return LEANING
    return LISTEN


def settled_interval(draws: Floats, share: float = 0.90) -> tuple[Floats, Floats]:
    """(F,) lower and upper ends of the central intervals that hold `share` of the (N, F) draws."""
    low, high = np.quantile(draws, [(1 - share) / 2, (1 + share) / 2], axis=0)
    return low, high
