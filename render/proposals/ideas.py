"""Forms that a song's author would not think of, each with its reason in a musician's words.

Single changes to the order as written (moves) are tried alone and in pairs. Of the forms that are legal
and of a fitting length, those are kept that a producer would most gladly try, whose joins are likely to be
clean, and that say something else than "as written" and than each other.
"""

from __future__ import annotations

import difflib
import itertools
import math
import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from render.arrays import Audio
from render.audio.splice import Splicer
from render.audio.stems import Mixes, kept_stem_fit
from render.audio.timeline import Timeline, lay_out
from render.errors import FormError
from render.joins.judging import examine
from render.proposals.idea import Idea
from render.proposals.moves import FormMove, moves
from render.proposals.roles import SongPlan, plan_of
from render.song.forms import AS_WRITTEN, Form, Part, Piece, parse_part
from render.song.song import Song, without_stems
from render.steps import Step, no_step

SHORTEST, LONGEST = 0.62, 1.2  # of the song's own length
MOST_TRIED = 45
LEAST_UNLIKE = 0.003  # a bar of silence in a long song counts as a change


def propose(
    song: Song,
    bounce: Audio,
    count: int,
    seed: int,
    longest: float = LONGEST,
    most_moves: int = 2,
    step: Step = no_step,
) -> list[Idea]:
    """Up to `count` forms; the same song and seed give the same ones.

    `bounce` is the song's audio, (frames, channels); lengths are limited to shares of the song's, and
    a form differs from the song by at most `most_moves` (1 or 2) changes. `step` is told of each form
    whose joins are listened to.
    """
    song = replace(song, joining=without_stems(song.joining))  # stems would be read at every join
    orders = _candidates(plan_of(song, bounce), seed, most_moves)
    tried = [_candidate(song, texts, made) for texts, made in orders]
    fitting = [c for c in tried if c and SHORTEST <= c.seconds / song.audio.seconds <= longest]
    mixes = Mixes(song, bounce, kept_stem_fit(song, bounce))
    alone = replace(song, forms=())  # remedies are not asked for, so no other form is laid out
    judged: dict[tuple[str, ...], float] = {}

    def clean(candidate: _Candidate) -> float:
        if candidate.texts not in judged:
            step("listening to joins", len(judged) + 1, len(fitting))
            judged[candidate.texts] = _clean_share(alone, mixes, candidate.timeline)
        return judged[candidate.texts]

    with mixes:
        return _chosen(song, fitting, clean, judged, count, random.Random(seed))


@dataclass(frozen=True)
class _Candidate:
    texts: tuple[str, ...]
    made: tuple[FormMove, ...]
    sounds: tuple[str, ...]  # one token per bar, to compare forms with
    timeline: Timeline
    seconds: float


def _candidates(
    plan: SongPlan, seed: int, most_moves: int
) -> list[tuple[tuple[str, ...], tuple[FormMove, ...]]]:
    """Orders of parts by one or two moves, without doubles; pairs in random order, at most `MOST_TRIED`."""
    single = moves(plan)
    pairs = [pair for pair in itertools.permutations(single, 2) if pair[0].kind != pair[1].kind]
    random.Random(seed).shuffle(pairs)
    orders: dict[tuple[str, ...], tuple[FormMove, ...]] = {}
    for made in [*((move,) for move in single), *(pairs if most_moves > 1 else [])]:
        texts: tuple[str, ...] | None = plan.names
        for move in made:
            texts = move.apply(texts) if texts else None
        if texts and texts != plan.names and not _stammers(texts) and len(orders) < MOST_TRIED:
            orders.setdefault(texts, made)
    return list(orders.items())


def _stammers(texts: Sequence[str]) -> bool:
    """Whether a section, or its beginning, is followed by itself from the top, which nobody asked for."""
    return any(one == two or one.startswith(f"{two} bars 1-") for one, two in itertools.pairwise(texts))


def _candidate(song: Song, texts: tuple[str, ...], made: tuple[FormMove, ...]) -> _Candidate | None:
    """A candidate with its length, or None where it is not legal."""
    try:
        parts: list[Part] = []
        for text in texts:
            parts += parse_part(text, song.sections, list(song.stems), "idea")
        timeline = lay_out(song, Form("idea", tuple(parts)))
    except FormError:
        return None
    seconds = (timeline.stop - timeline.start) / song.audio.sample_rate
    return _Candidate(texts, made, _tokens(parts), timeline, seconds)


def _clean_share(song: Song, mixes: Mixes, timeline: Timeline) -> float:
    """The share of a form's joins that sound clean."""
    findings = examine(song, timeline, Splicer(timeline, mixes, max(-timeline.start, 0)))
    return 1 - sum(f.doubtful for f in findings) / max(len(findings), 1)


def _tokens(parts: Sequence[Part]) -> tuple[str, ...]:
    tokens: list[str] = []
    for part in parts:
        if isinstance(part, Piece):
            tokens += [f"{bar} {part.treatment}" for bar in range(part.first_bar, part.last_bar + 1)]
        else:
            tokens.append(part.text)
    return tuple(tokens)


def _chosen(
    song: Song, candidates: list[_Candidate], clean: Callable[[_Candidate], float],
    judged: Mapping[tuple[str, ...], float], count: int, chance: random.Random,
) -> list[Idea]:  # fmt: skip
    """One after the other the best of what is left: clean, worth a try, and not said before.

    Joins are listened to only where it matters: until then a candidate counts as clean.
    """
    there = [_tokens(form.parts) for form in song.forms]
    names = {form.name.casefold() for form in song.forms} | {AS_WRITTEN}
    chosen: list[Idea] = []
    used: list[FormMove] = []
    whims = [chance.random() for _ in candidates]
    unlike = [min(_difference(c.sounds, other) for other in there) for c in candidates]
    while len(chosen) < count:
        scores = [
            _score(c, judged.get(c.texts, 1.0), whims[at], unlike[at], used)
            if unlike[at] >= LEAST_UNLIKE
            else -math.inf
            for at, c in enumerate(candidates)
        ]
        if not scores or max(scores) == -math.inf:
            break
        best = candidates[scores.index(max(scores))]
        if best.texts not in judged and clean(best) < 1:
            continue  # perhaps another is better now
        unlike = [min(u, _difference(c.sounds, best.sounds)) for u, c in zip(unlike, candidates, strict=True)]
        used += best.made
        name = _free_name(", ".join(move.name for move in best.made), names)
        names.add(name.casefold())
        reason = "; ".join(move.reason for move in best.made)
        chosen.append(Idea(name, best.texts, reason, best.seconds, clean(best)))
    return chosen


def _score(
    candidate: _Candidate, clean: float, whim: float, unlike: float, used: Sequence[FormMove]
) -> float:
    """How gladly it would be tried next: a change that was proposed already counts little a second time."""
    made = candidate.made
    worth = sum(move.worth for move in made) / len(made) - 0.1 * (len(made) - 1)
    again = sum(0.6 * sum(move.kind == old.kind for old in used) for move in made)
    again += sum(0.6 for move in made if move.name in {old.name for old in used})
    return worth + 0.7 * clean + 0.5 * min(unlike, 0.3) + 0.2 * whim - again


def _difference(one: Sequence[str], two: Sequence[str]) -> float:
    """0 = the same bars in the same order, 1 = nothing in common."""
    return 1 - difflib.SequenceMatcher(None, one, two, autojunk=False).ratio()


def _free_name(name: str, taken: set[str]) -> str:
    number, free = 2, name
    while free.casefold() in taken:
        free, number = f"{name} {number}", number + 1
    return free
