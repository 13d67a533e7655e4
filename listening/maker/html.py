"""The maker's page as HTML: the shell, and each sheet as a fragment. Everything is escaped."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import lru_cache
from types import ModuleType

from jinja2 import Environment

from listening import cautions
from listening.maker.sheets import forms, listeners, rounds, sections, song, verdict
from listening.maker.workspace import Workspace
from render.figures import clock_text
from render.style.templates import environment

SHEETS: Mapping[str, ModuleType] = {
    "song": song, "sections": sections, "forms": forms, "listeners": listeners, "rounds": rounds,
    "verdict": verdict,
}  # fmt: skip
IN_ORDER, ASKS, NOT_YET = "in order", "asks something", "not yet"


@lru_cache(maxsize=1)
def templates() -> Environment:
    """Templates of the maker's page."""
    made = environment("listening.maker")
    made.filters["clock"] = clock_text
    made.globals["caution"] = cautions.CAUTION.replace(
        " with the level check", ""
    )  # rounds have one, this page has none
    made.globals["loop_id"] = _id
    return made


def shell() -> str:
    """The page without a sheet: the same for every study."""
    return templates().get_template("shell.html").render(sheets=[*SHEETS])


def sheet_html(work: Workspace, name: str, shown: Mapping[str, str]) -> str:
    """One sheet as it stands; `shown` is what the tab has unfolded or is editing.

    Raises:
        FairhearingError: the study's files cannot be read at all.
    """
    if name != "song" and (not work.begun or work.problem()):
        context = {"song": None, "problem": work.problem() if work.begun else ""}
    else:
        context = {"problem": ""} | SHEETS[name].context(work, shown)
    return templates().get_template(f"{name}.html").render(context)


def words_of_sheets(work: Workspace) -> dict[str, str]:
    """Sheet -> "in order", "asks something" or "not yet"."""
    if not work.begun or work.problem():
        return {name: ASKS if name == "song" else NOT_YET for name in SHEETS}
    return {name: module.stands(work) for name, module in SHEETS.items()}


def _id(name: str) -> str:
    """A form's name as part of an element's id."""
    return hashlib.sha256(name.encode()).hexdigest()[:8]
