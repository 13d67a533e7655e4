"""Excerpts of the corpus around every join: performed (twice), spliced in some way, edited on purpose."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from render.arrays import Audio, Floats
from render.audio.splice import Splicer
from render.audio.stem_fit import StemFit
from render.audio.stems import Mixes, read_audio
from render.audio.timeline import lay_out
from render.song.song import Song
from tests.benchmarks.joins.corpus import Piece
from tests.benchmarks.joins.features import REACH_S, features
from tests.benchmarks.joins.planted import planted

Joiner = Callable[[Song, str, Mixes], Splicer]  # of a form, by its name
NULLING = StemFit(-200.0, -200.0, 0.0, 1.0)
_RESIDUAL_S = 0.5  # either side of the line


@dataclass
class Lines:
    """Features, (n, features) once stacked, with the piece each line belongs to, and residuals in dB."""

    rows: list[Floats] = field(default_factory=list)
    pieces: list[str] = field(default_factory=list)
    residual_db: list[float] = field(default_factory=list)

    def add(self, piece: str, excerpt: Audio, rate: int) -> None:
        self.rows.append(features(excerpt, rate))
        self.pieces.append(piece)

    @property
    def table(self) -> Floats:
        return np.stack(self.rows)


@dataclass
class Measured:
    """All lines of the corpus, by what was done there: "performed", "again", a joiner's or an edit's name."""

    lines: dict[str, Lines] = field(default_factory=dict)

    def of(self, name: str) -> Lines:
        return self.lines.setdefault(name, Lines())


def measure(pieces: Iterable[Piece], joiners: Mapping[str, Joiner], edits: bool = True) -> Measured:
    """Read every join's excerpts; a joiner whose name begins with "stems" is given the stems."""
    measured = Measured()
    for piece in pieces:
        _measure_piece(piece, joiners, edits, measured)
    return measured


def _measure_piece(piece: Piece, joiners: Mapping[str, Joiner], edits: bool, measured: Measured) -> None:
    song = piece.song()
    rate, lead = song.audio.sample_rate, song.lead_in_frames
    bounce = read_audio(song.audio.path)
    with Mixes(song, bounce, NULLING) as with_stems:
        alone = Mixes(_stemless(song), bounce, None)
        number = 0
        for name, path in piece.performed.items():
            timeline = lay_out(song, song.form(name))
            performed = read_audio(path)
            again = read_audio(piece.again[name]) if name in piece.again else None
            splicers = {
                way: join(song, name, with_stems if way.startswith("stems") else alone)
                for way, join in joiners.items()
            }
            for joint in timeline.joins:
                if joint.before is None or joint.after is None:
                    continue
                reach = round(REACH_S * rate)
                at = lead + joint.line
                truth = performed[at - reach : at + reach]
                measured.of("performed").add(piece.name, truth, rate)
                if again is not None:
                    measured.of("performed, twins").add(piece.name, truth, rate)
                    measured.of("again").add(piece.name, again[at - reach : at + reach], rate)
                for way, splicer in splicers.items():
                    excerpt = splicer.read(joint.line - reach, joint.line + reach)
                    measured.of(way).add(piece.name, excerpt, rate)
                    measured.of(way).residual_db.append(residual_db(excerpt, truth, rate))
                if edits:
                    off_beat = at // 2 + round(0.37 * rate)
                    elsewhere = performed[off_beat : off_beat + 2 * reach]
                    measured.of("between beats").add(piece.name, elsewhere, rate)
                    for kind, edited in planted(truth, elsewhere, number, rate):
                        measured.of(kind).add(piece.name, edited, rate)
                number += 1


def residual_db(excerpt: Audio, truth: Audio, rate: int) -> float:
    """What splicing did wrong in the second around the line, dB below the music there."""
    mid, reach = len(truth) // 2, round(_RESIDUAL_S * rate)
    part = slice(mid - reach, mid + reach)
    wrong = float(np.mean((excerpt[part] - truth[part]) ** 2))
    return float(10 * np.log10((wrong + 1e-14) / (float(np.mean(truth[part] ** 2)) + 1e-14)))


def _stemless(song: Song) -> Song:
    return replace(song, stems={})
