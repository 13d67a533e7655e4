"""The report's page: facts in, one self-contained HTML text out. Everything is escaped by Jinja2."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from reports import comments, inks, strips, words
from reports.facts import Facts
from reports.ratings import COLUMNS

TEMPLATES = Path(__file__).with_name("templates")


def html(facts: Facts, sentence: str) -> str:
    """The whole page; sealed, or with nothing to judge, the page that says so."""
    if facts.sealed or facts.manifest is None or facts.ratings is None:
        return environment().get_template("sealed.html").render(**_shared(facts, sentence))
    return environment().get_template("report.html").render(
        **_shared(facts, sentence), j=facts.judgement, columns=COLUMNS, plain=_plain(facts)
    )  # fmt: skip


def _shared(facts: Facts, sentence: str) -> dict[str, Any]:
    return {
        "facts": facts,
        "sentence": sentence,
        "day": inks.DAY.css(),
        "night": inks.NIGHT.css(),
        "paper": inks.PRINT.css(),
        "groups": comments.grouped,
        "wide": strips.WIDE_LETTERS,
        "narrow": strips.NARROW_LETTERS,
    }


def _plain(facts: Facts) -> dict[str, dict[str, str]]:
    """The plain table by form, as texts."""
    if facts.judgement is None:
        return {}
    table = facts.judgement.beside.plain.forms
    found = {}
    for name in table.index:
        row = table.loc[name]
        heard = row["listens"] > 0
        found[str(name)] = {
            "listens": f"{row['listens']:.0f}",
            "mean": f"{row['mean']:.1f}" if heard else "–",
            "median": f"{row['median']:.1f}" if heard else "–",
            "sd": f"{row['sd']:.1f}" if row["listens"] > 1 else "–",
            "won": f"{row['rounds_won']:.1f}".removesuffix(".0"),
        }
    return found


def environment() -> Environment:
    """Jinja2 with everything escaped and undefined names refused."""
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "chance": words.chance,
        "points": words.points,
        "clock": clock,
        "bars": strips.bars_words,
        "listed": lambda names: words.listed(list(names)) if names else "none",
        "counted_of": words.counted,
    }
    return made


def clock(time_s: float) -> str:
    """Seconds as a player shows them: "1:07"; "-0:02" before the first bar line."""
    whole = round(abs(time_s))
    sign = "-" if time_s <= -0.5 else ""
    return f"{sign}{whole // 60}:{whole % 60:02d}"
