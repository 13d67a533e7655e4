"""One ink on paper, by day and by night, with its tints: the only colours of reports and charts.

Text reaches a contrast of 4.5 to 1, lines and marks that carry meaning 3 to 1 (WCAG 2.2, success criteria
1.4.3 and 1.4.11); a test computes every pair with the formula of WCAG.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

TINTS = 8


@dataclass(frozen=True)
class Inks:
    """Colours as #rrggbb: text, secondary text, marks, hairlines, and the sheet they lie on."""

    paper: str
    ink: str
    soft: str  # secondary text
    faint: str  # marks that stand back
    hair: str  # rules between rows: decoration only
    tints: tuple[str, ...]  # grounds of a strip's parts, the song's beginning first
    on_tints: tuple[str, ...]  # the text on them

    def css(self) -> str:
        """The colours as custom properties of CSS."""
        plain = {name: getattr(self, name) for name in ("paper", "ink", "soft", "faint", "hair")}
        pairs = {f"tint-{i}": tint for i, tint in enumerate(self.tints)}
        texts = {f"on-tint-{i}": text for i, text in enumerate(self.on_tints)}
        return " ".join(f"--{name}: {value};" for name, value in {**plain, **pairs, **texts}.items())


def mixed(one: str, other: str, share: float) -> str:
    """`share` (0-1) of `one` in `other`, channel by channel."""
    pairs = zip(_channels(one), _channels(other), strict=True)
    return "#" + "".join(f"{round(share * a + (1 - share) * b):02x}" for a, b in pairs)


def _channels(colour: str) -> tuple[int, ...]:
    return tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5))


def _inks(paper: str, ink: str, soft: float, faint: float, shares: tuple[float, ...]) -> Inks:
    return Inks(
        paper=paper,
        ink=ink,
        soft=mixed(ink, paper, soft),
        faint=mixed(ink, paper, faint),
        hair=mixed(ink, paper, 0.18),
        tints=tuple(mixed(ink, paper, share) for share in shares),
        on_tints=tuple(ink if share < 0.5 else paper for share in shares),
    )


# the middle of the scale is left out: there neither ink nor paper could be read
_SHARES = (0.05, 0.12, 0.19, 0.26, 0.75, 0.83, 0.91, 1.0)
DAY = _inks("#fffefb", "#14283c", 0.78, 0.60, _SHARES)
NIGHT = _inks("#11171d", "#e9e4d8", 0.74, 0.52, _SHARES)
PRINT = _inks("#ffffff", "#14283c", 0.78, 0.60, _SHARES)

# what stands for an ink in a chart's SVG, and the custom property that takes its place
CHART_INKS: Mapping[str, str] = {
    DAY.paper: "var(--paper)",
    DAY.ink: "var(--ink)",
    DAY.soft: "var(--soft)",
    DAY.faint: "var(--faint)",
    DAY.hair: "var(--hair)",
}
