"""Names in a table of ratings that are probably one name with a typo."""

from __future__ import annotations

import difflib

import pandas as pd

ALIKE = 0.8
RARE_SHARE = 0.34  # of how often the other name stands there


def look_alikes(table: pd.DataFrame) -> list[str]:
    """A sentence for each form or listener that is rare and spelt nearly as a common one.

    `table` has the columns `form` and `listener`, one row a rating.
    """
    sentences = []
    for column in ("form", "listener"):
        counts = table[column].astype(str).value_counts()
        for rare in counts.index:
            for common in counts.index:
                often = int(counts[rare]), int(counts[common])
                if often[0] <= RARE_SHARE * often[1] and _alike(rare, common):
                    sentences.append(_sentence(column, rare, common, *often))
    return sentences


def _alike(one: str, two: str) -> bool:
    """Nearly the same letters; names that differ in a number alone ("verse 1", "verse 2") are meant."""
    if [c for c in one if c.isdigit()] != [c for c in two if c.isdigit()]:
        return False
    return difflib.SequenceMatcher(None, one.casefold(), two.casefold()).ratio() >= ALIKE


def _sentence(column: str, rare: str, common: str, times: int, often: int) -> str:
    stands = "stands once" if times == 1 else f"stands {times} times"
    return (
        f'the {column} "{rare}" {stands} in the file and is spelt nearly as "{common}" ({often} times): a '
        "typo? It is judged as one of its own until you mend it"
    )
