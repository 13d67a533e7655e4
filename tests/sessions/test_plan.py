"""Orders and codes: Williams squares, balance, seals.

Sources: E. J. Williams, "Experimental designs balanced for the estimation of residual effects of
treatments" (1949), and MacFie et al., "Designs to balance the effect of order of presentation and first-
order carry-over effects in hall tests", J. Sensory Studies 4 (1989): n sequences for even n, 2n for odd n,
each form equally often in each position and after each other form. The rows for n = 4 are in
tests/data/williams_squares.csv. Three-digit random codes: ISO 13299:2016.
"""

from __future__ import annotations

import csv
import hashlib
from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from render.errors import StudyError
from sessions.plan import draw_code, new_seed, next_order, round_orders, seed_sha256, williams_square
from tests.places import DATA

SEED = "0123456789abcdef" * 4
FORMS = ["f0", "f1", "f2", "f3", "f4", "f5", "f6", "f7"]


def published_rows(n: int) -> set[str]:
    with (DATA / "williams_squares.csv").open(encoding="utf-8") as file:
        rows = {row["order"] for row in csv.DictReader(file) if int(row["n"]) == n}
    assert rows, f"no published rows for n = {n}"
    return rows


@pytest.mark.parametrize("n", range(2, 9))
def test_each_form_in_each_position_and_after_each_other_equally_often(n: int) -> None:
    square = williams_square(n)
    assert len(square) == (n if n % 2 == 0 else 2 * n)
    times = len(square) // n
    places = Counter((position, form) for row in square for position, form in enumerate(row))
    assert set(places.values()) == {times} and len(places) == n * n
    pairs = Counter(pair for row in square for pair in pairwise(row))
    assert set(pairs.values()) == {times} and len(pairs) == n * (n - 1)


@pytest.mark.parametrize("n", [3, 4, 5, 6])
def test_the_rows_are_those_that_are_published(n: int) -> None:
    """For odd n a design and its mirror are one set; for n = 3 the published rows are all six orders."""
    ours = {"".join("ABCDEF"[form] for form in row) for row in williams_square(n)}
    assert ours == published_rows(n)


def test_the_four_rows_of_the_smallest_usual_round() -> None:
    assert williams_square(4) == [[0, 1, 3, 2], [1, 2, 0, 3], [2, 3, 1, 0], [3, 0, 2, 1]]


@given(n=st.integers(3, 8), listener=st.text(min_size=1, max_size=8), seed=st.integers(0, 10**9))
def test_rows_are_drawn_without_replacement_and_no_form_meets_itself(
    n: int, listener: str, seed: int
) -> None:
    rows = n if n % 2 == 0 else 2 * n
    orders = round_orders(f"{seed:064x}", listener, FORMS[:n], 2 * rows)
    for cycle in (orders[:rows], orders[rows:]):
        pairs = Counter(pair for row in cycle for pair in pairwise(row))
        assert set(pairs.values()) == {rows // n}, "a whole cycle is a whole square"
    assert all(one[-1] != two[0] for one, two in pairwise(orders))


def test_the_plan_depends_on_seed_and_listener_but_not_on_the_order_of_forms() -> None:
    plan = round_orders(SEED, "ana", FORMS[:5], 6)
    assert plan == round_orders(SEED, "ana", list(reversed(FORMS[:5])), 6)
    assert plan != round_orders(SEED, "bo", FORMS[:5], 6)
    assert plan != round_orders(SEED[::-1], "ana", FORMS[:5], 6)


def test_the_next_order_goes_on_where_the_history_ends() -> None:
    plan = round_orders(SEED, "ana", FORMS[:4], 7)
    for done in range(7):
        assert next_order(SEED, "ana", FORMS[:4], plan[:done]) == plan[done]


def test_a_form_added_later_starts_a_new_square_that_does_not_repeat_the_last_form() -> None:
    history = round_orders(SEED, "ana", FORMS[:4], 3)
    after = next_order(SEED, "ana", FORMS[:5], history)
    assert sorted(after) == FORMS[:5]
    assert after[0] != history[-1][-1]


def test_listeners_begin_in_different_ways() -> None:
    """Labels are permuted for each listener: over many listeners each form begins about equally often."""
    first = Counter(round_orders(SEED, f"listener {i}", FORMS[:4], 1)[0][0] for i in range(400))
    assert min(first.values()) > 60, first  # 100 expected; 60 is more than four standard deviations below


def test_codes_have_three_digits_and_never_return() -> None:
    used: set[int] = set()
    for _ in range(900):
        code = draw_code(SEED, "ana", used)
        assert 100 <= code <= 999 and code not in used
        used.add(code)
    assert 1000 <= draw_code(SEED, "ana", used) <= 9999, "after 900 listens there are four digits"


def test_the_seal_is_the_sha256_of_the_seed() -> None:
    seed = new_seed()
    assert len(seed) == 64 and seed != new_seed()
    assert seed_sha256(seed) == hashlib.sha256(seed.encode()).hexdigest()


@pytest.mark.parametrize("forms", [[], [str(i) for i in range(27)]])
def test_rounds_that_nobody_could_hear_are_refused(forms: list[str]) -> None:
    with pytest.raises(StudyError):
        round_orders(SEED, "ana", forms, 1)
