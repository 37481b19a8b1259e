"""The modal log: modes of bands laid one over the other along way-up.

Bands lie square to way-up, whatever its angle on the stored map. A pixel belongs to the band that
its centre lies in. Bands at the sample's ends, or where the sample is narrow, are partly covered:
their modes are of what is there, and the interval of each says how little that may be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.look.orient import Orientation
from viewer.science.measure.mode import Modes, modes
from viewer.science.progress import Progress, silent

CELLS = 128 * 128
"""About how many cells a band is divided into."""

MOST_BANDS = 1000
"""Of one log."""

ROWS = 512
"""Rows of pixels whose distances are worked out at once."""


@dataclass(frozen=True)
class Band:
    """A band of a modal log. Distances are along way-up, from the log's origin.

    Attributes
    ----------
    bottom_um, top_um : float
        Distances at which it begins and ends.
    covered : float
        Sorted area over the area of the largest band.
    unsorted : int
        Pixels of the sample in it that no phase has; excluded.
    modes : Modes or None
        None where no pixel of it was sorted.
    """

    bottom_um: float
    top_um: float
    covered: float
    unsorted: int
    modes: Modes | None

    @property
    def middle_um(self) -> float:
        """Distance of its middle."""
        return 0.5 * (self.bottom_um + self.top_um)


@dataclass(frozen=True)
class ModalLog:
    """Modes against distance along way-up.

    Attributes
    ----------
    phases : tuple of str
        Names, in the order of the labels.
    bands : tuple of Band
        From the lowest to the highest.
    band_um : float
        Height of a band.
    up : (float, float)
        Way-up on the stored map: a unit vector in µm (x right, y down).
    origin_um : float
        Where distance 0 lies, as ``x * up[0] + y * up[1]`` on the stored map.
    remarks : tuple of str
        What the reader must be told.
    """

    phases: tuple[str, ...]
    bands: tuple[Band, ...]
    band_um: float
    up: tuple[float, float]
    origin_um: float
    remarks: tuple[str, ...]


def up_on_map(orientation: Orientation) -> tuple[float, float]:
    """Way-up as a unit vector (x right, y down) on the stored map, from that on the displayed one.

    Raises
    ------
    InputError
        The user has not said which way is up.
    """
    if orientation.way_up_deg is None:
        raise InputError(
            "Nobody has said which way is up.",
            where="modal log",
            hint="Set the way-up of the map first.",
        )
    angle = math.radians(orientation.way_up_deg)
    # A square of any size does: only the direction is wanted.
    x0, y0 = orientation.to_map(0.0, 0.0, 1.0, 1.0)
    x1, y1 = orientation.to_map(math.sin(angle), -math.cos(angle), 1.0, 1.0)
    length = math.hypot(x1 - x0, y1 - y0)
    return (x1 - x0) / length, (y1 - y0) / length


def modal_log(
    labels: npt.NDArray[np.uint8],
    names: Sequence[str],
    pixel_um: tuple[float, float],
    up: tuple[float, float],
    band_um: float,
    *,
    origin_um: float | None = None,
    mask: npt.NDArray[np.bool_] | None = None,
    densities: Sequence[float | None] = (),
    progress: Progress = silent,
) -> ModalLog:
    """Modes in bands of a height along way-up.

    Parameters
    ----------
    labels, names, pixel_um, mask, densities
        As of `viewer.science.measure.mode.modes`.
    up : (float, float)
        Way-up as a unit vector on the stored map, see `up_on_map`.
    band_um : float
        Height of a band (µm).
    origin_um : float, optional
        Where distance 0 lies, as ``x * up[0] + y * up[1]``; left out, the lowest point of the sample.

    Raises
    ------
    InputError
        The region holds no sorted pixel; bands are thinner than a pixel, or too many.
    """
    px, py = pixel_um
    # How far a pixel reaches along way-up, from side to side.
    reach = abs(up[0]) * px + abs(up[1]) * py
    if not (math.isfinite(band_um) and band_um >= reach):
        raise InputError(
            f"Bands of {band_um:g} µm are thinner than a pixel ({reach:.4g} µm along way-up).",
            where="modal log",
            hint=f"Choose {math.ceil(2 * reach):g} µm or more.",
        )
    inside = labels != 255 if mask is None else mask & (labels != 255)
    ends = _ends(inside, pixel_um, up)
    if ends is None:
        raise InputError("There is no pixel in this region.", where="modal log")
    bottom = ends[0] - 0.5 * reach
    origin = bottom if origin_um is None else origin_um
    # A band's edge that is only rounding away from the sample's end must not make one more band.
    first = math.floor((bottom - origin) / band_um + 1e-9)
    last = math.ceil((ends[1] + 0.5 * reach - origin) / band_um - 1e-9)
    if last - first > MOST_BANDS:
        raise InputError(
            f"That makes {last - first:,} bands; {MOST_BANDS:,} are the most.",
            where="modal log",
            hint="Choose a greater height.",
        )
    start = origin + first * band_um
    bands: list[Band] = []
    for number in range(last - first):
        progress(number / (last - first), f"band {number + 1} of {last - first}")
        low = start + number * band_um
        # The last band is closed, so that rounding leaves no pixel over.
        high = math.inf if number == last - first - 1 else low + band_um
        bands.append(
            _band(
                labels,
                names,
                pixel_um,
                up,
                (low if number else -math.inf, high),
                (low - origin, low - origin + band_um),
                inside,
                densities,
            )
        )
    largest = max((b.modes.counted for b in bands if b.modes is not None), default=0)
    if largest == 0:
        raise InputError(
            "There is no sorted pixel in this region.",
            where="modal log",
            hint="Choose another region, or sort more of the map.",
        )
    done = tuple(
        Band(
            b.bottom_um,
            b.top_um,
            0.0 if b.modes is None else b.modes.counted / largest,
            b.unsorted,
            b.modes,
        )
        for b in bands
    )
    remarks = []
    if band_um < 3 * reach:
        remarks.append(
            f"Bands are less than three pixels high ({reach:.4g} µm along way-up): neighbours share "
            "their edge pixels unevenly."
        )
    return ModalLog(tuple(names), done, band_um, up, origin, tuple(remarks))


def _distances(
    rows: slice, columns: slice, pixel_um: tuple[float, float], up: tuple[float, float]
) -> npt.NDArray[np.float64]:
    """Distance along way-up of each pixel's centre (µm), [rows, columns]."""
    y = (np.arange(rows.start, rows.stop) + 0.5) * (pixel_um[1] * up[1])
    x = (np.arange(columns.start, columns.stop) + 0.5) * (pixel_um[0] * up[0])
    distances: npt.NDArray[np.float64] = y[:, None] + x[None, :]
    return distances


def _ends(
    inside: npt.NDArray[np.bool_], pixel_um: tuple[float, float], up: tuple[float, float]
) -> tuple[float, float] | None:
    """Lowest and highest distance of a pixel's centre; None where there is no pixel."""
    filled = np.flatnonzero(inside.any(axis=1))
    if filled.size == 0:
        return None
    # Along a row the distance runs one way: its ends are at the first and the last pixel.
    first = inside[filled].argmax(axis=1)
    last = inside.shape[1] - 1 - inside[filled, ::-1].argmax(axis=1)
    y = (filled + 0.5) * (pixel_um[1] * up[1])
    ends = [y + (column + 0.5) * (pixel_um[0] * up[0]) for column in (first, last)]
    return float(np.min(ends)), float(np.max(ends))


def _band(
    labels: npt.NDArray[np.uint8],
    names: Sequence[str],
    pixel_um: tuple[float, float],
    up: tuple[float, float],
    between: tuple[float, float],
    named: tuple[float, float],
    inside: npt.NDArray[np.bool_],
    densities: Sequence[float | None],
) -> Band:
    """Modes of the pixels whose centres lie between two distances, the lower one included."""
    rows, columns = _window((labels.shape[0], labels.shape[1]), pixel_um, up, between)
    part = np.zeros((rows.stop - rows.start, columns.stop - columns.start), bool)
    for start in range(rows.start, rows.stop, ROWS):
        some = slice(start, min(start + ROWS, rows.stop))
        # A slanting band takes few columns of some rows.
        down = sorted(up[1] * pixel_um[1] * r for r in (some.start, some.stop))
        few = _span(between, up[0] * pixel_um[0], (down[0], down[1]), labels.shape[1])
        far = _distances(some, few, pixel_um, up)
        here = inside[some, few] & (far >= between[0]) & (far < between[1])
        part[
            some.start - rows.start : some.stop - rows.start,
            few.start - columns.start : few.stop - columns.start,
        ] = here
    cut = labels[rows, columns]
    unsorted = int(np.count_nonzero(part & (cut == 0)))
    found: Modes | None = None
    if np.any(part & (cut != 0)):
        found = modes(
            cut, names, pixel_um, mask=part, densities=densities, resamples=0, cells=CELLS
        )
    return Band(named[0], named[1], 0.0, unsorted, found)


def _window(
    shape: tuple[int, int],
    pixel_um: tuple[float, float],
    up: tuple[float, float],
    between: tuple[float, float],
) -> tuple[slice, slice]:
    """Rows and columns of a map outside which nothing lies between two distances along way-up."""
    across = [up[0] * pixel_um[0] * c for c in (0, shape[1])]
    down = [up[1] * pixel_um[1] * r for r in (0, shape[0])]
    return (
        _span(between, up[1] * pixel_um[1], (min(across), max(across)), shape[0]),
        _span(between, up[0] * pixel_um[0], (min(down), max(down)), shape[1]),
    )


def _span(
    between: tuple[float, float], step: float, other: tuple[float, float], count: int
) -> slice:
    """Pixels of one axis, each `step` along way-up, given what the other axis may add."""
    if abs(step) < 1e-12:
        return slice(0, count)
    ends = sorted(((between[0] - other[1]) / step, (between[1] - other[0]) / step))
    low = 0 if ends[0] == -math.inf else min(max(math.floor(ends[0]) - 1, 0), count)
    high = count if ends[1] == math.inf else min(max(math.ceil(ends[1]) + 1, low), count)
    return slice(low, high)
