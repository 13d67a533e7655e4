"""The report's charts: settled ratings, by listen, by day, by listener, and the dissent."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from render.arrays import Floats
from reports.facts.dissent import Dissent
from reports.facts.protocol import MARK
from reports.facts.study_facts import Facts
from reports.output.charts import (
    HAIR,
    INK,
    LINE,
    PAPER,
    SMALL_PT,
    SOFT,
    TEXT_PT,
    Chart,
    apart,
    bare,
    cut,
    dots,
    draw,
    span,
    spread,
    wrap,
)
from reports.output.drawing import Axes, Figure
from reports.verdict import phrases
from reports.verdict.diagnostics import Curve
from reports.verdict.judge import Judgement, SettledRating
from reports.verdict.listeners import ListenerOrder

LISTENERS_A_CHART = 42  # as many as a printed page takes


def all_charts(facts: Facts, case: Dissent | None) -> dict[str, Chart | list[Chart] | None]:
    """The charts of an opened report, by name; None where there is nothing to draw."""
    judgement, ratings = facts.judgement, facts.ratings
    if judgement is None or ratings is None:
        return {"settled": None, "listens": None, "days": None, "listeners": [], "against": None}
    lead = facts.chosen if facts.chosen in judgement.order else judgement.best
    table = ratings.table
    return {
        "settled": settled(judgement, lead),
        "listens": by_listen(judgement, table, lead),
        "days": by_day(judgement, lead),
        "listeners": each_listener(judgement, lead),
        "against": round_by_round(case) if case is not None and case.margins else None,
    }


def settled(judgement: Judgement, lead: str, key: str = "settled") -> Chart:
    """Settled ratings with their intervals, best first."""
    settled_ratings = judgement.settled
    rows = [(name, settled_ratings[name]) for name in judgement.order if name not in judgement.panel.unheard]
    names = [wrap(name, 30, 2) for name, _ in rows]
    heights = [0.28 + 0.18 * (name.count("\n") + 1) for name in names]
    height_in = sum(heights) + 0.65

    def paint(figure: Figure) -> None:
        axes = figure.add_axes((0.03, 0.5 / height_in, 0.94, 1 - 0.55 / height_in))
        low, high = span(min(s.low for _, s in rows), max(s.high for _, s in rows))
        y = 0.0
        for (name, s), label, row in zip(rows, names, heights, strict=True):
            y -= row
            _interval(axes, s, y + 0.1, name == lead)
            weight = "bold" if name == lead else "normal"
            text = f"{apart(label)}: {s.mean:.0f} ({s.low:.0f}–{s.high:.0f})"
            axes.text(low, y + 0.2, text, fontsize=TEXT_PT, weight=weight, va="bottom", linespacing=1.1)
        axes.set_xlim(low, high)
        axes.set_ylim(-sum(heights) - 0.02, 0)
        axes.set_xlabel("settled rating, 0–100, with 90 % interval")
        axes.grid(axis="x", color=HAIR, linewidth=0.6)
        axes.set_axisbelow(True)
        bare(axes)

    words = "; ".join(
        f"{name} {s.mean:.0f}, interval {s.low:.0f} to {s.high:.0f}" for name, s in rows
    )  # fmt: skip
    return draw(key, height_in, paint, "Settled ratings", f"Best first: {words}.")


def _interval(axes: Axes, s: SettledRating, y: float, leads: bool) -> None:
    axes.plot([s.low, s.high], [y, y], color=INK if leads else LINE, linewidth=3.2 if leads else 1.8)
    axes.plot(
        [s.mean], [y], "o", markersize=7.5, markeredgecolor=INK, markeredgewidth=1.4,
        color=INK if leads else PAPER, zorder=3,
    )  # fmt: skip


def by_listen(judgement: Judgement, table: pd.DataFrame, lead: str) -> Chart:
    """Form by form, one below the other: every rating at its listen, and the mean of each listen."""
    names = [name for name in judgement.order if name not in judgement.panel.unheard]
    row_in = 1.35
    height_in = row_in * len(names) + 0.4
    curve = judgement.beside.diagnostics.curve
    last = max(int(table["listen"].max()), 2)
    low, high = span(float(table["rating"].min()), float(table["rating"].max()))

    def paint(figure: Figure) -> None:
        for index, name in enumerate(names):
            top = 1 - (row_in * index + 0.28) / height_in
            axes = figure.add_axes((0.1, top - 0.82 / height_in, 0.88, 0.82 / height_in))
            _listens(axes, table[table["form"] == name], name == lead)
            if _shows_curve(table, name, curve):
                _learned(axes, judgement.settled[name].mean, curve, last)
            title = cut(name, 40)
            axes.set_title(
                title, fontsize=SMALL_PT, loc="left", pad=3, weight="bold" if name == lead else "normal"
            )
            axes.set_xlim(0.5, last + 0.5)
            axes.set_ylim(low, high)
            axes.set_xticks(_whole(last))
            bare(axes, left=True)
        figure.text(0.5, 0.02, "listen number (of this form, by this listener)", ha="center", color=SOFT)

    return draw("listens", height_in, paint, "Rating by listen", _listens_told(judgement))


def _whole(last: int) -> list[int]:
    """Ticks at whole listens, not too many."""
    return list(range(1, last + 1, max(math.ceil(last / 8), 1)))


def _listens(axes: Axes, own: pd.DataFrame, leads: bool) -> None:
    """Raw points stand back; the mean of a listen shows while most listeners have reached it."""
    who = {name: i for i, name in enumerate(sorted(own["listener"].unique()))}
    shift = own["listener"].map(who).astype(float) / max(len(who), 2) * 0.5 - 0.2
    at = (own["listen"] + shift).to_numpy(np.float64)
    dots(axes, at, own["rating"].to_numpy(np.float64), size_pt=3.6, color=LINE)
    counts = own.groupby("listen")["rating"].agg(["mean", "size"])
    common = counts[counts["size"] >= max(len(who) / 2, 1)]
    axes.plot(
        common.index, common["mean"], "-o", color=INK, linewidth=2.0 if leads else 1.2, markersize=3.6
    )  # fmt: skip


def _shows_curve(table: pd.DataFrame, name: str, curve: Curve) -> bool:
    """The learned curve is that of a form nobody knew: it shows only where the data taught it."""
    own = table[table["form"] == name]
    return curve.learned and len(own) > 0 and float(own["prior_listens"].min()) == 0


def _learned(axes: Axes, settled_at: float, curve: Curve, last: int) -> None:
    at = [k for k in range(len(curve.listen)) if curve.listen[k] <= last]
    x = [curve.listen[k] for k in at]
    axes.fill_between(
        x, [settled_at + curve.low[k] for k in at], [settled_at + curve.high[k] for k in at],
        color=HAIR, linewidth=0, zorder=0,
    )  # fmt: skip
    axes.plot(x, [settled_at + curve.mean[k] for k in at], "--", color=SOFT, linewidth=1.1)


def _listens_told(judgement: Judgement) -> str:
    by = judgement.beside.plain.by_listen
    words = []
    for name in judgement.order:
        means = by[name].dropna()
        if len(means):
            words.append(f"{name}: {', '.join(f'{value:.0f}' for value in means)}")
    return "Mean rating at the first, second, … listen. " + "; ".join(words) + "."


def by_day(judgement: Judgement, lead: str) -> Chart | None:
    """Mean rank within rounds, day by day; None with a single day."""
    ranks = judgement.beside.plain.rank_by_day
    names = [name for name in judgement.order if name in ranks and ranks[name].notna().any()]
    if len(ranks) < 2 or len(names) < 2:
        return None
    height_in = max(0.27 * len(names) + 1.1, 2.3)
    x = np.arange(1.0, len(ranks) + 1)

    def paint(figure: Figure) -> None:
        axes = figure.add_axes((0.12, 0.55 / height_in, 0.42, 1 - 0.68 / height_in))
        lowest = len(judgement.order)
        ends = [float(ranks[name].dropna().iloc[-1]) for name in names]
        per_in = (lowest - 0.4) / (height_in - 0.68)
        labels = spread(ends, 0.19 * per_in, 0.7, lowest + 0.3)
        for index, (name, label) in enumerate(zip(names, labels, strict=True)):
            _rank_line(axes, x, ranks[name], index, name == lead)
            axes.annotate(
                cut(name, 19), (1.05, label), xycoords=("axes fraction", "data"), va="center",
                fontsize=SMALL_PT, weight="bold" if name == lead else "normal", annotation_clip=False,
            )  # fmt: skip
            axes.annotate(
                "", (1.045, label), (x[-1], ends[index]), xycoords=("axes fraction", "data"),
                textcoords="data", annotation_clip=False,
                arrowprops={"arrowstyle": "-", "color": LINE, "linewidth": 0.6},
            )  # fmt: skip
        axes.set_ylim(lowest + 0.3, 0.7)
        axes.set_yticks(range(1, lowest + 1))
        axes.set_xticks(_whole(len(x)))
        axes.set_xlim(0.85, len(x) + 0.05)
        axes.set_xlabel("day of listening")
        axes.set_ylabel("mean rank in a round")
        bare(axes, left=True)

    words = "; ".join(f"{n}: {', '.join(f'{v:.1f}' for v in ranks[n].dropna())}" for n in names)
    return draw("days", height_in, paint, "Rank by day", f"Mean rank (1 is best) on each day. {words}.")


_DASHES: Sequence[str | tuple[int, tuple[float, ...]]] = (
    "-", (0, (6, 2)), (0, (2, 1.5)), (0, (6, 2, 1.5, 2)), (0, (1, 1)), (0, (9, 3)), (0, (4, 1, 1, 1, 1, 1)),
    (0, (3, 4)),
)  # fmt: skip
_MARKS = "osD^v<>p"


def _rank_line(axes: Axes, x: Floats, ranks: pd.Series, index: int, leads: bool) -> None:
    axes.plot(
        x, ranks.to_numpy(float), linestyle="-" if leads else _DASHES[index % 8], marker=_MARKS[index % 8],
        color=INK if leads else LINE, linewidth=2.6 if leads else 1.2,
        markersize=6 if leads else 4.5, markerfacecolor=INK if leads else PAPER,
        zorder=3 if leads else 2,
    )  # fmt: skip


def each_listener(judgement: Judgement, lead: str) -> list[Chart]:
    """The form in question among the others, in each listener's own settled ratings."""
    owns = sorted(judgement.beside.listeners, key=lambda own: -own.mean.get(lead, 0.0))
    values = [v for own in owns for v in (*own.mean.values(), own.low[lead], own.high[lead])]
    ends = (min(values) - 2, max(values) + 2)
    pages = [owns[at : at + LISTENERS_A_CHART] for at in range(0, len(owns), LISTENERS_A_CHART)]
    shown = judgement.panel.shown
    return [_listeners_page(number, page, lead, ends, shown) for number, page in enumerate(pages)]


def _listeners_page(
    number: int,
    owns: Sequence[ListenerOrder],
    lead: str,
    ends: tuple[float, float],
    shown: Callable[[str], str],
) -> Chart:
    height_in = 0.22 * len(owns) + 0.8

    def paint(figure: Figure) -> None:
        axes = figure.add_axes((0.39, 0.55 / height_in, 0.31, 1 - 0.68 / height_in))
        rows = range(len(owns))
        others = [(v, row) for row in rows for name, v in owns[row].mean.items() if name != lead]
        axes.plot(*zip(*others, strict=True), "|", markersize=8, color=LINE, markeredgewidth=1.4)
        lows, highs = [own.low[lead] for own in owns], [own.high[lead] for own in owns]
        axes.hlines(rows, lows, highs, color=INK, linewidth=1.4, capstyle="projecting")
        axes.plot([own.mean[lead] for own in owns], rows, "o", markersize=5.5, color=INK, zorder=3)
        beside = axes.get_yaxis_transform()  # x in the axes' widths, y in rows
        for row, own in enumerate(owns):
            axes.text(-0.03, row, _short(shown(own.listener)), transform=beside, ha="right", va="center")
            first = own.order[0]
            text, color = ("the same", SOFT) if first == lead else (cut(first, 15), INK)
            axes.text(1.03, row, text, transform=beside, va="center", color=color)
        axes.text(1.03, -1, "own first", transform=beside, va="center", color=SOFT)
        axes.axvline(0, color=HAIR, linewidth=0.8, zorder=0)
        axes.set_ylim(len(owns) - 0.4, -1.5)
        axes.set_xlim(*ends)
        axes.set_xlabel("points from own average")
        bare(axes)

    words = "; ".join(
        f"{shown(own.listener)}: {own.mean[lead]:+.0f} points, own first {own.order[0]}" for own in owns
    )
    title = f"Each listener: “{lead}” among the others"
    return draw(f"listeners{number}", height_in, paint, title, words + ".")


def _short(shown: str) -> str:
    """A listener's name for a narrow margin; the mark of a scripted one is never cut off."""
    mark = MARK if shown.endswith(MARK) else ""
    return apart(cut(shown.removesuffix(mark), 19 - len(mark))) + mark


def round_by_round(case: Dissent) -> Chart:
    """Round by round, the form in question against the average of the others in the same round."""
    rounds = [margin.round for margin in case.margins]
    values = [margin.points for margin in case.margins]
    who = {name: i for i, name in enumerate(sorted({m.listener for m in case.margins}))}
    shift = [who[m.listener] / max(len(who), 2) * 0.5 - 0.2 for m in case.margins]
    x = [r + s for r, s in zip(rounds, shift, strict=True)]

    def paint(figure: Figure) -> None:
        axes = figure.add_axes((0.14, 0.21, 0.84, 0.75))
        below = [v < 0 for v in values]
        axes.plot(
            [a for a, b in zip(x, below, strict=True) if not b], [v for v in values if v >= 0], "o",
            markersize=4.5, color=PAPER, markeredgecolor=LINE, markeredgewidth=1.1,
        )  # fmt: skip
        axes.plot(
            [a for a, b in zip(x, below, strict=True) if b], [v for v in values if v < 0], "o",
            markersize=5.5, color=INK,
        )  # fmt: skip
        axes.axhline(0, color=INK, linewidth=0.9)
        axes.set_xticks(_whole(max(rounds)))
        axes.set_xlabel("round")
        axes.set_ylabel("points over the others")
        bare(axes, left=True)

    words = (
        f"In {case.rounds_below} of {phrases.counted(len(values), 'round')} “{case.form}” was rated "
        "below the average of the other forms in the same round."
    )
    return draw("against", 2.4, paint, f"“{case.form}” against the others, round by round", words)
