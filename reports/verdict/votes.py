"""The vote of co-writers: weighted ballots, pairwise majorities, Condorcet, Schulze, Borda.

A ballot ranks candidates; equal ranks are allowed. Sources: Schulze (2011), "A new monotonic,
clone-independent, reversal symmetric, and Condorcet-consistent single-winner election method", Social Choice
and Welfare 36 (strongest paths by winning votes); Borda counts give a candidate one point for each candidate
ranked below it and half a point for each one ranked equal.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from render.arrays import Floats
from reports.verdict import phrases


@dataclass(frozen=True)
class Vote:
    """The result of a vote over `candidates`.

    beats (C, C): weight of the ballots that rank the row above the column; strength (C, C): strongest
    paths. `condorcet` beats every other candidate, or is None; `schulze` and `borda_order` are ranks of
    candidates, tied ones together; `cycle` names candidates at the top that beat one another in a ring.
    """

    candidates: tuple[str, ...]
    ballots: float  # total weight
    beats: Floats
    strength: Floats
    condorcet: str | None
    schulze: tuple[tuple[str, ...], ...]
    borda: dict[str, float]
    borda_order: tuple[tuple[str, ...], ...]
    cycle: tuple[str, ...]
    ties: tuple[tuple[str, str], ...]  # pairs with as much weight either way

    @property
    def winners(self) -> tuple[str, ...]:
        """The top of Schulze's order: one candidate, or several tied."""
        return self.schulze[0]

    @property
    def plain(self) -> str:
        """The result in words, without the names of methods; a tie or a cycle is said."""
        won, names = self.winners, phrases.quoted(self.winners)
        if self.ballots == 0:
            return "There is no ballot yet."
        if self.condorcet is not None:
            text = f'The vote: "{self.condorcet}" is preferred to each of the others by a majority.'
        elif self.cycle:
            text = (
                f"The vote goes in a circle: {phrases.quoted(self.cycle)} beat one another in turn, so no "
                f"form is preferred to all others; by the strongest majorities {names} "
                f"{'comes first' if len(won) == 1 else 'tie for the first place'}."
            )
        elif len(won) > 1:
            text = f"The vote is a tie between {names}."
        else:
            text = f"The vote: {names} comes first, though not by a majority over each of the others."
        return text

    @property
    def sentence(self) -> str:
        """The same, and what Borda's count says where it differs."""
        top = self.borda_order[0]
        if self.ballots == 0 or set(top) == set(self.winners):
            return self.plain
        return f"{self.plain} By Borda's count {phrases.quoted(top)} would come first instead."

    def as_json(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {
            "ballots": round(self.ballots, 6),
            "condorcet": self.condorcet,
            "schulze": [list(rank) for rank in self.schulze],
            "borda": {name: round(count, 6) for name, count in self.borda.items()},
            "cycle": list(self.cycle),
            "ties": [list(pair) for pair in self.ties],
            "pairwise": {
                a: {b: round(float(self.beats[i, j]), 6) for j, b in enumerate(self.candidates) if i != j}
                for i, a in enumerate(self.candidates)
            },
            "sentence": self.sentence,
        }


def pairwise(ranks: Floats, weights: Floats) -> Floats:
    """(C, C) weight that prefers row to column, from (V, C) ranks (1 = best; NaN = no opinion)."""
    above = (ranks[:, :, None] < ranks[:, None, :]).astype(np.float64)
    # weights such as 0.1 must not make ties by rounding, nor unmake them
    return np.asarray(np.round(np.einsum("v,vij->ij", weights, above), 9), dtype=np.float64)


def borda(ranks: Floats, weights: Floats) -> Floats:
    """(C,) one point for each candidate ranked below, half a point for each one ranked equal."""
    above, equal = ranks[:, :, None] < ranks[:, None, :], ranks[:, :, None] == ranks[:, None, :]
    others = ~np.eye(ranks.shape[1], dtype=bool)
    return np.asarray(np.round(np.einsum("v,vij->i", weights, above + 0.5 * (equal & others)), 9))


def strongest_paths(beats: Floats) -> Floats:
    """(C, C) Schulze's strongest paths, links being the winning votes of majorities."""
    strength = np.where(beats > beats.T, beats, 0.0)
    for via in range(len(beats)):
        strength = np.maximum(strength, np.minimum(strength[:, [via]], strength[[via], :]))
    np.fill_diagonal(strength, 0.0)
    return strength


def _tiers(candidates: Sequence[str], scores: Floats) -> tuple[tuple[str, ...], ...]:
    """Candidates by falling score; equal scores share a tier, in alphabetical order."""
    return tuple(
        tuple(sorted(name for name, own in zip(candidates, scores, strict=True) if own == score))
        for score in sorted(set(scores.tolist()), reverse=True)
    )


def _schulze_tiers(candidates: Sequence[str], strength: Floats) -> tuple[tuple[str, ...], ...]:
    """Those whom nobody left beats, then the same among the rest."""
    left, tiers = list(range(len(candidates))), []
    while left:
        top = [i for i in left if all(strength[i, j] >= strength[j, i] for j in left)]
        tiers.append(tuple(sorted(candidates[i] for i in top)))
        left = [i for i in left if i not in top]
    return tuple(tiers)


def _top_cycle(beats: Floats) -> list[int]:
    """A ring of majorities, each member beating the next, that nobody outside it beats."""
    reach = beats > beats.T
    for via in range(len(beats)):
        reach = reach | (reach[:, [via]] & reach[[via], :])
    ring = [i for i in range(len(beats)) if reach[i, i]]
    top = [i for i in ring if all(reach[i, j] or not reach[j, i] for j in range(len(beats)))]
    first = top[0] if top else None
    return [] if first is None else [i for i in top if reach[first, i] and reach[i, first]]


def count(ranks: Floats, weights: Floats, candidates: Sequence[str]) -> Vote:
    """Counts (V, C) ranks (1 = best, ties equal, NaN = no opinion) with weights (V,)."""
    names = tuple(candidates)
    beats, points = pairwise(ranks, weights), borda(ranks, weights)
    strength = strongest_paths(beats)
    others = ~np.eye(len(names), dtype=bool)
    sweep = [i for i in range(len(names)) if (beats > beats.T)[i][others[i]].all()]
    even = [(i, j) for i in range(len(names)) for j in range(i) if beats[i, j] == beats[j, i]]
    condorcet = names[sweep[0]] if sweep else None
    return Vote(
        candidates=names,
        ballots=float(weights.sum()),
        beats=beats,
        strength=strength,
        condorcet=condorcet,
        schulze=_schulze_tiers(names, strength),
        borda={name: float(points[i]) for i, name in enumerate(names)},
        borda_order=_tiers(names, points),
        cycle=() if condorcet else tuple(names[i] for i in _top_cycle(beats)),
        ties=tuple((names[j], names[i]) for i, j in sorted(even)),
    )
