"""Progress of long work: a callback that is told what is done and how far it is, and may raise to stop it."""

from __future__ import annotations

from collections.abc import Callable

Step = Callable[[str, int, int], None]  # what is done, steps done, steps in all


def no_step(_what: str, _done: int, _of: int) -> None:
    """For work that nobody watches."""


def part_of(step: Step, low: int, high: int) -> Step:
    """The steps of one stage as a part of the whole: from `low` to `high` of 100."""
    return lambda what, done, of: step(what, low + round((high - low) * done / max(of, 1)), 100)
