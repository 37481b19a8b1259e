"""From a layer's values to the coordinates of a scatterplot's axis, and back."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.science.sort.scheme import Scale

Floats = npt.NDArray[np.float64]


def to_axis(values: npt.ArrayLike, scale: Scale) -> Floats:
    """Axis coordinates of values.

    Parameters
    ----------
    values : array_like
    scale : {"linear", "sqrt", "log"}
        The value itself; its square root with its sign (counts of any height scatter alike: the
        variance of a Poisson count is its mean); its logarithm to base 10.

    Returns
    -------
    ndarray of float64
        NaN where a value is not finite, and on a logarithmic axis where it is 0 or less.
    """
    v = np.asarray(values, np.float64)
    finite = np.isfinite(v)
    if scale == "linear":
        return np.where(finite, v, np.nan)
    if scale == "sqrt":
        return np.where(finite, np.copysign(np.sqrt(np.abs(v)), v), np.nan)
    return np.log10(np.where(finite & (v > 0), v, np.nan))


def from_axis(coordinates: npt.ArrayLike, scale: Scale) -> Floats:
    """Values at axis coordinates; the inverse of `to_axis`."""
    at = np.asarray(coordinates, np.float64)
    if scale == "linear":
        return at.copy()
    if scale == "sqrt":
        return np.copysign(at * at, at)
    return np.power(10.0, at)


def placed(values: npt.NDArray[Any], scale: Scale) -> Floats:
    """As `to_axis`; -infinity where there is a value that has no place on the axis."""
    at = to_axis(values, scale)
    if scale == "log":
        at[np.isnan(at) & np.isfinite(values)] = -np.inf
    return at


def to_ternary(
    a: Floats, b: Floats, c: Floats, weights: tuple[float, float, float]
) -> tuple[Floats, Floats]:
    """Place in the plane of a ternary plot (see `viewer.science.sort.scheme.Ternary`).

    Parameters
    ----------
    a, b, c : ndarray of float64 [n]
        Values of the three layers.
    weights : (float, float, float)

    Returns
    -------
    x, y : ndarray of float64 [n]
        NaN where one of the values is missing, -inf where the three hold nothing.
    """
    from viewer.science.kernels.bins import ternary

    held = [np.ascontiguousarray(v, np.float64) for v in (a, b, c)]
    return ternary(held[0], held[1], held[2], weights)
