"""Sentences of the outlook."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.model.gates import Rules
from reports.verdict import phrases

if TYPE_CHECKING:
    from reports.simulation.outlook import Estimate, Outlook, PlannedPanel, RoundPlan

ORDINARY_LEAD = 8.0  # points between the best form and the next that a study should be able to settle


def sentences(
    outlook: Outlook, panel: PlannedPanel, plan: RoundPlan, round_minutes: float | None
) -> tuple[str, ...]:
    """What the plan can be expected to give, what more listening is worth, and what stands in its way."""
    ordinary, unknown = outlook.row(ORDINARY_LEAD), outlook.row(None)
    each = f" ({plan.rounds * round_minutes:.0f} minutes a listener)" if round_minutes else ""
    more = f" ({round_minutes:.0f} minutes a listener)" if round_minutes else ""
    cost = _points(unknown.lost.value)
    named = min(round(100 * ordinary.named.value), 99)
    sentences = [
        f"After {phrases.counted(plan.rounds, 'round')}{each} the form named is the best in {named} of 100 "
        f"songs where it leads by {ORDINARY_LEAD:g} points. By how much a form leads, nobody knows "
        f"beforehand: over songs with any lead, choosing the form named gives away about {cost} of 100.",
        f"One more round{more} would gain {_gain(outlook.one_more_round)}, one more listener "
        f"{_gain(outlook.one_more_listener)}.",
    ]
    rules = Rules()
    if plan.rounds < rules.clear_listens or plan.days < rules.clear_days:
        sentences.append(
            f"Nothing is called safe to choose, even or clear before {phrases.number(rules.clear_listens)} "
            f"rounds over {phrases.number(rules.clear_days)} days: plan more."
        )
    alone_from = rules.own_way_chance[0][-1][0]
    if panel.listeners == 1 and plan.rounds < alone_from:
        sentences.append(
            f"One listener alone settles little before round {phrases.number(alone_from)}: plan as many "
            "rounds, or ask a second listener."
        )
    return tuple(sentences)


def _points(value: float) -> str:
    if 0.4 <= value < 0.6:
        return "half a point"
    return f"{value:.1f} points" if value >= 0.05 else "less than a tenth of a point"


def _gain(worth: Estimate) -> str:
    """A gain with its error, where the error matters."""
    if worth.value < 2 * worth.error:
        return f"at most about {max(worth.value, 0) + 2 * worth.error:.2f} points"
    return f"about {worth.value:.2f} points (±{2 * worth.error:.2f})"
