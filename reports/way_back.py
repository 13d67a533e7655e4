"""From the report back to the song: how to rebuild the form in question, and what to perform again."""

from __future__ import annotations

from dataclasses import dataclass

from render.forms import Form
from reports.facts import Facts
from reports.rebuild import Sheet, sheet


@dataclass(frozen=True)
class WayBack:
    """What must be done to have the form in the song's own project."""

    form: str
    sheet: Sheet


def way_back(facts: Facts) -> WayBack | None:
    """For the form decided on, else the best one; None for a form that is no more."""
    form = None if facts.sealed else current_form(facts, facts.chosen)
    if form is None:
        return None
    return WayBack(form.name, sheet(facts.song, form))


def current_form(facts: Facts, name: str | None) -> Form | None:
    """The form of song.toml that was rendered under this name, unless its parts have changed since."""
    facts_of = next((form for form in facts.forms if form.name == name), None)
    return facts_of.form if facts_of is not None else None
