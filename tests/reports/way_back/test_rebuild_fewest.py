"""The rebuild sheet has the fewest edits there can be, proved on small forms by breadth-first search."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator

import pytest

from render.song.forms import Form, Piece, Silence
from reports.way_back.rebuild import sheet
from tests.rebuild_session import make_form, make_song

SAMPLE = 100  # forms of up to four parts tried for each kind of edit
Atom = tuple[int, int, bool]  # (bar, beat, bass muted); bar 0 is silence
State = tuple[Atom, ...]  # two beats a bar


def neighbours(state: State, stems: bool, pickups: bool, most: int) -> Iterator[State]:
    """Every state one edit away, in a song in 2/4: whole bars, from the first beat or from the second."""
    beats = len(state)
    for phase in (0, 1) if pickups else (0,):
        places = range(phase, beats + 1, 2)
        for first, stop in itertools.combinations(places, 2):
            yield state[:first] + state[stop:]
            rest = state[:first] + state[stop:]
            for to in range(phase, len(rest) + 1, 2):
                yield rest[:to] + state[first:stop] + rest[to:]
            if beats + stop - first <= most:
                for to in places:
                    yield state[:to] + state[first:stop] + state[to:]
    for bars in range(1, (most - beats) // 2 + 1):
        for to in range(0, beats + 1, 2):
            yield (*state[:to], *(((0, 1, False), (0, 2, False)) * bars), *state[to:])
    if pickups:
        for source, to in itertools.permutations(range(1, beats, 2), 2):
            yield (*state[:to], state[source], *state[to + 1 :])
    if stems:
        for first, stop in itertools.combinations(range(beats + 1), 2):
            muted = tuple((bar, beat, bar > 0) for bar, beat, _ in state[first:stop])
            yield state[:first] + muted + state[stop:]


def distances(start: State, depth: int, stems: bool, pickups: bool, most: int) -> dict[State, int]:
    """Fewest edits to every state within `depth` edits."""
    steps, edge = {start: 0}, [start]
    for step in range(1, depth + 1):
        new = []
        for state in edge:
            for other in neighbours(state, stems, pickups, most):
                if other not in steps:
                    steps[other] = step
                    new.append(other)
        edge = new
    return steps


def atoms(form: Form) -> State:
    """The form beat by beat, for songs in 2/4 with pickups of one beat."""
    out: list[Atom] = []
    before: Piece | None = None
    for part in form.parts:
        if isinstance(part, Silence):
            out += [(0, 1, False), (0, 2, False)] * int(part.length)
            before = None
            continue
        muted = part.treatment.mode != "all"
        goes_on = before and before.last_bar + 1 == part.first_bar and before.treatment == part.treatment
        if part.pickup_beats and not goes_on:
            out[-1] = (part.first_bar - 1, 2, muted)
        out += [(bar, beat, muted) for bar in range(part.first_bar, part.last_bar + 1) for beat in (1, 2)]
        before = part
    return tuple(out)


# bars of the song, stems, pickups, depth of the search, and the longest song on the way (in beats; with
# two edits it cannot be reached, with three it keeps the search small: eight bars for forms of four)
CASES = {
    "bars and silence": (4, False, False, 3, 16),
    "pickups": (3, False, True, 3, 14),
    "stems": (3, True, False, 2, 24),
    "stems and pickups": (3, True, True, 2, 24),
}


@pytest.mark.parametrize("case", CASES)
def test_small_forms_have_the_fewest_edits_there_can_be(case: str) -> None:
    bars, stems, pickups, depth, most = CASES[case]
    sections = [(f"s{n}", n, n, "1" if pickups and n > 1 else "0") for n in range(1, bars + 1)]
    song = make_song(sections, meter=(2, 4), start="0", stems=("bass", "rest") if stems else (), tail_s=0.0)
    start = tuple((bar, beat, False) for bar in range(1, bars + 1) for beat in (1, 2))
    nearest = distances(start, depth, stems, pickups, most)
    names = [f"s{n}" for n in range(1, bars + 1)]
    texts = ["silence 1 bar", *names, *(f"{name} without bass" for name in names if stems)]
    proved = 0
    tops = [text for text in texts if text.startswith("s1")]  # no pickup at the top: it has no room here
    every = [[top, *rest] for top in tops for n in range(4) for rest in itertools.product(texts, repeat=n)]
    for parts in random.Random(5).sample(every, min(len(every), SAMPLE)):
        form = make_form(song, parts)
        edits = [edit for edit in sheet(song, form).edits if edit.kind != "ending"]
        fewest = nearest.get(atoms(form), depth + 1)
        if fewest <= depth or len(edits) == fewest:
            proved += 1
            assert len(edits) == fewest, parts
        assert len(edits) >= fewest, parts
    assert proved > SAMPLE // 4
