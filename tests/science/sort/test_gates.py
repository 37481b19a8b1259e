"""Membership in gates of every kind, by codes and by numbers, with and without values."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from viewer.science.sort.axes import to_axis, to_ternary
from viewer.science.sort.columns import Column
from viewer.science.sort.gates import (
    contains,
    contains_points,
    crosses_itself,
    inside,
    known,
    outline_of,
    painted_mask,
)
from viewer.science.sort.scheme import Axis, Ellipse, Painted, Polygon, Range, Stroke, Ternary

WHOLE = np.arange(65536.0)
SHAPE = (120, 170)


def counts(mean: float, seed: int, dtype: type = np.uint16) -> np.ndarray:
    return np.random.default_rng(seed).poisson(mean, SHAPE).astype(dtype)


def lasso(centre: tuple[float, float], size: float, vertices: int = 80, seed: int = 0) -> tuple:
    rng = np.random.default_rng(seed)
    turn = np.linspace(0, 2 * np.pi, vertices, endpoint=False)
    far = size * (1 + 0.3 * rng.normal(size=vertices))
    x, y = centre[0] + far * np.cos(turn), centre[1] + far * np.sin(turn)
    return tuple(zip(x.tolist(), y.tolist(), strict=True))


@pytest.mark.parametrize("x_scale", ["linear", "sqrt", "log"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_every_pixel_of_a_lasso(x_scale, dtype):
    a, b = counts(30, 1, dtype), counts(90, 2)
    at = to_axis(a.astype(float), x_scale)
    centre = float(to_axis(np.array([30.0]), x_scale)[0])
    outline = lasso((centre, 90.0), 1.0)
    stretched = tuple((centre + (x - centre) * np.nanstd(at), 90 + (y - 90) * 9) for x, y in outline)
    gate = Polygon(x=Axis(layer="a", scale=x_scale), y=Axis(layer="b"), points=stretched)
    expected = contains_points(stretched, at.ravel(), b.ravel().astype(float)).reshape(SHAPE)
    coded = {"a": Column.of_codes(a, WHOLE), "b": Column.of_codes(b, WHOLE)}
    real = {"a": Column.of_values(a.astype(np.float32)), "b": Column.of_values(b.astype(float))}
    for columns in (coded, real, {**coded, "a": real["a"]}):
        np.testing.assert_array_equal(inside(gate, columns), expected)
    assert 0 < expected.sum() < expected.size


def test_a_window_of_a_larger_array():
    a, b = counts(30, 1), counts(90, 2)
    gate = Polygon(x=Axis(layer="a"), y=Axis(layer="b"), points=lasso((30, 90), 9))
    whole = inside(gate, {"a": Column.of_codes(a, WHOLE), "b": Column.of_codes(b, WHOLE)})
    part = (slice(3, 50), slice(10, 90))
    window = {"a": Column.of_codes(a[part], WHOLE), "b": Column.of_codes(b[part], WHOLE)}
    np.testing.assert_array_equal(inside(gate, window), whole[part])


def test_more_pairs_of_codes_than_are_asked_for_one_by_one():
    rng = np.random.default_rng(3)
    a, b = rng.integers(0, 65536, (2, 60, 70)).astype(np.uint16)
    outline = lasso((30_000, 30_000), 20_000)
    gate = Polygon(x=Axis(layer="a"), y=Axis(layer="b"), points=outline)
    found = inside(gate, {"a": Column.of_codes(a, WHOLE), "b": Column.of_codes(b, WHOLE)})
    expected = contains_points(outline, a.ravel().astype(float), b.ravel().astype(float))
    np.testing.assert_array_equal(found.ravel(), expected)


def test_no_value_is_in_no_gate_and_zero_is_off_a_logarithmic_axis():
    a = Column.of_values(np.array([[1.0, np.nan, 0.0, np.inf, 10.0]]))
    b = Column.of_codes(np.array([[1, 1, 1, 1, 9]], np.uint8), np.arange(5.0))
    square = ((-9.0, -9.0), (9.0, -9.0), (9.0, 9.0), (-9.0, 9.0))
    gate = Polygon(x=Axis(layer="a", scale="log"), y=Axis(layer="b"), points=square)
    columns = {"a": a, "b": b}
    assert inside(gate, columns).tolist() == [[True, False, False, False, False]]
    held = known(gate, columns)
    assert held is not None
    assert held.tolist() == [[True, False, True, False, False]]


def test_ellipse_and_its_outline():
    a, b = counts(30, 1), counts(90, 2)
    gate = Ellipse(
        x=Axis(layer="a"), y=Axis(layer="b"), centre=(30.0, 90.0), first=(5.0, 3.0), second=(-2.0, 8.0)
    )
    found = inside(gate, {"a": Column.of_codes(a, WHOLE), "b": Column.of_codes(b, WHOLE)})
    for x, y in {(int(x), int(y)) for x, y in zip(a.ravel()[::7], b.ravel()[::7], strict=True)}:
        dx, dy = Fraction(x - 30), Fraction(y - 90)
        s, t = (8 * dx + 2 * dy) / 46, (5 * dy - 3 * dx) / 46
        assert (found[(a == x) & (b == y)] == (s * s + t * t <= 1)).all()
    outline = outline_of(gate, 64)
    assert outline.shape == (64, 2)
    edge = (outline - gate.centre) @ np.linalg.inv(np.array([gate.first, gate.second]))
    np.testing.assert_allclose(np.hypot(*edge.T), 1.0)


def test_a_range_holds_its_ends():
    values = np.array([[1.0, 2.0, np.nextafter(2.0, 1), 3.0, np.nextafter(3.0, 4), np.nan, np.inf]])
    gate = Range(layer="a", low=2.0, high=3.0)
    assert inside(gate, {"a": Column.of_values(values)}).tolist() == [
        [False, True, False, True, False, False, False]
    ]
    open_ = Range(layer="a", low=2.0)
    assert inside(open_, {"a": Column.of_values(values)}).sum() == 3
    codes = Column.of_codes(np.array([[0, 1, 2, 3, 4, 5]], np.uint8), np.array([np.nan, 1, 2, 3, 4]))
    assert inside(gate, {"a": codes}).tolist() == [[False, False, True, True, False, False]]


def test_an_end_is_not_rounded_to_single_precision():
    layer = Column.of_values(np.array([[0.1]], np.float32))  # above the double 0.1
    assert inside(Range(layer="a", low=0.1), {"a": layer}).all()
    assert not inside(Range(layer="a", high=0.1), {"a": layer}).any()


def test_ternary_gate():
    rng = np.random.default_rng(5)
    a, b, c = rng.poisson([[[3.0]], [[9.0]], [[4.0]]], (3, *SHAPE)).astype(np.uint16)
    points = ((0.3, 0.1), (0.8, 0.1), (0.5, 0.5))
    gate = Ternary(a="a", b="b", c="c", weights=(1.0, 0.5, 2.0), points=points)
    x, y = to_ternary(*(v.astype(float).ravel() for v in (a, b, c)), gate.weights)
    columns = {n: Column.of_codes(v, WHOLE) for n, v in zip("abc", (a, b, c), strict=True)}
    found = inside(gate, columns)
    np.testing.assert_array_equal(found.ravel(), contains_points(points, x, y))
    assert 0 < found.sum() < found.size
    np.testing.assert_array_equal(outline_of(gate), points)


def test_a_painted_place():
    gate = Painted(
        map="m",
        strokes=(
            Stroke(points=((20.0, 20.0), (60.0, 20.0)), radius_um=10.0),
            Stroke(points=((40.0, 20.0),), radius_um=5.0, erase=True),
        ),
        outlines=(((70.0, 0.0), (90.0, 0.0), (90.0, 60.0), (70.0, 60.0)),),
    )
    shape, pixel = (30, 50), (2.0, 3.0)
    found = painted_mask(gate, shape, pixel)
    y, x = ((np.arange(30) + 0.5) * 3.0)[:, None], (np.arange(50) + 0.5) * 2.0
    line = np.hypot(x - np.clip(x, 20, 60), y - 20) <= 10
    hole = np.hypot(x - 40, y - 20) <= 5
    box = (x >= 70) & (x < 90) & (y < 60)
    np.testing.assert_array_equal(found, (box | line) & ~hole)
    np.testing.assert_array_equal(painted_mask(gate, shape, pixel, slice(4, 9)), found[4:9])
    np.testing.assert_array_equal(inside(gate, {}, place=found), found)
    with pytest.raises(ValueError, match="place"):
        inside(gate, {})


def test_single_points_and_crossing():
    square = [(0, 0), (2, 0), (2, 2), (0, 2)]
    # The left and lower edges belong to it, the right and upper ones do not.
    assert [contains(square, *p) for p in ((1, 1), (0, 1), (1, 0), (2, 1), (1, 2), (3, 1))] == [
        True, True, True, False, False, False,
    ]
    assert not contains(square, math.nan, 1.0)
    assert not crosses_itself(square)
    assert crosses_itself([(0, 0), (2, 2), (2, 0), (0, 2)])


def test_what_has_no_outline():
    with pytest.raises(ValueError, match="outline"):
        outline_of(Range(layer="a", low=1.0))
