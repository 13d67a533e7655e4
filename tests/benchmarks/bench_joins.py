"""How well joins hide: spliced lines against performed ones, by a frozen classifier and by their residual.

    python -m tests.benchmarks.bench_joins [--audio FOLDER] [--pieces N] [--no-edits]

A score is played as written and, its bars put into a form's order, played again: at a join the difference
between the form spliced from the first and the second is exactly what splicing did wrong.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from render.audio.splice import Splicer
from render.audio.stems import Mixes
from render.audio.timeline import lay_out
from render.song.song import BY_STEM, NEWEST_JOINING, Song
from tests.benchmarks.joins.classifier import area
from tests.benchmarks.joins.corpus import pieces
from tests.benchmarks.joins.measured import Joiner, Lines, Measured, measure
from tests.benchmarks.joins.planted import STEPS_DB, between_beats


def joined_as(joining: int) -> Joiner:
    def join(song: Song, form: str, mixes: Mixes) -> Splicer:
        timeline = lay_out(replace(song, joining=joining), song.form(form))
        return Splicer(timeline, mixes, song.lead_in_frames)

    return join


WAYS: dict[str, Joiner] = {
    f"{'stems' if joining in BY_STEM else 'from the bounce'}, version {joining} of joining": joined_as(
        joining
    )
    for joining in range(1, NEWEST_JOINING + 1)
}
EDITS = ("click", "level step", "cut through notes")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--audio", type=Path, default=Path(tempfile.gettempdir()) / "fairhearing-joins")
    parser.add_argument("--pieces", type=int, default=None, help="only so many pieces")
    parser.add_argument("--no-edits", action="store_true", help="leave out the classifier's own test")
    parser.add_argument("--way", default="", help="only ways of joining whose name holds this")
    chosen = parser.parse_args()
    ways = {name: join for name, join in WAYS.items() if chosen.way in name}
    corpus = list(pieces(chosen.audio, chosen.pieces))
    measured = measure(corpus, ways, not chosen.no_edits)
    performed = measured.of("performed")
    print(f"{len(performed.rows)} joins of {len(set(performed.pieces))} pieces\n")
    if not chosen.no_edits:
        _classifier(measured)
    for way in ways:
        lines = measured.of(way)
        print(
            f"{way:43} AUC {_area(lines, performed)}; residual median "
            f"{np.median(lines.residual_db):6.1f} dB, worst tenth "
            f"{np.quantile(lines.residual_db, 0.9):6.1f} dB",
            flush=True,
        )


def _classifier(measured: Measured) -> None:
    performed = measured.of("performed")
    rows, names = [], []
    for kind in EDITS:
        lines = measured.of(kind)
        rows += lines.rows
        names += lines.pieces
        print(f"planted: {kind:34} AUC {_area(lines, performed)}", flush=True)
    print(f"planted: {'all kinds':34} AUC {area(np.stack(rows), performed.table, names, performed.pieces)}")
    for kind in map(between_beats, STEPS_DB):
        print(f"planted: {kind:34} AUC {_area(measured.of(kind), measured.of('between beats'))}")
    again, first = measured.of("again"), measured.of("performed, twins")
    print(f"{'floor: two performances':43} AUC {_area(again, first)}\n", flush=True)


def _area(lines: Lines, clean: Lines) -> object:
    return area(lines.table, clean.table, lines.pieces, clean.pieces)


if __name__ == "__main__":
    main()
