"""The page's HTML, the same for everybody: who it is for, only the listener's own link knows."""

from __future__ import annotations

from importlib import resources

from listening import cautions
from render.style import tokens_css
from render.style.templates import environment
from sessions.records import ASPECTS

TEMPLATES = "listening.page"

# In the order in which they use each other. The first are those of page and packet.
SHARED_SCRIPTS = (
    "stumbles.js", "sound.js", "masked.js", "awake.js", "rule.js", "screens.js", "rating.js", "flow.js",
)  # fmt: skip
PAGE_SCRIPTS = (*SHARED_SCRIPTS, "network.js", "page.js")
PACKET_SCRIPTS = (*SHARED_SCRIPTS, "sha256.js", "packet.js")


# What page and packet say in the terminal's words.
WORDS = {"cautions": cautions, "aspects": ASPECTS}


def page_html() -> str:
    """The page."""
    return environment(TEMPLATES).get_template("page.html").render(WORDS, scripts=PAGE_SCRIPTS)


def style_css() -> str:
    """The style sheet of page and packet: the shared tokens, then their own."""
    own = resources.files("listening.page") / "static" / "style.css"
    return tokens_css() + own.read_text(encoding="utf-8")
