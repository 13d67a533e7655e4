"""Pieces ready to be joined: bounce, stems and song.toml, and each form's performance, kept in a folder.

`python -m tests.benchmarks.joins.corpus FOLDER` plays what is not there yet.
"""

from __future__ import annotations

import itertools
import json
import random
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from render.song.song import Song, load_song
from tests.benchmarks.joins.demo_piece import demo_piece
from tests.benchmarks.joins.playing import LEAD_QUARTERS, play
from tests.benchmarks.joins.scores import Score, scores

FORMS = 4
TWINS = 2  # forms of each piece that are performed a second time, by other hands


@dataclass(frozen=True)
class Piece:
    """A piece as a study's folder; `performed` and `again` are forms' other recordings, by name."""

    name: str
    folder: Path
    performed: dict[str, Path]
    again: dict[str, Path]

    def song(self) -> Song:
        return load_song(self.folder)


def pieces(folder: Path, most: int | None = None) -> Iterator[Piece]:
    """The corpus in `folder`, played where it is not there yet."""
    for score in all_scores(folder)[:most]:
        yield _piece(score, folder / score.name.replace("/", " "))


def all_scores(folder: Path) -> list[Score]:
    """The scores of music21's corpus, and the demo's own."""
    return [*scores(folder), demo_piece()]


def _piece(score: Score, folder: Path) -> Piece:
    chunks = _chunks(score.bars)
    played = score.humanised(1)
    play(played, folder / "song.flac")
    stems = {
        group: f"{group}.flac"
        for group in sorted(score.programs)
        if any(n.group == group for n in score.notes)
    }
    for group, name in stems.items():
        play(played, folder / name, {group})
    orders = [order(score.name, number, len(chunks)) for number in range(FORMS)]
    performed, again = {}, {}
    for number, sections in enumerate(orders):
        parts = [chunks[at] for at in sections]
        performed[f"form {number}"] = play(played.reordered(parts), folder / f"performed {number}.flac")
        if number < TWINS:
            other = score.reordered(parts).humanised(2 + number)
            again[f"form {number}"] = play(other, folder / f"again {number}.flac")
    _write_toml(score, chunks, orders, stems, folder)
    return Piece(score.name, folder, performed, again)


def _chunks(bars: int) -> list[tuple[int, int]]:
    """Sections of two or three bars: at least five of them where there are bars enough."""
    size = 3 if bars >= 15 else 2
    return [(first, min(first + size - 1, bars)) for first in range(1, bars + 1, size)]


def order(name: str, number: int, count: int) -> list[int]:
    """An order of all sections in which none follows its own predecessor."""
    chance = random.Random(f"{name} {number}")
    sections = list(range(count))
    for _ in range(1000):
        chance.shuffle(sections)
        if sections[0] and all(two != one + 1 for one, two in itertools.pairwise(sections)):
            break
    return sections


def _write_toml(
    score: Score, chunks: list[tuple[int, int]], orders: list[list[int]], stems: dict[str, str], folder: Path
) -> None:
    names = [f"S{at + 1}" for at in range(len(chunks))]
    beats = {1.5: "3/8", 2.0: "2/4", 3.0: "3/4", 4.0: "4/4", 8.0: "8/4"}[score.bar_quarters]
    lines = [
        "[song]", f"title = {json.dumps(score.name)}", 'audio = "song.flac"',
        f"tempo = {60000 / score.quarter_ms:g}", f'meter = "{beats}"',
        f"start = {LEAD_QUARTERS * score.quarter_ms / 1000:g}", f"bars = {score.bars}", "[stems]",
        *(f"{json.dumps(group)} = {json.dumps(file)}" for group, file in stems.items()), "[sections]",
        *(f'{name} = {{ bars = "{a}-{b}" }}' for name, (a, b) in zip(names, chunks, strict=True)),
        "[forms]",
        *(
            f'"form {number}" = {{ parts = {json.dumps([names[at] for at in sections])}, ending = "cut" }}'
            for number, sections in enumerate(orders)
        ),
    ]  # fmt: skip
    (folder / "song.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    for piece in pieces(Path(sys.argv[1])):
        print(piece.name, len(piece.performed), flush=True)
