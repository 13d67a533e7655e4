"""Check of a log against its plan: rounds' orders follow from the seed, rests from their readings."""

from __future__ import annotations

from collections.abc import Iterator

from sessions.plan import next_order
from sessions.records import LogContents
from sessions.resting import KIND, FormReading, PanelReading, forms_at_rest


def deviations(contents: LogContents, seed: str) -> Iterator[str]:
    """One sentence for each round that the plan's seed does not give, and each rest its readings do not."""
    hashes = {form.id: form.content_hash for form in contents.forms}
    for listener in contents.listeners:
        history: list[list[str]] = []
        for round_ in contents.rounds_of(listener):
            order = [hashes[form_id] for form_id in round_.order]
            if next_order(seed, listener, set(order), history) != order:
                yield f"round {round_.number} of {listener} is not in the order that the seed gives"
            history.append(order)
    for event in contents.events:
        if event.kind == KIND:
            detail = event.detail
            forms = {key: FormReading(**values) for key, values in detail["forms"].items()}
            reading = PanelReading(detail["state"], detail["may_stop"], detail["heard"], forms)
            rests = detail["rests"]
            due = forms_at_rest(detail["before"], reading, detail["listeners"]) if rests else ()
            if tuple(detail["resting"]) != due:
                yield f"the forms at rest since {event.at_utc} do not follow from their readings"
