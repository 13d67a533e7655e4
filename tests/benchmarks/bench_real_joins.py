"""Joins in real recordings: how well the frozen classifier tells them from untouched changes of section.

    python -m tests.benchmarks.bench_real_joins [tune|kept|all]

Free game music from Debian's packages (tests/benchmarks/real_songs.py). The classifier is trained on the
other songs' lines. The first figure of each way of joining counts the change of music too; the second row
says how much of that there is: changes of section, as written, against lines within sections.
"""

from __future__ import annotations

import sys

from render.song.song import WITHOUT_STEMS
from tests.benchmarks.joins.classifier import Area, area
from tests.benchmarks.joins.measured import Lines
from tests.benchmarks.joins.recordings import UNTOUCHED, WITHIN, measure_recordings
from tests.benchmarks.real_songs import real_songs

JOININGS = (1, WITHOUT_STEMS)


def main() -> None:
    half = sys.argv[1] if len(sys.argv) > 1 else "all"
    songs = [song for name in ("tune", "kept") if half in (name, "all") for song in real_songs(name)]
    ways = {f"version {joining} of joining": joining for joining in JOININGS}
    measured = measure_recordings(songs, ways)
    untouched = measured.of(UNTOUCHED)
    print(f"{len(songs)} songs, {len(untouched.rows)} {UNTOUCHED}\n")
    for way in ways:
        lines = measured.of(way)
        print(f"{way}: {len(lines.rows)} joins, AUC {told_apart(lines, untouched)}", flush=True)
    print(f"{UNTOUCHED} against {WITHIN}: AUC {told_apart(untouched, measured.of(WITHIN))}")
    first, *others = ways
    for way in others:
        print(
            f"the same joins, {first} against {way}: AUC {told_apart(measured.of(first), measured.of(way))}"
        )


def told_apart(lines: Lines, clean: Lines) -> Area:
    return area(lines.table, clean.table, lines.pieces, clean.pieces)


if __name__ == "__main__":
    main()
