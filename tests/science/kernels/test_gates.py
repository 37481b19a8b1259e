"""Kernels of bins, densities and gates against their plain twins; outlines against exact fractions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from viewer.science.kernels import bins, density, gates
from viewer.science.sort.gates import placed_side

small = st.integers(-4, 4).map(float)
any_number = st.one_of(
    small, st.floats(-4, 4), st.floats(-1e-6, 1e-6), st.sampled_from([1 / 3, 0.1, 0.2, 0.3])
).map(lambda v: v if v == 0 or abs(v) > 1e-100 else 0.0)
outlines = st.one_of(
    hnp.arrays(np.float64, st.tuples(st.integers(3, 9), st.just(2)), elements=small),
    hnp.arrays(np.float64, st.tuples(st.integers(3, 9), st.just(2)), elements=any_number),
)
points = hnp.arrays(np.float64, (2, 40), elements=any_number)


def near(outline, at):
    """Points, and those that are hardest: vertices, middles of edges, and the next doubles."""
    middle = 0.5 * (outline + np.roll(outline, -1, axis=0))
    hard = np.concatenate([outline, middle, np.nextafter(middle, np.inf), np.nextafter(outline, -9)])
    return np.concatenate([at[0], hard[:, 0]]), np.concatenate([at[1], hard[:, 1]])


@given(outlines, points)
@settings(max_examples=150, deadline=None)
def test_no_point_is_on_the_wrong_side(outline, at):
    x, y = near(outline, at)
    np.testing.assert_array_equal(
        gates.contains(outline, x, y), gates.contains_plain(outline, x, y)
    )


@given(outlines, points, st.sampled_from([1, 2, 5, 64]))
@settings(max_examples=150, deadline=None)
def test_the_grid_changes_nothing(outline, at, cells):
    x, y = near(outline, at)
    grid = gates.polygon_cells(outline, cells)
    sides = placed_side(x, grid.x), placed_side(y, grid.y)
    found = gates.mask(grid, False, *sides)
    np.testing.assert_array_equal(found, gates.contains_plain(outline, x, y))
    np.testing.assert_array_equal(found, gates.mask_plain(grid, False, *sides))


@pytest.mark.parametrize("far", [0.0, 1e3, 1e12, -1e15])
def test_outlines_a_few_digits_wide(far):
    rng = np.random.default_rng(3)
    step = max(np.spacing(abs(far)), 1e-9)
    outline = far + rng.integers(-6, 7, (8, 2)) * step
    x, y = (far + rng.integers(-8, 9, 500) * step for _ in range(2))
    grid = gates.polygon_cells(outline, 64)
    found = gates.mask(grid, False, placed_side(x, grid.x), placed_side(y, grid.y))
    np.testing.assert_array_equal(found, gates.contains_plain(outline, x, y))


@given(
    st.tuples(*[any_number] * 6).filter(lambda v: v[2] * v[5] != v[3] * v[4]),
    points,
    st.sampled_from([1, 8, 64]),
)
@settings(max_examples=150, deadline=None)
def test_ellipses(of, at, cells):
    centre, one, other = of[:2], of[2:4], of[4:]
    ends = np.array([[c + s * v for c, v in zip(centre, axis, strict=True)]
                     for axis in (one, other) for s in (1, -1)])
    x, y = np.concatenate([at[0], ends[:, 0]]), np.concatenate([at[1], ends[:, 1]])
    grid = gates.ellipse_cells(centre, one, other, cells)
    sides = placed_side(x, grid.x), placed_side(y, grid.y)
    np.testing.assert_array_equal(
        gates.mask(grid, True, *sides), gates.mask_plain(grid, True, *sides)
    )


def test_whole_numbers_on_a_circle():
    grid = gates.ellipse_cells((0.0, 0.0), (65.0, 0.0), (0.0, 65.0), 64)
    x, y = (v.ravel().astype(float) for v in np.mgrid[-70:71, -70:71])
    found = gates.mask(grid, True, placed_side(x, grid.x), placed_side(y, grid.y))
    np.testing.assert_array_equal(found, x**2 + y**2 <= 65**2)


@given(outlines)
@settings(max_examples=200, deadline=None)
def test_outlines_that_cross_themselves(outline):
    assert gates.crosses_itself(outline) == gates.crosses_itself_plain(outline)


def test_crossing_by_hand():
    assert not gates.crosses_itself(np.array([(0, 0), (4, 0), (4, 4), (0, 4)]))
    assert gates.crosses_itself(np.array([(0, 0), (4, 4), (4, 0), (0, 4)]))
    assert gates.crosses_itself(np.array([(0, 0), (4, 0), (2, 0), (2, 3)]))  # folds back
    assert gates.crosses_itself(np.array([(0, 0), (4, 0), (4, 4), (2, 0), (0, 4)]))  # touches
    turn = np.linspace(0, 2 * np.pi, 10_000, endpoint=False)
    assert not gates.crosses_itself(np.column_stack([np.cos(turn), np.sin(turn)]))


@given(
    hnp.arrays(st.sampled_from([np.float32, np.float64]), 50,
               elements=st.one_of(small, st.floats(-9, 9, width=32), st.just(np.nan))),
    st.lists(st.one_of(small, st.floats(-5, 5)), max_size=12),
)
@settings(deadline=None)
def test_places_among_edges(values, edges):
    rising = np.unique(np.array(edges, np.float64))
    values = np.append(values, rising[:3].astype(values.dtype))
    np.testing.assert_array_equal(bins.place(values, rising), bins.place_plain(values, rising))


def test_ternary_places_and_their_plain_twin():
    rng = np.random.default_rng(2)
    parts = rng.integers(-2, 9, (3, 5000)) * rng.choice([1.0, 0.1, np.pi], (3, 5000))
    parts[0, :9] = np.nan
    parts[:, 9:20] = 0.0
    weights = (1.0, 0.7, 3.0)
    for one, other in zip(
        bins.ternary(*parts, weights), bins.ternary_plain(*parts, weights), strict=True
    ):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("masked", [False, True])
@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (33, 50)])
def test_pairs_and_their_plain_twin(kind, masked, shape):
    rng = np.random.default_rng(4)
    x, y = rng.integers(0, 200, (2, *shape)).astype(kind)
    tables = [(np.arange(65536) * k % 11).astype(np.int32) for k in (1, 3)]
    mask = rng.random(shape) < 0.5 if masked else None
    np.testing.assert_array_equal(
        density.count_pairs(x, y, *tables, (11, 11), mask),
        density.count_pairs_plain(x, y, *tables, (11, 11), mask),
    )


def test_bins_and_their_plain_twin():
    edges = np.linspace(-0.3, 1.1, 8)
    values = np.concatenate([edges, np.nextafter(edges, 9), [np.nan, np.inf, -5.0, 5.0]])[None]
    one, other = (np.empty(values.shape, np.uint16) for _ in range(2))
    density.bin_of(values, edges, one)
    density.bin_of_plain(values, edges, other)
    np.testing.assert_array_equal(one, other)


def test_pairs_of_codes_are_asked_once():
    rng = np.random.default_rng(6)
    outline = rng.uniform(0, 40, (7, 2))
    grid = gates.polygon_cells(outline, 16)
    codes = rng.integers(0, 60, (2, 4000)).astype(np.uint16)
    at = np.arange(65536.0)
    sides = [
        gates.Side(c, bins.place_plain(at, e), at, True)
        for c, e in zip(codes, (grid.x, grid.y), strict=True)
    ]
    assert gates.pairs(grid, False, *sides, 3) is None
    few = gates.pairs(grid, False, *sides, 10_000)
    assert few is not None
    np.testing.assert_array_equal(gates.look_up(*few), gates.look_up_plain(*few))
    np.testing.assert_array_equal(gates.look_up(*few), gates.mask(grid, False, *sides))


@given(outlines, st.floats(0.1, 3.0), st.booleans(), st.integers(0, 5))
@settings(max_examples=60, deadline=None)
def test_strokes_and_their_plain_twin(line, radius, value, first):
    one, other = (np.full((9, 11), not value) for _ in range(2))
    args = (line, radius, value, first, (0.5, 0.8))
    gates.stroke(*args, one)
    gates.stroke_plain(*args, other)
    np.testing.assert_array_equal(one, other)
