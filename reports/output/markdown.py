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
from reports.way_back import rebuild_words
from reports.way_back.package import WayBack
from reports.way_back.rebuild import Sheet


def markdown(facts: Facts, sentence: str, case: Dissent | None, way: WayBack | None) -> str:
    """The whole report as Markdown; sealed, progress and the sealed state only."""
    values = {"facts": facts, "case": case, "way": way, "columns": COLUMNS}
    return filled_in("report.md", sentence=sentence, **values)


def rebuild_page(sheet: Sheet) -> str:
    """A rebuild sheet as a page to print or to read beside the session."""
    return filled_in("rebuild.md", sheet=sheet)


def way_back_pages(title: str, way: WayBack) -> dict[str, str]:
    """The way back's pages by file name: the rebuild sheet, and the re-record list to take to the session."""
    again = filled_in("re-record.md", title=title, way=way)
    return {"rebuild.md": rebuild_page(way.sheet), "re-record.md": again}


def filled_in(template: str, **values: object) -> str:
    """A Markdown template of the reports, filled in; `plain` and `message` take the markup out of texts."""
    made = environment("reports.output").overlay(autoescape=False)
    made.filters |= {
        "plain": plain, "message": message, "clock": clock, "clock_ms": rebuild_words.clock, "signed": signed,
        "file_length": clock_text,
        "bars": lambda bars: counted(bars, "bar"), "counted": phrases.counted, "number": phrases.number,
        "chance": phrases.chance, "listed": phrases.listed, "heard_on": phrases.heard_on,
        "by_part": grouped,
    }  # fmt: skip
    return made.get_template(template).render(**values).rstrip() + "\n"
