"""Point in polygon by the even-odd rule, as published, against the program's gates.

Sources:

- Haines (1994), Point in polygon strategies, Graphics Gems IV, pp. 24-46: the crossings test, written
  here from memory as the short loop that goes back to W. R. Franklin's ``pnpoly``. It divides in
  floating point, so that it is held against the gates away from the edges only.
- Hormann & Agathos (2001), The point in polygon problem for arbitrary polygons,
  doi:10.1016/S0925-7721(01)00012-8: even-odd is the parity of the winding number, for outlines that
  cross themselves too. Winding numbers are counted here by quadrants, in whole numbers.
"""

from __future__ import annotations

import numpy as np
import pytest
from skimage.measure import points_in_poly

from viewer.science.sort.columns import Column
from viewer.science.sort.gates import contains_points, inside
from viewer.science.sort.scheme import Axis, Polygon

OUTLINES = {
    "square": [(2, 2), (12, 2), (12, 12), (2, 12)],
    "spiral": [(1, 1), (14, 1), (14, 14), (3, 14), (3, 4), (10, 4), (10, 10), (6, 10), (6, 7), (8, 7),
               (8, 8), (7, 8), (7, 9), (9, 9), (9, 5), (4, 5), (4, 13), (13, 13), (13, 2), (1, 2)],
    "star that crosses itself": [(7, 0), (11, 14), (0, 5), (14, 5), (3, 14)],
    "twice round": [(2, 2), (12, 2), (12, 12), (2, 12), (2, 2), (5, 5), (9, 5), (9, 9), (5, 9), (5, 5)],
    "spike": [(1, 1), (13, 1), (13, 7), (7, 7), (7, 13), (7, 7), (1, 7)],
}
"""Vertices are whole numbers: pixels of counts fall on them."""


def pnpoly(outline, x, y):
    c = False
    j = len(outline) - 1
    for i in range(len(outline)):
        (xi, yi), (xj, yj) = outline[i], outline[j]
        if (yi > y) != (yj > y) and x < (xj - xi) * (y - yi) / (yj - yi) + xi:
            c = not c
        j = i
    return c


def winding(outline, x, y):
    """Winding number by quadrants: whole numbers only. None for a point on the outline."""
    quarters = 0
    for (x0, y0), (x1, y1) in zip(outline, [*outline[1:], outline[0]], strict=True):
        a, b = (x0 - x, y0 - y), (x1 - x, y1 - y)
        cross, dot = a[0] * b[1] - a[1] * b[0], a[0] * b[0] + a[1] * b[1]
        if cross == 0 and dot <= 0:
            return None
        turn = _quadrant(*b) - _quadrant(*a)
        turn = (turn + 4) % 4
        if turn == 2:
            turn = 2 if cross > 0 else -2
        elif turn == 3:
            turn = -1
        quarters += turn
    assert quarters % 4 == 0
    return quarters // 4


def _quadrant(x, y):
    if x > 0 and y >= 0:
        return 0
    if x <= 0 and y > 0:
        return 1
    return 2 if x < 0 else 3


def gate_on_counts(outline, size=17):
    """Which counts from 0 lie in a gate [y, x], with pixels as codes and as numbers."""
    y, x = np.mgrid[0:size, 0:size].astype(np.uint16)
    table = np.arange(65536.0)
    gate = Polygon(x=Axis(layer="x"), y=Axis(layer="y"), points=tuple(outline))
    coded = inside(gate, {"x": Column.of_codes(x, table), "y": Column.of_codes(y, table)})
    real = inside(
        gate, {"x": Column.of_values(x.astype(np.float32)), "y": Column.of_values(y.astype(float))}
    )
    np.testing.assert_array_equal(coded, real)
    return coded


@pytest.mark.parametrize("outline", OUTLINES.values(), ids=OUTLINES)
def test_the_crossings_loop_on_every_count(outline):
    found = gate_on_counts(outline)
    for y, x in np.ndindex(found.shape):
        # All numbers here are small and whole: where an edge divides evenly the loop is exact too.
        if winding(outline, x, y) is not None:
            assert found[y, x] == pnpoly(outline, x, y)


@pytest.mark.parametrize("outline", OUTLINES.values(), ids=OUTLINES)
def test_the_parity_of_the_winding_number(outline):
    found = gate_on_counts(outline)
    for y, x in np.ndindex(found.shape):
        turns = winding(outline, x, y)
        if turns is not None:
            assert found[y, x] == (turns % 2 == 1)


def test_neighbours_share_no_pixel_and_leave_none_out():
    """A square cut along lines through counts: each count is in one piece."""
    pieces = [
        [(0, 0), (8, 0), (5, 7)],
        [(8, 0), (16, 0), (16, 16), (5, 7)],
        [(16, 16), (0, 16), (5, 7)],
        [(0, 16), (0, 0), (5, 7)],
    ]
    held = sum(gate_on_counts(p).astype(int) for p in pieces)
    np.testing.assert_array_equal(held[:16, :16], 1)
    assert held[16].sum() == held[:, 16].sum() == 0


def test_scikit_image_away_from_edges():
    rng = np.random.default_rng(11)
    for vertices in (3, 8, 60):
        outline = rng.normal(size=(vertices, 2))
        at = rng.normal(size=(4000, 2))
        np.testing.assert_array_equal(
            contains_points(outline, at[:, 0], at[:, 1]), points_in_poly(at, outline)
        )
