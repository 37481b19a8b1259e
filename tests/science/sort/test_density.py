"""Joint and ternary densities against `numpy.histogram2d`, count for count."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from viewer.science.sort.axes import from_axis, to_axis, to_ternary
from viewer.science.sort.columns import Column
from viewer.science.sort.density import Extent, joint_density, ternary_density

SHAPE = (7, 9)
WHOLE = np.arange(65536.0)


def numpys(x, y, x_extent, y_extent):
    known = np.isfinite(x) & np.isfinite(y)
    counts, _, _ = np.histogram2d(
        y[known],
        x[known],
        bins=(y_extent.bins, x_extent.bins),
        range=((y_extent.low, y_extent.high), (x_extent.low, x_extent.high)),
    )
    return counts, int((~known).sum())


def check(x, y, x_extent, y_extent, **options):
    mask = options.get("mask")
    found = joint_density(x, y, x_extent, y_extent, **options)
    where = np.ones(x.shape, bool) if mask is None else mask
    at_x = to_axis(x.decoded()[where], options.get("x_scale", "linear"))
    at_y = to_axis(y.decoded()[where], options.get("y_scale", "linear"))
    counts, missing = numpys(at_x, at_y, x_extent, y_extent)
    np.testing.assert_array_equal(found.counts, counts)
    assert found.counts.dtype == np.int64
    assert found.missing == missing
    assert found.pixels == where.sum() == counts.sum() + found.outside + found.missing
    np.testing.assert_array_equal(found.x_marginal, counts.sum(axis=0))
    np.testing.assert_array_equal(found.y_marginal, counts.sum(axis=1))
    return found


numbers = hnp.arrays(
    st.sampled_from([np.float32, np.float64]),
    SHAPE,
    elements=st.one_of(
        st.integers(-6, 6).map(float),
        st.floats(-7, 7, width=32),
        st.sampled_from([np.nan, np.inf, -np.inf, -0.0]),
    ),
)
codes = hnp.arrays(st.sampled_from([np.uint8, np.uint16]), SHAPE, elements=st.integers(0, 12))
extents = st.builds(
    lambda low, width, bins: Extent(low, low + width, bins),
    st.one_of(st.integers(-8, 8).map(float), st.floats(-8, 8)),
    st.one_of(st.integers(1, 12).map(float), st.floats(1e-3, 12)),
    st.integers(1, 40),
)
masks = st.one_of(st.none(), hnp.arrays(np.bool_, SHAPE))


@given(codes, codes, extents, extents, masks)
@settings(max_examples=60, deadline=None)
def test_codes(x, y, x_extent, y_extent, mask):
    check(
        Column.of_codes(x, WHOLE), Column.of_codes(y, WHOLE - 3.0), x_extent, y_extent, mask=mask
    )


@given(numbers, codes, extents, extents, masks)
@settings(max_examples=60, deadline=None)
def test_numbers_of_any_sign_on_edges_and_missing(x, y, x_extent, y_extent, mask):
    check(Column.of_values(x), Column.of_codes(y, WHOLE), x_extent, y_extent, mask=mask)


@given(numbers, numbers, st.sampled_from(["linear", "sqrt", "log"]), extents, extents)
@settings(max_examples=60, deadline=None)
def test_bent_axes(x, y, scale, x_extent, y_extent):
    check(Column.of_values(x), Column.of_values(y), x_extent, y_extent, x_scale=scale, y_scale="sqrt")


@pytest.mark.parametrize("bins", [1, 7, 100, 256, 1000])
def test_every_edge_and_its_neighbours(bins):
    extent = Extent(-0.3, 1.1, bins)
    edges = extent.edges
    v = np.concatenate([edges, np.nextafter(edges, -np.inf), np.nextafter(edges, np.inf)])[None]
    check(Column.of_values(v), Column.of_values(v), extent, Extent(0.1, 0.7, 3))


def test_the_last_bin_is_closed_and_zero_has_no_sign():
    x = Column.of_values(np.array([[0.0, -0.0, 1.0, np.nextafter(1.0, 2.0)]]))
    found = joint_density(x, x, Extent(0.0, 1.0, 2), Extent(0.0, 1.0, 2))
    np.testing.assert_array_equal(found.counts, [[2, 0], [0, 1]])
    assert (found.outside, found.missing) == (1, 0)


def test_zero_and_less_are_missing_from_a_logarithmic_axis():
    x = Column.of_codes(np.array([[0, 1, 10, 100]], np.uint8), WHOLE[:256])
    found = joint_density(x, x, Extent(0.0, 2.0, 2), Extent(-5.0, 500.0, 1), x_scale="log")
    np.testing.assert_array_equal(found.counts, [[1, 2]])
    assert found.missing == 1


def test_a_table_shorter_than_the_codes_leaves_them_without_a_value():
    x = Column.of_codes(np.array([[1, 2, 60_000]], np.uint16), np.arange(3.0))
    found = joint_density(x, x, Extent(0.0, 9.0, 9), Extent(0.0, 9.0, 9))
    assert (found.counts.sum(), found.missing) == (2, 1)
    long = Column.of_codes(np.array([[255]], np.uint8), WHOLE)
    assert long.decoded()[0, 0] == 255.0


def test_bands_add_up_and_are_taken_off():
    rng = np.random.default_rng(1)
    values = rng.normal(size=(40, 30))
    extent = Extent(-1.0, 1.0, 9)

    def of(part):
        return joint_density(Column.of_values(part), Column.of_values(-part), extent, extent)

    whole, upper, lower = of(values), of(values[:17]), of(values[17:])
    both = upper + lower
    np.testing.assert_array_equal(both.counts, whole.counts)
    assert (both.pixels, both.outside) == (whole.pixels, whole.outside)
    np.testing.assert_array_equal((whole - upper).counts, lower.counts)
    with pytest.raises(ValueError, match="other bins"):
        whole + joint_density(
            Column.of_values(values), Column.of_values(values), extent, Extent(-1.0, 1.0, 8)
        )


def test_what_does_not_go_together():
    x = Column.of_values(np.zeros((3, 4)))
    extent = Extent(0.0, 1.0, 2)
    with pytest.raises(ValueError, match="rows and columns"):
        joint_density(x, Column.of_values(np.zeros((4, 3))), extent, extent)
    with pytest.raises(ValueError, match="rows and columns"):
        joint_density(x, x, extent, extent, mask=np.ones((2, 2), bool))
    for low, high, bins in ((1.0, 1.0, 3), (0.0, math.nan, 3), (0.0, 1.0, 0)):
        with pytest.raises(ValueError, match="axis"):
            Extent(low, high, bins)


def test_ternary_corners_and_what_is_not_on_the_plot():
    a = np.array([[5.0, 0, 0, 1, 0, np.nan, -2.0]])
    b = np.array([[0.0, 3, 0, 1, 0, 1.0, 4.0]])
    c = np.array([[0.0, 0, 7, 1, 0, 1.0, -1.0]])
    x, y = to_ternary(a.ravel(), b.ravel(), c.ravel(), (1.0, 1.0, 1.0))
    top = math.sqrt(3) / 2
    np.testing.assert_allclose(x[:4], [0, 1, 0.5, 0.5], atol=1e-15)
    np.testing.assert_allclose(y[:4], [0, 0, top, top / 3], atol=1e-15)
    assert np.isneginf(x[4])
    assert np.isnan(x[5])
    assert (x[6], y[6]) == (1.0, 0.0)  # below 0 counts as nothing
    columns = [Column.of_values(v) for v in (a, b, c)]
    found = ternary_density(*columns, (1.0, 1.0, 1.0), 4)
    assert found.counts.shape == (3, 4)
    assert found.counts.sum() == 5
    assert (found.counts[0, 0], found.counts[0, 3]) == (1, 2)
    assert (found.pixels, found.off, found.missing) == (7, 1, 1)
    twice = found + found
    assert twice.pixels == 14
    masked = ternary_density(*columns, (1.0, 1.0, 1.0), 4, np.isnan(a))
    assert (masked.pixels, masked.off, masked.missing) == (1, 0, 1)


def test_ternary_weights():
    x, y = to_ternary(np.array([1.0]), np.array([2.0]), np.array([1.0]), (2.0, 1.0, 4.0))
    np.testing.assert_allclose(x, (2 + 2) / 8)
    np.testing.assert_allclose(y, 4 / 8 * math.sqrt(3) / 2)


@pytest.mark.parametrize("scale", ["linear", "sqrt", "log"])
def test_axes_go_there_and_back(scale):
    values = np.array([0.001, 1.0, 3.0, 65535.0])
    np.testing.assert_allclose(from_axis(to_axis(values, scale), scale), values, rtol=1e-12)
    assert np.isnan(to_axis(np.array([np.nan, np.inf]), scale)).all()


def test_a_square_root_keeps_the_sign():
    np.testing.assert_array_equal(to_axis(np.array([-4.0, 0.0, 9.0]), "sqrt"), [-2.0, 0.0, 3.0])
    np.testing.assert_array_equal(from_axis(np.array([-2.0, 3.0]), "sqrt"), [-4.0, 9.0])


def test_column_refuses_what_it_cannot_hold():
    with pytest.raises(ValueError, match="codes"):
        Column.of_codes(np.zeros((2, 2), np.int32), WHOLE)
    with pytest.raises(ValueError, match="table"):
        Column.of_codes(np.zeros((2, 2), np.uint8), np.zeros((2, 256)))
    with pytest.raises(ValueError, match="rows and columns"):
        Column.of_values(np.zeros(3))
