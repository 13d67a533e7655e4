"""Formatting of times, points and ranges in reports."""

from __future__ import annotations

import math
import re


def clock(time_s: float) -> str:
    """A time in a file as a counter shows it, whole seconds that have passed: "1:07"."""
    seconds = math.floor(max(time_s, 0.0) + 1e-6)
    return f"{seconds // 60}:{seconds % 60:02d}"


def signed(points: float) -> str:
    """Rating points above or below something: "+12", "−3", "0"."""
    whole = round(points)
    return f"{'+' if whole > 0 else '−' if whole < 0 else ''}{abs(whole)}"


def unbroken(text: str) -> str:
    """A text whose ranges of bars stay on one line (word joiners around the dash)."""
    return re.sub(r"(?<=\d)-(?=\d)", "\u2060-\u2060", text)


def curly(text: str) -> str:
    """A sentence with a page's quotation marks, and figures that keep their % beside them."""
    return re.sub(r'"([^"]*)"', "“\\1”", text).replace(" %", "\u00a0%")
