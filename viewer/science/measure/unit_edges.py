"""The lower and the upper edge of a rock unit.

A unit is drawn as a closed outline, of which only a part are contacts: along the map's edge and the
sample's outline the rock was cut, not bounded. What runs along these is left out. What is left falls
into two lines where a layer crosses the map; where the outline closes within the map, its two ends
are found and taken off.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure import region
from viewer.science.measure.region import Points

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

Float = npt.NDArray[np.float64]

SHORT = 0.2
"""Pieces of outline shorter than this share of the longest are corners and offcuts, not edges."""

FACES = 0.2
"""Least rise of the outline's outward normal, averaged over an edge, for it to look up or down."""


@dataclass(frozen=True, eq=False)
class UnitEdges:
    """Lower and upper edge of a unit.

    Attributes
    ----------
    lower, upper : ndarray of float64 [n, 2] or None
        µm, each from left to right as seen with way-up at the top of an unmirrored map. None: the
        unit goes on beyond the map or the sample on that side.
    cut_um : float
        Length of the outline that lies along the map's edge or the sample's outline.
    """

    lower: Float | None
    upper: Float | None
    cut_um: float

    def both(self, name: str) -> tuple[Float, Float]:
        """Lower and upper edge.

        Raises
        ------
        InputError
            The map holds only one of them, or none.
        """
        if self.lower is None or self.upper is None:
            missing = [
                word for word, edge in (("lower", self.lower), ("upper", self.upper)) if edge is None
            ]
            raise InputError(
                f"The {' and the '.join(missing)} edge of «{name}» is not on the map.",
                where="unit",
                hint="The unit goes on beyond the map's edge or the sample's outline there: what is "
                "on the map is less than its thickness.",
            )
        return self.lower, self.upper


def unit_edges(
    polygons: Iterable[Points],
    up: tuple[float, float],
    tolerance_um: float,
    *,
    size_um: tuple[float, float] | None = None,
    outline: Sequence[Points] = (),
) -> UnitEdges:
    """Find the lower and the upper edge of a unit.

    Of a unit in several pieces the largest counts; holes in it are left out.

    Parameters
    ----------
    polygons : iterable of sequences of (float, float)
        Closed polygons in µm, inside by even-odd.
    up : (float, float)
        Way-up, a unit vector (x right, y down) on the stored map.
    tolerance_um : float
        What lies nearer than this to the map's edge or to the outline lies along it.
    size_um : (float, float), optional
        Width and height of the map.
    outline : sequence of polygons
        Of the sample, inside by even-odd.

    Raises
    ------
    InputError
        The unit encloses nothing, or lies off the map.
    """
    import shapely

    area = region.geometry(region.clean(polygons, size_um))
    border: list[BaseGeometry] = []
    if size_um is not None:
        border.append(shapely.box(0.0, 0.0, *size_um).exterior)
    if outline:
        sample = region.geometry(outline)
        area = shapely.intersection(area, sample)
        border.append(sample.boundary)
    parts = [p for p in getattr(area, "geoms", [area]) if p.geom_type == "Polygon" and not p.is_empty]
    if not parts:
        raise InputError("The unit lies outside the sample's outline.", where="unit")
    ring = max(parts, key=lambda p: float(p.area)).exterior
    # Walked so that the inside lies to the left as the axes are drawn: x right, y down.
    points = np.array(ring.coords if ring.is_ccw else ring.coords[::-1], np.float64)
    free = _free(points, border, tolerance_um)
    cut = float(ring.length) - sum(_length(p) for p in free)
    if len(free) == 1 and np.array_equal(free[0][0], free[0][-1]):
        free = _without_ends(points)
    longest = max((_length(p) for p in free), default=0.0)
    edges: dict[bool, list[Float]] = {False: [], True: []}
    for piece in free:
        rise = _rise(piece, up)
        if _length(piece) >= SHORT * longest and abs(rise) >= FACES:
            edges[rise > 0].append(piece)
    lower, upper = (_rightwards(edges[side], up) for side in (False, True))
    return UnitEdges(lower, upper, cut)


def _length(line: Float) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _free(points: Float, border: list[BaseGeometry], tolerance_um: float) -> list[Float]:
    """Pieces of a closed outline that do not run along the border; the whole where none does."""
    import shapely

    lines: BaseGeometry = shapely.LineString(points)
    if border:
        lines = shapely.difference(lines, shapely.union_all(border).buffer(tolerance_um))
    pieces = [np.array(g.coords, np.float64) for g in getattr(lines, "geoms", [lines]) if g.length > 0]
    # The outline may begin in the middle of a piece.
    if len(pieces) > 1 and np.allclose(pieces[0][0], pieces[-1][-1]):
        pieces[0] = np.concatenate([pieces.pop(), pieces[0][1:]])
    return pieces


def _without_ends(points: Float) -> list[Float]:
    """The two long sides of a closed outline.

    Either end is what lies farther out along the outline's long axis than all but half of its mean
    breadth, between the outermost corners to both sides there.
    """
    open_ring = points[:-1]
    centre = open_ring.mean(axis=0)
    step = np.roll(open_ring, -1, axis=0) - open_ring
    middle = open_ring + 0.5 * step - centre
    weight = np.hypot(step[:, 0], step[:, 1])
    spread = (middle * weight[:, None]).T @ middle
    axis = np.linalg.eigh(spread)[1][:, -1]
    along = (open_ring - centre) @ axis
    across = (open_ring - centre) @ np.array([-axis[1], axis[0]])
    x, y = open_ring.T
    area = 0.5 * abs(float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum()))
    margin = min(0.5 * area / float(np.ptp(along)), 0.25 * float(np.ptp(along)))
    corners = []
    for near in (along <= along.min() + margin, along >= along.max() - margin):
        end = np.flatnonzero(near)
        corners.append((end[np.argmin(across[end])], end[np.argmax(across[end])]))
    (left_low, left_high), (right_low, right_high) = corners
    sides = []
    for a, b in ((left_low, right_low), (left_high, right_high)):
        one, other = _walk(open_ring, a, b), _walk(open_ring, b, a)
        # Of the two ways round the shorter one does not pass by the other side.
        sides.append(one if _length(one) <= _length(other) else other[::-1])
    # Both as the ring is walked, so that the inside lies to the same hand of both.
    first, second = sides
    return [first, second[::-1]] if _ascends(open_ring, first) else [first[::-1], second]


def _walk(ring: Float, start: int, end: int) -> Float:
    count = (end - start) % len(ring) + 1
    walked: Float = ring[(start + np.arange(count)) % len(ring)]
    return walked


def _ascends(ring: Float, piece: Float) -> bool:
    """Whether a piece is walked as its ring is."""
    start = int(np.flatnonzero((ring == piece[0]).all(axis=1))[0])
    return len(piece) < 2 or bool((ring[(start + 1) % len(ring)] == piece[1]).all())


def _rise(piece: Float, up: tuple[float, float]) -> float:
    """How far a piece of outline looks up: 1, straight up; -1, straight down."""
    ends = piece[-1] - piece[0]
    length = math.hypot(*ends)
    if not length > 0:
        return 0.0
    # The inside lies to the left with y up, that is to the side of (-dy, dx): outside is opposite.
    return float(ends[1] * up[0] - ends[0] * up[1]) / length


def _rightwards(pieces: list[Float], up: tuple[float, float]) -> Float | None:
    """The pieces of one edge as one line from left to right; gaps are bridged straight."""
    if not pieces:
        return None
    right = np.array([-up[1], up[0]])
    turned = [p if float((p[-1] - p[0]) @ right) >= 0 else p[::-1] for p in pieces]
    turned.sort(key=lambda p: float(p[0] @ right))
    return np.concatenate(turned)
