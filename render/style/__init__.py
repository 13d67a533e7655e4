"""Style tokens shared by every page: colours of paper and ink, type, measures, as CSS custom properties."""

from __future__ import annotations

import re
from functools import cache
from importlib import resources


@cache
def tokens_css() -> str:
    """The style sheet that stands before a page's own one."""
    return resources.files("render.style").joinpath("tokens.css").read_text(encoding="utf-8")


def palette() -> dict[str, str]:
    """The colours on light paper by token name without its dashes, as hex: {"paper": "#f6f2ea", ...}.

    For what CSS cannot colour, such as charts drawn before the page is.
    """
    return dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6});", tokens_css().partition("}")[0]))
