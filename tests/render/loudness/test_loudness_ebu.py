"""The meter against the EBU's minimum requirements: Tech 3341 (cases 1-6, 9-14) and Tech 3342 (cases 1-4).

The true-peak cases of Tech 3341 (15-23) are in test_truepeak.py.
"""

import math
from typing import Any

import numpy as np
import pytest

from render.loudness.meter import loudness_range_lu
from tests.meter_series import measure, momentary_lufs, short_term_lufs
from tests.meter_signals import FS, by_case, tone

TECH_3341 = by_case("ebu_tech3341_2023_table1.csv")
TECH_3342 = by_case("ebu_tech3342_2023_table1.csv")

# ---- EBU Tech 3341 --------------------------------------------------------------------------------------

SIGNALS_3341: dict[int, list[tuple[Any, ...]]] = {
    1: [(-23, 20)],
    2: [(-33, 20)],
    3: [(-36, 10), (-23, 60), (-36, 10)],
    4: [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)],
    5: [(-26, 20), (-20, 20.1), (-26, 20)],
}


@pytest.mark.parametrize("case", SIGNALS_3341)
def test_tech_3341_integrated(case: int) -> None:
    row = TECH_3341[case]
    expected = float(row["expected"].split("=")[-1].removesuffix(" LUFS"))
    audio = tone(*SIGNALS_3341[case])
    tolerance = float(row["tol_plus"])
    assert measure(audio, FS).integrated_lufs == pytest.approx(expected, abs=tolerance)
    if case in (1, 2):
        assert momentary_lufs(audio, FS).max() == pytest.approx(expected, abs=tolerance)
        assert short_term_lufs(audio, FS).max() == pytest.approx(expected, abs=tolerance)


def test_tech_3341_case_6_surround() -> None:
    """Five channels, each turned up by its weight in BS.1770-5 Table 3: our meter has no weights."""
    audio = np.hstack([tone((level, 20), channels=1) for level in (-28, -28, -24, -30, -30)])
    loudness = measure(audio * np.sqrt(np.array([1.0, 1.0, 1.0, 1.41, 1.41])), FS)
    assert loudness.integrated_lufs == pytest.approx(-23.0, abs=float(TECH_3341[6]["tol_plus"]))


def test_tech_3341_case_9_short_term_constant() -> None:
    series = short_term_lufs(tone(*[(-20, 1.34), (-30, 1.66)] * 5), FS)
    assert len(series) == 121  # 12 s beyond the first 3 s
    assert np.abs(series + 23.0).max() < float(TECH_3341[9]["tol_plus"])


def test_tech_3341_case_10_short_term_of_files() -> None:
    for i in range(20):
        audio = tone((None, 0.15 * i), (-23, 3), (None, 1))
        assert short_term_lufs(audio, FS).max() == pytest.approx(-23.0, abs=0.1), i


def test_tech_3341_case_11_short_term_of_one_file() -> None:
    parts = [p for i in range(20) for p in ((None, 0.15 * i), (-38 + i, 3), (None, 3 - 0.15 * i))]
    series = short_term_lufs(tone(*parts), FS)
    for i in range(20):  # windows that lie within the 6 s of step i
        assert series[60 * i : 60 * i + 31].max() == pytest.approx(-38 + i, abs=0.1), i


def test_tech_3341_case_12_momentary_constant() -> None:
    series = momentary_lufs(tone(*[(-20, 0.18), (-30, 0.22)] * 25), FS)
    assert len(series) == 961
    assert np.abs(series[60:] + 23.0).max() < float(TECH_3341[12]["tol_plus"])


def test_tech_3341_case_13_momentary_of_files() -> None:
    for i in range(20):
        audio = tone((None, 0.02 * i), (-23, 0.4), (None, 1))
        assert momentary_lufs(audio, FS).max() == pytest.approx(-23.0, abs=0.1), i


def test_tech_3341_case_14_momentary_of_one_file() -> None:
    parts = [p for i in range(20) for p in ((None, 0.02 * i), (-38 + i, 0.4), (None, 0.4 - 0.02 * i))]
    series = momentary_lufs(tone(*parts), FS)
    for i in range(20):  # windows that lie within the 0.8 s of step i
        assert series[80 * i : 80 * i + 41].max() == pytest.approx(-38 + i, abs=0.1), i


# ---- EBU Tech 3342 --------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", [1, 2, 3, 4])
def test_tech_3342(case: int) -> None:
    row = TECH_3342[case]
    levels = [float(level) for level in row["levels_dBFS_each_20_s"].split(";")]
    lra_lu = measure(tone(*[(level, 20) for level in levels]), FS).lra_lu
    assert lra_lu == pytest.approx(float(row["LRA_LU"]), abs=float(row["tol"]))
    assert lra_lu == pytest.approx(float(row["LRA_LU"]), abs=0.1)  # tones this plain leave no room


def test_loudness_range_percentiles() -> None:
    """Tech 3342: 10th and 95th percentile, by nearest rank, of what is within 20 LU of the gated level."""
    powers = 10 ** ((np.arange(-31, -9) + 0.691) / 10)  # 22 values, -31 ... -10 LUFS: ranks 2.1 and 19.95
    assert loudness_range_lu(powers) == pytest.approx(-11 - -29)
    assert loudness_range_lu(np.append(powers, [1e-9, 10**-4.5])) == pytest.approx(-11 - -29)
    assert loudness_range_lu([1e-9]) is None


def test_loudness_range_hears_the_end() -> None:
    """Tech 3342 has file meters append 1.5 s of silence. A steady tone of 10 s: 71 windows, then 15 that
    lose a tenth of a second each; rank 9 of 86 from below holds 2.4 s of tone."""
    assert measure(tone((-20, 10)), FS).lra_lu == pytest.approx(-10 * math.log10(2.4 / 3), abs=0.01)
