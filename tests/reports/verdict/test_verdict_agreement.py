"""Friedman, Kendall's W and intraclass correlations against published examples."""

import csv

import numpy as np
import pytest
from scipy import stats

from render.arrays import Floats
from reports.verdict.agreement import agreement, chi_square_tail, friedman, icc, sign_test
from tests.places import DATA


def matrix(name: str) -> Floats:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    assert rows
    return np.array(rows, dtype=float)


def test_friedman_and_kendall_with_ties() -> None:
    # Base-rounding times, 22 players x 3 (Hollander & Wolfe 1973): 11.143, p .003805; W computed, not printed
    statistic = friedman(matrix("friedman_rounding_times.csv"))
    assert statistic is not None
    assert statistic.statistic == pytest.approx(11.142857, abs=1e-6)
    assert statistic.p == pytest.approx(0.003805, abs=1e-6)
    assert statistic.rank_sums == (53, 47, 32)
    assert statistic.kendall_w == pytest.approx(0.25325, abs=1e-5)


def test_friedman_32_judges() -> None:
    # Critchlow & Fligner (1991): 32 judges rank 4 salads; the statistics are computed
    statistic = friedman(matrix("ranking_salad_32x4.csv"))
    assert statistic is not None
    assert statistic.statistic == pytest.approx(41.10, abs=0.005)
    assert statistic.p == pytest.approx(6.2e-9, rel=0.01)
    assert statistic.kendall_w == pytest.approx(0.4281, abs=5e-5)
    assert statistic.rank_sums == (110, 46, 74, 90)


def test_iso_8587_rank_sums() -> None:
    # ISO 8587:1988, Annex A: 8 assessors x 5 products, rank sums A17 B31 C32 D23 E17 (secondary source; the
    # statistic 10.60 computed from them). The single sheets are not known: these have the same sums, no ties.
    sheets = _sheets([17, 31, 32, 23, 17], 8)
    statistic = friedman(sheets)
    assert statistic is not None
    assert statistic.rank_sums == (17, 31, 32, 23, 17)
    assert statistic.statistic == pytest.approx(10.60, abs=1e-9)
    assert statistic.p == pytest.approx(0.0314, abs=5e-5)


def _sheets(sums: list[int], judges: int) -> Floats:
    """Rankings without ties whose columns have the given sums: random sheets, improved by swaps."""
    rng = np.random.default_rng(1)
    sheets = np.array([rng.permutation(len(sums)) + 1 for _ in range(judges)])
    wrong = np.abs(sheets.sum(0) - sums).sum()
    while wrong:
        row, (a, b) = rng.integers(judges), rng.choice(len(sums), 2, replace=False)
        tried = sheets.copy()
        tried[row, [a, b]] = sheets[row, [b, a]]
        now = np.abs(tried.sum(0) - sums).sum()
        if now <= wrong:
            sheets, wrong = tried, now
    return sheets.astype(float)


def test_two_forms_are_a_sign_test() -> None:
    statistic = friedman(np.array([[1, 2], [1, 2], [1, 2], [3, 1], [2, 2]], dtype=float))
    assert statistic is not None
    assert statistic.p == pytest.approx(0.625)  # 3 against 1 of 4: 2 * (1 + 4) / 16


@pytest.mark.parametrize("forms", [3, 4, 5, 8])
def test_friedman_is_that_of_scipy(forms: int) -> None:
    rng = np.random.default_rng(forms)
    for rows in (2, 7, 40):
        blocks = rng.integers(0, 12, (rows, forms)).astype(float)  # with many ties
        statistic, expected = friedman(blocks), stats.friedmanchisquare(*blocks.T)
        assert statistic is not None
        assert (statistic.statistic, statistic.p) == pytest.approx(
            (expected.statistic, expected.pvalue), rel=1e-9
        )


def test_tails_are_those_of_scipy() -> None:
    for df in range(1, 12):
        for value in (0.0, 1e-6, 0.3, 2.7, 9.0, 40.0, 300.0):
            assert chi_square_tail(value, df) == pytest.approx(stats.chi2.sf(value, df), rel=1e-9)
    for above, below in ((0, 1), (3, 1), (4, 4), (0, 9), (30, 51)):
        expected = stats.binomtest(above, above + below).pvalue
        assert sign_test(above, below) == pytest.approx(expected, rel=1e-9)


def test_shrout_and_fleiss() -> None:
    # Shrout & Fleiss (1979), table 4: six targets, four judges; ICC(2,1)
    assert icc(matrix("icc_shrout_fleiss_1979.csv")) == pytest.approx(0.2898, abs=5e-5)


def test_nothing_to_compare() -> None:
    assert friedman(np.ones((1, 3))) is None and icc(np.ones((3, 1))) is None
    flat = friedman(np.full((4, 3), 50.0))
    assert flat is not None and flat.p == 1.0
    gaps = np.array([[1.0, np.nan], [1.0, 2.0], [2.0, 3.0]])
    agreed = agreement(gaps, gaps)
    assert agreed.rounds is not None and agreed.rounds.blocks == 2
