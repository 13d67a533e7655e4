"""Caveats to a verdict: missing data, unmet requirements, dissenting analyses."""

from collections.abc import Sequence

from reports.model import gates
from reports.model.gates import State, passes_main, safe_but_for_late
from reports.verdict import phrases
from reports.verdict.assessment import Assessment
from reports.verdict.sensitivity import AlternativeReading
from reports.verdict.supplementary import Supplementary


def but(state: State, changes: Sequence[AlternativeReading]) -> str:
    """What is added to the sentence when another method would name another form."""
    others = [change for change in changes if not change.same]
    if not others or state not in (gates.CLEAR, gates.SAFE, gates.LEANING):
        return ""
    return " " + phrases.otherwise([(change.change, change.best) for change in others])


def missing(assessment: Assessment) -> list[str]:
    """Forms and listeners without ratings, and what a clear verdict still lacks."""
    panel, rules, notes = assessment.panel, assessment.rules, []
    kept_apart = assessment.kept_apart

    def few(names: Sequence[str]) -> str:
        return phrases.few([panel.shown(name) for name in names])

    if panel.unheard:
        notes.append(f"{phrases.quoted(panel.unheard)}: not heard by anybody yet; nothing is known about it.")
    late = [name for name in panel.silent if kept_apart.get(name)]
    silent = [name for name in panel.silent if name not in late]
    if silent:
        notes.append(f"{few(silent)}: no ratings yet.")
    if late:
        count = phrases.counted(sum(kept_apart[name] for name in late), "rating")
        notes.append(f"{few(late)}: {count} since the opening, kept apart; none before it.")
    if panel.retired:
        notes.append(f"{phrases.quoted(panel.retired)}: retired; the ratings are kept, but it is not judged.")
    enough = f"{phrases.counted(rules.clear_listens, 'listen')} of every form over {rules.clear_days} days"
    behind = assessment.behind
    if not assessment.coverage.enough(rules.clear_listens, rules.clear_days):
        notes.append(
            f"A clear verdict needs at least {enough} from half of the listeners or more; still to come: "
            f"{few(behind)}."
        )
    elif behind:
        notes.append(f"{few(behind)}: not yet {enough}; the others have heard enough.")
    return notes


def held_back(assessment: Assessment) -> list[str]:
    """Why a verdict is not clear, or not safe, although the main reading would have it so."""
    chances, cautious = assessment.playing_chances, assessment.playing_cautious
    heard, rules = assessment.coverage, assessment.rules
    if assessment.state == gates.CLEAR or not heard.enough(rules.clear_listens, rules.clear_days):
        return []
    at, reasons = chances.order[0], []
    if passes_main(chances, heard, rules):
        what, reasons = "clear", _not_clear(assessment)
    elif assessment.state != gates.SAFE and safe_but_for_late(chances, heard, rules, cautious):
        what = "safe to choose"
    else:
        return []
    if cautious.sinking(at, rules):
        first = "names another form" if cautious.late.order[0] != at else "is less sure of it"
        lost = phrases.points(float(cautious.late.loss[at]))
        reasons.append(
            f"the later half of the listens, read on its own, {first}: by that, choosing it gives away {lost}"
        )
    return [f'"{assessment.best}" is not called {what} yet: {"; ".join(reasons)}. Further rounds will tell.']


def _not_clear(assessment: Assessment) -> list[str]:
    """Which of the slow and the own-way reading hold back a verdict that passes the main reading's gates."""
    heard, rules, cautious = assessment.coverage, assessment.rules, assessment.playing_cautious
    at = assessment.playing_chances.order[0]
    slow, own = float(cautious.slow.best[at]), float(cautious.own_way.best[at])
    reasons = []
    if slow < rules.needed(heard.rounds):
        reasons.append(f"if listeners take long to get used to a form, the chance is {phrases.chance(slow)}")
    if own < (needed := rules.own_way_needed(heard)):
        ears = heard.met(rules.clear_listens, rules.clear_days)
        reasons.append(
            f"if its lead is still wearing off, the chance is {phrases.chance(own)}, "
            f"where {phrases.counted(ears, 'listener')} need{'s' if ears == 1 else ''} "
            f"{phrases.chance(needed)}"
        )
    return reasons


def findings(state: State, changes: Sequence[AlternativeReading], evidence: Supplementary) -> list[str]:
    """Dissenting analyses and oddities of the ratings."""
    notes = []
    others = [(change.change, change.best) for change in changes if not change.same]
    if others and state not in (gates.CLEAR, gates.SAFE, gates.LEANING):
        notes.append(phrases.otherwise(others))
    if evidence.camps:
        notes.append(evidence.camps.sentence)
    return [*notes, *evidence.diagnostics.warnings]
