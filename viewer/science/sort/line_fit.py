"""A straight line through points whose two coordinates both have errors.

York's equations, in the unified form of York, Evensen, Martínez and De Basabe Delgado 2004
(doi:10.1119/1.1632486), for errors that are not correlated with each other. They hold where some or
all x are exact (weighted least squares) and, with the intercept held at 0, for a line through zero:
there the same condition of a least sum of squares is solved for the slope alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

Float = npt.NDArray[np.float64]

_STEPS = 200
_CLOSE = 1e-15


@dataclass(frozen=True, eq=False)
class LineFit:
    """The line ``y = intercept + slope * x``.

    Attributes
    ----------
    slope, intercept : float
    slope_error, intercept_error : float
        Standard errors from the stated errors of the points; from the points' scatter where no
        errors are stated.
    covariance : float
        Of slope and intercept.
    residuals : float64[n]
        y minus the line.
    weighted : float64[n]
        Residuals in units of the standard deviation that the errors of both coordinates give them.
    chi2 : float
        Sum of the squares of `weighted`.
    freedom : int
        Points minus parameters.
    stated : bool
        True where the points' errors were stated; `chi2` then tells how well the line fits.
    """

    slope: float
    intercept: float
    slope_error: float
    intercept_error: float
    covariance: float
    residuals: Float
    weighted: Float
    chi2: float
    freedom: int
    stated: bool

    @property
    def reduced_chi2(self) -> float | None:
        """About 1 where the points scatter as their errors say; None where nothing tells."""
        return self.chi2 / self.freedom if self.stated and self.freedom > 0 else None


def fit_line(
    x: Sequence[float] | Float,
    y: Sequence[float] | Float,
    x_error: Sequence[float] | Float | None = None,
    y_error: Sequence[float] | Float | None = None,
    *,
    through_zero: bool = False,
) -> LineFit:
    """Fit a straight line.

    Parameters
    ----------
    x, y : float[n]
    x_error : float[n], optional
        Standard errors; 0 or left out: exact.
    y_error : float[n], optional
        Standard errors above 0. Left out (or all 0, and all x exact): all points weigh alike, and the
        errors of the line follow from the scatter of the points (ordinary least squares).
    through_zero : bool
        Hold the intercept at 0.

    Returns
    -------
    LineFit

    Raises
    ------
    InputError
        Too few points, points that are not numbers, points that all have one x, or a point that is
        exact in both coordinates beside others that are not.
    """
    xs, ys = np.asarray(x, np.float64), np.asarray(y, np.float64)
    vx, vy = _variances(x_error, xs), _variances(y_error, ys)
    _check(xs, ys, vx, vy, through_zero)
    stated = bool((vx + vy).any())
    if not stated:
        vy = np.ones_like(ys)
    elif ((vx + vy) == 0).any():
        raise InputError(
            "Some points have errors and others have none.",
            where="line",
            hint="State an error for every point, or for none.",
        )
    slope = _slope(xs, ys, vx, vy, through_zero)
    weight = 1.0 / (vy + slope**2 * vx)
    moved = _adjusted(xs, ys, vx, vy, slope, through_zero)
    intercept = 0.0 if through_zero else float(np.average(ys - slope * xs, weights=weight))
    residuals = ys - intercept - slope * xs
    weighted = residuals * np.sqrt(weight)
    chi2 = float(weighted @ weighted)
    freedom = len(xs) - (1 if through_zero else 2)
    if through_zero:
        variance, offset, shared = 1.0 / float(weight @ moved**2), 0.0, 0.0
    else:
        mean = float(np.average(moved, weights=weight))
        variance = 1.0 / float(weight @ (moved - mean) ** 2)
        offset = 1.0 / float(weight.sum()) + mean**2 * variance
        shared = -mean * variance
    if not stated:
        scatter = chi2 / freedom if freedom > 0 else math.nan
        variance, offset, shared = variance * scatter, offset * scatter, shared * scatter
    return LineFit(
        slope,
        intercept,
        math.sqrt(variance),
        math.sqrt(offset),
        shared,
        residuals,
        weighted,
        chi2,
        freedom,
        stated,
    )


def _slope(xs: Float, ys: Float, vx: Float, vy: Float, through_zero: bool) -> float:
    """Iterate York's equation for the slope from that of ordinary least squares."""
    x0, y0 = (0.0, 0.0) if through_zero else (float(xs.mean()), float(ys.mean()))
    slope = float((xs - x0) @ (ys - y0) / ((xs - x0) @ (xs - x0)))
    for _ in range(_STEPS):
        weight = 1.0 / (vy + slope**2 * vx)
        u, v = _centred(xs, ys, weight, through_zero)
        beta = weight * (u * vy + slope * v * vx)
        before, slope = slope, float((weight * beta) @ v / ((weight * beta) @ u))
        if not math.isfinite(slope):
            break
        if abs(slope - before) <= _CLOSE * abs(slope):
            return slope
    if math.isfinite(slope) and abs(slope - before) <= 1e-9 * abs(slope):
        return slope
    raise InputError(
        "No straight line can be laid through the points.",
        where="line",
        hint="Their errors are larger than the distances between them.",
    )


def _centred(xs: Float, ys: Float, weight: Float, through_zero: bool) -> tuple[Float, Float]:
    if through_zero:
        return xs, ys
    return xs - np.average(xs, weights=weight), ys - np.average(ys, weights=weight)


def _adjusted(
    xs: Float, ys: Float, vx: Float, vy: Float, slope: float, through_zero: bool
) -> Float:
    """x of the points on the line that the measured ones most likely stand for."""
    weight = 1.0 / (vy + slope**2 * vx)
    u, v = _centred(xs, ys, weight, through_zero)
    beta = weight * (u * vy + slope * v * vx)
    return np.asarray((xs - u) + beta, np.float64)


def _variances(errors: Sequence[float] | Float | None, like: Float) -> Float:
    if errors is None:
        return np.zeros_like(like)
    return np.asarray(errors, np.float64) ** 2


def _check(xs: Float, ys: Float, vx: Float, vy: Float, through_zero: bool) -> None:
    if not xs.shape == ys.shape == vx.shape == vy.shape or xs.ndim != 1:
        raise InputError("Each point has an x, a y and their errors.", where="line")
    if not all(np.isfinite(a).all() for a in (xs, ys, vx, vy)):
        raise InputError("A point is not a number.", where="line")
    if through_zero:
        if not xs.any():
            raise InputError("A line through zero needs a point away from zero.", where="line")
    elif len(xs) < 2 or xs.min() == xs.max():
        raise InputError("A line needs two points of different x.", where="line")
