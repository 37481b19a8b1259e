"""The line along which two rock units meet."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from viewer.errors import InputError
from viewer.science.measure.region import Point, Points, geometry

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

EXACT = 0.8
"""Share of the length where the regions are near each other that an edge must have in common to be
the contact by itself; the rest is how far nearness reaches around corners."""


def shared_line(
    one: Iterable[Points],
    other: Iterable[Points],
    gap_um: float,
    size_um: tuple[float, float] | None = None,
) -> list[Point]:
    """The line along which two regions meet: the longest, where they meet along several.

    Parameters
    ----------
    gap_um : float
        Regions that come no nearer than this do not meet. Where hands left a gap, or let the regions
        overlap, the line is the edge of the first.
    size_um : (float, float), optional
        Width and height of the map: along its edges regions are cut, and do not meet.

    Raises
    ------
    InputError
        They do not meet along a line.
    """
    import shapely

    a, b = geometry(one), geometry(other)
    edge = a.boundary
    if size_um is not None:
        edge = edge.difference(shapely.box(0.0, 0.0, *size_um).boundary)
    exact = _joined(shapely.intersection(edge, b.boundary))
    near = _joined(shapely.intersection(edge, b.buffer(gap_um, join_style="mitre")))
    best = exact if exact is not None and (near is None or exact.length > EXACT * near.length) else near
    if best is None or best.length <= 2.0 * gap_um:
        raise InputError(
            "The two units do not meet.",
            hint="A contact is made of units that lie beside each other, or trace it on the map.",
        )
    return [(float(x), float(y)) for x, y in best.coords]


def _joined(lines: BaseGeometry) -> BaseGeometry | None:
    """The longest line of a geometry after pieces that touch end to end were joined."""
    from shapely import ops

    parts = [g for g in getattr(lines, "geoms", [lines]) if g.length > 0.0]
    if not parts:
        return None
    joined = ops.linemerge(parts)
    merged: list[BaseGeometry] = list(getattr(joined, "geoms", [joined]))
    return max(merged, key=lambda g: float(g.length))
