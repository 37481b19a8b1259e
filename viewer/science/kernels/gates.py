"""Point in polygon and in ellipse without a wrong answer, and the grids that make it fast.

The sign that tells on which side of an edge a point lies is worked out in floating point; where
rounding could have turned it, it is worked out again in sums of doubles that hold every digit (Shewchuk
1997, Adaptive precision floating-point arithmetic and fast robust geometric predicates,
doi:10.1007/PL00009321). It is right for coordinates that are 0 or between 1e-140 and 1e140 in size
(1e-70 and 1e70 for ellipses).

A grid over a gate tells of each of its cells whether it lies inside, outside or is crossed by the
outline. Only pixels in crossed cells are tested, and only against edges that pass their row of cells.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from viewer.science.kernels import compiled

Array = npt.NDArray[Any]
Floats = npt.NDArray[np.float64]

OUT, IN, CROSSED = 0, 1, 2
"""What is known of a cell."""

_EPS = 2.0**-53
_SURE = (3.0 + 16.0 * _EPS) * _EPS
"""Shewchuk's bound on the rounding error of the sign test, as a part of its two products."""

_BLOCK = 1 << 14

_ROOM = 1e8
"""Least width of a cell, in last digits of its coordinates: the grid's own rounding is far below."""

_NEAR_ROW, _NEAR_COLUMN = 1e-3, 0.05
"""Parts of a cell by which an edge is thought thicker when the cells it crosses are marked."""


class Cells(NamedTuple):
    """A grid over the bounding box of a gate.

    Attributes
    ----------
    x, y : ndarray of float64 [columns + 1], [rows + 1]
        Edges of the cells.
    state : ndarray of uint8 [rows, columns]
        `OUT`, `IN` or `CROSSED`.
    first : ndarray of int64 [rows + 1]
        Where the edges of each row begin in `passing`.
    passing : ndarray of int32 [n]
        Numbers of the edges that pass each row.
    edges : ndarray of float64 [m, 4]
        Edges of the polygon (x, y, x, y), the lower end first, without level ones. For an ellipse, two
        lines: centre and first half-axis, second half-axis.
    """

    x: Floats
    y: Floats
    state: npt.NDArray[np.uint8]
    first: npt.NDArray[np.int64]
    passing: npt.NDArray[np.int32]
    edges: Floats


# Exact signs ---------------------------------------------------------------------------------------


@njit(inline="always")  # type: ignore[untyped-decorator]
def _two_product(a, b):  # type: ignore[no-untyped-def]
    """Product of two doubles and its rounding error, exactly (Dekker 1971)."""
    product = a * b
    high = 134217729.0 * a
    a1 = high - (high - a)
    a2 = a - a1
    high = 134217729.0 * b
    b1 = high - (high - b)
    b2 = b - b1
    return product, a2 * b2 - (((product - a1 * b1) - a2 * b1) - a1 * b2)


@njit(inline="always")  # type: ignore[untyped-decorator]
def _two_sum(a, b):  # type: ignore[no-untyped-def]
    """Sum of two doubles and its rounding error, exactly (Knuth)."""
    total = a + b
    b1 = total - a
    return total, (a - (total - b1)) + (b - b1)


@njit  # type: ignore[untyped-decorator]
def _add(sum_, size, value):  # type: ignore[no-untyped-def]
    """Add a double to a sum that holds every digit; its new size."""
    kept = 0
    q = value
    for i in range(size):
        q, low = _two_sum(q, sum_[i])
        if low != 0.0:
            sum_[kept] = low
            kept += 1
    if q != 0.0:
        sum_[kept] = q
        kept += 1
    return kept


@njit  # type: ignore[untyped-decorator]
def _add_product(sum_, size, a, b):  # type: ignore[no-untyped-def]
    high, low = _two_product(a, b)
    return _add(sum_, _add(sum_, size, low), high)


@njit  # type: ignore[untyped-decorator]
def _side_exactly(ax, ay, bx, by, x, y):  # type: ignore[no-untyped-def]
    sum_ = np.empty(16)
    n = _add_product(sum_, 0, ax, by)
    n = _add_product(sum_, n, -ay, bx)
    n = _add_product(sum_, n, bx, y)
    n = _add_product(sum_, n, -by, x)
    n = _add_product(sum_, n, x, ay)
    n = _add_product(sum_, n, -y, ax)
    return sum_[n - 1] if n else 0.0


@njit(inline="always")  # type: ignore[untyped-decorator]
def _side(ax, ay, bx, by, x, y):  # type: ignore[no-untyped-def]
    """Above 0 where (x, y) lies to the left on the way from a to b, 0 on the line: an exact sign."""
    left = (ax - x) * (by - y)
    right = (ay - y) * (bx - x)
    found = left - right
    if abs(found) > _SURE * (abs(left) + abs(right)):
        return found
    return _side_exactly(ax, ay, bx, by, x, y)


@njit(inline="always")  # type: ignore[untyped-decorator]
def _crosses(edges, e, x, y):  # type: ignore[no-untyped-def]
    """Whether the ray from a point to the right crosses an edge (lower end first)."""
    y0 = edges[e, 1]
    y1 = edges[e, 3]
    if y < y0 or y >= y1:
        return False
    x0 = edges[e, 0]
    x1 = edges[e, 2]
    if x >= x0 and x >= x1:
        return False
    if x < x0 and x < x1:
        return True
    return _side(x0, y0, x1, y1, x, y) > 0.0


@njit  # type: ignore[untyped-decorator]
def in_polygon(edges, passing, start, stop, x, y):  # type: ignore[no-untyped-def]
    """Even-odd rule against some of a polygon's edges; for use in compiled loops."""
    inside = False
    for k in range(start, stop):
        if _crosses(edges, passing[k], x, y):
            inside = not inside
    return inside


@njit  # type: ignore[untyped-decorator]
def in_ellipse(edges, x, y):  # type: ignore[no-untyped-def]
    """Whether a point lies in an ellipse or on it; for use in compiled loops."""
    dx = x - edges[0, 0]
    dy = y - edges[0, 1]
    ax, ay, bx, by = edges[0, 2], edges[0, 3], edges[1, 0], edges[1, 1]
    # s = u / area, t = v / area; inside where u² + v² <= area².
    u1, u2 = dx * by, dy * bx
    v1, v2 = ax * dy, ay * dx
    area = abs(ax * by) + abs(ay * bx)
    whole = ax * by - ay * bx
    u, v = u1 - u2, v1 - v2
    found = u * u + v * v - whole * whole
    wide_u, wide_v = abs(u1) + abs(u2), abs(v1) + abs(v2)
    doubt = 16.0 * _EPS * (wide_u * wide_u + wide_v * wide_v + area * area)
    if abs(found) > doubt:
        return found < 0.0
    return _ellipse_exactly(edges, x, y) <= 0.0


@njit  # type: ignore[untyped-decorator]
def _ellipse_exactly(edges, x, y):  # type: ignore[no-untyped-def]
    ax, ay, bx, by = edges[0, 2], edges[0, 3], edges[1, 0], edges[1, 1]
    dx, dy, part = np.empty(4), np.empty(4), np.empty(32)
    nx = _add(dx, _add(dx, 0, x), -edges[0, 0])
    ny = _add(dy, _add(dy, 0, y), -edges[0, 1])
    sum_ = np.empty(2048)
    size = 0
    for turn in range(3):
        n = 0
        if turn == 0:
            for i in range(nx):
                n = _add_product(part, n, dx[i], by)
            for i in range(ny):
                n = _add_product(part, n, -dy[i], bx)
        elif turn == 1:
            for i in range(ny):
                n = _add_product(part, n, dy[i], ax)
            for i in range(nx):
                n = _add_product(part, n, -dx[i], ay)
        else:
            n = _add_product(part, n, ax, by)
            n = _add_product(part, n, -ay, bx)
        sign = -1.0 if turn == 2 else 1.0
        for i in range(n):
            for j in range(n):
                size = _add_product(sum_, size, sign * part[i], part[j])
    return sum_[size - 1] if size else 0.0


# Points --------------------------------------------------------------------------------------------


def edges_of(points: Array) -> Floats:
    """Edges of a closed outline, the lower end first, without level ones [m, 4]."""
    start = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    stop = np.roll(start, -1, axis=0)
    up = (start[:, 1] < stop[:, 1])[:, None]
    edges = np.concatenate([np.where(up, start, stop), np.where(up, stop, start)], axis=1)
    return np.ascontiguousarray(edges[edges[:, 1] != edges[:, 3]])


def contains(points: Array, x: Array, y: Array) -> npt.NDArray[np.bool_]:
    """Even-odd rule for points of any number.

    Parameters
    ----------
    points : ndarray [m, 2]
        Closed outline.
    x, y : ndarray of float64 [n]

    Returns
    -------
    ndarray of bool [n]
    """
    out = np.empty(len(x), np.bool_)
    _contains(edges_of(points), np.ascontiguousarray(x), np.ascontiguousarray(y), out)
    return out


def contains_plain(points: Array, x: Array, y: Array) -> npt.NDArray[np.bool_]:
    """`contains` in fractions, which round nothing."""
    edges = [[Fraction(float(v)) for v in edge] for edge in edges_of(points)]
    out = np.zeros(len(x), np.bool_)
    for i, (px, py) in enumerate(zip(x, y, strict=True)):
        if not (math.isfinite(px) and math.isfinite(py)):
            continue
        fx, fy = Fraction(float(px)), Fraction(float(py))
        for x0, y0, x1, y1 in edges:
            if y0 <= fy < y1 and fx < x0 + (fy - y0) * (x1 - x0) / (y1 - y0):
                out[i] = not out[i]
    return out


@compiled
def _contains(edges: Floats, x: Floats, y: Floats, out: npt.NDArray[np.bool_]) -> None:
    for i in prange(x.size):
        inside = False
        for e in range(edges.shape[0]):
            if _crosses(edges, e, x[i], y[i]):
                inside = not inside
        out[i] = inside


def in_ellipse_plain(edges: Floats, x: float, y: float) -> bool:
    """`in_ellipse` in fractions."""
    (cx, cy, ax, ay), (bx, by) = ([Fraction(float(v)) for v in e] for e in (edges[0], edges[1, :2]))
    dx, dy = Fraction(float(x)) - cx, Fraction(float(y)) - cy
    u, v = dx * by - dy * bx, ax * dy - ay * dx
    return u * u + v * v <= (ax * by - ay * bx) ** 2


def crosses_itself(points: Array) -> bool:
    """Whether two edges of a closed outline that are not neighbours meet, or neighbours fold back.

    Parameters
    ----------
    points : ndarray [n, 2]
    """
    p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    p = p[np.any(p != np.roll(p, 1, axis=0), axis=1)]
    if len(p) < 3:
        return len(p) > 0
    edges = np.concatenate([p, np.roll(p, -1, axis=0)], axis=1)
    order = np.argsort(np.minimum(edges[:, 0], edges[:, 2]), kind="stable")
    return bool(_any_meet(edges, order))


def crosses_itself_plain(points: Array) -> bool:
    """`crosses_itself` in fractions, every pair of edges."""
    p = [tuple(Fraction(float(v)) for v in q) for q in np.asarray(points, dtype=np.float64)]
    p = [q for i, q in enumerate(p) if q != p[i - 1]]
    n = len(p)
    if n < 3:
        return n > 0

    def side(a: Any, b: Any, c: Any) -> int:
        value: Fraction = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        return int(value > 0) - int(value < 0)

    def on(a: Any, b: Any, c: Any) -> bool:
        return all(min(a[k], b[k]) <= c[k] <= max(a[k], b[k]) for k in (0, 1))

    def meet(a: Any, b: Any, c: Any, d: Any) -> bool:
        s = side(a, b, c), side(a, b, d), side(c, d, a), side(c, d, b)
        if s[0] * s[1] < 0 and s[2] * s[3] < 0:
            return True
        tests = ((s[0], a, b, c), (s[1], a, b, d), (s[2], c, d, a), (s[3], c, d, b))
        return any(v == 0 and on(q, r, t) for v, q, r, t in tests)

    for i in range(n):
        for j in range(i + 1, n):
            a, b, c, d = p[i], p[(i + 1) % n], p[j], p[(j + 1) % n]
            if j == i + 1 or (i == 0 and j == n - 1):
                far, corner, other = (a, b, d) if j == i + 1 else (c, a, b)
                if side(far, corner, other) == 0 and (
                    (far[0] - corner[0]) * (other[0] - corner[0])
                    + (far[1] - corner[1]) * (other[1] - corner[1])
                    > 0
                ):
                    return True
            elif meet(a, b, c, d):
                return True
    return False


@njit(inline="always")  # type: ignore[untyped-decorator]
def _sign(value):  # type: ignore[no-untyped-def]
    return (value > 0.0) - (value < 0.0)


@njit  # type: ignore[untyped-decorator]
def _meet(edges, i, j):  # type: ignore[no-untyped-def]
    """Whether two edges share a point (their boxes do)."""
    ax, ay, bx, by = edges[i, 0], edges[i, 1], edges[i, 2], edges[i, 3]
    cx, cy, dx, dy = edges[j, 0], edges[j, 1], edges[j, 2], edges[j, 3]
    c, d = _sign(_side(ax, ay, bx, by, cx, cy)), _sign(_side(ax, ay, bx, by, dx, dy))
    if c * d > 0:
        return False
    a, b = _sign(_side(cx, cy, dx, dy, ax, ay)), _sign(_side(cx, cy, dx, dy, bx, by))
    # Edges on one line whose boxes overlap share a point too.
    return a * b <= 0


@njit  # type: ignore[untyped-decorator]
def _folds(edges, i, j):  # type: ignore[no-untyped-def]
    """Whether edge j goes back along edge i, at whose end it begins."""
    ax, ay, bx, by = edges[i, 0], edges[i, 1], edges[i, 2], edges[i, 3]
    dx, dy = edges[j, 2], edges[j, 3]
    if _side(ax, ay, bx, by, dx, dy) != 0.0:
        return False
    # On one line: it turns back where both ends lie on the same side of the corner.
    return (ax < bx) == (dx < bx) and (ay < by) == (dy < by) and (ax > bx) == (dx > bx)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _any_meet(edges: Floats, order: npt.NDArray[np.int64]) -> bool:
    n = edges.shape[0]
    for k in range(n):
        i = order[k]
        right = max(edges[i, 0], edges[i, 2])
        low, high = min(edges[i, 1], edges[i, 3]), max(edges[i, 1], edges[i, 3])
        for m in range(k + 1, n):
            j = order[m]
            if min(edges[j, 0], edges[j, 2]) > right:
                break
            if min(edges[j, 1], edges[j, 3]) > high or max(edges[j, 1], edges[j, 3]) < low:
                continue
            if j == i + 1 or (i == n - 1 and j == 0):
                if _folds(edges, i, j):
                    return True
            elif i == j + 1 or (j == n - 1 and i == 0):
                if _folds(edges, j, i):
                    return True
            elif _meet(edges, i, j):
                return True
    return False


# Grids ---------------------------------------------------------------------------------------------


def polygon_cells(points: Array, cells: int) -> Cells:
    """Grid over a polygon.

    Parameters
    ----------
    points : ndarray [n, 2]
        Closed outline.
    cells : int
        Rows and columns; fewer where the polygon is too narrow for its coordinates' digits.
    """
    p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    x, y = (_edges_along(p[:, k].min(), p[:, k].max(), cells) for k in (0, 1))
    state = np.zeros((y.size - 1, x.size - 1), np.uint8)
    edges = edges_of(p)
    first, passing = _mark(np.concatenate([p, np.roll(p, -1, axis=0)], axis=1), edges, x, y, state)
    _fill(edges, x, y, first, passing, state)
    return Cells(x, y, state, first, passing, edges)


def ellipse_cells(centre: Any, one: Any, other: Any, cells: int) -> Cells:
    """Grid over an ellipse: its centre and two conjugate half-axes (x, y)."""
    (cx, cy), (ax, ay), (bx, by) = centre, one, other
    half = math.hypot(ax, bx) * (1 + 1e-9), math.hypot(ay, by) * (1 + 1e-9)
    x = _edges_along(*_around(cx, half[0]), cells)
    y = _edges_along(*_around(cy, half[1]), cells)
    edges = np.array([[cx, cy, ax, ay], [bx, by, 0.0, 0.0]])
    state = np.full((y.size - 1, x.size - 1), CROSSED, np.uint8)
    whole = ax * by - ay * bx
    slack = abs(whole) / (abs(ax * by) + abs(ay * bx))
    if x.size > 2 and y.size > 2 and slack > 1e-6:
        dx = 0.5 * (x[:-1] + x[1:]) - cx
        dy = (0.5 * (y[:-1] + y[1:]) - cy)[:, None]
        far = np.hypot((dx * by - dy * bx) / whole, (ax * dy - ay * dx) / whole)
        # How far a corner is from the centre of its cell, where the ellipse is the unit circle.
        wx, wy = (0.55 * (e[-1] - e[0]) / (e.size - 1) for e in (x, y))
        reach = math.hypot(
            (abs(wx * by) + abs(wy * bx)) / abs(whole), (abs(wy * ax) + abs(wx * ay)) / abs(whole)
        )
        state[far + reach < 1 - 1e-6] = IN
        state[far - reach > 1 + 1e-6] = OUT
    none = np.zeros(y.size, np.int64)
    return Cells(x, y, state, none, np.zeros(0, np.int32), edges)


def _around(centre: float, half: float) -> tuple[float, float]:
    """Ends of a stretch that holds everything nearer than `half`."""
    return float(np.nextafter(centre - half, -np.inf)), float(np.nextafter(centre + half, np.inf))


def _edges_along(low: float, high: float, cells: int) -> Floats:
    low, high = float(low), float(high)
    digit = float(np.spacing(max(abs(low), abs(high))))
    room = (high - low) / (_ROOM * digit)
    count = int(max(1, min(cells, room))) if math.isfinite(room) else 1
    edges = np.linspace(low, high, count + 1)
    edges[0], edges[-1] = low, high
    return edges


@njit(nogil=True)  # type: ignore[untyped-decorator]
def _cell_span(a, b, low, inverse, near, count):  # type: ignore[no-untyped-def]
    """First and last cell that a stretch touches."""
    first = math.floor((min(a, b) - low) * inverse - near)
    last = math.floor((max(a, b) - low) * inverse + near)
    return int(max(first, 0)), int(min(last, count - 1))


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _mark(
    outline: Floats, edges: Floats, x: Floats, y: Floats, state: npt.NDArray[np.uint8]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]:
    """Mark the cells that the outline touches; the edges that pass each row."""
    rows, columns = state.shape
    low_x, low_y = x[0], y[0]
    width, height = x[-1] - low_x, y[-1] - low_y
    # A grid of one cell is crossed as a whole, however narrow.
    ix = columns / width if columns > 1 else 0.0
    iy = rows / height if rows > 1 else 0.0
    for e in range(outline.shape[0]):
        x0, y0, x1, y1 = outline[e, 0], outline[e, 1], outline[e, 2], outline[e, 3]
        if y0 > y1:
            x0, y0, x1, y1 = x1, y1, x0, y0
        top, bottom = _cell_span(y0, y1, low_y, iy, _NEAR_ROW, rows)
        fx0, fx1 = (x0 - low_x) * ix, (x1 - low_x) * ix
        f0, f1 = (y0 - low_y) * iy, (y1 - low_y) * iy
        level = f1 - f0 < _NEAR_ROW
        for r in range(top, bottom + 1):
            a, b = fx0, fx1
            if not level:
                slope = (fx1 - fx0) / (f1 - f0)
                a = fx0 + (max(f0, r - _NEAR_ROW) - f0) * slope
                b = fx0 + (min(f1, r + 1 + _NEAR_ROW) - f0) * slope
            start, stop = _cell_span(a, b, 0.0, 1.0, _NEAR_COLUMN, columns)
            for c in range(start, stop + 1):
                state[r, c] = CROSSED
    first = np.zeros(rows + 1, np.int64)
    for e in range(edges.shape[0]):
        top, bottom = _cell_span(edges[e, 1], edges[e, 3], low_y, iy, _NEAR_ROW, rows)
        for r in range(top, bottom + 1):
            first[r + 1] += 1
    for r in range(rows):
        first[r + 1] += first[r]
    passing = np.empty(first[rows], np.int32)
    used = first.copy()
    for e in range(edges.shape[0]):
        top, bottom = _cell_span(edges[e, 1], edges[e, 3], low_y, iy, _NEAR_ROW, rows)
        for r in range(top, bottom + 1):
            passing[used[r]] = e
            used[r] += 1
    return first, passing


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _fill(
    edges: Floats,
    x: Floats,
    y: Floats,
    first: npt.NDArray[np.int64],
    passing: npt.NDArray[np.int32],
    state: npt.NDArray[np.uint8],
) -> None:
    """Tell inside from outside in the cells that the outline does not touch.

    Between crossed cells of a row nothing changes: one point tells for all.
    """
    rows, columns = state.shape
    for r in range(rows):
        middle = 0.5 * (y[r] + y[r + 1])
        told = False
        inside = False
        for c in range(columns):
            if state[r, c] == CROSSED:
                told = False
                continue
            if not told:
                told = True
                at = 0.5 * (x[c] + x[c + 1])
                inside = in_polygon(edges, passing, first[r], first[r + 1], at, middle)
            state[r, c] = IN if inside else OUT


# Pixels --------------------------------------------------------------------------------------------


class Side(NamedTuple):
    """Pixels along one axis of a gate.

    Attributes
    ----------
    codes : ndarray of uint8 or uint16 [n]
        Codes; of real numbers, their cells.
    cell : ndarray of uint16 [every code]
        Cell of each code: how many edges of cells are not above its coordinate, and one more than there
        are edges for a code without a value.
    at : ndarray of float64
        Coordinate of each code, or of each pixel.
    by_code : bool
        Which of the two.
    """

    codes: Array
    cell: npt.NDArray[np.uint16]
    at: Floats
    by_code: bool


def mask(gate: Cells, ellipse: bool, x: Side, y: Side) -> npt.NDArray[np.bool_]:
    """Which pixels lie in a gate.

    Parameters
    ----------
    gate : Cells
    ellipse : bool
        Whether it is the grid of an ellipse.
    x, y : Side
        Cells are those between ``gate.x`` and ``gate.y``.

    Returns
    -------
    ndarray of bool [n]
    """
    out = np.empty(x.codes.size, np.bool_)
    # Bordered by cells that are outside: no pixel has to be asked whether it is on the grid.
    state = np.zeros((gate.y.size + 2, gate.x.size + 2), np.uint8)
    state[1 : gate.y.size, 1 : gate.x.size] = gate.state
    _mask(
        x.codes,
        y.codes,
        x.cell,
        y.cell.astype(np.uint32) * np.uint32(state.shape[1]),
        state.ravel(),
        state.shape[1],
        x.at,
        y.at,
        x.by_code,
        y.by_code,
        gate.first,
        gate.passing,
        gate.edges,
        ellipse,
        out,
    )
    return out


def pairs(gate: Cells, ellipse: bool, x: Side, y: Side, most: int) -> tuple[Array, Side, Side] | None:
    """Ask a gate once for each pair of codes on its grid, where there are few.

    Parameters
    ----------
    gate, ellipse
        As of `mask`.
    x, y : Side
        By code.
    most : int
        Most pairs that may be asked for.

    Returns
    -------
    state : ndarray of bool [y codes + 1, x codes + 1]
        Whether a pair lies in the gate; the first row and column are of codes that are not on the grid.
    x, y : Side
        With the column and the row of each code as its cell. None where there are too many pairs.
    """
    codes = [
        np.flatnonzero((s.cell > 0) & (s.cell < e.size)) for s, e in ((x, gate.x), (y, gate.y))
    ]
    (nx, ny) = (c.size for c in codes)
    if nx * ny > most:
        return None
    numbers = []
    for side, on in zip((x, y), codes, strict=True):
        number = np.zeros(side.cell.size, np.uint16)
        number[on] = np.arange(1, on.size + 1)
        numbers.append(number)
    state = np.zeros((ny + 1, nx + 1), np.bool_)
    kind = np.uint16
    every_x = x._replace(codes=np.tile(codes[0].astype(kind), ny))
    every_y = y._replace(codes=np.repeat(codes[1].astype(kind), nx))
    state[1:, 1:] = mask(gate, ellipse, every_x, every_y).reshape(ny, nx)
    return state, x._replace(cell=numbers[0]), y._replace(cell=numbers[1])


def look_up(state: Array, x: Side, y: Side) -> npt.NDArray[np.bool_]:
    """Which pixels [n] lie in a gate, by a table of pairs of codes (see `pairs`)."""
    out = np.empty(x.codes.size, np.bool_)
    stride = state.shape[1]
    _look_up(x.codes, y.codes, x.cell, y.cell.astype(np.uint32) * np.uint32(stride), state.ravel(), out)
    return out


def look_up_plain(state: Array, x: Side, y: Side) -> npt.NDArray[np.bool_]:
    """`look_up` in NumPy."""
    found: npt.NDArray[np.bool_] = state[y.cell[y.codes], x.cell[x.codes]]
    return found


@compiled
def _look_up(
    x: Array,
    y: Array,
    x_cell: npt.NDArray[np.uint16],
    row_start: npt.NDArray[np.uint32],
    state: npt.NDArray[np.bool_],
    out: npt.NDArray[np.bool_],
) -> None:
    for block in prange((out.size + _BLOCK - 1) // _BLOCK):
        for i in range(block * _BLOCK, min(out.size, (block + 1) * _BLOCK)):
            out[i] = state[row_start[y[i]] + x_cell[x[i]]]


def mask_plain(gate: Cells, ellipse: bool, x: Side, y: Side) -> npt.NDArray[np.bool_]:
    """`mask` in NumPy and fractions, without a grid."""
    px, py = (s.at[s.codes] if s.by_code else s.at for s in (x, y))
    out = np.zeros(px.size, np.bool_)
    edges = [[Fraction(float(v)) for v in edge] for edge in gate.edges]
    for i in np.flatnonzero(np.isfinite(px) & np.isfinite(py)):
        if ellipse:
            out[i] = in_ellipse_plain(gate.edges, px[i], py[i])
            continue
        fx, fy = Fraction(float(px[i])), Fraction(float(py[i]))
        for x0, y0, x1, y1 in edges:
            if y0 <= fy < y1 and fx < x0 + (fy - y0) * (x1 - x0) / (y1 - y0):
                out[i] = not out[i]
    return out


@compiled
def _mask(
    x: Array,
    y: Array,
    x_cell: npt.NDArray[np.uint16],
    row_start: npt.NDArray[np.uint32],
    state: npt.NDArray[np.uint8],
    stride: int,
    x_at: Floats,
    y_at: Floats,
    x_by_code: bool,
    y_by_code: bool,
    first: npt.NDArray[np.int64],
    passing: npt.NDArray[np.int32],
    edges: Floats,
    ellipse: bool,
    out: npt.NDArray[np.bool_],
) -> None:
    for block in prange((out.size + _BLOCK - 1) // _BLOCK):
        for i in range(block * _BLOCK, min(out.size, (block + 1) * _BLOCK)):
            row = row_start[y[i]]
            known = state[row + x_cell[x[i]]]
            if known != CROSSED:
                out[i] = known != OUT
                continue
            px = x_at[np.int64(x[i]) if x_by_code else i]
            py = y_at[np.int64(y[i]) if y_by_code else i]
            if ellipse:
                out[i] = in_ellipse(edges, px, py)
            else:
                r = np.int64(row) // stride - 1
                out[i] = in_polygon(edges, passing, first[r], first[r + 1], px, py)


def stroke(
    line: Floats,
    radius: float,
    value: bool,
    first_row: int,
    pixel: tuple[float, float],
    out: npt.NDArray[np.bool_],
) -> None:
    """Lay a stroke of a round brush down on pixels.

    Parameters
    ----------
    line : ndarray of float64 [n, 2]
        The brush's way (x, y).
    radius : float
    value : bool
        What the pixels become whose centres lie no farther than `radius` from the line.
    first_row : int
        Row of the map that is the first of `out`.
    pixel : (float, float)
        Width and height of a pixel, in the units of `line`.
    out : ndarray of bool [rows, columns]
        Changed in place.
    """
    _stroke(_pieces(line), radius, value, first_row, float(pixel[0]), float(pixel[1]), out)


def stroke_plain(
    line: Floats,
    radius: float,
    value: bool,
    first_row: int,
    pixel: tuple[float, float],
    out: npt.NDArray[np.bool_],
) -> None:
    """`stroke` in NumPy."""
    x = (np.arange(out.shape[1]) + 0.5) * pixel[0]
    y = ((np.arange(out.shape[0]) + first_row + 0.5) * pixel[1])[:, None]
    for x0, y0, x1, y1 in _pieces(line):
        dx, dy = x1 - x0, y1 - y0
        length2 = dx * dx + dy * dy
        t = ((x - x0) * dx + (y - y0) * dy) / length2 if length2 > 0 else np.zeros(out.shape)
        t = np.clip(t, 0.0, 1.0)
        across, along = x - (x0 + t * dx), y - (y0 + t * dy)
        out[across * across + along * along <= radius * radius] = value


def _pieces(line: Floats) -> Floats:
    stop = line[1:] if len(line) > 1 else line
    return np.ascontiguousarray(np.concatenate([line[: len(stop)], stop], axis=1))


@compiled
def _stroke(
    pieces: Floats,
    radius: float,
    value: bool,
    first_row: int,
    px: float,
    py: float,
    out: npt.NDArray[np.bool_],
) -> None:
    rows, columns = out.shape
    for r in prange(rows):
        y = (r + first_row + 0.5) * py
        for k in range(pieces.shape[0]):
            x0, y0, x1, y1 = pieces[k, 0], pieces[k, 1], pieces[k, 2], pieces[k, 3]
            if y < min(y0, y1) - radius - py or y > max(y0, y1) + radius + py:
                continue
            dx, dy = x1 - x0, y1 - y0
            length2 = dx * dx + dy * dy
            start = max((min(x0, x1) - radius) / px - 2.0, 0.0)
            stop = min((max(x0, x1) + radius) / px + 2.0, np.float64(columns))
            for c in range(np.int64(start), np.int64(max(stop, 0.0))):
                x = (c + 0.5) * px
                t = 0.0
                if length2 > 0.0:
                    t = min(max(((x - x0) * dx + (y - y0) * dy) / length2, 0.0), 1.0)
                across, along = x - (x0 + t * dx), y - (y0 + t * dy)
                if across * across + along * along <= radius * radius:
                    out[r, c] = value
