"""The report in Markdown, for those who keep it beside the song's files or paste it into a message."""

from __future__ import annotations

from render.figures import clock_text, counted
from render.style.templates import environment
from reports.facts.comments import grouped
from reports.facts.dissent import Dissent
from reports.facts.ratings import COLUMNS
from reports.facts.study_facts import Facts
from reports.files import message, plain
from reports.output.figures import clock, signed
from reports.verdict import phrases
from reports.way_back.package import WayBack, again_lines


def markdown(facts: Facts, sentence: str, case: Dissent | None, way: WayBack | None) -> str:
    """The whole report as Markdown; sealed, progress and the sealed state only."""
    again = "\n".join(again_lines(way, "###")) if way is not None else ""
    values = {"facts": facts, "case": case, "way": way, "again": again, "columns": COLUMNS}
    return filled_in("report.md", sentence=sentence, **values)


def filled_in(template: str, **values: object) -> str:
    """A Markdown template of the reports, filled in; `plain` and `message` take the markup out of texts."""
    made = environment("reports.output").overlay(autoescape=False)
    made.filters |= {
        "plain": plain, "message": message, "clock": clock, "signed": signed, "file_length": clock_text,
        "bars": lambda bars: counted(bars, "bar"), "counted": phrases.counted, "number": phrases.number,
        "chance": phrases.chance, "listed": phrases.listed, "heard_on": phrases.heard_on,
        "by_part": grouped,
    }  # fmt: skip
    return made.get_template(template).render(**values).rstrip() + "\n"
