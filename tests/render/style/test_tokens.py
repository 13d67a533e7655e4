"""The style tokens: read once for every page, and legible in every scheme."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from listening.page.html import style_css
from render.style import palette as on_paper
from render.style import tokens_css
from tests.palettes import Scheme, palette

HERE = Path(__file__).parents[3]
PAGES = ("listening/page/static/style.css",)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two hex colours (WCAG 2.2, definitions "contrast ratio", "relative luminance")."""

    def luminance(colour: str) -> float:
        shares = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
        return sum(w * v for w, v in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("scheme", get_args(Scheme))
def test_every_scheme_is_legible(scheme: Scheme) -> None:
    """Text 4.5:1 (WCAG 2.2 success criterion 1.4.3), lines that mean something 3:1 (1.4.11)."""
    colours = palette(scheme)
    assert set(colours) == {"paper", "tint", "hair", "line", "soft", "ink"}
    for ground in (colours["paper"], colours["tint"]):
        assert contrast(colours["ink"], ground) >= 7
        assert contrast(colours["soft"], ground) >= 4.5
    assert contrast(colours["line"], colours["paper"]) >= 3


def test_charts_are_drawn_in_the_light_scheme() -> None:
    assert on_paper() == palette("light")


def test_a_known_contrast() -> None:
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005), "a published textbook pair"


@pytest.mark.parametrize("page", PAGES)
def test_a_page_takes_its_colours_and_faces_from_the_tokens(page: str) -> None:
    own = (HERE / page).read_text(encoding="utf-8")
    assert not re.search(r"#[0-9a-fA-F]{3,8}\b(?=[;\s,)])", own), "a colour of its own"
    assert not re.search(r"--(paper|tint|hair|line|soft|ink|serif):", own), "a token of its own"
    used = set(re.findall(r"var\(--([a-z-]+)", own))
    assert used <= set(re.findall(r"--([a-z-]+):", tokens_css())), "a token that is not there"


def test_page_and_packet_carry_the_tokens_before_their_own_style() -> None:
    assert style_css().startswith(tokens_css())
