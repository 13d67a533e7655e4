"""Running means, medians and the cosine transform against SciPy, which `check` would import for too long."""

import numpy as np
import pytest
from scipy import fft, ndimage

from render.analysis.frames import _fast_length
from render.analysis.novelty import _cosines, along_diagonals
from render.analysis.onsets import Onsets, _convolved
from render.joins.measures import _around

CURVE = np.random.default_rng(8).random(333)


@pytest.mark.parametrize("sigma_s", [0.005, 0.012, 0.04])
@pytest.mark.parametrize("steps", [333, 7])
def test_a_blurred_curve_is_that_of_ndimage(sigma_s: float, steps: int) -> None:
    curve = CURVE[:steps]
    blurred = Onsets(200.0, curve, np.zeros((steps, 3))).smooth(sigma_s).strength
    assert blurred == pytest.approx(ndimage.gaussian_filter1d(curve, sigma_s * 200), abs=1e-12)


@pytest.mark.parametrize("size", [5, 100])
def test_a_running_mean_is_that_of_ndimage(size: int) -> None:
    mean = _convolved(CURVE, np.full(size, 1 / size))
    assert mean == pytest.approx(ndimage.uniform_filter1d(CURVE, size), abs=1e-12)
    assert not len(_convolved(np.zeros(0), np.ones(3)))


def test_a_running_median_is_that_of_ndimage() -> None:
    rows = CURVE.reshape(3, 111)
    assert np.array_equal(_around(rows), ndimage.median_filter(rows, (1, 21)))
    assert np.array_equal(_around(CURVE), ndimage.median_filter(CURVE, 21))


def test_the_cosine_transform_is_that_of_fft() -> None:
    rows = CURVE[:300].reshape(10, 30)
    transformed = fft.dct(rows, type=2, norm="ortho", axis=1)
    assert rows @ _cosines(30) == pytest.approx(transformed[:, 1:11], abs=1e-12)


def test_the_best_of_near_offsets_is_that_of_ndimage() -> None:
    square = CURVE[:324].reshape(18, 18)
    pooled = (square + ndimage.maximum_filter1d(square, 5, axis=1, mode="nearest")) / 2
    assert along_diagonals(square) == pytest.approx((pooled + pooled.T) / 2, abs=1e-12)


@pytest.mark.parametrize(("frames", "length"), [(1440, 1440), (1323, 1350), (662, 675), (7, 8), (1, 1)])
def test_lengths_for_the_fourier_transform(frames: int, length: int) -> None:
    """Numbers of the form 2^i 3^j 5^k (OEIS A051037, from memory)."""
    assert _fast_length(frames) == length
