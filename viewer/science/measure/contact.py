"""Length, crookedness and direction of a contact.

The length of a rough line has no end: the finer it is followed, the longer it is. So it is walked with
dividers of a stated step (Mandelbrot 1967, How long is the coast of Britain?,
doi:10.1126/science.156.3775.636), and told for a row of steps; where the length falls off as a power
of the step, its exponent is 1 less the divider dimension.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.ruler import COVERAGE, Placement, polyline
from viewer.science.measure.serial import serial_fit
from viewer.science.measure.straighten import checked, line_length

Float = npt.NDArray[np.float64]

STEP_PX = 4.0
"""Step of the dividers where none is given, in pixels' longer side."""

FEWEST_STEPS = 3
"""Steps that a length needs."""

LONGEST_SHARE = 0.125
"""Longest step of the row, as a share of the straight distance between the ends."""

FEWEST_CHORDS = 8
"""Steps that an interval of the mean direction needs."""


@dataclass(frozen=True, eq=False)
class Contact:
    """What a contact is like as a line. Lengths in µm, directions in degrees.

    Attributes
    ----------
    length, low, high : float
        Walked at `step_um`. The interval reaches from points that lie off by hand, which lengthens a
        line, to points that lie exactly.
    lengthened : float
        What points misplaced by hand are expected to add to a line walked so.
    drawn : float
        Length through every point as drawn.
    straight : float
        Between the two ends.
    tortuosity, tortuosity_low, tortuosity_high : float
        Length over `straight`.
    direction, direction_low, direction_high : float
        Mean axis of the steps, weighted by length, in [0, 180); the interval may reach beyond. NaN
        ends below `FEWEST_CHORDS` steps, or where the steps have no common direction.
    end_to_end : float
        Axis of the straight line between the ends, in [0, 180).
    concentration : float
        Length of the mean of the steps' doubled directions: 1, all run alike; 0, none is preferred.
    independent : float
        How many independent steps the mean direction rests on.
    step_um : float
    points : ndarray of float64 [n, 2]
        Where the dividers stood.
    steps, lengths : ndarray of float64 [k]
        The row of steps, and the length walked at each.
    dimension : float
        Divider dimension over the row; NaN where it has fewer than three steps.
    """

    length: float
    low: float
    high: float
    lengthened: float
    drawn: float
    straight: float
    tortuosity: float
    tortuosity_low: float
    tortuosity_high: float
    direction: float
    direction_low: float
    direction_high: float
    end_to_end: float
    concentration: float
    independent: float
    step_um: float
    points: Float
    steps: Float
    lengths: Float
    dimension: float


def contact(
    line: npt.ArrayLike,
    pixel_um: tuple[float, float],
    *,
    step_um: float | None = None,
    up: tuple[float, float] = (0.0, -1.0),
    mirrored: bool = False,
    seed: int = 1,
) -> Contact:
    """Measure a contact as a line.

    Parameters
    ----------
    line : array_like of float [n, 2]
        µm on the stored map.
    pixel_um : (float, float)
        Width and height of a pixel.
    step_um : float, optional
        Of the dividers; left out, `STEP_PX` pixels.
    up : (float, float)
        Unit vector that directions count from; left out, the top of the stored map.
    mirrored : bool
        The map is displayed mirrored: clockwise there is anticlockwise here.
    seed : int
        Of the bootstrap of the direction.

    Raises
    ------
    InputError
        The line is shorter than `FEWEST_STEPS` steps, closes on itself, or the step is finer than a
        pixel.
    """
    points = checked(line, pixel_um)
    step = STEP_PX * max(pixel_um) if step_um is None else step_um
    if not step >= min(pixel_um):
        raise InputError(
            f"A step of {step:g} µm is finer than a pixel.",
            where="contact",
            hint=f"Take at least {min(pixel_um):g} µm, better {STEP_PX * max(pixel_um):g}.",
        )
    straight = math.hypot(*(points[-1] - points[0]))
    if straight < FEWEST_STEPS * step:
        raise InputError(
            f"The contact's ends are {straight:.0f} µm apart: fewer than {FEWEST_STEPS} steps of "
            f"{step:g} µm.",
            where="contact",
            hint="Draw a longer stretch, or take shorter steps.",
        )
    walked = walk(points, step)
    length = line_length(walked)
    reading = polyline([(float(x), float(y)) for x, y in walked], Placement(pixel_um=pixel_um))
    half = COVERAGE * reading.standard_uncertainty
    low, high = max(straight - half, reading.value - half), length + half
    mean = _direction(walked, up, mirrored, seed)
    steps, lengths = _row(points, step, straight)
    bent = len(steps) >= 3
    slope = float(np.polyfit(np.log(steps), np.log(lengths), 1)[0]) if bent else math.nan
    return Contact(
        length=length,
        low=low,
        high=high,
        lengthened=reading.bias,
        drawn=line_length(points),
        straight=straight,
        tortuosity=length / straight,
        tortuosity_low=max(1.0, low / straight),
        tortuosity_high=high / straight,
        direction=mean.direction,
        direction_low=mean.low,
        direction_high=mean.high,
        end_to_end=float(_axes(points[[0, -1]], up, mirrored)[0]) % 180.0,
        concentration=mean.concentration,
        independent=mean.independent,
        step_um=step,
        points=walked,
        steps=steps,
        lengths=lengths,
        dimension=1.0 - slope,
    )


def walk(points: Float, step_um: float) -> Float:
    """Walk a line with dividers.

    Parameters
    ----------
    points : ndarray of float64 [n, 2]
        µm.
    step_um : float

    Returns
    -------
    ndarray of float64 [m, 2]
        Each `step_um` from the one before as the crow flies, the next such place along the line; the
        last is the line's end, and nearer.
    """
    stood = [points[0]]
    here = points[0]
    start = points[0]
    number = 1
    while number < len(points):
        end = points[number]
        if math.hypot(end[0] - here[0], end[1] - here[1]) < step_um:
            start = end
            number += 1
            continue
        # Where the segment leaves the circle about the foot: its start lies within, so the larger root.
        run, to = end - start, start - here
        a, b = float(run @ run), float(run @ to)
        c = float(to @ to) - step_um**2
        share = (-b + math.sqrt(max(b * b - a * c, 0.0))) / a
        here = start + min(share, 1.0) * run
        start = here
        stood.append(here)
    if math.hypot(*(points[-1] - here)) > 1e-9 * step_um:
        stood.append(points[-1])
    return np.array(stood)


def _row(points: Float, step_um: float, straight: float) -> tuple[Float, Float]:
    """Steps, each the one before times the root of two, and the lengths walked."""
    most = max(step_um, LONGEST_SHARE * straight)
    count = 1 + int(2.0 * math.log2(most / step_um) + 1e-9)
    steps: Float = step_um * np.exp2(0.5 * np.arange(count, dtype=np.float64))
    return steps, np.array([line_length(walk(points, float(s))) for s in steps])


@dataclass(frozen=True)
class _Direction:
    direction: float
    low: float
    high: float
    concentration: float
    independent: float


def _axes(points: Float, up: tuple[float, float], mirrored: bool) -> Float:
    """Direction of each piece of a line, clockwise from up as displayed: float64 [n - 1], degrees."""
    step = np.diff(points, axis=0)
    right = (up[1], -up[0]) if mirrored else (-up[1], up[0])
    angle: Float = np.degrees(
        np.arctan2(step[:, 0] * right[0] + step[:, 1] * right[1], step @ np.array(up))
    )
    return angle


def _direction(points: Float, up: tuple[float, float], mirrored: bool, seed: int) -> _Direction:
    """Mean axis of the pieces of a line, weighted by length, with an interval.

    Doubled directions are averaged. To first order the mean turns by half the mean of the sines of
    what is left of them; that mean's interval knows of its neighbours.
    """
    weight = np.hypot(*np.diff(points, axis=0).T)
    doubled = 2.0 * np.radians(_axes(points, up, mirrored))
    c, s = (float((weight * f(doubled)).sum() / weight.sum()) for f in (np.cos, np.sin))
    size = math.hypot(c, s)
    mean = math.degrees(math.atan2(s, c)) / 2.0 % 180.0
    few = len(weight) < FEWEST_CHORDS
    if few or not size > 0:
        return _Direction(mean, math.nan, math.nan, size, float(len(weight)))
    away = np.sin(doubled - math.radians(2.0 * mean))
    at = np.cumsum(weight) - 0.5 * weight
    fit = serial_fit(at, np.ones((len(at), 1)), away * weight / weight.mean(), seed=seed)
    low, high = fit.interval(0)
    turn = [math.degrees(x / (2.0 * size)) for x in (low, high)]
    # Beyond a quarter turn an axis has no direction left.
    if turn[1] - turn[0] >= 90.0:
        return _Direction(mean, math.nan, math.nan, size, len(at) / float(fit.inflation[0]))
    return _Direction(mean, mean + turn[0], mean + turn[1], size, len(at) / float(fit.inflation[0]))
