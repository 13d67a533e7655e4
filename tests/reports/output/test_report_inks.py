"""The report's inks can be read, by the contrast ratio of WCAG 2.2."""

from __future__ import annotations

import pytest

from reports import inks


def contrast(one: str, other: str) -> float:
    """The contrast ratio of WCAG 2.2 (definitions "contrast ratio" and "relative luminance")."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_is_computed_as_wcag_says() -> None:
    """Black on white is 21:1 by definition; #767676 on white is known as the lightest grey above 4.5:1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5


@pytest.mark.parametrize("sheet", [inks.DAY, inks.NIGHT, inks.PRINT], ids=["day", "night", "print"])
def test_inks_can_be_read(sheet: inks.Inks) -> None:
    """Text 4.5:1 (WCAG 2.2, 1.4.3), marks that carry meaning 3:1 (1.4.11)."""
    assert contrast(sheet.ink, sheet.paper) >= 7
    assert contrast(sheet.soft, sheet.paper) >= 4.5
    assert contrast(sheet.faint, sheet.paper) >= 3
    for ground, text in zip(sheet.tints, sheet.on_tints, strict=True):
        assert contrast(ground, text) >= 4.5
    assert f"--ink: {sheet.ink};" in sheet.css()
