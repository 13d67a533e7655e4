"""The report as one self-contained HTML page. Everything is escaped by Jinja2."""

from __future__ import annotations

import base64
import hashlib
import math
import re
from importlib import metadata
from pathlib import Path
from typing import Any

from jinja2 import Environment
from markupsafe import Markup

from render.figures import clock_text, counted, figure
from render.style import tokens_css
from render.style.templates import environment
from reports.facts import comments
from reports.facts.dissent import Dissent
from reports.facts.ratings import COLUMNS
from reports.facts.study_facts import Facts
from reports.model.gates import Rules
from reports.output import figures
from reports.output.chart_kinds import all_charts
from reports.output.sound import Sound
from reports.verdict import phrases
from reports.way_back import rebuild_words
from reports.way_back.package import WayBack
from sessions.records import ASPECTS

TEMPLATES = Path(__file__).with_name("templates")


def html(facts: Facts, sentence: str, case: Dissent | None, way: WayBack | None, sound: Sound) -> str:
    """The whole page; sealed, or with nothing to judge, the page that says so."""
    if facts.sealed or facts.manifest is None or facts.ratings is None:
        return templates().get_template("sealed.html").render(**shared(facts, sentence, sound))
    values = {
        "j": facts.judgement,
        "columns": COLUMNS,
        "charts": all_charts(facts, case),
        "case": case,
        "way": way,
        "aspects": aspects(facts),
        "rules": Rules(),
    }
    return templates().get_template("report.html").render(**shared(facts, sentence, sound), **values)


def shared(facts: Facts, sentence: str, sound: Sound) -> dict[str, Any]:
    """What every page needs."""
    script = (TEMPLATES / "player.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return {
        "facts": facts,
        "sentence": sentence,
        "sound": sound,
        "tokens": Markup(tokens_css()),
        "script": Markup(script),
        "script_hash": Markup(f"'sha256-{digest}'"),
        "version": metadata.version("fairhearing"),
        "by_part": comments.grouped,
    }


def aspects(facts: Facts) -> dict[str, dict[str, str]]:
    """Mean optional ratings by form and aspect, as texts; empty where nobody gave any."""
    if facts.ratings is None or facts.judgement is None:
        return {}
    table = facts.ratings.table
    given = [aspect for aspect in ASPECTS if table[aspect].notna().any()]
    rows: dict[str, dict[str, str]] = {}
    for name in facts.judgement.order if given else ():
        own = table.loc[table["form"] == name, given]
        rows[name] = {a: f"{own[a].mean():.0f} ({own[a].count()})" if own[a].count() else "–" for a in given}
    return rows


def templates() -> Environment:
    """The report's templates, and how they write figures."""
    made = environment("reports.output")
    made.filters |= {
        "chance": lambda p: phrases.chance(p).replace(" %", "\u00a0%"),
        "points": phrases.points,
        "tenths": lambda value: "–" if math.isnan(value) else f"{value:.1f}",
        "clock": figures.clock,
        "clock_ms": rebuild_words.clock,
        "file_length": clock_text,  # to the tenth, as `fairhearing render` says it
        "curly": figures.curly,
        "signed": figures.signed,
        "unbroken": figures.unbroken,
        "heard_on": phrases.heard_on,
        "bars": lambda bars: counted(bars, "bar"),
        "bars_figure": figure,
        "commands": commands,
        "places_heard": lambda systems: phrases.listed([phrases.heard_on(x) for x in systems]),
        "listed": lambda names: phrases.listed(list(names)) if names else "none",
        "counted_of": phrases.counted,
        "drawing": lambda chart: Markup(chart.svg),  # our own drawing, its texts escaped by matplotlib
    }
    return made


def commands(text: str) -> Markup:
    """A message whose commands in backticks are set as code."""
    parts = re.split(r"`(fairhearing[ a-zA-Z-]*)`", text)
    return Markup("").join(Markup("<code>{}</code>").format(p) if n % 2 else p for n, p in enumerate(parts))
