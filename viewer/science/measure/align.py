"""Several traverses across one contact, put side by side and averaged."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Crossing:
    """Where a traverse crosses a contact.

    Attributes
    ----------
    at_um : float
        Distance along the traverse; the middle one of several crossings.
    leftwards : bool
        From the right of the contact's drawing to its left: upwards, where the contact was drawn from
        left to right.
    times : int
        How often the traverse crosses.
    """

    at_um: float
    leftwards: bool
    times: int


def crossing(traverse: Array, contact: Array) -> Crossing:
    """Find where one line crosses another.

    Parameters
    ----------
    traverse, contact : ndarray of float64 [n, 2]
        Points (x right, y down, µm), n >= 2.

    Raises
    ------
    InputError
        The traverse does not cross, or it ends on the side on which it begins.
    """
    found: list[tuple[float, bool]] = []
    start, run = contact[:-1], np.diff(contact, axis=0)
    done = 0.0
    for a, b in itertools.pairwise(traverse):
        step = b - a
        cross = step[0] * run[:, 1] - step[1] * run[:, 0]
        to = start - a
        with np.errstate(divide="ignore", invalid="ignore"):
            here = (to[:, 0] * run[:, 1] - to[:, 1] * run[:, 0]) / cross
            there = (to[:, 0] * step[1] - to[:, 1] * step[0]) / cross
        # Ends that are shared by two pieces belong to the first of them.
        met = (cross != 0) & (here > 0) & (here <= 1) & (there > 0) & (there <= 1)
        length = float(np.hypot(*step))
        found += [(done + float(here[i]) * length, bool(cross[i] > 0)) for i in np.flatnonzero(met)]
        done += length
    if not found:
        raise InputError(
            "The traverse does not cross the contact.",
            where="traverse",
            hint="Draw it from well before the contact to well behind it.",
        )
    if len(found) % 2 == 0:
        raise InputError(
            f"The traverse crosses the contact {len(found)} times and ends on the side where it began.",
            where="traverse",
            hint="Draw it from one side of the contact to the other.",
        )
    found.sort()
    # Of an odd number of crossings the first and the last lead to the side where the traverse ends.
    return Crossing(at_um=found[len(found) // 2][0], leftwards=found[0][1], times=len(found))


@dataclass(frozen=True, eq=False)
class Averaged:
    """Means of several traverses at equal distances.

    Attributes
    ----------
    edges : ndarray of float64 [m + 1]
        Of the steps (µm).
    each : ndarray of float64 [traverses, m]
        Mean of each traverse, NaN where it does not reach.
    mean, low, high : ndarray of float64 [m]
        Over traverses, each counting once, with a 95 % interval between traverses (Student's t); the
        interval is NaN where fewer than two reach.
    count : ndarray of int64 [m]
        Traverses that reach there.
    """

    edges: Array
    each: Array
    mean: Array
    low: Array
    high: Array
    count: npt.NDArray[np.int64]

    @property
    def shared(self) -> Array:
        """The mean where every traverse reaches, NaN elsewhere: float64 [m].

        Where traverses begin and end at different distances their mean jumps for that reason alone,
        so that trends are taken from here.
        """
        common: Array = np.where(self.count == len(self.each), self.mean, np.nan)
        return common


def average(edges: Sequence[Array], means: Sequence[Array]) -> Averaged:
    """Average profiles whose steps fit together.

    Parameters
    ----------
    edges : sequence of ndarray of float64 [m_i + 1]
        Of each profile; of one step's length, and offset by whole steps.
    means : sequence of ndarray of float64 [m_i]

    Raises
    ------
    ValueError
        The steps do not fit together.
    """
    from scipy.stats import t

    length = float(edges[0][1] - edges[0][0])
    first = min(float(e[0]) for e in edges)
    places = [(float(e[0]) - first) / length for e in edges]
    whole = [round(p) for p in places]
    steps = [float(e[1] - e[0]) for e in edges]
    if not np.allclose(places, whole, atol=1e-6) or not np.allclose(steps, length, rtol=1e-9):
        raise ValueError("the steps of the profiles do not fit together")
    count = max(w + len(m) for w, m in zip(whole, means, strict=True))
    each = np.full((len(means), count), np.nan)
    for row, (place, mean) in enumerate(zip(whole, means, strict=True)):
        each[row, place : place + len(mean)] = mean
    known = np.isfinite(each)
    number = known.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known, each, 0.0).sum(axis=0) / number
        variance = np.where(known, (each - mean) ** 2, 0.0).sum(axis=0) / (number - 1)
        half = t.ppf(0.975, np.maximum(number - 1, 1)) * np.sqrt(variance / number)
    half[number < 2] = np.nan
    return Averaged(
        edges=first + length * np.arange(count + 1, dtype=np.float64),
        each=each,
        mean=mean,
        low=mean - half,
        high=mean + half,
        count=number,
    )
