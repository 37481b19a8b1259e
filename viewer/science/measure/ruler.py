"""The ruler: lengths, angles and thicknesses drawn on a map, each with its uncertainty.

Everything is in µm on the stored map, x right and y down. Angles are in degrees.

Where the uncertainty comes from
--------------------------------
Each end is a point that someone placed, and has a covariance over x and y:

* for an end placed by hand the standard uncertainty along each axis is
  ``sqrt(pixel**2 / 12 + (placement * pixel)**2)``: the pixel grid gives a position only to within a
  pixel, a rectangular distribution of half-width ``pixel / 2`` whose standard deviation is
  ``pixel / sqrt(12)`` (JCGM 100:2008, 4.3.7 and F.2.2.1), and the hand adds `placement` pixels, half
  a pixel unless the user says otherwise;
* an end snapped to an edge has moved along one direction d until it met the edge. Along d it has the
  standard error of the fit, which works between pixels; across d it is still where the hand put it,
  and where the edge is tilted against d that carries it along the edge. With n the unit vector across
  d and v = n + tilt * d, which points along the edge, the covariance is
  ``error**2 * d d' + (n' H n) * v v'``, H being that of a placement by hand.

Ends are taken as independent and are propagated to first order with these covariances (JCGM
100:2008, 5.1.2; JCGM 102:2011, 6.2, for more than one dimension). The interval is the reading plus
and minus 1.96 standard uncertainties, 95 % for a normal distribution.

Misplaced ends lengthen a line: an end off to the side by sigma adds sigma**2 / (2 d) to a distance
d on average, and every segment of a polyline suffers the same. Lengths are corrected for it (JCGM
100:2008, 3.2.4) by ``sqrt(d**2 - sigma_side**2)`` a segment (Gudbjartsson and Patz 1995,
doi:10.1002/mrm.1910340618); `Reading.drawn` keeps the length as it is drawn and `Reading.bias` what
was taken off. It matters only for segments of a few pixels; below about four pixels the direction
of a line is itself in doubt and its interval is too narrow.

The intervals do not cover an error of the pixel size itself, the choice of what to measure, an edge
that bends within a pixel or two of a snapped end, or how far a straight line between two points
departs from the contact that it stands for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, Literal

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

Float = npt.NDArray[np.float64]
Point = tuple[float, float]
Kind = Literal["distance", "polyline", "angle", "perpendicular", "thickness"]

COVERAGE = 1.959963984540054
"""Standard uncertainties either side that hold 95 % of a normal distribution."""

TABLE = 1 << 18
"""Entries of a table of stations by segments that is worked on at once."""

MAX_STATIONS = 2000
"""Most places at which a thickness is read."""


class Snap(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is known of an end that was moved onto an edge.

    Attributes
    ----------
    error_um : float
        Standard error of the end along `direction` (µm), zero or more.
    direction : (float, float)
        Unit vector (x, y) on the stored map, counted in µm, along which the end was moved.
    tilt : float
        How far the edge runs along `direction` for each µm across it, towards (-y, x) of
        `direction`; 0 where the edge lies square to it.
    """

    error_um: float
    direction: tuple[float, float]
    tilt: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.error_um) and self.error_um >= 0):
            raise InputError("The error of a snapped end must be zero or more.", where="ruler")
        # A NaN fails this comparison too.
        if not abs(math.hypot(*self.direction) - 1.0) <= 1e-6:
            raise InputError("The direction of a snapped end has the length one.", where="ruler")
        if not math.isfinite(self.tilt):
            raise InputError("The tilt of a snapped end's edge must be a number.", where="ruler")


class Placement(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How well an end's position is known.

    Attributes
    ----------
    pixel_um : (float, float)
        Width and height of a pixel (µm).
    hand_px : float
        Standard deviation, in pixels along each axis, with which a hand places an end.
    """

    pixel_um: tuple[float, float]
    hand_px: Annotated[float, msgspec.Meta(ge=0)] = 0.5

    def __post_init__(self) -> None:
        if not all(math.isfinite(p) and p > 0 for p in self.pixel_um):
            raise InputError("The pixel size must be above zero.", where="ruler")
        if not (math.isfinite(self.hand_px) and self.hand_px >= 0):
            raise InputError("The placement of an end must be zero or more pixels.", where="ruler")

    def variance(self) -> Point:
        """Variance, along x and along y (µm²), of an end placed by hand."""
        spread = 1.0 / 12.0 + self.hand_px**2
        return (spread * self.pixel_um[0] ** 2, spread * self.pixel_um[1] ** 2)

    def covariance(self, snap: Snap | None = None) -> Float:
        """Covariance of an end over x and y (µm²), ``float64[2, 2]``.

        Parameters
        ----------
        snap : Snap or None
            Of a snapped end; None for one placed by hand.
        """
        hand = np.diag(self.variance())
        if snap is None:
            return hand
        along = np.array(snap.direction)
        across = np.array([-along[1], along[0]])
        edge = across + snap.tilt * along
        spread = float(across @ hand @ across)
        result: Float = snap.error_um**2 * np.outer(along, along) + spread * np.outer(edge, edge)
        return result


class Reading(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What a ruler reads.

    Attributes
    ----------
    kind : str
        Kind of reading, as in the registry.
    value, low, high : float
        The reading and the ends of its interval, in `unit`.
    uncertainty_kind : str
        What `low` and `high` are.
    unit : {"µm", "°"}
    n : int
        Readings that `value` rests on: 1; segments of a polyline; stations of a thickness.
    method : str
        How it was made, for the ledger and the methods text.
    excluded : str
        What was left out, and how much of it; empty where nothing was.
    standard_uncertainty : float
        One standard uncertainty, in `unit`.
    drawn : float
        The reading before the correction for bias, in `unit`.
    bias : float
        What misplaced ends are expected to add, in `unit`; already taken off `value`.
    mean, minimum, maximum, sd : float or None
        Thickness alone (µm): over the stations. The spread holds the unevenness of the drawing as
        well as that of the rock. None for other kinds, and `sd` for a single station.
    spacing : float or None
        Thickness alone: distance between stations along the mid-line (µm).
    """

    kind: Kind
    value: float
    low: float
    high: float
    unit: Literal["µm", "°"]
    n: int
    method: str
    standard_uncertainty: float
    drawn: float
    bias: float = 0.0
    uncertainty_kind: str = "95 % interval"
    excluded: str = ""
    mean: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    sd: float | None = None
    spacing: float | None = None

    def text(self) -> str:
        """The reading as it is printed: ``1.234 ± 0.012 mm``."""
        if self.unit == "°":
            return format_angle(self.value, self.low, self.high)
        return format_length(self.value, self.low, self.high)

    def detail(self) -> dict[str, float | None]:
        """Numbers beside the reading itself, by column name with the unit in it."""
        unit = "um" if self.unit == "µm" else "deg"
        columns: dict[str, float | None] = {
            f"standard_uncertainty_{unit}": self.standard_uncertainty,
            f"drawn_{unit}": self.drawn,
            f"bias_{unit}": self.bias,
        }
        if self.kind == "thickness":
            columns |= {
                "mean_um": self.mean,
                "minimum_um": self.minimum,
                "maximum_um": self.maximum,
                "sd_um": self.sd,
                "spacing_um": self.spacing,
            }
        return columns


# --- the kinds --------------------------------------------------------------------------------


def distance(
    a: Point, b: Point, placement: Placement, *, snaps: Sequence[Snap | None] = ()
) -> Reading:
    """Straight distance between two points.

    Parameters
    ----------
    a, b : (float, float)
        The ends (µm).
    placement : Placement
        How well ends are known.
    snaps : sequence of Snap or None
        What is known of each snapped end, None for one placed by hand; empty: all by hand.

    Raises
    ------
    InputError
        A coordinate is not finite, or the ends are one point.
    """
    points, covariance = _ends([a, b], placement, snaps)
    return _length("distance", points, covariance, "Distance between two points", placement, snaps)


def polyline(
    points: Sequence[Point], placement: Placement, *, snaps: Sequence[Snap | None] = ()
) -> Reading:
    """Length of a line through two or more points. Parameters as for `distance`.

    A curve drawn with few points is cut short; that is not in the interval.

    Raises
    ------
    InputError
        Fewer than two points, a coordinate that is not finite, or no length.
    """
    ends, covariance = _ends(points, placement, snaps, fewest=2)
    method = f"Length of a line through {len(ends)} points"
    return _length("polyline", ends, covariance, method, placement, snaps)


def angle(
    a: Point,
    vertex: Point,
    b: Point,
    placement: Placement,
    *,
    snaps: Sequence[Snap | None] = (),
) -> Reading:
    """Angle at `vertex` between the arms to `a` and to `b`, 0 to 180 degrees.

    An end that is off to the side by s turns an arm of length L by s / L. The snaps of the
    ends come in the order a, vertex, b. Within its own uncertainty of 0 or 180 degrees the reading
    is folded there and its interval, cut off at those ends, holds more than 95 %.

    Raises
    ------
    InputError
        An arm has no length, or a coordinate is not finite.
    """
    points, covariance = _ends([a, vertex, b], placement, snaps)
    arms = points[[0, 2]] - points[1]
    lengths = np.hypot(arms[:, 0], arms[:, 1])
    if not (lengths > 0).all():
        raise InputError(
            "An arm of the angle has no length.", where="angle", hint="Move its end off the vertex."
        )
    cross = arms[0, 0] * arms[1, 1] - arms[0, 1] * arms[1, 0]
    value = math.degrees(math.atan2(abs(cross), float(arms[0] @ arms[1])))
    # Turning rate of each arm for a shift of its far end along x and y.
    turn = np.stack([-arms[:, 1], arms[:, 0]], axis=1) / lengths[:, None] ** 2
    gradient = np.stack([-turn[0], turn[0] - turn[1], turn[1]])
    u = math.degrees(_propagated(gradient, covariance))
    return Reading(
        kind="angle",
        value=value,
        low=max(0.0, value - COVERAGE * u),
        high=min(180.0, value + COVERAGE * u),
        unit="°",
        n=1,
        method="Angle between two arms. " + _model(placement, snaps, 3),
        standard_uncertainty=u,
        drawn=value,
    )


def perpendicular(
    line_a: Point,
    line_b: Point,
    point: Point,
    placement: Placement,
    *,
    snaps: Sequence[Snap | None] = (),
) -> Reading:
    """Distance from `point` to the straight line through `line_a` and `line_b`, prolonged.

    The snaps of the ends come in the order line_a, line_b, point. Where the foot of the
    perpendicular lies beyond the line's ends the uncertainty grows with the prolongation.

    Raises
    ------
    InputError
        The line has no length, or a coordinate is not finite.
    """
    points, covariance = _ends([line_a, line_b, point], placement, snaps)
    along = points[1] - points[0]
    length = math.hypot(*along)
    if not length > 0:
        raise InputError("The line has no length.", where="perpendicular", hint="Move one end.")
    normal = np.array([-along[1], along[0]]) / length
    offset = points[2] - points[0]
    foot = float(offset @ along) / length**2
    value = abs(float(offset @ normal))
    gradient = np.stack([-(1 - foot) * normal, -foot * normal, normal])
    u = _propagated(gradient, covariance)
    beyond = "" if 0 <= foot <= 1 else " The foot lies on the line's prolongation."
    return Reading(
        kind="perpendicular",
        value=value,
        low=max(0.0, value - COVERAGE * u),
        high=value + COVERAGE * u,
        unit="µm",
        n=1,
        method="Perpendicular distance from a point to a straight line."
        f"{beyond} {_model(placement, snaps, 3)}",
        standard_uncertainty=u,
        drawn=value,
    )


def thickness(
    first: Sequence[Point],
    second: Sequence[Point],
    placement: Placement,
    *,
    snaps: Sequence[Snap | None] = (),
    spacing_um: float | None = None,
) -> Reading:
    """Thickness between two drawn lines, measured normal to their mid-line at even spacing.

    The mid-line is drawn halfway between the two lines. At stations along it a normal is raised;
    the thickness there is the length of the normal between its crossings with the two lines. The
    direction of the mid-line is that of a chord about as long as the layer is thick, so that small
    steps of the drawing do not tilt it. `Reading.value` is the mean over the stations.

    Its interval covers where the points of the lines were placed, each point shifting its two
    segments; it is about the mean of this stretch, not about the layer elsewhere.

    Parameters
    ----------
    first, second : sequence of (float, float)
        The lines (µm), each of two or more points, drawn in either direction.
    placement : Placement
        How well points are known.
    snaps : sequence of Snap or None
        Of each snapped point, those of `first` and then those of `second`.
    spacing_um : float, optional
        Distance between stations (µm). Left out: one pixel, or wider so that there are at most
        `MAX_STATIONS` / 10.

    Returns
    -------
    Reading
        With `mean`, `minimum`, `maximum`, `sd` and `spacing`.

    Raises
    ------
    InputError
        A line has no length or fewer than two points, the lines lie nowhere opposite each other, or
        the spacing asks for more than `MAX_STATIONS` stations.
    """
    count = len(first)
    points, covariance = _ends([*first, *second], placement, snaps, fewest=4)
    lines = (points[:count], points[count:])
    for line, which in zip(lines, ("first", "second"), strict=True):
        if len(line) < 2 or not _arc(line)[-1] > 0:
            raise InputError(
                f"The {which} line has no length.",
                where="thickness",
                hint="Draw two points or more along each contact.",
            )
    middle = _middle(*lines)
    length = float(_arc(middle)[-1])
    if not length > 0:
        raise InputError(
            "The two lines have no mid-line.", where="thickness", hint="Draw them side by side."
        )
    spacing = spacing_um
    if spacing is None:
        spacing = max(min(placement.pixel_um), length / (MAX_STATIONS / 10))
    if not (math.isfinite(spacing) and spacing > 0):
        raise InputError("The spacing must be above zero.", where="thickness")
    stations = max(1, int(length / spacing))
    if stations > MAX_STATIONS:
        raise InputError(
            f"The spacing asks for {stations} stations; {MAX_STATIONS} are allowed.",
            where="thickness",
            hint=f"Take a spacing of {length / MAX_STATIONS:.3g} µm or more.",
        )
    # Stations sit at the middles of their shares of the mid-line.
    at: Float = (np.arange(stations, dtype=np.float64) + 0.5) * (length / stations)
    base, normals = _stations(middle, at, lines)
    sides = [_crossings(base, normals, line) for line in lines]
    span = sides[1].reach - sides[0].reach
    met = np.isfinite(span)
    if not met.any():
        raise InputError(
            "The two lines lie nowhere opposite each other.",
            where="thickness",
            hint="Draw them along the same stretch.",
        )
    sign = 1.0 if np.median(span[met]) >= 0 else -1.0
    signed = sign * span
    used = met & (signed >= 0)
    values = signed[used]
    mean = float(values.mean())
    gradient = np.zeros_like(points)
    for side, start, direction in ((sides[0], 0, -sign), (sides[1], count, sign)):
        np.add.at(gradient, start + side.segment[used], direction * side.near[used])
        np.add.at(gradient, start + side.segment[used] + 1, direction * side.far[used])
    gradient /= len(values)
    u = _propagated(gradient, covariance)
    return Reading(
        kind="thickness",
        value=mean,
        low=max(0.0, mean - COVERAGE * u),
        high=mean + COVERAGE * u,
        unit="µm",
        n=len(values),
        method="Mean thickness between two drawn lines, normal to their mid-line, at "
        f"{len(values)} stations {length / stations:.4g} µm apart. "
        "The interval covers the placing of the lines' points, not how the thickness varies. "
        + _model(placement, snaps, len(points)),
        excluded=_left_out(int((~met).sum()), int((met & ~used).sum()), stations),
        standard_uncertainty=u,
        drawn=mean,
        mean=mean,
        minimum=float(values.min()),
        maximum=float(values.max()),
        sd=float(values.std(ddof=1)) if len(values) > 1 else None,
        spacing=length / stations,
    )


def read(
    kind: Kind,
    points: Sequence[Point],
    placement: Placement,
    *,
    second: Sequence[Point] = (),
    snaps: Sequence[Snap | None] = (),
    spacing_um: float | None = None,
) -> Reading:
    """Read a mark of any kind.

    Parameters
    ----------
    kind : str
        A kind of the ruler.
    points : sequence of (float, float)
        ``distance``: two ends. ``polyline``: two or more. ``angle``: end, vertex, end.
        ``perpendicular``: the line's two ends, then the point. ``thickness``: the first line.
    placement, snaps, spacing_um
        As for the kind's own function; `snaps` runs over `points` and then `second`.
    second : sequence of (float, float)
        The second line of a thickness.

    Raises
    ------
    InputError
        The number of points does not suit the kind, or as the kind's own function.
    """
    wanted = {"distance": 2, "angle": 3, "perpendicular": 3}.get(kind)
    if wanted is not None and len(points) != wanted:
        raise InputError(f"It takes {wanted} points, not {len(points)}.", where=kind)
    if kind == "distance":
        return distance(points[0], points[1], placement, snaps=snaps)
    if kind == "polyline":
        return polyline(points, placement, snaps=snaps)
    if kind == "angle":
        return angle(points[0], points[1], points[2], placement, snaps=snaps)
    if kind == "perpendicular":
        return perpendicular(points[0], points[1], points[2], placement, snaps=snaps)
    if kind == "thickness":
        return thickness(points, second, placement, snaps=snaps, spacing_um=spacing_um)
    raise InputError(f"The ruler has no reading called {kind!r}.", where="ruler")


# --- printing ---------------------------------------------------------------------------------


def format_length(value: float, low: float, high: float) -> str:
    """A length as it is printed, in mm from 1000 µm: ``1.234 ± 0.012 mm``.

    The uncertainty has two significant digits and the value as many places (JCGM 100:2008, 7.2.6).
    An interval that is not even about the value is written out: ``0.8 µm (0.0 to 2.1)``. Without
    an interval, or with one of no width, the value has four significant digits.

    Parameters
    ----------
    value, low, high : float
        µm.
    """
    if abs(value) >= 1000:
        return _format(value / 1000, low / 1000, high / 1000, " mm")
    return _format(value, low, high, " µm")


def format_angle(value: float, low: float, high: float) -> str:
    """An angle in degrees as it is printed: ``34.2 ± 1.3°``; rules as for `format_length`."""
    return _format(value, low, high, "°")


def format_percent(value: float, low: float, high: float, unit: str = "%") -> str:
    """A proportion as it is printed: ``34.2 ± 1.3 area %``; rules as for `format_length`."""
    return _format(value, low, high, f" {unit}" if unit else "")


def _format(value: float, low: float, high: float, unit: str) -> str:
    below, above = value - low, high - value
    reach = max(below, above)
    if not (math.isfinite(reach) and reach > 0):
        return f"{_significant(value, 4)}{unit}"
    places = _places(reach, 2)
    v, u = _fixed(value, places), _fixed(reach, places)
    if abs(above - below) > 0.1 * reach:
        return f"{v}{unit} ({_fixed(low, places)} to {_fixed(high, places)})"
    return f"{v} ± {u}{unit}"


def _places(x: float, digits: int) -> int:
    """Decimal places at which `x`, once rounded, shows `digits` significant digits."""
    if x == 0 or not math.isfinite(x):
        return 0
    # The exponent is read off the rounded number, so that 0.0996 counts as 0.10.
    exponent = int(f"{abs(x):.{digits - 1}e}".split("e")[1])
    return digits - 1 - exponent


def _fixed(x: float, places: int) -> str:
    if places <= 0:
        return f"{round(x, places):.0f}"
    return f"{x:.{places}f}"


def _significant(x: float, digits: int) -> str:
    return _fixed(x, _places(x, digits))


# --- helpers ----------------------------------------------------------------------------------


def _ends(
    points: Sequence[Point],
    placement: Placement,
    snaps: Sequence[Snap | None],
    *,
    fewest: int = 0,
) -> tuple[Float, Float]:
    """Points, ``float64[n, 2]`` (x, y), and the covariance of each, ``float64[n, 2, 2]``."""
    if len(points) < fewest:
        raise InputError(f"It takes {fewest} points or more, not {len(points)}.", where="ruler")
    if snaps and len(snaps) != len(points):
        raise InputError(f"{len(points)} points have {len(snaps)} snaps.", where="ruler")
    ends = np.array(points, dtype=np.float64).reshape(-1, 2)
    if not np.isfinite(ends).all():
        raise InputError("A point has no position.", where="ruler")
    spread = [placement.covariance(snap) for snap in snaps or [None] * len(points)]
    return ends, np.array(spread, dtype=np.float64).reshape(-1, 2, 2)


def _propagated(gradient: Float, covariance: Float) -> float:
    """Standard uncertainty of a reading from independent points.

    Parameters
    ----------
    gradient : float64[n, 2]
        Change of the reading for a shift of each point along x and y.
    covariance : float64[n, 2, 2]
        Of each point (µm²).
    """
    total = float(np.einsum("ni,nij,nj->", gradient, covariance, gradient))
    # Rounding may leave a whisker below zero where the gradient lies across all that is uncertain.
    return math.sqrt(max(total, 0.0))


def _model(placement: Placement, snaps: Sequence[Snap | None], points: int) -> str:
    """The sentence of the methods text that says how well the ends are known."""
    snapped = sum(snap is not None for snap in snaps)
    hand = f"{placement.hand_px:g} px (SD an axis) on the pixel grid"
    parts = []
    if snapped < points:
        parts.append(f"{points - snapped} placed by hand to {hand}")
    if snapped:
        parts.append(
            f"{snapped} snapped to an edge taken as straight there, with the fit's standard error "
            f"along the direction of the snap and, along the edge, where the hand put it to {hand}"
        )
    return f"Ends: {'; '.join(parts)}. First-order propagation, normal 95 % interval."


def _length(
    kind: Kind,
    points: Float,
    covariance: Float,
    method: str,
    placement: Placement,
    snaps: Sequence[Snap | None],
) -> Reading:
    steps = np.diff(points, axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    drawn = float(lengths.sum())
    if not drawn > 0:
        raise InputError("All points are in one place.", where=kind, hint="Move one end.")
    # A segment without length has no direction and pulls its ends neither way.
    unit = np.divide(steps, lengths[:, None], out=np.zeros_like(steps), where=lengths[:, None] > 0)
    gradient = np.zeros_like(points)
    gradient[:-1] -= unit
    gradient[1:] += unit
    u = _propagated(gradient, covariance)
    normal = np.stack([-unit[:, 1], unit[:, 0]], axis=1)
    side = np.einsum("ni,nij,nj->n", normal, covariance[:-1] + covariance[1:], normal)
    value = float(np.sqrt(np.maximum(lengths**2 - side, 0.0)).sum())
    return Reading(
        kind=kind,
        value=value,
        low=max(0.0, value - COVERAGE * u),
        high=value + COVERAGE * u,
        unit="µm",
        n=len(steps),
        method=f"{method}, less the {drawn - value:.2g} µm that misplaced ends add on average. "
        + _model(placement, snaps, len(points)),
        standard_uncertainty=u,
        drawn=drawn,
        bias=drawn - value,
    )


def _arc(line: Float) -> Float:
    """Distance along a line at each of its points, ``float64[n]``."""
    steps = np.diff(line, axis=0)
    arc = np.zeros(len(line), dtype=np.float64)
    np.cumsum(np.hypot(steps[:, 0], steps[:, 1]), out=arc[1:])
    return arc


def _along(line: Float, at: Float) -> Float:
    """Points at the distances `at` along a line, ``float64[len(at), 2]``."""
    arc = _arc(line)
    return np.stack([np.interp(at, arc, line[:, 0]), np.interp(at, arc, line[:, 1])], axis=1)


def _middle(first: Float, second: Float) -> Float:
    """The line halfway between two lines.

    Starts from the middles of points at equal shares of both lengths, then moves each of its points
    to the middle of its own normal, twice, so that points spaced unlike on the two lines do not
    bend it.
    """
    same = np.hypot(*(first[0] - second[0])) + np.hypot(*(first[-1] - second[-1]))
    crossed = np.hypot(*(first[0] - second[-1])) + np.hypot(*(first[-1] - second[0]))
    if crossed < same:
        second = second[::-1]
    count = min(400, max(33, 4 * (len(first) + len(second)))) | 1
    share = np.linspace(0.0, 1.0, count)
    middle = 0.5 * (
        _along(first, share * _arc(first)[-1]) + _along(second, share * _arc(second)[-1])
    )
    for _ in range(2):
        length = float(_arc(middle)[-1])
        if not length > 0:
            return middle
        at = np.asarray(share * length, dtype=np.float64)
        base, normals = _stations(middle, at, (first, second))
        a = _crossings(base, normals, first).reach
        b = _crossings(base, normals, second).reach
        shift = 0.5 * (a + b)
        known = np.isfinite(shift)
        if known.sum() < 2:
            return middle
        # Beyond the last normal that meets both lines there is no middle to be had.
        middle = base[known] + shift[known, None] * normals[known]
    return middle


def _stations(middle: Float, at: Float, lines: tuple[Float, Float]) -> tuple[Float, Float]:
    """Points at the distances `at` along the mid-line, and its unit normals there.

    The direction is that of the chord over half a thickness either way; towards the mid-line's
    ends the chord shrinks evenly, so that it stays parallel to a curve of constant bend.
    """
    length = _arc(middle)[-1]
    half = np.minimum(0.5 * _apart(*lines), np.minimum(at, length - at))
    half = np.maximum(half, 1e-3 * length)
    before, after = np.maximum(at - half, 0.0), np.minimum(at + half, length)
    chord = _along(middle, after) - _along(middle, before)
    size = np.hypot(chord[:, 0], chord[:, 1])
    whole = middle[-1] - middle[0]
    chord = np.where((size > 0)[:, None], chord, whole)
    size = np.where(size > 0, size, max(float(np.hypot(*whole)), np.finfo(float).tiny))
    direction = chord / size[:, None]
    normals = np.stack([-direction[:, 1], direction[:, 0]], axis=1)
    return _along(middle, at), normals


def _apart(first: Float, second: Float) -> float:
    """Rough gap between two lines: median distance of the first's points from the second's."""
    probes = _along(first, np.linspace(0.0, _arc(first)[-1], 17))
    targets = _along(second, np.linspace(0.0, _arc(second)[-1], 65))
    offsets = probes[:, None] - targets[None]
    return float(np.median(np.hypot(offsets[..., 0], offsets[..., 1]).min(axis=1)))


class _Crossings(msgspec.Struct, frozen=True):
    """Where each station's normal meets a line.

    ``reach`` float64[n], distance along the normal (NaN: it does not meet the line); ``segment``
    int64[n]; ``near``, ``far`` float64[n, 2], change of the reach for a shift of the segment's
    first and second point along x and y.
    """

    reach: Float
    segment: npt.NDArray[np.int64]
    near: Float
    far: Float


def _crossings(base: Float, normals: Float, line: Float) -> _Crossings:
    """Nearest crossing of each normal, prolonged both ways, with a line."""
    # A long line is taken with a few stations at a time, to bound the station-by-segment tables.
    few = max(1, TABLE // len(line))
    parts = [
        _crossings_of_few(base[i : i + few], normals[i : i + few], line)
        for i in range(0, len(base), few)
    ]
    return _Crossings(
        reach=np.concatenate([p.reach for p in parts]),
        segment=np.concatenate([p.segment for p in parts]),
        near=np.concatenate([p.near for p in parts]),
        far=np.concatenate([p.far for p in parts]),
    )


def _crossings_of_few(base: Float, normals: Float, line: Float) -> _Crossings:
    step = np.diff(line, axis=0)
    offset = line[None, :-1] - base[:, None]
    # base + t * normal = start + f * step, solved for t and f for every station and segment.
    across = normals[:, None, 0] * step[None, :, 1] - normals[:, None, 1] * step[None, :, 0]
    # Only a segment at an angle to the normal can be crossed.
    tilt = np.hypot(step[:, 0], step[:, 1])[None]
    crossing = np.abs(across) > 1e-9 * tilt
    safe = np.where(crossing, across, 1.0)
    t = (offset[..., 0] * step[None, :, 1] - offset[..., 1] * step[None, :, 0]) / safe
    f = (offset[..., 0] * normals[:, None, 1] - offset[..., 1] * normals[:, None, 0]) / safe
    hit = crossing & (f >= -1e-12) & (f <= 1 + 1e-12)
    reach = np.where(hit, t, np.inf)
    segment = np.argmin(np.abs(reach), axis=1)
    rows = np.arange(len(base))
    found = hit[rows, segment]
    share = np.clip(f[rows, segment], 0.0, 1.0)
    edge = np.stack([step[:, 1], -step[:, 0]], axis=1)[segment]
    # Shifting the segment by a vector s moves the crossing by (edge . s) / (edge . normal).
    rate = edge / np.where(found, safe[rows, segment], 1.0)[:, None]
    return _Crossings(
        reach=np.where(found, reach[rows, segment], np.nan),
        segment=segment.astype(np.int64),
        near=rate * (1.0 - share)[:, None],
        far=rate * share[:, None],
    )


def _left_out(missed: int, reversed_: int, stations: int) -> str:
    parts = []
    if missed:
        parts.append(f"{missed} of {stations} stations where a line is not opposite")
    if reversed_:
        parts.append(f"{reversed_} of {stations} stations where the lines cross over")
    return "; ".join(parts)
