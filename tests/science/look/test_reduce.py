from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from viewer.science.kernels import reduce as kernels

shapes = st.tuples(st.integers(1, 17), st.integers(1, 17))
numbers = st.one_of(
    hnp.arrays(st.sampled_from([np.uint8, np.uint16, np.int16, np.int32, np.uint32]), shapes),
    hnp.arrays(
        st.sampled_from([np.float32, np.float64]),
        shapes,
        elements=st.one_of(
            st.integers(-9, 9), st.floats(-1e6, 1e6, width=32), st.sampled_from([np.nan, np.inf])
        ),
    ),
)


@given(numbers)
@settings(deadline=None)
def test_extremes_equal_their_plain_twin(values):
    one, other = kernels.minmax_nan(values), kernels.minmax_nan_plain(values)
    np.testing.assert_allclose(one[:5], other[:5])
    assert one.sum == pytest.approx(other.sum, rel=1e-9, abs=1e-3)


@pytest.mark.parametrize("dtype", [">u2", ">f4", "f2", "?"])
def test_types_that_compiled_code_does_not_take(dtype):
    values = np.arange(12).reshape(3, 4).astype(dtype)
    assert kernels.minmax_nan(values) == kernels.minmax_nan_plain(values)


def test_nothing_but_missing_values():
    extent = kernels.minmax_nan(np.full((3, 3), np.nan))
    assert np.isnan([extent.min, extent.max]).all()
    assert (extent.nan, extent.sum) == (9, 0.0)


@given(numbers, st.booleans())
@settings(deadline=None)
def test_line_statistics_equal_their_plain_twin(values, first):
    before = np.full(values.shape[1], np.nan if first else 4.0)
    one, other = kernels.line_stats(values, before), kernels.line_stats_plain(values, before)
    for ours, plain in zip(one, other, strict=True):
        for name, a, b in zip(kernels.Lines._fields, ours, plain, strict=True):
            np.testing.assert_allclose(a, b, rtol=1e-9, atol=1e-6, err_msg=name)
