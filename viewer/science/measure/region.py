"""Rock units as regions of the plane: even-odd polygons in, even-odd polygons out.

A region is a tuple of closed polygons in µm, inside by the even-odd rule, as units and outlines are
kept: a polygon within another is a hole, and a polygon may cross itself. All that is done to
regions goes through Shapely's exact overlay, so what two neighbours share they share to the last
digit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

if TYPE_CHECKING:
    from shapely.geometry import LineString
    from shapely.geometry.base import BaseGeometry

Point = tuple[float, float]
Polygons = tuple[tuple[Point, ...], ...]
Points = Sequence[Point]

SLIVER = 1e-9
"""Pieces smaller than this share of a region are left by rounding, and are dropped."""

BEYOND = 1e-3
"""A line that splits is drawn on past the region by this share of the region's size."""


def geometry(polygons: Iterable[Points]) -> BaseGeometry:
    """The area inside polygons by the even-odd rule, as a valid Shapely geometry.

    Polygons of fewer than three points enclose nothing and are left out.
    """
    import shapely

    area: BaseGeometry = shapely.Polygon()
    for points in polygons:
        if len(points) >= 3:
            ring = shapely.Polygon(points)
            ring = ring if ring.is_valid else _mended(points)
            area = shapely.symmetric_difference(area, ring)
    return _areas(area)


def outlines(area: BaseGeometry) -> Polygons:
    """The rings of a geometry's areas, largest area first, holes after their outer ring."""
    parts = sorted(_polygons(area), key=lambda p: -p.area)
    whole = sum(p.area for p in parts)
    rings = (
        ring
        for part in parts
        if part.area > SLIVER * whole
        for ring in (part.exterior, *part.interiors)
    )
    return tuple(tuple((float(x), float(y)) for x, y in ring.coords[:-1]) for ring in rings)


def area_um2(polygons: Iterable[Points]) -> float:
    """Area inside, µm²."""
    return float(geometry(polygons).area)


def centroid(polygons: Iterable[Points]) -> Point:
    """Centre of the area inside, µm.

    Raises
    ------
    InputError
        Nothing is inside.
    """
    area = geometry(polygons)
    if area.is_empty:
        raise InputError("The unit encloses nothing.", hint="Draw it with three corners or more.")
    return float(area.centroid.x), float(area.centroid.y)


def inside(polygons: Iterable[Points], points: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Which points lie in a region.

    Parameters
    ----------
    points : ndarray of float64 [n, 2]
        µm.

    Returns
    -------
    ndarray of bool [n]
        A point on the edge counts as inside.
    """
    import shapely

    area = geometry(polygons)
    shapely.prepare(area)
    found: npt.NDArray[np.bool_] = shapely.intersects_xy(area, points[:, 0], points[:, 1])
    return found


def clean(polygons: Iterable[Points], size_um: tuple[float, float] | None = None) -> Polygons:
    """A region as rings that neither cross nor overlap, cut to the map.

    Parameters
    ----------
    size_um : (float, float), optional
        Width and height of the map (µm).

    Raises
    ------
    InputError
        Nothing is enclosed, or nothing of it lies on the map.
    """
    import shapely

    area = geometry(polygons)
    if area.is_empty or area.area <= 0.0:
        raise InputError(
            "The outline encloses nothing.", hint="Draw it with three corners or more, not in a line."
        )
    if size_um is not None:
        area = _areas(shapely.intersection(area, shapely.box(0.0, 0.0, *size_um)))
        if area.is_empty:
            raise InputError(
                "The outline lies off the map.",
                hint=f"The map reaches from 0, 0 to {size_um[0]:g}, {size_um[1]:g} µm.",
            )
    return outlines(area)


def merge(
    regions: Iterable[Iterable[Points]],
    gap_um: float = 0.0,
    others: Iterable[Iterable[Points]] = (),
) -> Polygons:
    """The union of regions.

    Parameters
    ----------
    gap_um : float
        Gaps between them up to this width are closed, where hands drew the same contact twice.
    others : iterable of regions
        What these have of a gap stays theirs: a thin unit between is no gap.

    Raises
    ------
    InputError
        Nothing is enclosed by any.
    """
    import shapely

    area = _areas(shapely.union_all([geometry(r) for r in regions]))
    if area.is_empty:
        raise InputError("The outlines enclose nothing.")
    if gap_um > 0.0:
        # Mitred corners come back exactly where they were, round ones would not.
        grown = area.buffer(gap_um / 2.0, join_style="mitre")
        closed = grown.buffer(-gap_um / 2.0, join_style="mitre")
        taken = shapely.union_all([geometry(o) for o in others])
        area = _areas(shapely.union(area, shapely.difference(closed, taken)))
    return outlines(area)


def cut_out(polygons: Iterable[Points], others: Iterable[Iterable[Points]]) -> Polygons:
    """What of a region no other region has.

    Raises
    ------
    InputError
        Nothing is left.
    """
    import shapely

    taken = shapely.union_all([geometry(o) for o in others])
    left = _areas(shapely.difference(geometry(polygons), taken))
    if left.is_empty:
        raise InputError("Other units cover all of it.", hint="Draw it where no unit is yet.")
    return outlines(left)


def split(polygons: Iterable[Points], line: Points) -> tuple[Polygons, Polygons]:
    """Split a region in two along a line.

    Where an end of the line lies inside, the line is drawn on straight until it leaves.

    Parameters
    ----------
    line : sequence of (float, float)
        Two points or more, µm.

    Returns
    -------
    (tuple, tuple)
        What lies to the left and to the right of one who walks along the line, on a map with x to
        the right and y down. Pieces that the line does not touch go to the side that they lie on.

    Raises
    ------
    InputError
        The line does not cut the region through, or crosses itself.
    """
    import shapely
    from shapely import ops

    area = geometry(polygons)
    if area.is_empty:
        raise InputError("The unit encloses nothing.")
    knife = shapely.LineString(_extended(distinct(line), area))
    if not knife.is_simple:
        raise InputError(
            "The line crosses itself.", hint="Draw it from one side of the unit to the other."
        )
    sides: tuple[list[BaseGeometry], list[BaseGeometry]] = ([], [])
    for piece in ops.split(area, knife).geoms:
        sides[1 if _right_of(knife, piece) else 0].append(piece)
    left, right = (_areas(shapely.union_all(side)) for side in sides)
    if min(left.area, right.area) <= SLIVER * area.area:
        raise InputError(
            "The line does not cut the unit in two.",
            hint="Draw it from outside the unit, through it, to outside.",
        )
    return outlines(left), outlines(right)


def band(first: Points, second: Points, size_um: tuple[float, float] | None = None) -> Polygons:
    """The band between two lines.

    Parameters
    ----------
    first, second : sequence of (float, float)
        Two points or more each, µm; drawn in the same direction or in opposite ones.
    size_um : (float, float), optional
        Width and height of the map, which the band is cut to.

    Raises
    ------
    InputError
        The lines cross or touch, or one crosses itself.
    """
    import shapely

    a, b = distinct(first), distinct(second)
    one, other = shapely.LineString(a), shapely.LineString(b)
    for line in (one, other):
        if not line.is_simple:
            raise InputError("A line crosses itself.", hint="Draw it without loops.")
    if one.intersects(other):
        at = one.intersection(other).representative_point()
        raise InputError(
            f"The two lines cross at {at.x:.0f}, {at.y:.0f} µm.",
            hint="A band lies between two lines that never meet.",
        )
    # The ends are joined so that the joints are shorter; crossed joints would tie a knot.
    if _apart(a[0], b[0]) + _apart(a[-1], b[-1]) <= _apart(a[0], b[-1]) + _apart(a[-1], b[0]):
        b = b[::-1]
    ring = shapely.Polygon([*a, *b])
    if not ring.is_valid:
        raise InputError(
            "The ends of the two lines cannot be joined without crossing a line.",
            hint="Draw both lines about as long, one beside the other.",
        )
    return clean((tuple(ring.exterior.coords[:-1]),), size_um)


def distinct(line: Points) -> list[Point]:
    """The points of a line without repeats one after the other.

    Raises
    ------
    InputError
        Fewer than two are left, or one is not a number.
    """
    points = [(float(x), float(y)) for x, y in line]
    if not all(math.isfinite(v) for p in points for v in p):
        raise InputError("A point of the line is not a number.")
    kept = points[:1] + [b for a, b in pairwise(points) if a != b]
    if len(kept) < 2:
        raise InputError("A line needs two points that differ.")
    return kept


def clip_line(line: Points, size_um: tuple[float, float]) -> list[Point]:
    """The longest stretch of a line that lies on the map.

    Raises
    ------
    InputError
        None of it does.
    """
    import shapely

    points = distinct(line)
    width, height = size_um
    if all(0.0 <= x <= width and 0.0 <= y <= height for x, y in points):
        return points
    found = shapely.intersection(shapely.LineString(points), shapely.box(0.0, 0.0, width, height))
    stretches = [g for g in getattr(found, "geoms", [found]) if g.length > 0.0]
    if not stretches:
        raise InputError(
            "The line lies off the map.",
            hint=f"The map reaches from 0, 0 to {width:g}, {height:g} µm.",
        )
    longest = max(stretches, key=lambda g: float(g.length))
    return [(float(x), float(y)) for x, y in longest.coords]


def _mended(points: Points) -> BaseGeometry:
    """What a polygon that crosses or touches itself encloses by the even-odd rule.

    Shapely's own mending keeps what a polygon that runs over itself twice encloses.
    """
    import shapely

    line = np.array([*points, points[0]], dtype=np.float64)
    faces = _polygons(shapely.polygonize([shapely.node(shapely.LineString(line))]))
    if not faces:
        return shapely.Polygon()
    spots = shapely.get_coordinates([f.representative_point() for f in faces])
    (x0, y0), (x1, y1) = line[:-1].T, line[1:].T
    # Edges that a ray to the right of each spot crosses; level ones are never crossed.
    across = (y0 > spots[:, 1:]) != (y1 > spots[:, 1:])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = x0 + (spots[:, 1:] - y0) / (y1 - y0) * (x1 - x0)
    odd = np.count_nonzero(across & (at > spots[:, :1]), axis=1) % 2 == 1
    return _areas(shapely.union_all([f for f, is_odd in zip(faces, odd, strict=True) if is_odd]))


def _areas(area: BaseGeometry) -> BaseGeometry:
    """What has an area of a geometry: overlays leave lines and points where things only touch."""
    import shapely

    parts = _polygons(area)
    return shapely.MultiPolygon(parts) if len(parts) != 1 else parts[0]


def _polygons(area: BaseGeometry) -> list[BaseGeometry]:
    if area.geom_type == "Polygon":
        return [] if area.is_empty else [area]
    return [p for g in getattr(area, "geoms", ()) for p in _polygons(g)]


def _extended(line: list[Point], area: BaseGeometry) -> list[Point]:
    """The line with each end that lies inside the area drawn on until it has left it."""
    import shapely

    left, top, right, bottom = area.bounds
    span = math.hypot(right - left, bottom - top)
    points = list(line)
    for at, before in ((0, 1), (-1, -2)):
        x, y = points[at]
        if not area.intersects(shapely.Point(x, y)):
            continue
        dx, dy = x - points[before][0], y - points[before][1]
        length = math.hypot(dx, dy)
        ray = shapely.LineString([(x, y), (x + dx / length * span, y + dy / length * span)])
        # Only to the first way out: beyond it the line might cut the unit, or itself, again.
        way_out = ray.intersection(area.boundary)
        reach = shapely.distance(shapely.Point(x, y), way_out) if not way_out.is_empty else 0.0
        reach += BEYOND * span
        end = (x + dx / length * reach, y + dy / length * reach)
        points.insert(0 if at == 0 else len(points), end)
    return points


def _right_of(knife: LineString, piece: BaseGeometry) -> bool:
    """True where a piece lies to the right of the line that cut it off (x right, y down)."""
    import shapely

    shared = piece.boundary.intersection(knife)
    on_knife = (
        shapely.line_interpolate_point(_longest(shared), 0.5, normalized=True)
        if shared.length > 0.0
        else shapely.Point(shapely.shortest_line(knife, piece.representative_point()).coords[0])
    )
    at = knife.project(on_knife)
    step = 1e-6 * knife.length
    a, b = knife.interpolate(max(at - step, 0.0)), knife.interpolate(min(at + step, knife.length))
    dx, dy = b.x - a.x, b.y - a.y
    if shared.length > 0.0:
        # Close beside the line there is the piece on one side and not on the other.
        size = math.hypot(dx, dy) or 1.0
        for reach in (1e-6, 1e-5, 1e-4):
            out = reach * knife.length
            right = shapely.Point(on_knife.x - dy / size * out, on_knife.y + dx / size * out)
            left = shapely.Point(on_knife.x + dy / size * out, on_knife.y - dx / size * out)
            in_right, in_left = piece.intersects(right), piece.intersects(left)
            if in_right != in_left:
                return bool(in_right)
    middle = piece.representative_point()
    return bool(dx * (middle.y - on_knife.y) - dy * (middle.x - on_knife.x) > 0.0)


def _longest(lines: BaseGeometry) -> BaseGeometry:
    """The longest of the lines of a geometry."""
    parts: list[BaseGeometry] = list(getattr(lines, "geoms", [lines]))
    return max(parts, key=lambda g: float(g.length))


def _apart(a: Point, b: Point) -> float:
    return math.hypot(a[0] - b[0], a[1] - b[1])
