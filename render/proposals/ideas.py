"""Forms that a song's author would not think of, each with its reason in a musician's words.

Single changes to the order as written (moves) are tried alone and in pairs. Of the forms that are legal
and of a fitting length, those are kept that differ boldly from "as written" and from each other, and
whose joins are likely to be clean.
"""

from __future__ import annotations

import difflib
import itertools
import random
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from render.arrays import Audio
from render.audio.splice import Splicer
from render.audio.stems import Mixes, fit_stems
from render.audio.timeline import lay_out
from render.clock_text import clock_text
from render.errors import FormError
from render.joins.judging import examine
from render.proposals.moves import Move, Plan, moves
from render.song.forms import AS_WRITTEN, Form, Part, Piece, parse_part
from render.song.song import Song

SHORTEST, LONGEST = 0.55, 1.3  # of the song's own length
MOST_TRIED = 80
# Which changes an author thinks of least, in the units of the score; our own taste.
BOLD = {"opening": 0.25, "bridge": 0.15, "bare": 0.1, "ending": 0.05, "again": -0.1, "shorter": -0.1}


@dataclass(frozen=True)
class Idea:
    """A form to try. `texts` are its parts; `clean` is the share of its joins that sound clean (0..1)."""

    name: str
    texts: tuple[str, ...]
    reason: str
    seconds: float
    clean: float

    def as_json(self) -> dict[str, Any]:
        return asdict(self)

    @property
    def length_text(self) -> str:
        return clock_text(self.seconds, tenths=False)

    @property
    def line(self) -> str:
        """One line for a person."""
        return f'"{self.name}" ({self.length_text}, {self.clean:.0%} of its joins clean): {self.reason}'


def propose(
    song: Song,
    bounce: Audio,
    count: int,
    seed: int,
    shortest: float = SHORTEST,
    longest: float = LONGEST,
    most_moves: int = 2,
) -> list[Idea]:
    """Up to `count` forms; the same song and seed give the same ones.

    `bounce` is the song's audio, (frames, channels); lengths are limited to shares of the song's, and
    a form differs from the song by at most `most_moves` (1 or 2) changes.
    """
    plan = Plan.of(song, bounce)
    tried = _candidates(plan, seed, most_moves)
    mixes = Mixes(song, bounce, fit_stems(bounce, song.stems, song.audio.sample_rate) if song.stems else None)
    try:
        judged = [_judged(song, mixes, texts, made) for texts, made in tried]
    finally:
        mixes.close()
    length_s = song.audio.seconds
    fitting = [c for c in judged if c and shortest * length_s <= c.seconds <= longest * length_s]
    return _chosen(song, fitting, count, random.Random(seed))


@dataclass(frozen=True)
class _Candidate:
    texts: tuple[str, ...]
    made: tuple[Move, ...]
    sounds: tuple[str, ...]  # one token per bar, to compare forms with
    seconds: float
    clean: float


def _candidates(plan: Plan, seed: int, most_moves: int) -> list[tuple[tuple[str, ...], tuple[Move, ...]]]:
    """Orders of parts by one or two moves, without doubles; pairs in random order, at most `MOST_TRIED`."""
    single = moves(plan)
    pairs = [pair for pair in itertools.permutations(single, 2) if pair[0].kind != pair[1].kind]
    random.Random(seed).shuffle(pairs)
    found: dict[tuple[str, ...], tuple[Move, ...]] = {}
    for made in [*((move,) for move in single), *(pairs if most_moves > 1 else [])]:
        texts: tuple[str, ...] | None = plan.names
        for move in made:
            texts = move.apply(texts) if texts else None
        if texts and texts != plan.names and len(found) < MOST_TRIED:
            found.setdefault(texts, made)
    return list(found.items())


def _judged(song: Song, mixes: Mixes, texts: tuple[str, ...], made: tuple[Move, ...]) -> _Candidate | None:
    """A candidate with its length and its joins, or None where it is not legal."""
    try:
        parts: list[Part] = []
        for text in texts:
            parts += parse_part(text, song.sections, list(song.stems), "idea")
        timeline = lay_out(song, Form("idea", tuple(parts)))
    except FormError:
        return None
    findings = examine(song, timeline, Splicer(timeline, mixes, max(-timeline.start, 0)))
    clean = 1 - sum(f.doubtful for f in findings) / max(len(findings), 1)
    return _Candidate(
        texts, made, _tokens(parts), (timeline.stop - timeline.start) / song.audio.sample_rate, clean
    )


def _tokens(parts: Sequence[Part]) -> tuple[str, ...]:
    tokens: list[str] = []
    for part in parts:
        if isinstance(part, Piece):
            tokens += [f"{bar} {part.treatment}" for bar in range(part.first_bar, part.last_bar + 1)]
        else:
            tokens.append(part.text)
    return tuple(tokens)


def _chosen(song: Song, candidates: list[_Candidate], count: int, chance: random.Random) -> list[Idea]:
    """One after the other the best of what is left: clean, bold, unlike those already there."""
    there = [_tokens(form.parts) for form in song.forms]
    names = {form.name.casefold() for form in song.forms} | {AS_WRITTEN}
    chosen: list[Idea] = []
    used: list[str] = []
    whims = {c.texts: chance.random() for c in candidates}
    while len(chosen) < count:
        scored = []
        for candidate in candidates:
            unlike = min(_difference(candidate.sounds, other) for other in there)
            if unlike < 0.04:
                continue
            again = sum(used.count(move.kind) for move in candidate.made)
            score = (
                0.7 * candidate.clean + 1.5 * min(unlike, 0.4) + 0.15 * whims[candidate.texts] - 0.35 * again
            )
            score += max(BOLD.get(move.kind, 0.0) for move in candidate.made)
            score -= 0.1 * (len(candidate.made) - 1)  # of two that say the same, the simpler one
            scored.append((score, candidate))
        if not scored:
            break
        best = max(scored, key=lambda pair: pair[0])[1]
        there.append(best.sounds)
        used += [move.kind for move in best.made]
        name = _free_name(", ".join(move.name for move in best.made), names)
        names.add(name.casefold())
        reason = "; ".join(move.reason for move in best.made)
        chosen.append(Idea(name, best.texts, reason, best.seconds, best.clean))
    return chosen


def _difference(one: Sequence[str], two: Sequence[str]) -> float:
    """0 = the same bars in the same order, 1 = nothing in common."""
    return 1 - difflib.SequenceMatcher(None, one, two, autojunk=False).ratio()


def _free_name(name: str, taken: set[str]) -> str:
    number, free = 2, name
    while free.casefold() in taken:
        free, number = f"{name} {number}", number + 1
    return free
