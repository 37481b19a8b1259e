"""Percentiles of a histogram against `numpy.percentile` of the pixels.

Source: Hyndman and Fan (1996), doi:10.1080/00031305.1996.10473566, definition 7, which NumPy calls
«linear». The histogram has to give the same number to the last bit.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from viewer.science.look.histogram import Histogram, histogram_codes
from viewer.science.look.stretch import Stretch

QS = (0.0, 0.1, 1.0, 2.5, 25.0, 50.0, 61.8, 99.0, 99.5, 99.97, 100.0)


@given(
    hnp.arrays(np.uint16, st.tuples(st.integers(1, 12), st.integers(1, 12))),
    st.floats(0.0, 100.0),
)
@settings(max_examples=150, deadline=None)
def test_any_percentile_of_any_codes(codes, q):
    histogram = Histogram(histogram_codes(codes), np.arange(65536.0))
    assert histogram.percentile(q) == np.percentile(codes, q)


@pytest.mark.parametrize("mean", [0.02, 3.0, 900.0])
def test_counts(mean):
    counts = np.random.default_rng(7).poisson(mean, (300, 257)).astype(np.uint16)
    histogram = Histogram(histogram_codes(counts), np.arange(65536.0))
    np.testing.assert_array_equal(histogram.percentiles(QS), np.percentile(counts, QS))


def test_floats_with_one_bin_a_value():
    values = np.random.default_rng(8).normal(size=4001)
    np.testing.assert_array_equal(Histogram.of(values).percentiles(QS), np.percentile(values, QS))


def test_a_stretch_by_percentile_ends_at_numpys_percentiles():
    counts = np.random.default_rng(9).poisson(40, (200, 200)).astype(np.uint16)
    histogram = Histogram(histogram_codes(counts), np.arange(65536.0))
    resolved = Stretch(low=2.0, high=98.0).resolve(histogram)
    assert (resolved.low, resolved.high) == tuple(np.percentile(counts, (2.0, 98.0)))
    assert resolved.by == "value"
