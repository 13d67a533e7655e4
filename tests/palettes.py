"""The colours of the style tokens in every scheme of tokens.css."""

from __future__ import annotations

import re
from typing import Literal

from render.style import tokens_css

Scheme = Literal["light", "dark", "print"]
_MEDIA: dict[Scheme, str] = {
    "light": "",
    "dark": "@media (prefers-color-scheme: dark) {",
    "print": "@media print {",
}


def palette(scheme: Scheme) -> dict[str, str]:
    """The colours of a scheme by token name without its dashes, as hex."""
    block = tokens_css().partition(_MEDIA[scheme])[2] if _MEDIA[scheme] else tokens_css()
    return dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6});", block.partition("}")[0]))
