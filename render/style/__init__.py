"""Style tokens shared by every page: colours of paper and ink, type, measures, as CSS custom properties."""

from __future__ import annotations

import re
from functools import cache
from importlib import resources
from typing import Literal

Scheme = Literal["light", "dark", "print"]
_MEDIA: dict[Scheme, str] = {
    "light": "",
    "dark": "@media (prefers-color-scheme: dark) {",
    "print": "@media print {",
}


@cache
def tokens_css() -> str:
    """The style sheet that stands before a page's own one."""
    return resources.files("render.style").joinpath("tokens.css").read_text(encoding="utf-8")


def palette(scheme: Scheme) -> dict[str, str]:
    """The colours of a scheme by token name without its dashes, as hex: {"paper": "#f6f2ea", ...}.

    For what CSS cannot colour, such as charts drawn before the page is.
    """
    block = tokens_css().partition(_MEDIA[scheme])[2] if _MEDIA[scheme] else tokens_css()
    return dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6});", block.partition("}")[0]))
