"""Thickness of a layer between its two contacts, along it.

At even stations along the mid-line the layer's thickness is the length of the mid-line's normal
between the two contacts. The mean's interval asks how well this stretch stands for the layer: its
stations know of each other, as `viewer.science.measure.serial` describes. It does not cover where the
contacts were drawn.

A face that meets the layer at an angle a shows it thicker than it is: the true thickness is the
apparent one times sin(a), for a layer with parallel sides. Where the angle is given, all lengths across
the layer are so corrected; lengths along its trace are left as they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.baseline import straight_line
from viewer.science.measure.midline import stations
from viewer.science.measure.serial import serial_fit
from viewer.science.measure.straighten import checked, line_length
from viewer.science.measure.trend import FEWEST, Trend, trend
from viewer.science.numbers import significant

Float = npt.NDArray[np.float64]

STATIONS = 300
"""Stations where no spacing is asked for, if pixels are not wider."""

MOST_STATIONS = 5000
"""Most stations that a spacing may ask for."""

LEAST = 4
"""Stations that an interval of the mean needs."""

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, eq=False)
class LayerThickness:
    """How thick a layer is. Lengths in µm; across the layer true ones where `factor` is below 1.

    Attributes
    ----------
    at : ndarray of float64 [n]
        Distance along the mid-line of each station.
    point, lower, upper : ndarray of float64 [n, 2]
        Of each station: on the mid-line, and where its normal meets the contacts; NaN where it does
        not.
    thickness : ndarray of float64 [n]
        NaN where a contact is not met.
    depth : ndarray of float64 [n]
        Of the lower contact below its own straight line of least squares, away from the upper.
    mean, low, high : float
        The interval holds 95 %; NaN below `LEAST` stations.
    independent : float
        How many independent stations the mean rests on.
    limited : bool
        Correlation reaches so far along the layer that the interval is a lower limit.
    sd : float
    quantiles : tuple of float
        At `QUANTILES`.
    thickest, thinnest : int
        Stations.
    along : Trend or None
        Of thickness along the layer; None below `viewer.science.measure.trend.FEWEST` stations.
    against : Trend or None
        Of thickness against depth of the lower contact; None where it is straight, too.
    spacing_um, length_um : float
        Between stations, and of the mid-line.
    factor : float
        By which apparent thickness was multiplied; 1 where it was not.
    """

    at: Float
    point: Float
    lower: Float
    upper: Float
    thickness: Float
    depth: Float
    mean: float
    low: float
    high: float
    independent: float
    limited: bool
    sd: float
    quantiles: tuple[float, ...]
    thickest: int
    thinnest: int
    along: Trend | None
    against: Trend | None
    spacing_um: float
    length_um: float
    factor: float

    @property
    def n(self) -> int:
        """Stations with a thickness."""
        return int(np.isfinite(self.thickness).sum())

    @property
    def missing(self) -> int:
        """Stations at which a contact is not opposite."""
        return len(self.at) - self.n


def layer_thickness(
    lower: npt.ArrayLike,
    upper: npt.ArrayLike,
    pixel_um: tuple[float, float],
    *,
    spacing_um: float | None = None,
    cut_deg: float | None = None,
    seed: int = 1,
) -> LayerThickness:
    """Measure a layer.

    Parameters
    ----------
    lower, upper : array_like of float [m, 2]
        Its contacts (µm), drawn in either direction.
    pixel_um : (float, float)
        Width and height of a pixel.
    spacing_um : float, optional
        Between stations. Left out: so that there are `STATIONS`, but at least two pixels.
    cut_deg : float, optional
        Angle between the face and the layer, above 0 to 90: corrects apparent thickness.
    seed : int
        Of the bootstrap.

    Raises
    ------
    InputError
        A contact is too short, the contacts cross, they lie nowhere opposite each other, or the
        spacing is finer than a pixel or coarser than the layer is long.
    """
    first, second = checked(lower, pixel_um), checked(upper, pixel_um)
    if cut_deg is not None and not 0.0 < cut_deg <= 90.0:
        raise InputError(
            f"A face cannot meet a layer at {cut_deg:g}°.", where="layer", hint="Give 0 to 90 degrees."
        )
    _check_apart(first, second, pixel_um)
    found = stations(first, second, _count(first, second, pixel_um, spacing_um))
    factor = 1.0 if cut_deg is None else math.sin(math.radians(cut_deg))
    thickness = factor * found.apart
    depth = factor * _depth(first, found.first, found.second)
    known = np.isfinite(thickness)
    at, values = found.at[known], thickness[known]
    mean = float(values.mean())
    low = high = math.nan
    independent, limited = float(len(values)), False
    if len(values) >= LEAST:
        fit = serial_fit(at, np.ones((len(values), 1)), values, seed=seed)
        low, high = fit.interval(0)
        independent, limited = len(values) / float(fit.inflation[0]), fit.limited
    enough = len(values) >= FEWEST
    # A straight contact has no deeper and no shallower part.
    bent = enough and float(np.ptp(depth[known])) > min(pixel_um)
    places = np.flatnonzero(known)
    return LayerThickness(
        at=found.at,
        point=found.point,
        lower=found.first,
        upper=found.second,
        thickness=thickness,
        depth=depth,
        mean=mean,
        low=low if math.isnan(low) else max(0.0, low),
        high=high,
        independent=independent,
        limited=limited,
        sd=float(values.std(ddof=1)) if len(values) > 1 else math.nan,
        quantiles=tuple(float(q) for q in np.quantile(values, QUANTILES)),
        thickest=int(places[np.argmax(values)]),
        thinnest=int(places[np.argmin(values)]),
        along=trend(at, values, seed=seed) if enough else None,
        against=trend(depth[known], values, at=at, seed=seed) if bent else None,
        spacing_um=found.length_um / len(found.at),
        length_um=found.length_um,
        factor=factor,
    )


def _count(first: Float, second: Float, pixel_um: tuple[float, float], spacing_um: float | None) -> int:
    length = min(line_length(first), line_length(second))
    if spacing_um is None:
        return max(1, min(STATIONS, int(length / (2.0 * max(pixel_um)))))
    if not spacing_um >= min(pixel_um):
        raise InputError(
            f"Stations {spacing_um:g} µm apart lie closer than pixels.",
            where="layer",
            hint=f"Take at least {min(pixel_um):g} µm.",
        )
    if spacing_um > length:
        raise InputError(
            f"Stations {spacing_um:g} µm apart are farther than the layer is long.",
            where="layer",
            hint=f"It is {length:.0f} µm long: take less.",
        )
    count = round(length / spacing_um)
    if count > MOST_STATIONS:
        raise InputError(
            f"The spacing asks for {count} stations; {MOST_STATIONS} are allowed.",
            where="layer",
            hint=f"Take {significant(length / MOST_STATIONS)} µm or more.",
        )
    return max(1, count)


def _check_apart(first: Float, second: Float, pixel_um: tuple[float, float]) -> None:
    """Refuse contacts that cross; they may meet at their ends, where a layer pinches out."""
    import shapely

    one, other = shapely.LineString(first), shapely.LineString(second)
    met = shapely.intersection(one, other)
    ends = shapely.MultiPoint([first[0], first[-1], second[0], second[-1]])
    within = shapely.difference(met, ends.buffer(max(pixel_um)))
    if not within.is_empty:
        at = within.representative_point()
        raise InputError(
            f"The two contacts cross or touch at {at.x:.0f}, {at.y:.0f} µm.",
            where="layer",
            hint="A layer lies between contacts that stay apart: edit one of them there, or measure "
            "either side by itself.",
        )


def _depth(lower: Float, on_lower: Float, on_upper: Float) -> Float:
    """Depth of the lower contact below its straight line of least squares: float64 [n]."""
    line = straight_line(lower)
    away = np.nanmean(on_lower - on_upper, axis=0) @ line.normal
    offset: Float = (on_lower - line.centre) @ line.normal
    return offset if away > 0 else -offset
