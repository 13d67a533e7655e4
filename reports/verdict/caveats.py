"""What the reader must be told beside the sentence: who and what is missing, and what speaks against it."""

from collections.abc import Mapping, Sequence

from reports.model import gates
from reports.model.gates import Doubts, Heard, Rules, state_of
from reports.model.reading import Reading
from reports.verdict import phrases
from reports.verdict.panel import Panel
from reports.verdict.sensitivity import Change
from reports.verdict.supplementary import Beside


def but(state: str, changes: Sequence[Change]) -> str:
    """What is added to the sentence when another method would name another form."""
    others = [change for change in changes if not change.same]
    if not others or state not in (gates.CLEAR, gates.LEANING):
        return ""
    return " " + phrases.otherwise([(change.change, change.best) for change in others])


def missing(
    panel: Panel, heard: Heard, behind: Sequence[str], rules: Rules, kept_apart: Mapping[str, int]
) -> list[str]:
    """Forms and listeners without ratings, and what a clear verdict still lacks.

    `kept_apart`: ratings by listener that came after the opening and are out of the verdict.
    """
    notes = []
    if panel.unheard:
        notes.append(f"{phrases.quoted(panel.unheard)}: not heard by anybody yet; nothing is known about it.")
    late = [name for name in panel.silent if kept_apart.get(name)]
    silent = [name for name in panel.silent if name not in late]
    if silent:
        notes.append(f"{phrases.few(silent)}: no ratings yet.")
    if late:
        count = phrases.counted(sum(kept_apart[name] for name in late), "rating")
        notes.append(f"{phrases.few(late)}: {count} since the opening, kept apart; none before it.")
    if panel.retired:
        notes.append(f"{phrases.quoted(panel.retired)}: retired; the ratings are kept, but it is not judged.")
    enough = f"{phrases.counted(rules.clear_listens, 'listen')} of every form over {rules.clear_days} days"
    if not heard.enough(rules.clear_listens, rules.clear_days):
        notes.append(
            f"A clear verdict needs at least {enough} from half of the listeners or more; still to come: "
            f"{phrases.few(behind)}."
        )
    elif behind:
        notes.append(f"{phrases.few(behind)}: not yet {enough}; the others have heard enough.")
    return notes


def held_back(
    state: str, reading: Reading, heard: Heard, rules: Rules, leader: str, doubts: Doubts
) -> list[str]:
    """Why a verdict is not clear although its chance is high enough: a cautious reading doubts it."""
    if state == gates.CLEAR or state_of(reading.chances, heard, rules, lambda: None) != gates.CLEAR:
        return []
    at = reading.chances.order[0]
    slow, own = float(doubts.slow.best[at]), float(doubts.own_way.best[at])
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
    return [f'"{leader}" is not called clear yet: {"; ".join(reasons)}. Further rounds will tell.']


def findings(state: str, changes: Sequence[Change], evidence: Beside) -> list[str]:
    """What speaks against the verdict, or should be known about the ratings."""
    found = []
    others = [(change.change, change.best) for change in changes if not change.same]
    if others and state not in (gates.CLEAR, gates.LEANING):
        found.append(phrases.otherwise(others))
    if evidence.camps:
        found.append(evidence.camps.sentence)
    return [*found, *evidence.diagnostics.warnings]
