"""How values differ on the two sides of a contact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.serial import RESAMPLES, serial_fit

Array = npt.NDArray[np.float64]

FEWEST = 4
"""Values that each side needs."""


@dataclass(frozen=True, eq=False)
class Step:
    """Levels on two sides, and the jump between them.

    Attributes
    ----------
    before, after : float
        Mean values on the two sides.
    difference, low, high : float
        After less before, with its 95 % interval.
    jump, jump_low, jump_high : float
        At the contact itself, where each side has its own slope: what is left of the difference
        when values that drift towards the contact are allowed for.
    n_before, n_after : int
    limited : bool
        Correlation reaches so far that intervals are lower limits.
    deviations : ndarray of float64 [resamples]
        Of the difference from the true one.
    """

    before: float
    after: float
    difference: float
    low: float
    high: float
    jump: float
    jump_low: float
    jump_high: float
    n_before: int
    n_after: int
    limited: bool
    deviations: Array


def step(
    x: Array,
    y: Array,
    at: float = 0.0,
    *,
    gap: float = 0.0,
    resamples: int = RESAMPLES,
    seed: int = 1,
) -> Step:
    """Compare values before a place with those after it.

    Parameters
    ----------
    x, y : ndarray of float64 [n]
        Places along the line and values; pairs in which either is not finite are left out.
    at : float
        Where the contact lies.
    gap : float
        Half width about it that is left out, such as the width of a gradual contact.
    resamples, seed : int
        Of the block bootstrap (`viewer.science.measure.serial`).

    Raises
    ------
    InputError
        Fewer than `FEWEST` values lie on a side.
    """
    x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
    good = np.isfinite(x) & np.isfinite(y) & (np.abs(x - at) >= gap)
    order = np.argsort(x[good], kind="stable")
    x, y = x[good][order] - at, y[good][order]
    side = (x > 0).astype(np.float64)
    after = int(side.sum())
    before = len(x) - after
    if min(before, after) < FEWEST:
        raise InputError(
            f"There are {before} values before the contact and {after} after it.",
            where="step at a contact",
            hint=f"Each side needs {FEWEST}: draw the traverse farther across, or take smaller steps.",
        )
    ones = np.ones_like(x)
    levels = serial_fit(x, np.column_stack([ones, side]), y, resamples=resamples, seed=seed)
    bent = np.column_stack([ones, side, x * (1.0 - side), x * side])
    slopes = serial_fit(x, bent, y, resamples=resamples, seed=seed)
    low, high = levels.interval(1)
    jump_low, jump_high = slopes.interval(1)
    first = float(levels.coefficients[0])
    difference = float(levels.coefficients[1])
    return Step(
        before=first,
        after=first + difference,
        difference=difference,
        low=low,
        high=high,
        jump=float(slopes.coefficients[1]),
        jump_low=jump_low,
        jump_high=jump_high,
        n_before=before,
        n_after=after,
        limited=levels.limited,
        deviations=levels.deviations[:, 1],
    )
