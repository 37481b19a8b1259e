"""The plane of a ternary plot: shares to points and back, and weights that spread a cloud."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from viewer.science.sort.scheme import Point

HEIGHT = math.sqrt(3.0) / 2.0
CORNERS: tuple[Point, Point, Point] = ((0.0, 0.0), (1.0, 0.0), (0.5, HEIGHT))
"""Where a, b and c hold everything."""

Weights = tuple[float, float, float]


def to_plane(shares: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Points [n, 2] of shares [n, 3] that add up to 1."""
    return np.column_stack([shares[:, 1] + shares[:, 2] / 2.0, shares[:, 2] * HEIGHT])


def to_shares(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Shares [n, 3] of points [n, 2]; below 0 outside the triangle."""
    c = points[:, 1] / HEIGHT
    b = points[:, 0] - c / 2.0
    return np.column_stack([1.0 - b - c, b, c])


def reweighed(
    points: npt.NDArray[np.float64], factors: Sequence[float], order: Sequence[int] = (0, 1, 2)
) -> npt.NDArray[np.float64] | None:
    """Points of the same pixels under other weights, with the corners in another order.

    Parameters
    ----------
    points : ndarray [n, 2]
    factors : sequence of 3
        New weight over old of each layer, in the old order.
    order : sequence of 3
        ``order[k]`` is the old place of the layer that is now at corner `k`.

    Returns
    -------
    ndarray [n, 2], or None
        None where a point outside the triangle has no counterpart. Straight lines stay straight: the
        map is a projective one.
    """
    shares = to_shares(points) * np.asarray(factors, dtype=np.float64)
    total = shares.sum(axis=1)
    if (total <= 1e-9).any():
        return None
    return to_plane((shares / total[:, None])[:, list(order)])


def spreading(values: Sequence[npt.NDArray[np.float64]], rounds: int = 60) -> Weights:
    """Weights under which the mean share of each of three layers is a third.

    Parameters
    ----------
    values : three ndarrays of one shape
        Values of the layers at the same pixels; below 0 they count as nothing.

    Returns
    -------
    (float, float, float)
        The least is 1; three significant digits.
    """
    stack = np.maximum(np.nan_to_num(np.stack([v.ravel() for v in values])), 0.0)
    stack = stack[:, stack.sum(axis=0) > 0]
    means = stack.mean(axis=1) if stack.size else np.zeros(3)
    if (means <= 0).any():
        return (1.0, 1.0, 1.0)
    weights = 1.0 / means
    for _ in range(rounds):
        shares = stack * weights[:, None]
        shares /= shares.sum(axis=0)
        weights = weights * np.sqrt((1.0 / 3.0) / np.maximum(shares.mean(axis=1), 1e-6))
        weights /= weights.min()
    a, b, c = (float(f"{w:.3g}") for w in weights)
    return (a, b, c)
