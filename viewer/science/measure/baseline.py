"""The straight line that a contact runs along, and how far it strays from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

Float = npt.NDArray[np.float64]

DENSE = 8
"""Points of the line to a step, whose mean a step's offset is."""


@dataclass(frozen=True, eq=False)
class Baseline:
    """A straight line through a contact.

    Attributes
    ----------
    centre : ndarray of float64 [2]
        µm.
    direction, normal : ndarray of float64 [2]
        Unit vectors: along the line as it was drawn, and to the left of its drawing (x right, y
        down): upwards for a line drawn from left to right.
    """

    centre: Float
    direction: Float
    normal: Float


@dataclass(frozen=True, eq=False)
class Offsets:
    """How far a contact strays from its straight line, at even steps along that.

    Attributes
    ----------
    at : ndarray of float64 [n]
        Middles of the steps along the straight line (µm), from 0.
    offset : ndarray of float64 [n]
        Mean over the step (µm), positive along `Baseline.normal`.
    step_um, length_um : float
        Of a step and of the straight line.
    folded : float
        Share of the contact that runs backwards along its straight line.
    line : Baseline
    """

    at: Float
    offset: Float
    step_um: float
    length_um: float
    folded: float
    line: Baseline


def straight_line(points: Float) -> Baseline:
    """The straight line of least squared distances from a line, each piece weighted by its length.

    Parameters
    ----------
    points : ndarray of float64 [n, 2]
        µm.

    Raises
    ------
    InputError
        The line has no direction: it closes on itself, or lies in one place.
    """
    step = np.diff(points, axis=0)
    weight = np.hypot(step[:, 0], step[:, 1])
    total = float(weight.sum())
    if not total > 0:
        raise InputError("The contact has no length.", where="contact")
    middle = points[:-1] + 0.5 * step
    centre: Float = (middle * weight[:, None]).sum(axis=0) / total
    away = middle - centre
    # A piece's own spread about its middle counts too, or two points would have no direction.
    spread = (away * weight[:, None]).T @ away + (step * weight[:, None]).T @ step / 12.0
    direction: Float = np.linalg.eigh(spread)[1][:, -1]
    run = float((points[-1] - points[0]) @ direction)
    if abs(run) < 1e-6 * total:
        raise InputError(
            "The contact ends where it began: it has no direction.",
            where="contact",
            hint="Take an open stretch of it.",
        )
    if run < 0:
        direction = -direction
    return Baseline(centre, direction, np.array([direction[1], -direction[0]]))


def offsets(points: Float, step_um: float) -> Offsets:
    """How far a line strays from its straight line.

    Where the line folds back, a step's offset is the mean of its branches.

    Parameters
    ----------
    points : ndarray of float64 [n, 2]
        µm.
    step_um : float
        Wanted length of a step; made a little longer so that whole steps fill the line.

    Raises
    ------
    InputError
        As for `straight_line`, or the line is shorter than two steps.
    """
    line = straight_line(points)
    along = (points - line.centre) @ line.direction
    off = (points - line.centre) @ line.normal
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    low, high = float(along.min()), float(along.max())
    count = int((high - low) / step_um)
    if count < 2:
        raise InputError(
            f"The contact reaches over {high - low:.0f} µm, less than two steps of {step_um:.4g} µm.",
            where="contact",
        )
    fine = np.linspace(0.0, length[-1], max(2, DENSE * int(np.ceil(length[-1] / step_um))) + 1)
    fine = np.union1d(fine, length)
    s, y = np.interp(fine, length, along), np.interp(fine, length, off)
    run = np.diff(s)
    middle_s, middle_y = s[:-1] + 0.5 * run, y[:-1] + 0.5 * np.diff(y)
    weight = np.abs(run) + 1e-12 * step_um
    bin_of = np.clip(((middle_s - low) / (high - low) * count).astype(int), 0, count - 1)
    total = np.bincount(bin_of, weight, count)
    mean: Float = np.bincount(bin_of, weight * middle_y, count) / np.where(total > 0, total, 1.0)
    filled = total > 0
    step = (high - low) / count
    at: Float = (np.arange(count, dtype=np.float64) + 0.5) * step
    backwards = float(-run[run < 0].sum()) / float(np.abs(run).sum())
    return Offsets(at[filled], mean[filled], step, high - low, backwards, line)
