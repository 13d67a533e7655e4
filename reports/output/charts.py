"""The report's charts: matplotlib draws, the page's own ink colours them, by day, by night and on paper.

Every chart is an SVG that can stand inside a page: no font, no link, no identifier that another chart has
too; texts stay texts, in any script. Each has its content in words for those who cannot see it.
"""

from __future__ import annotations

import logging
import re
import unicodedata
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import StringIO
from typing import Any

import matplotlib as mpl
import numpy as np

from render.arrays import Floats
from render.style import palette
from reports.output.drawing import Axes, Figure

_TOKENS = palette()  # stand for the tokens while a chart is drawn; the page then colours it
PAPER, INK, SOFT, LINE, HAIR = (_TOKENS[name] for name in ("paper", "ink", "soft", "line", "hair"))
_VARIABLES = {colour: f"var(--{name})" for name, colour in _TOKENS.items()}
WIDTH_IN = 3.75  # a phone's width at the size of its text; on a desk several stand side by side
TEXT_PT = 10.5
SMALL_PT = 9.5

_STYLE: Any = {
    "svg.fonttype": "none",
    "text.parse_math": False,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": SMALL_PT,
    "text.color": INK,
    "axes.labelcolor": SOFT,
    "axes.edgecolor": LINE,
    "axes.linewidth": 0.8,
    "axes.unicode_minus": True,
    "xtick.color": LINE,
    "ytick.color": LINE,
    "xtick.labelcolor": SOFT,
    "ytick.labelcolor": SOFT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
}


@dataclass(frozen=True)
class Chart:
    """A drawing with its title and its content in words. `svg` is safe to put into a page as it is."""

    svg: str
    title: str
    words: str


def draw(key: str, height_in: float, paint: Callable[[Figure], None], title: str, words: str) -> Chart:
    """Let `paint` fill a figure of the page's width; `key` keeps the chart's identifiers its own."""
    logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)
    with mpl.rc_context({**_STYLE, "svg.hashsalt": key}), warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a glyph that the measuring font lacks
        figure = Figure(figsize=(WIDTH_IN, height_in))
        paint(figure)
        out = StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return Chart(inline(out.getvalue(), key), title, words)


def inline(svg: str, key: str) -> str:
    """matplotlib's SVG file as an element for a page: nothing global, nothing that points outside."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    head, _, rest = svg.partition(">")
    box = re.search(r'viewBox="[^"]+"', head)
    assert box is not None
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', rest))
    rest = re.sub(r' id="([^"]+)"', lambda m: f' id="{key}-{m[1]}"' if m[1] in used else "", rest)
    rest = re.sub(r'(?:xlink:)?href="#', f'href="#{key}-', rest).replace("url(#", f"url(#{key}-")
    rest = re.sub(r"font: ([^;\"]*?)([\d.]+)px [^;\"]+", r"font: \1\2px system-ui, sans-serif", rest)
    rest = re.sub(r"#[0-9a-f]{6}\b", lambda m: _VARIABLES.get(m[0], m[0]), rest)
    return f'<svg {box[0]} aria-hidden="true" focusable="false">{rest}'.rstrip()


def apart(text: str) -> str:
    """A name within Unicode isolates, so that its writing direction does not turn what follows it."""
    return f"\u2068{text}\u2069"


def cut(text: str, letters: int) -> str:
    """A name shortened to a width; the page has it in full."""
    if letters_wide(text) <= letters:
        return text
    while text and letters_wide(text) > letters - 1:
        text = text[:-1]
    return text.rstrip() + "…"


def letters_wide(text: str) -> int:
    """How wide a text is in letters; the full-width characters of East Asia take two."""
    wide = sum(unicodedata.east_asian_width(c) in "WF" for c in text)
    return wide + sum(not unicodedata.combining(c) for c in text)


def wrap(text: str, letters: int, lines: int) -> str:
    """A name on at most so many lines."""
    wrapped = [""]
    for word in text.split():
        longer = f"{wrapped[-1]} {word}".strip()
        if letters_wide(longer) > letters and wrapped[-1] and len(wrapped) < lines:
            wrapped.append(word)
        else:
            wrapped[-1] = longer
    return "\n".join(cut(line, letters) for line in wrapped)


def dots(axes: Axes, x: Floats, y: Floats, *, size_pt: float, color: str) -> None:
    """A scatter plot as one line of round caps: a third of the page that as many marks would take."""
    axes.plot(
        np.stack([x, x, np.full(len(x), np.nan)], axis=1).ravel(), np.stack([y, y, y], axis=1).ravel(),
        color=color, alpha=0.75, linewidth=size_pt, solid_capstyle="round",
    )  # fmt: skip


def bare(axes: Axes, *, left: bool = False) -> None:
    """Short ticks, and no y axis unless `left`."""
    axes.spines["left"].set_visible(left)
    axes.tick_params(length=3, pad=3)
    if not left:
        axes.set_yticks([])


def span(low: float, high: float) -> tuple[float, float]:
    """Axis limits for ratings, in whole tens, at least 30 points apart."""
    middle = (low + high) / 2
    low, high = min(low, middle - 15), max(high, middle + 15)
    return 10 * (low // 10), -10 * (-high // 10)


def spread(values: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Heights for labels: as near to `values` as they can be, `gap` apart, within `low`..`high`."""
    order = sorted(range(len(values)), key=lambda i: values[i])
    placed = list(values)
    for i in order:
        placed[i] = max(placed[i], low)
        low = placed[i] + gap
    for i in reversed(order):
        placed[i] = min(placed[i], high)
        high = placed[i] - gap
    return placed
