"""Tables of bench_verdict that come from campaigns: worlds, what was reached, late listens, days."""

import sys
import textwrap
from dataclasses import replace

import numpy as np

from reports.model.gates import Rules
from tests.benchmarks.simulated import KEY, SEED, THREE, WORLDS, Cell, run_cell, share

HEAD = (
    "| listeners x forms, world | named | clear by 8 | wrong when clear | minutes | enough by 8 "
    "| right when enough | lost / stated | even |\n|---|---|---|---|---|---|---|---|---|"
)


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def paragraph(text: str) -> str:
    """In lines as long as the project's text has them."""
    return textwrap.fill(text, 110)


def key_cells(count: int) -> dict[str, Cell]:
    """The worlds that the issue lists, `count` studies each."""
    cells = {}
    for name in KEY:
        cells[name] = run_cell(WORLDS[name], count, SEED + 1000 * list(WORLDS).index(name))
        say(f"| {name} | {row(cells[name])} |")
    return cells


def table(cells: dict[str, Cell]) -> str:
    return "\n".join([HEAD, *(f"| {name} | {row(cell)} |" for name, cell in cells.items())])


def other_worlds(count: int) -> str:
    lines = [f"{count} studies a row; columns as above.", "", HEAD]
    for number, (name, world) in enumerate(WORLDS.items()):
        if name not in KEY:
            lines.append(f"| {name} | {row(run_cell(world, count, SEED + 1000 * number))} |")
            say(lines[-1])
    return "\n".join(lines)


def row(cell: Cell) -> str:
    clear, enough = cell.clear, cell.enough
    right, reached, _ = cell.right(clear)
    fine, stopped, lost = cell.right(enough)
    by_8, ever, cost, bound = cell.even()
    return " | ".join(
        [
            "-" if cell.equal else f"{cell.named(8):.3f} ({cell.named_plain:.3f})",
            f"{cell.by(clear, 8):.3f}",
            f"{reached if cell.equal else reached - right} of {cell.count if cell.equal else reached}",
            f"{cell.minutes(clear):.0f} -> {cell.minutes(enough):.0f}",
            f"{cell.by(enough, 8):.2f}",
            f"{stopped} said" if cell.equal else share(fine, stopped),
            f"{lost:.2f} (±{cell.lost_error(enough):.2f}) / {cell.stated(enough):.2f}",
            f"{by_8:.3f} / {ever:.2f}" + (f" ({cost:.1f}, {bound:.1f})" if ever else ""),
        ]
    )


def reached(cells: dict[str, Cell]) -> str:
    """What the issue asks of the verdict beside what these cells gave."""
    ordinary = [cells[f"3 x 4, gap {gap}"] for gap in (6, 8, 10)]
    alone, scales = cells["1 x 4, gap 10"], cells["3 x 4, gap 10, unequal scales (log SD 0.5)"]
    off, slow = "3 x 4, gap 6, one form starts 8 high, wears off", "3 x 4, gap 6, tau 8"
    random = [cells[f"3 x 4, gap {gap}, one answers at random"].named(8) for gap in (6, 10)]
    stays = {name: cell for name, cell in cells.items() if not cell.world.sinks}
    costs = {name: cell.right(cell.enough)[2] for name, cell in stays.items()}
    risk = {name: cell.stated(cell.enough) - costs[name] for name, cell in stays.items()}
    free = {name: cell.even()[3] - cell.even()[2] for name, cell in stays.items() if cell.even()[1]}
    worst = max(set(costs) - {off, slow}, key=lambda name: costs[name])
    least, tightest = min(risk, key=lambda name: risk[name]), min(free, key=lambda name: free[name])
    right = np.sum([cell.right(cell.enough)[:2] for cell in ordinary], axis=0)

    def lost(name: str) -> str:
        return f"{costs[name]:.2f} (±{cells[name].lost_error(cells[name].enough):.2f})"

    def spent(cell: Cell) -> float:
        return cell.minutes(cell.enough)

    def sooner(cell: Cell) -> float:
        return 100 * (1 - spent(cell) / cell.minutes(cell.clear))

    rows = (
        (
            "three listeners, four forms, gap 6 / 8 / 10: 85 / 72 / 60 minutes until listening may stop",
            " / ".join(f"{spent(cell):.0f}" for cell in ordinary),
        ),
        ("which is 31 to 40 % earlier than clear", " / ".join(f"{sooner(cell):.0f} %" for cell in ordinary)),
        (
            "one listener, four forms, gap 10: 94 minutes",
            f"{spent(alone):.0f}, {sooner(alone):.0f} % earlier",
        ),
        ("the form named is the best when listening may stop, gaps 6 to 10", f"{right[0]} of {right[1]}"),
        (
            "at most .5 points given away on average",
            f"{lost(worst)} in the worst of {len(costs) - 2} worlds ({worst})",
        ),
        ("at most .75 where a form wears off / tau is 8", f"{lost(off)} / {lost(slow)}"),
        (
            "the risk stated is not below what it costs",
            f"least difference {risk[least]:+.2f} ({least}); below 0 in "
            f"{sum(value < 0 for value in risk.values())} of {len(risk)} worlds",
        ),
        (
            "even by round 8: gap 8 .01, wearing off .03; all equal by 16 .73",
            f"{ordinary[1].even()[0]:.3f}, {cells[off].even()[0]:.3f}; "
            f"{cells['3 x 4, all equal'].even()[1]:.2f}",
        ),
        (
            "the bound stated with even is not below the cost of a free choice",
            f"least difference {free[tightest]:+.2f} ({tightest})",
        ),
        ("one of three at random, named at gap 6 / 10: .73 / .91", f"{random[0]:.2f} / {random[1]:.2f}"),
        (
            "unequal scales, gap 10, clear by 8: .49",
            f"{scales.by(scales.clear, 8):.2f}",
        ),
    )
    return "\n".join(["| asked | reached |", "|---|---|", *(f"| {a} | {b} |" for a, b in rows)])


AFTER = (8, 10, 12, 14, 16)


def late(count: int) -> str:
    """What the rule of late listens holds back, wrong and right, and what it costs in minutes."""
    lines = [
        paragraph(
            f"{count} studies a row, seed {SEED} + 60000. Of all studies, those whose reading after that "
            "round would be safe or clear by all but the late listens -> with their rule. Wrong: the "
            "form in front is not (or no longer) the best. Minutes until listening may stop, without -> "
            "with the rule."
        ),
        "",
        "| world, form in front | " + " | ".join(f"round {r}" for r in AFTER) + " | minutes |",
        "|---|" + "---|" * (len(AFTER) + 1),
    ]
    for name in ("3 x 4, 6 ahead, from the 9th listen 4 behind", "3 x 4, gap 6", "3 x 4, truths of SD 5"):
        cells = [
            run_cell(WORLDS[name], count, SEED + 60_000, rules=rules, leaders=AFTER)
            for rules in (replace(Rules(), sinking_loss=np.inf), Rules())
        ]
        minutes = " -> ".join(f"{c.minutes(c.enough):.0f}" for c in cells)
        for right in (False, True):
            shares = [" -> ".join(f"{_said(c, r, right):.3f}" for c in cells) for r in AFTER]
            text = f"| {name}, {'right' if right else 'wrong'} | {' | '.join(shares)} | {minutes} |"
            lines.append(text)
            say(text)
    return "\n".join(lines)


def _said(cell: Cell, around: int, right: bool) -> float:
    """The share of studies that are clear or safe after a round, with the form in front right or wrong."""
    cost = cell.cost(cell.campaign.leader[around - 1])
    return float(((cell.campaign.enough[around - 1] > 0) & ((cost <= 0) == right)).mean())


def days(count: int) -> str:
    lines = [
        paragraph(
            "Eight rounds of three listeners and four forms where all listeners share a whim of the day "
            f"for each form (SD 4.5 points); {count} studies a row, seed {SEED} + 70000."
        ),
        "",
        "| days | gap 6: named after 8 | lost / stated when safe | gap 8: named | all equal: falsely clear |",
        "|---|---|---|---|---|",
    ]
    for rounds_a_day, of_days in ((3, 3), (2, 4), (1, 8)):
        world = replace(THREE, whim_sd=4.5, rounds_a_day=rounds_a_day)

        def day(around: int, each: int = rounds_a_day) -> int:
            return (around - 1) // each + 1

        six, eight, equal = (
            run_cell(replace(world, advantage=gap), count, SEED + 70_000 + gap, 8, day) for gap in (6, 8, 0)
        )
        stop = six.enough
        lines.append(
            f"| {of_days} | {six.named(8):.3f} | {six.right(stop)[2]:.2f} (±{six.lost_error(stop):.2f}) / "
            f"{six.stated(stop):.2f} | {eight.named(8):.3f} "
            f"| {(equal.clear > 0).sum()} of {count} |"
        )
        say(lines[-1])
    return "\n".join(lines)


def intro(count: int) -> str:
    """What the columns of the table of worlds mean."""
    return paragraph(
        f"{count} studies a row, read after every round to 16, forms of 2.5 minutes, two rounds a day; seeds "
        f"{SEED} + 1000 x row, never used before. Named: the form in front after round 8 is the best (in "
        "brackets: by the plain mean of all ratings). Minutes: mean per listener until clear -> until "
        "clear or "
        "safe (at most 16 rounds). Enough: clear or safe. Lost: points given away by the form in front "
        "when first "
        "enough, on average (standard error); stated: the risk that the verdict states then, the largest "
        "loss of "
        "its main, fading and late readings and half as much again. Even: called so by round 8 / by 16; "
        "in brackets what a free choice "
        "between the two costs on average, and the bound stated. Standard errors: a share of .5 has "
        f"{np.sqrt(0.25 / count):.3f}, one of .95 {np.sqrt(0.0475 / count):.3f}. Where one answers at "
        "random or "
        "always 50, the truth is the others'; one listener's loyalty is no part of it either. What is "
        "lost where "
        "a form sinks late is by its worth at the end."
    )
