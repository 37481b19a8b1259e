"""The line halfway between two contacts, and how far apart they are square to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

Float = npt.NDArray[np.float64]

TABLE = 1 << 20
"""Entries of a table of stations by segments that is worked on at once."""

PASSES = 3
"""Times that the mid-line is moved to the middle of its own normals."""


@dataclass(frozen=True, eq=False)
class Stations:
    """Places along a mid-line at which two lines are compared.

    Attributes
    ----------
    at : ndarray of float64 [n]
        Distance along the mid-line (µm), even.
    point : ndarray of float64 [n, 2]
        On the mid-line (µm).
    first, second : ndarray of float64 [n, 2]
        Where the normal meets the two lines; NaN where it does not meet one of them.
    length_um : float
        Of the mid-line.
    """

    at: Float
    point: Float
    first: Float
    second: Float
    length_um: float

    @property
    def apart(self) -> Float:
        """Distance of the two lines along the normals (µm), float64 [n]; NaN where one is not met."""
        gap: Float = np.hypot(*(self.second - self.first).T)
        return gap


def arc(line: Float) -> Float:
    """Distance along a line at each of its points: float64 [n]."""
    length: Float = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    return length


def at_distance(line: Float, at: Float) -> Float:
    """Points at distances along a line: float64 [len(at), 2]."""
    along = arc(line)
    return np.stack([np.interp(at, along, line[:, k]) for k in (0, 1)], axis=1)


def alike(first: Float, second: Float) -> Float:
    """The second line, turned round where it runs against the first."""
    same = np.hypot(*(first[0] - second[0])) + np.hypot(*(first[-1] - second[-1]))
    crossed = np.hypot(*(first[0] - second[-1])) + np.hypot(*(first[-1] - second[0]))
    return second if same <= crossed else second[::-1]


def stations(first: Float, second: Float, count: int) -> Stations:
    """Compare two lines at even places along their mid-line, square to it.

    The direction of the mid-line is that of a chord as long as the lines are apart, so that the
    steps of a drawing do not tilt the normals.

    Parameters
    ----------
    first, second : ndarray of float64 [m, 2]
        µm; they do not cross.
    count : int
        Stations; each sits at the middle of its share of the mid-line.

    Raises
    ------
    InputError
        The lines lie nowhere opposite each other.
    """
    second = alike(first, second)
    fine = max(65, 2 * count + 1)
    share = np.linspace(0.0, 1.0, fine)
    middle = 0.5 * (
        at_distance(first, share * arc(first)[-1]) + at_distance(second, share * arc(second)[-1])
    )
    apart = _apart(first, second)
    for _ in range(PASSES):
        length = float(arc(middle)[-1])
        if not length > 0:
            break
        point, normal = _normals(middle, share * length, apart)
        shift = 0.5 * (_reach(point, normal, first) + _reach(point, normal, second))
        known = np.isfinite(shift)
        if known.sum() < 2:
            break
        # Beyond the last normal that meets both lines there is no middle to be had.
        middle = point[known] + shift[known, None] * normal[known]
    length = float(arc(middle)[-1])
    if not length > 0:
        raise InputError(
            "The two contacts have no mid-line.", where="layer", hint="They lie on top of each other."
        )
    at: Float = (np.arange(count, dtype=np.float64) + 0.5) * (length / count)
    point, normal = _normals(middle, at, apart)
    met = [point + _reach(point, normal, line)[:, None] * normal for line in (first, second)]
    gone = np.isnan(met[0]).any(axis=1) | np.isnan(met[1]).any(axis=1)
    if gone.all():
        raise InputError(
            "The two contacts lie nowhere opposite each other.",
            where="layer",
            hint="Draw them along the same stretch.",
        )
    for side in met:
        side[gone] = np.nan
    return Stations(at, point, met[0], met[1], length)


def _apart(first: Float, second: Float) -> float:
    """Rough distance of two lines: the median over points of the first."""
    probes = at_distance(first, np.linspace(0.0, arc(first)[-1], 33))
    targets = at_distance(second, np.linspace(0.0, arc(second)[-1], 257))
    gaps = probes[:, None] - targets[None]
    return float(np.median(np.hypot(gaps[..., 0], gaps[..., 1]).min(axis=1)))


def _normals(middle: Float, at: Float, chord_um: float) -> tuple[Float, Float]:
    """Points at distances along the mid-line, and its unit normals there.

    Towards the ends the chord shrinks evenly, so that it stays parallel to a curve of even bend.
    """
    length = arc(middle)[-1]
    half = np.minimum(0.5 * chord_um, np.minimum(at, length - at))
    half = np.maximum(half, 1e-3 * length)
    chord = at_distance(middle, np.minimum(at + half, length))
    chord -= at_distance(middle, np.maximum(at - half, 0.0))
    size = np.hypot(chord[:, 0], chord[:, 1])
    chord[size == 0] = middle[-1] - middle[0]
    chord /= np.maximum(np.hypot(chord[:, 0], chord[:, 1]), np.finfo(float).tiny)[:, None]
    return at_distance(middle, at), np.stack([-chord[:, 1], chord[:, 0]], axis=1)


def _reach(point: Float, normal: Float, line: Float) -> Float:
    """Distance along each normal, either way, to its nearest crossing with a line: float64 [n].

    NaN where it meets the line nowhere.
    """
    few = max(1, TABLE // len(line))
    found: Float = np.concatenate(
        [
            _reach_of_few(point[i : i + few], normal[i : i + few], line)
            for i in range(0, len(point), few)
        ]
    )
    return found


def _reach_of_few(point: Float, normal: Float, line: Float) -> Float:
    step = np.diff(line, axis=0)
    to = line[None, :-1] - point[:, None]
    # point + t * normal = start + f * step, solved for t and f for every station and segment.
    across = normal[:, None, 0] * step[None, :, 1] - normal[:, None, 1] * step[None, :, 0]
    # A segment that runs along the normal is not crossed by it; its neighbours are.
    crossing = np.abs(across) > 1e-9 * np.hypot(step[:, 0], step[:, 1])[None]
    safe = np.where(crossing, across, 1.0)
    t = (to[..., 0] * step[None, :, 1] - to[..., 1] * step[None, :, 0]) / safe
    f = (to[..., 0] * normal[:, None, 1] - to[..., 1] * normal[:, None, 0]) / safe
    t = np.where(crossing & (f >= -1e-12) & (f <= 1.0 + 1e-12), t, np.inf)
    nearest: Float = t[np.arange(len(point)), np.argmin(np.abs(t), axis=1)]
    nearest[np.isinf(nearest)] = np.nan
    return nearest
