"""Over what distance a phase comes or goes across a contact, in µm and in grains.

The share of the phase at each distance from the contact is fitted with a blurred step between two
shares, as a layer's values are (`viewer.science.measure.sharpness`). The line is first freed of detail
shorter than two grains: a contact drawn along the phase's own grains would be sharp by its drawing.

The grain that the width is counted in is the mean chord of the phase: how far a line thrown on the
rock at random runs within it, which is pi times area over perimeter, the perimeter by counting the
edges that lines of several directions cross (Crofton's formula; Saltykov 1958, Stereometric
metallography; both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.sharpness import Sharpness, Width, sharpness
from viewer.science.progress import Progress, part, silent

Float = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

DETAIL_CHORDS = (2.0, 4.0, 8.0, 16.0)
"""Detail of the line that is left out, in mean chords: the finest that gives the same width as the
next coarser."""

SHARP_CHORDS = 1.0
"""Width in chords below which a contact cannot be told from a sharp one."""


@dataclass(frozen=True, eq=False)
class Gradient:
    """How a phase comes or goes.

    Attributes
    ----------
    step : Sharpness
        Of the phase's share (0 to 1).
    chord_um : float
        Mean chord of the phase within reach of the contact (µm).
    """

    step: Sharpness
    chord_um: float

    @property
    def width(self) -> Width:
        """10-90 % width (µm)."""
        return self.step.width()

    @property
    def grains(self) -> Width:
        """The same in mean chords of the phase."""
        width = self.width
        return Width(*(w / self.chord_um for w in (width.value, width.low, width.high)))

    @property
    def sharp(self) -> bool:
        """The width is that of grains: nothing tells this contact from a sharp one."""
        return self.grains.value <= SHARP_CHORDS


def gradient(
    phase: Bool,
    known: Bool,
    pixel_um: tuple[float, float],
    line: npt.ArrayLike,
    *,
    origin: tuple[int, int] = (0, 0),
    reach_um: float | None = None,
    largest_reach_um: float,
    progress: Progress = silent,
) -> Gradient:
    """Measure over what distance a phase comes or goes.

    Parameters
    ----------
    phase, known : ndarray of bool [rows, columns]
        Pixels of the phase, and pixels that count.
    pixel_um, line, origin, reach_um, largest_reach_um, progress
        As for `viewer.science.measure.sharpness.sharpness`.

    Raises
    ------
    InputError
        The phase is absent near the contact, or as frequent on both sides.
    """
    if not np.any(phase & known):
        raise InputError(
            "The phase does not occur near the contact.",
            where="gradient",
            hint="Choose a phase that grows on one side of it.",
        )
    progress(0.0, "grains")
    chord = mean_chord(phase, known, pixel_um)
    shares = np.where(known, phase, np.nan).astype(np.float32)
    step = sharpness(
        shares,
        pixel_um,
        line,
        origin=origin,
        reach_um=reach_um,
        largest_reach_um=largest_reach_um,
        details_um=[d * chord for d in DETAIL_CHORDS],
        progress=part(progress, 0.05, 1.0),
    )
    return Gradient(step, chord)


def mean_chord(phase: Bool, known: Bool, pixel_um: tuple[float, float]) -> float:
    """Mean chord of a phase: how far random lines run within it at a time (µm).

    Edges against pixels that are not known are not counted, nor are they taken for the phase's.

    Parameters
    ----------
    phase, known : ndarray of bool [rows, columns]
    pixel_um : (float, float)
        Width and height of a pixel.

    Raises
    ------
    InputError
        The phase is absent, or has no edge.
    """
    px, py = pixel_um
    directions = ((0, 1), (1, 1), (1, 0), (1, -1))
    lengths = np.array([px, math.hypot(px, py), py, math.hypot(px, py)])
    tilt = math.atan2(py, px)
    angles = np.array([0.0, tilt, math.pi / 2, math.pi - tilt])
    # A direction stands for the half circle's sector that is nearer to it than to the next ones.
    gaps = np.diff(np.append(angles, math.pi))
    sector = 0.5 * (gaps + np.roll(gaps, 1)) / math.pi
    inverse = 0.0
    for (down, across), length, weight in zip(directions, lengths, sector, strict=True):
        a, b = _pairs(phase, down, across)
        seen = np.logical_and(*_pairs(known, down, across))
        edges = np.count_nonzero((a != b) & seen)
        inside = 0.5 * (np.count_nonzero(a & seen) + np.count_nonzero(b & seen))
        if inside:
            # A chord has two edges; the line runs one spacing a pixel.
            inverse += weight * edges / (2.0 * inside * length)
    if inverse <= 0:
        raise InputError(
            "The phase has no edge near the contact.",
            where="gradient",
            hint="It is either everywhere or nowhere within reach: choose another phase or contact.",
        )
    return float(1.0 / inverse)


def _pairs(image: Bool, down: int, across: int) -> tuple[Bool, Bool]:
    """Each pixel and the one that lies a step down and a step to the side of it."""
    rows, cols = image.shape
    if across >= 0:
        return image[: rows - down, : cols - across], image[down:, across:]
    return image[: rows - down, -across:], image[down:, : cols + across]
