"""Gates as they lie on a plot, and what editing does to them. No Qt: gates in, gates out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.panels.sort.ternary_plane import reweighed
from viewer.science.sort.axes import from_axis, to_axis
from viewer.science.sort.gates import outline_of
from viewer.science.sort.scheme import (
    MAX_VERTICES,
    Axis,
    Ellipse,
    Gate,
    Plot,
    Point,
    Polygon,
    Range,
    Scale,
    Ternary,
)

Points = npt.NDArray[np.float64]
Which = Literal["x", "y"]
End = Literal["low", "high"]

FAR = 1e5
"""Where an open end of a range lies, in axis coordinates: beyond any plot."""

BENT = 12
"""Points along a straight edge that another scale bends."""


@dataclass(frozen=True)
class Seen:
    """A gate as a plot shows it.

    Attributes
    ----------
    points : ndarray [n, 2]
        A closed outline in the plot's axis coordinates; empty for a band.
    band : {"x", "y"} or None
        A range, across or up.
    low, high : float
        Ends of the band.
    own : Gate or None
        The gate on the plot's own axes; None where it cannot be edited there.
    """

    points: Points
    band: Which | None = None
    low: float = 0.0
    high: float = 0.0
    own: Gate | None = None


def turned(gate: Gate) -> Gate:
    """The same gate with its axes swapped."""
    if isinstance(gate, Polygon):
        return Polygon(
            x=gate.y, y=gate.x, points=tuple((y, x) for x, y in gate.points), drawn=gate.drawn
        )
    if isinstance(gate, Ellipse):
        return Ellipse(
            x=gate.y,
            y=gate.x,
            centre=gate.centre[::-1],
            first=gate.first[::-1],
            second=gate.second[::-1],
        )
    return gate


def seen(gate: Gate, plot: Plot) -> Seen | None:
    """How a plot shows a gate; None where it does not."""
    if isinstance(gate, Ternary):
        own = _on_ternary(gate, plot)
        return None if own is None else Seen(np.array(own.points), own=own)
    if plot.x is None or plot.y is None:
        return None
    if isinstance(gate, Range):
        for which, axis in (("x", plot.x), ("y", plot.y)):
            if axis.layer == gate.layer:
                low = -FAR if gate.low is None else _at(gate.low, axis.scale)
                high = FAR if gate.high is None else _at(gate.high, axis.scale)
                return Seen(np.empty((0, 2)), which, low, high, gate)  # type: ignore[arg-type]
        return None
    if not isinstance(gate, Polygon | Ellipse):
        return None
    layers = (plot.x.layer, plot.y.layer)
    if (gate.y.layer, gate.x.layer) == layers:
        gate = turned(gate)
        assert isinstance(gate, Polygon | Ellipse)
    if (gate.x.layer, gate.y.layer) != layers:
        return None
    outline = outline_of(gate)
    if (gate.x, gate.y) == (plot.x, plot.y):
        return Seen(outline, own=gate)
    # Another scale bends the edges: they are drawn bent, and edited where they are straight.
    return Seen(
        np.column_stack(
            [
                _rescaled(column, old.scale, new.scale)
                for column, old, new in zip(
                    _along(outline).T, (gate.x, gate.y), (plot.x, plot.y), strict=True
                )
            ]
        )
    )


def plot_of(gate: Gate) -> Plot | None:
    """The plot that a gate was drawn in; None for one that is of no plot of its own."""
    if isinstance(gate, Polygon | Ellipse):
        return Plot(x=gate.x, y=gate.y)
    if isinstance(gate, Ternary):
        return Plot(ternary=(gate.a, gate.b, gate.c), weights=gate.weights)
    return None


def outlined(plot: Plot, points: Points, drawn: Literal["lasso", "polygon"]) -> Gate | None:
    """A gate of an outline [n, 2] drawn in a plot; None where it encloses nothing."""
    if len(points) < 3 or _area(points) == 0.0:
        return None
    corners = tuple((float(x), float(y)) for x, y in points)
    if plot.ternary is not None:
        a, b, c = plot.ternary
        return Ternary(a=a, b=b, c=c, weights=plot.weights, points=corners, drawn=drawn)
    x, y = two_axes(plot)
    return Polygon(x=x, y=y, points=corners, drawn=drawn)


def ellipse_in(plot: Plot, one: Point, other: Point) -> Gate | None:
    """The ellipse in a box given by two corners; None where that is flat or the plot a ternary one."""
    if plot.x is None or plot.y is None:
        return None
    half = (abs(other[0] - one[0]) / 2.0, abs(other[1] - one[1]) / 2.0)
    if half[0] * half[1] == 0.0:
        return None
    return Ellipse(
        x=plot.x,
        y=plot.y,
        centre=((one[0] + other[0]) / 2.0, (one[1] + other[1]) / 2.0),
        first=(half[0], 0.0),
        second=(0.0, half[1]),
    )


def range_on(plot: Plot, which: Which, one: float, other: float, grain: float) -> Gate | None:
    """A range between two axis coordinates; None where nothing lies between.

    Parameters
    ----------
    grain : float
        Axis coordinates to a pixel: values are rounded to what the screen can tell apart.
    """
    axis = plot.x if which == "x" else plot.y
    if axis is None or one == other:
        return None
    low, high = sorted((one, other))
    first, last = (_value(v, axis.scale, grain) for v in (low, high))
    return Range(layer=axis.layer, low=first, high=last) if first < last else None


# -- editing, on the plot's own axes ---------------------------------------------------------------


def handles(gate: Gate) -> Points:
    """Points [n, 2] that can be dragged."""
    if isinstance(gate, Polygon | Ternary):
        return np.array(gate.points, dtype=np.float64)
    if isinstance(gate, Ellipse):
        centre = np.array(gate.centre)
        first, second = np.array(gate.first), np.array(gate.second)
        return np.stack([centre + first, centre + second, centre - first, centre - second])
    return np.empty((0, 2))


def with_handle(gate: Gate, index: int, to: Point) -> Gate:
    """The gate with one handle dragged; as it was where it would enclose nothing."""
    if isinstance(gate, Polygon | Ternary):
        points = list(gate.points)
        points[index] = to
        return _with_points(gate, points)
    if isinstance(gate, Ellipse):
        sign = 1.0 if index < 2 else -1.0
        arm = (sign * (to[0] - gate.centre[0]), sign * (to[1] - gate.centre[1]))
        first, second = (arm, gate.second) if index % 2 == 0 else (gate.first, arm)
        if first[0] * second[1] == first[1] * second[0]:
            return gate
        return msgspec.structs.replace(gate, first=first, second=second)
    return gate


def with_end(gate: Gate, plot: Plot, end: End, to: float, grain: float) -> Gate:
    """A range with one end dragged to an axis coordinate."""
    if not isinstance(gate, Range):
        return gate
    axis = plot.x if plot.x is not None and plot.x.layer == gate.layer else plot.y
    assert axis is not None, "the range is on the plot"
    value = _value(to, axis.scale, grain)
    other = gate.high if end == "low" else gate.low
    if other is not None and (value >= other if end == "low" else value <= other):
        return gate
    return msgspec.structs.replace(gate, **{end: value})


def shifted(gate: Gate, plot: Plot, dx: float, dy: float, per_px: Point) -> Gate:
    """The gate moved as a whole, in axis coordinates."""
    if isinstance(gate, Polygon | Ternary):
        return _with_points(gate, [(x + dx, y + dy) for x, y in gate.points])
    if isinstance(gate, Ellipse):
        return msgspec.structs.replace(gate, centre=(gate.centre[0] + dx, gate.centre[1] + dy))
    if isinstance(gate, Range):
        across = plot.x is not None and plot.x.layer == gate.layer
        axis = plot.x if across else plot.y
        assert axis is not None, "the range is on the plot"
        by, grain = (dx, per_px[0]) if across else (dy, per_px[1])
        ends = [
            None if v is None else _value(_at(v, axis.scale) + by, axis.scale, grain)
            for v in (gate.low, gate.high)
        ]
        if ends[0] is not None and ends[1] is not None and ends[0] >= ends[1]:
            return gate
        return msgspec.structs.replace(gate, low=ends[0], high=ends[1])
    return gate


def with_vertex(gate: Gate, edge: int, at: Point) -> Gate:
    """The gate with a vertex more, on the edge that begins at vertex `edge`."""
    if isinstance(gate, Polygon | Ternary) and len(gate.points) < MAX_VERTICES:
        points = list(gate.points)
        points.insert(edge + 1, at)
        return _with_points(gate, points)
    return gate


def without_vertex(gate: Gate, index: int) -> Gate:
    """The gate with a vertex less; as it was where only three are left."""
    if isinstance(gate, Polygon | Ternary) and len(gate.points) > 3:
        points = list(gate.points)
        del points[index]
        return _with_points(gate, points)
    return gate


# -- lasso -----------------------------------------------------------------------------------------


class Trail:
    """Points of a freehand line of which those are left out that do not change its picture.

    What is drawn and what is kept is the same line; it lies within `tolerance` of every point that the
    pointer went through.
    """

    def __init__(self, tolerance: float = 0.5) -> None:
        self._tolerance = tolerance
        self._run: list[Point] = []
        self.kept: list[Point] = []

    def add(self, at: Point) -> bool:
        """Take the next position (pixels); True where the line is another now."""
        if self.kept and at == self.kept[-1]:
            return False
        if len(self.kept) < 2 or len(self.kept) >= MAX_VERTICES - 1:
            if len(self.kept) < MAX_VERTICES - 1:
                self.kept.append(at)
                self._run = [at]
                return True
            return False
        if self._straight(at):
            self.kept[-1] = at
        else:
            self._run = []
            self.kept.append(at)
        self._run.append(at)
        return True

    def _straight(self, to: Point) -> bool:
        """True where all points since the last corner lie on the line from it to `to`, in order."""
        ax, ay = self.kept[-2]
        dx, dy = to[0] - ax, to[1] - ay
        length = (dx * dx + dy * dy) ** 0.5
        if length == 0.0:
            return False
        past = 0.0
        for x, y in self._run:
            along = ((x - ax) * dx + (y - ay) * dy) / length
            if along < past - 1e-9 or along > length:
                return False
            if abs((x - ax) * dy - (y - ay) * dx) / length > self._tolerance:
                return False
            past = along
        return True


# -- parts -----------------------------------------------------------------------------------------


def _with_points(gate: Polygon | Ternary, points: list[Point]) -> Gate:
    moved = np.array(points, dtype=np.float64)
    if _area(moved) == 0.0 or not np.isfinite(moved).all():
        return gate
    return msgspec.structs.replace(
        gate, points=tuple((float(x), float(y)) for x, y in points), drawn="polygon"
    )


def _on_ternary(gate: Ternary, plot: Plot) -> Ternary | None:
    if plot.ternary is None or set(plot.ternary) != {gate.a, gate.b, gate.c}:
        return None
    old = (gate.a, gate.b, gate.c)
    if plot.ternary == old and plot.weights == gate.weights:
        return gate
    order = [old.index(name) for name in plot.ternary]
    new = dict(zip(plot.ternary, plot.weights, strict=True))
    factors = [new[name] / weight for name, weight in zip(old, gate.weights, strict=True)]
    points = reweighed(np.array(gate.points), factors, order)
    if points is None:
        return None
    a, b, c = plot.ternary
    return Ternary(
        a=a,
        b=b,
        c=c,
        weights=plot.weights,
        points=tuple((float(x), float(y)) for x, y in points),
        drawn=gate.drawn,
    )


def _at(value: float, scale: Scale) -> float:
    at = float(to_axis(np.array([value]), scale)[0])
    return at if np.isfinite(at) else -FAR


def _value(at: float, scale: Scale, grain: float) -> float:
    """Value at an axis coordinate, rounded to a tenth of what a pixel spans there."""
    ends = from_axis(np.array([at, at + grain]), scale)
    value, step = float(ends[0]), abs(float(ends[1] - ends[0]))
    if not 0.0 < step < np.inf:
        return value
    return round(value, int(1 - np.floor(np.log10(step))))


def _rescaled(column: Points, old: Scale, new: Scale) -> Points:
    moved = to_axis(from_axis(column, old), new)
    return np.where(np.isfinite(moved), moved, -FAR)


def _along(outline: Points) -> Points:
    """An outline with points along its edges."""
    following = np.roll(outline, -1, axis=0)
    part = (np.arange(BENT) / BENT)[None, :, None]
    return np.asarray(
        (outline[:, None, :] + part * (following - outline)[:, None, :]).reshape(-1, 2)
    )


def _area(points: Points) -> float:
    """0 where all points lie on one line (a figure of eight has none either, but is not flat)."""
    away = points - points[0]
    scale = np.abs(away).max(axis=0)
    if not (scale > 0).all():
        return 0.0
    unit = away / scale
    return float(np.linalg.svd(unit, compute_uv=False)[-1] > 1e-12)


def two_axes(plot: Plot) -> tuple[Axis, Axis]:
    """The axes of a plot across and up; ValueError for a ternary one."""
    if plot.x is None or plot.y is None:
        raise ValueError("a ternary plot has no two axes")
    return plot.x, plot.y


def layers_on(plot: Plot) -> tuple[str, ...]:
    """Names of the layers that a plot shows."""
    return plot.ternary if plot.ternary is not None else tuple(a.layer for a in two_axes(plot))
