"""A traverse on its map, and what is followed along it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.science.measure.align import Averaged, Crossing
from viewer.science.measure.equivalence import Equivalence
from viewer.science.measure.step import Step
from viewer.science.measure.strip import Strip
from viewer.science.measure.traverse import Profile
from viewer.science.measure.trend import Trend
from viewer.store.documents import Line

Array = npt.NDArray[np.float64]

SHARE = "area %"
"""Unit of a phase's share."""


@dataclass(frozen=True, eq=False)
class Placed:
    """A traverse, placed on the map.

    Attributes
    ----------
    line : Line
    points : ndarray of float64 [n, 2]
        In the direction in which distances grow.
    strip : Strip
    kept : ndarray of bool [pixels]
        Inside the outline, and in the unit or window that is meant.
    start_um : float
        Distance at the beginning: 0, or below 0 where distances count from a contact.
    crossing : Crossing or None
        In the direction of `points`.
    turned : bool
        It was drawn the other way.
    """

    line: Line
    points: Array
    strip: Strip
    kept: npt.NDArray[np.bool_]
    start_um: float = 0.0
    crossing: Crossing | None = None
    turned: bool = False

    @property
    def along(self) -> Array:
        """Of each pixel, µm."""
        return self.strip.along + self.start_um


@dataclass(frozen=True, eq=False)
class Series:
    """One layer or phase along the traverses, and what is said about it.

    Values are logarithms to base 10 where `log`.

    Attributes
    ----------
    at, mean, low, high : ndarray of float64 [m]
        Distances (µm), and the profile: of the only traverse, or the average.
    judged : ndarray of float64 [m]
        What trends and steps are taken from: the mean where all traverses reach, NaN elsewhere.
    apart : int
        Pixels in no phase, for shares; pixels of other phases, for a layer followed in one alone.
    trend, step, equivalence
        None where there are too few values, or it was not asked for.
    """

    name: str
    unit: str
    share: bool
    log: bool
    profiles: tuple[Profile, ...]
    averaged: Averaged | None
    at: Array
    mean: Array
    low: Array
    high: Array
    judged: Array
    apart: int
    trend: Trend | None
    step: Step | None
    equivalence: Equivalence | None
