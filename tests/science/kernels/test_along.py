"""Where pixels lie along a line."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from viewer.science.kernels.along import place_pixels, place_pixels_plain


@pytest.mark.parametrize("seed", range(6))
def test_kernel_is_its_plain_twin(seed: int) -> None:
    rng = np.random.default_rng(seed)
    line = np.column_stack([np.cumsum(rng.uniform(5, 60, 12)), rng.uniform(30, 200, 12)])
    rows, cols = slice(3, 90), slice(2, 110)
    fast = place_pixels(line, (4.0, 2.5), rows, cols, 45.0)
    plain = place_pixels_plain(line, (4.0, 2.5), rows, cols, 45.0)
    # Two segments may be equally near: then either place along the line is right, the distance is one.
    assert_allclose(np.abs(fast[1]), np.abs(plain[1]), atol=1e-9)
    same = np.isclose(fast[0], plain[0], atol=1e-6, equal_nan=True)
    assert same.mean() > 0.999
    assert_allclose(fast[1][same], plain[1][same], atol=1e-9)


def test_left_of_the_drawing_is_positive_and_ends_are_left_out() -> None:
    line = np.array([[20.0, 50.0], [80.0, 50.0]])
    along, offset = place_pixels(line, (10.0, 10.0), slice(0, 10), slice(0, 10), 25.0)
    assert along[3, 4] == pytest.approx(25.0)
    assert offset[3, 4] == pytest.approx(15.0)
    assert offset[6, 4] == pytest.approx(-15.0)
    assert np.isnan(along[4, [1, 8]]).all()
    assert np.isnan(along[1, 4])


def test_a_corner_tells_its_side_by_both_segments() -> None:
    line = np.array([[0.0, 0.0], [50.0, 50.0], [100.0, 0.0]])
    _, offset = place_pixels(line, (1.0, 1.0), slice(0, 100), slice(0, 100), 60.0)
    assert offset[70, 50] < 0 < offset[20, 50]
    assert np.all(offset[80, 40:60][np.isfinite(offset[80, 40:60])] < 0)
