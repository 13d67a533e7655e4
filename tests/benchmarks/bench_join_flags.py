"""How well `check` judges joins: its flags against the score, and against the performed form.

    python -m tests.benchmarks.bench_join_flags [--audio FOLDER] [--pieces N]

Thresholds were chosen on every second piece ("chosen on"); the others only tell ("kept").
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from sklearn.metrics import average_precision_score, roc_auc_score

from render.arrays import Floats
from render.joins.finding import JoinFinding
from render.joins.judging import HELD_SHARE
from render.song.song import NEWEST_JOINING, WITHOUT_STEMS
from tests.benchmarks.joins.corpus import Piece, all_scores, pieces
from tests.benchmarks.joins.flagged import Judged, click_ratios, judged_joins
from tests.benchmarks.joins.held import HeldLine, held_lines

HELD, NOT_HELD = 0.2, 0.05  # of the energy before a line
LARGE = 0.75  # residuals from this quantile of a half on
JOININGS = (1, WITHOUT_STEMS, NEWEST_JOINING)
FLAGS: dict[str, Callable[[JoinFinding], bool]] = {
    "doubtful": lambda found: found.doubtful,
    "held sound": lambda found: found.held_sound,
    "pickup": lambda found: found.pickup_forgotten is not None,
    "rings in": lambda found: "rings into it" in found.reason,
    "attack cut": lambda found: found.cut_transient,
    "level step of 3 LU": lambda found: abs(found.level_step_lu or 0.0) >= 3,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--audio", type=Path, default=Path(tempfile.gettempdir()) / "fairhearing-joins")
    parser.add_argument("--pieces", type=int, default=None, help="only so many pieces")
    chosen = parser.parse_args()
    corpus = list(pieces(chosen.audio, chosen.pieces))
    halves = {"chosen on": corpus[::2], "kept": corpus[1::2]}
    for half, some in halves.items():
        print(f"\n# {half}: {len(some)} pieces")
        _held({piece.name for piece in some}, chosen.audio)
        _clicks(some)
        for joining in JOININGS:
            _flags([judged for piece in some for judged in judged_joins(piece, joining)], joining)


def _held(names: set[str], folder: Path) -> None:
    lines = [
        line
        for number, score in enumerate(all_scores(folder))
        if score.name in names
        for line in held_lines(score, number, folder / score.name.replace("/", " "))
    ]
    true, judged = np.array([[line.true_share, line.judged_share] for line in lines]).T
    clear = (true >= HELD) | (true < NOT_HELD)
    held, flagged = true >= HELD, judged >= HELD_SHARE
    print(
        f"notes held over {len(lines)} lines ({_planted(lines)} with a lead note): AUC "
        f"{roc_auc_score(held[clear], judged[clear]):.2f}, average precision "
        f"{average_precision_score(held[clear], judged[clear]):.2f}; from {HELD_SHARE:g} on: precision "
        f"{held[flagged].mean():.2f}, recall {flagged[held].mean():.2f}, "
        f"false alarms {flagged[true < NOT_HELD].mean():.2f}"
    )


def _planted(lines: list[HeldLine]) -> int:
    return sum(line.planted for line in lines)


def _clicks(some: list[Piece]) -> None:
    ratios = [ratio for piece in some for ratio in click_ratios(piece, next(iter(piece.performed)))]
    planted, ratio = np.array(ratios, dtype=np.float64).T
    print(
        f"clicks planted at {int(planted.sum())} lines: AUC {roc_auc_score(planted, ratio):.2f}, recall "
        f"{(ratio > 1)[planted == 1].mean():.2f}, false alarms {(ratio > 1)[planted == 0].mean():.2f}"
    )


def _flags(joins: list[Judged], joining: int) -> None:
    residual = np.array([join.residual_db for join in joins])
    large = residual >= np.quantile(residual, LARGE)
    severity: Floats = np.array([join.finding.severity for join in joins])
    print(
        f"version {joining}, {len(joins)} joins, large residual from {np.quantile(residual, LARGE):.1f} dB "
        f"on: AUC of severity {roc_auc_score(large, severity):.2f}"
    )
    for name, flag in FLAGS.items():
        flagged = np.array([flag(join.finding) for join in joins])
        if flagged.any():
            print(
                f"  {name:20} {flagged.sum():3} joins, precision {large[flagged].mean():.2f}, "
                f"recall {flagged[large].mean():.2f}"
            )


if __name__ == "__main__":
    main()
