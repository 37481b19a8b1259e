"""Membership of pixels in gates: exact, by the even-odd rule on the real values.

A gate is tested in axis coordinates (`viewer.science.sort.axes`), which are doubles; no rounding can
put a pixel on the wrong side. A pixel that lies exactly on an edge of a polygon is inside where the
polygon is to the right of it or above, so that polygons that share an edge share no pixel. An ellipse
and a range hold their ends.

A pixel without a value in one of a gate's layers is not in it, and not in its inverse either; one whose
value is not on an axis (0 on a logarithmic one) is not in the gate, and is in its inverse.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from viewer.science.look.outline import rasterize
from viewer.science.sort.axes import placed, to_ternary
from viewer.science.sort.columns import Column, common_shape
from viewer.science.sort.scheme import (
    PLACES,
    Axis,
    Ellipse,
    Gate,
    Painted,
    Polygon,
    Range,
    Ternary,
    layers_of,
)

if TYPE_CHECKING:
    from viewer.science.kernels.gates import Cells, Side

Mask = npt.NDArray[np.bool_]

CELLS = 256
"""Rows and columns of the grid over a gate: it fits a second-level cache beside the codes' tables."""

PAIRS = 1 << 20
"""Most pairs of codes that a gate is asked for once each, instead of for every pixel."""

STRIP = 1 << 19
"""Pixels of real numbers that are tested at a time."""


def inside(gate: Gate, columns: Mapping[str, Column], *, place: Mask | None = None) -> Mask:
    """Pixels that a gate holds.

    Parameters
    ----------
    gate : Polygon, Ellipse, Range, Ternary, Painted or InUnit
    columns : mapping of str to Column [rows, columns]
        At least the gate's layers, by name.
    place : ndarray of bool [rows, columns], optional
        What a painted gate or a unit covers of these pixels (see `painted_mask`).

    Returns
    -------
    ndarray of bool [rows, columns]

    Raises
    ------
    ValueError
        A painted gate without `place`, or columns of different shapes.
    KeyError
        A layer is not among the columns.
    """
    if isinstance(gate, PLACES):
        if place is None:
            raise ValueError("a painted gate needs the place that it covers")
        return place.copy()
    used = {name: columns[name] for name in layers_of(gate)}
    shape = common_shape(used)
    assert shape is not None, "a gate has layers"
    if isinstance(gate, Range):
        return _in_range(gate, used[gate.layer])
    from viewer.science.kernels.gates import look_up, mask, pairs

    cells = cells_of(gate)
    ellipse = isinstance(gate, Ellipse)
    count = shape[0] * shape[1]
    masks = []
    for x, y in _sides(gate, used, shape, cells):
        few = None
        if x.by_code and y.by_code:
            few = pairs(cells, ellipse, x, y, min(PAIRS, count // 4))
        masks.append(mask(cells, ellipse, x, y) if few is None else look_up(*few))
    return (masks[0] if len(masks) == 1 else np.concatenate(masks)).reshape(shape)


def known(gate: Gate, columns: Mapping[str, Column]) -> Mask | None:
    """Pixels that have a value in all of a gate's layers; None for a painted gate, which has none."""
    found: Mask | None = None
    for name in layers_of(gate):
        here = columns[name].known()
        found = here if found is None else found & here
    return found


def contains(points: npt.ArrayLike, x: float, y: float) -> bool:
    """Whether a point lies in a closed outline, by the even-odd rule; exact.

    Parameters
    ----------
    points : array_like [n, 2]
        The last point need not be the first again.
    x, y : float
        In the units of `points`.
    """
    from viewer.science.kernels import gates as kernels

    at = np.array([x], np.float64), np.array([y], np.float64)
    return bool(kernels.contains(np.asarray(points, dtype=np.float64), *at)[0])


def contains_points(points: npt.ArrayLike, x: npt.ArrayLike, y: npt.ArrayLike) -> Mask:
    """`contains` for many points [n]."""
    from viewer.science.kernels import gates as kernels

    return kernels.contains(
        np.asarray(points, dtype=np.float64),
        np.asarray(x, dtype=np.float64),
        np.asarray(y, dtype=np.float64),
    )


def crosses_itself(points: npt.ArrayLike) -> bool:
    """Whether a closed outline meets itself, so that it is worth telling that even-odd decides.

    True where two edges that are not neighbours have a point in common, or neighbours fold back on
    each other. Points that are repeated at once do not count. Exact.

    Parameters
    ----------
    points : array_like [n, 2]
    """
    from viewer.science.kernels import gates as kernels

    return kernels.crosses_itself(np.asarray(points, dtype=np.float64))


def outline_of(gate: Gate, steps: int = 128) -> npt.NDArray[np.float64]:
    """Outline of a gate in its plot, for drawing.

    Parameters
    ----------
    gate : Polygon, Ellipse or Ternary
    steps : int
        Points of an ellipse.

    Returns
    -------
    ndarray of float64 [n, 2]
        Closed; the last point is not the first again.

    Raises
    ------
    ValueError
        The gate has no outline in a plot.
    """
    if isinstance(gate, Polygon | Ternary):
        return np.array(gate.points, np.float64)
    if isinstance(gate, Ellipse):
        turn = np.arange(steps) * (2.0 * np.pi / steps)
        return np.asarray(
            np.array(gate.centre)
            + np.cos(turn)[:, None] * np.array(gate.first)
            + np.sin(turn)[:, None] * np.array(gate.second)
        )
    raise ValueError("only polygons, ellipses and ternary gates have an outline in a plot")


def painted_mask(
    gate: Painted,
    shape: tuple[int, int],
    pixel_um: tuple[float, float],
    rows: slice | None = None,
) -> Mask:
    """Pixels that a painted gate covers.

    Parameters
    ----------
    gate : Painted
        Its outlines are laid down first, by the even-odd rule, then its strokes one after the other.
    shape : (int, int)
        Rows and columns of the map.
    pixel_um : (float, float)
        Pixel size along x and y (µm).
    rows : slice, optional
        Only these rows (start and stop, step 1).

    Returns
    -------
    ndarray of bool [rows, columns]
        A stroke covers the pixels whose centres lie no farther than its radius from its line.
    """
    from viewer.science.kernels.gates import stroke

    start, stop, stride = (rows or slice(None)).indices(shape[0])
    if stride != 1:
        raise ValueError("rows are taken one after the other")
    stop = max(start, stop)
    outlines = [np.array(p, np.float64) for p in gate.outlines]
    out = rasterize(outlines, shape, pixel_um, slice(start, stop)).copy()
    for s in gate.strokes:
        line = np.array(s.points, np.float64).reshape(-1, 2)
        stroke(line, float(s.radius_um), not s.erase, start, pixel_um, out)
    return out


@lru_cache(maxsize=64)
def cells_of(gate: Polygon | Ellipse | Ternary, cells: int = CELLS) -> Cells:
    """Grid over a gate, remembered; not to be written into."""
    from viewer.science.kernels.gates import ellipse_cells, polygon_cells

    if isinstance(gate, Ellipse):
        return ellipse_cells(gate.centre, gate.first, gate.second, cells)
    return polygon_cells(np.array(gate.points, np.float64), cells)


def side_of(column: Column, scale: Any, edges: npt.NDArray[np.float64]) -> Side:
    """Pixels [n] of a column along an axis whose cells lie between `edges`."""
    from viewer.science.kernels.bins import place_plain
    from viewer.science.kernels.gates import Side

    if column.codes is None:
        assert column.values is not None, "a column has codes or values"
        return placed_side(placed(column.values.ravel(), scale), edges)
    assert column.table is not None, "codes come with a table"
    at = placed(column.table, scale)
    return Side(column.codes.ravel(), place_plain(at, edges), at, True)


def placed_side(at: npt.NDArray[np.float64], edges: npt.NDArray[np.float64]) -> Side:
    """As `side_of`, of coordinates [n]."""
    from viewer.science.kernels.bins import place
    from viewer.science.kernels.gates import Side

    own = np.arange(edges.size + 2, dtype=np.uint16)
    return Side(place(at, edges), own, at, False)


def _sides(
    gate: Polygon | Ellipse | Ternary,
    columns: Mapping[str, Column],
    shape: tuple[int, int],
    cells: Cells,
) -> Iterator[tuple[Side, Side]]:
    """The gate's pixels along its two axes, as many at a time as is good for the cache."""
    count = shape[0] * shape[1]
    coded = isinstance(gate, Polygon | Ellipse) and all(c.codes is not None for c in columns.values())
    step = max(count, 1) if coded else STRIP
    for start in range(0, max(count, 1), step):
        part = slice(start, min(start + step, count))
        if isinstance(gate, Ternary):
            names = (gate.a, gate.b, gate.c)
            a, b, c = (columns[n].flat(part).decoded().ravel() for n in names)
            at_x, at_y = to_ternary(a, b, c, gate.weights)
            yield placed_side(at_x, cells.x), placed_side(at_y, cells.y)
        else:
            yield _along(gate.x, columns, part, cells.x), _along(gate.y, columns, part, cells.y)


def _along(
    axis: Axis, columns: Mapping[str, Column], part: slice, edges: npt.NDArray[np.float64]
) -> Side:
    return side_of(columns[axis.layer].flat(part), axis.scale, edges)


def _in_range(gate: Range, column: Column) -> Mask:
    low = -np.inf if gate.low is None else gate.low
    high = np.inf if gate.high is None else gate.high

    def holds(values: npt.NDArray[Any]) -> Mask:
        # In double precision: an end must not be rounded to the layer's own.
        found: Mask = (values >= np.float64(low)) & (values <= np.float64(high)) & np.isfinite(values)
        return found

    if column.codes is not None:
        assert column.table is not None, "codes come with a table"
        found: Mask = holds(column.table)[column.codes]
        return found
    assert column.values is not None, "a column has codes or values"
    return holds(column.values)
