"""The plan: in which order each listener hears the forms in each round, and under which codes.

Orders are rows of Williams squares (E. J. Williams 1949; MacFie et al. 1989 for sensory panels):
every form equally often in every position, and every form after every other equally often. All
of it follows from the study's seed, which is drawn once from the operating system's entropy; its
SHA-256 is shown when the study starts, so anybody can check that the plan was not changed later.
"""

from __future__ import annotations

import hashlib
import random
import secrets
from collections.abc import Collection, Sequence

from render.errors import StudyError

MOST_FORMS = 26
FIRST_CODE, LAST_CODE = 100, 999


def new_seed() -> str:
    """256 bits from the operating system, as hexadecimal text."""
    return secrets.token_hex(32)


def seed_sha256(seed: str) -> str:
    """A commitment to the seed: it can be shown to everybody without telling the seed."""
    return hashlib.sha256(seed.encode("ascii")).hexdigest()


def williams_square(n: int) -> list[list[int]]:
    """Rows of a design balanced for position and first-order carry-over: n rows for even n, 2n for odd.

    The first row is 0, 1, n-1, 2, n-2, ...; each next row adds 1 modulo n; for odd n every row is
    appended reversed.
    """
    first = [0]
    for step in range(1, n):
        first.append((step + 1) // 2 if step % 2 else n - step // 2)
    rows = [[(item + shift) % n for item in first] for shift in range(n)]
    return rows + [row[::-1] for row in rows] if n % 2 else rows


def round_orders(
    seed: str, listener: str, forms: Collection[str], rounds: int, before: str | None = None
) -> list[list[str]]:
    """Orders for `rounds` rounds of the same forms for one listener.

    Forms are told apart by their content hash, and sorted by it, so the plan depends neither on names
    nor on the order of song.toml. `before` is the form that ended the listener's last round.
    Labels are permuted for each listener; rows are drawn without replacement, and no form ends one
    round and begins the next where that can be avoided.
    """
    if not forms:
        raise StudyError("there are no forms to plan a round for; list some in song.toml")
    if len(forms) > MOST_FORMS:
        raise StudyError(f"a round of {len(forms)} forms cannot be heard; keep at most {MOST_FORMS}")
    labels = sorted(forms)
    dice = _dice(seed, "orders", listener, *labels)
    dice.shuffle(labels)
    orders: list[list[str]] = []
    while len(orders) < rounds:
        rows = [[labels[item] for item in row] for row in williams_square(len(labels))]
        dice.shuffle(rows)
        orders += _without_meeting(rows, orders[-1][-1] if orders else before)
    return orders[:rounds]


def draw_code(seed: str, listener: str, used: Collection[int]) -> int:
    """A three-digit code that this listener has not met; four digits when all 900 are used up."""
    low, high = FIRST_CODE, LAST_CODE
    free = [code for code in range(low, high + 1) if code not in used]
    while not free:
        low, high = high + 1, high * 10 + 9
        free = [code for code in range(low, high + 1) if code not in used]
    return _dice(seed, "codes", listener, str(len(used))).choice(free)


def _without_meeting(rows: list[list[str]], before: str | None) -> list[list[str]]:
    """The rows in an order in which none begins with the form that ended the one before, if there is one."""
    most_steps = 2000
    steps = 0

    def extend(chosen: list[list[str]], left: list[list[str]]) -> list[list[str]] | None:
        nonlocal steps
        if not left:
            return chosen
        last = chosen[-1][-1] if chosen else before
        for row in left:
            steps += 1
            if row[0] != last and steps < most_steps:
                completed = extend([*chosen, row], [other for other in left if other is not row])
                if completed:
                    return completed
        return None

    return extend([], rows) or rows


def _dice(seed: str, *words: str) -> random.Random:
    """A random generator seeded by `seed` and `words`."""
    text = "\n".join([seed, *words])
    return random.Random(int.from_bytes(hashlib.sha256(text.encode("utf-8")).digest()))


def _rounds_of_these(history: Sequence[Sequence[str]], forms: Collection[str]) -> tuple[int, str | None]:
    """(rounds of just these forms at the end of `history`, the form that ended the round before them)."""
    wanted = set(forms)
    count = 0
    for order in reversed(history):
        if set(order) != wanted:
            return count, order[-1]
        count += 1
    return count, None


def next_order(
    seed: str, listener: str, forms: Collection[str], history: Sequence[Sequence[str]]
) -> list[str]:
    """The order of the listener's next round, after the rounds in `history` (oldest first)."""
    count, before = _rounds_of_these(history, forms)
    return round_orders(seed, listener, forms, count + 1, before)[count]
