"""Overgrowths: how thick a rim is around each host grain, in every direction.

From every stretch of a host's outline a ray runs along the outward normal, and the length that it runs
through pixels of the rim is the rim's thickness there. One ray is good to about a pixel; the mean over
the rays of an outline is free of rounding, whatever the pixels' shape and however the outline lies to
them, as it is the area of the rim's pixels over the length that they lie along. For that a ray counts
with the length of outline that it stands for.

What a ray may meet:

* **measured**: rim, and behind it another phase;
* **open**: another phase at once, no rim;
* **shared**: another grain, the rim that belongs to another grain, or the other wall of a bay of the
  same grain. How thick the rim would have grown there is not known;
* **cut**: the edge of the map or the region;
* **unsure**: unsorted ground wider than a mixed edge;
* **beside**: rim, and behind it another phase, but within a pixel or two of outline that was kept from
  telling: shared, cut or unsure, or bare where the rim beside it is thick, so that something stood in
  its way. The flank of what stood there cuts rays short that graze it, and rims would look thin
  wherever a host is partly enclosed.

Rim pixels belong to the grain that is nearest by a way through the rim.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.kernels.rim_owner import FREE, OUTSIDE, UNKNOWN, give_rims
from viewer.science.kernels.rim_rays import (
    BESIDE,
    CUT,
    MEASURED,
    OPEN,
    SHARED,
    UNSURE,
    cast_rays,
)
from viewer.science.measure.grains import Grains, label_grains
from viewer.science.numbers import significant
from viewer.science.progress import Progress, part, silent

__all__ = [
    "BESIDE",
    "CUT",
    "ENDINGS",
    "MEASURED",
    "OPEN",
    "SHARED",
    "UNSURE",
    "Rays",
    "Rims",
    "rims_around",
]

Mask = npt.NDArray[np.bool_]
Float = npt.NDArray[np.float64]

ENDINGS = ("measured", "open", "shared", "cut", "unsure", "beside")
"""Names of `MEASURED`, `OPEN`, `SHARED`, `CUT`, `UNSURE` and `BESIDE`, in their order."""

SPECK = 4
"""Pixels below which a piece of the host phase is no grain: rays end in it as in unsorted ground."""

SMALLEST = 30
"""Pixels of the smallest host that counts unless the user says otherwise: the outline of a smaller
one has hardly a direction."""

SMOOTH = 1.5
"""Standard deviation, in pixels (the longer side), of the Gaussian that the normal is told by."""

NEAR = 1.5
"""Pixels (the longer side) within which an outline's own steps are no other wall."""

GAP = 2.0
"""Pixels (the longer side) of unsorted ground that pass for a mixed edge."""

ASIDE = 1.5
"""Pixels (the longer side) that measured rays keep from outline that was kept from telling."""

LONGEST = 1000.0
"""Pixels (the longer side) after which a ray is given up."""


@dataclass(frozen=True, eq=False)
class Rays:
    """Rays outwards from the outlines of hosts.

    Attributes
    ----------
    host : ndarray of int32 [rays]
        Which grain, from 0.
    direction_deg : ndarray of float64 [rays]
        Of the outward normal, degrees clockwise from way-up on the displayed map, in [0, 360).
    length_um : ndarray of float64 [rays]
        Of the outline that the ray stands for.
    thickness_um : ndarray of float64 [rays]
        0 where the ray did not measure one.
    ending : ndarray of uint8 [rays]
        Place in `ENDINGS`.
    """

    host: npt.NDArray[np.int32]
    direction_deg: Float
    length_um: Float
    thickness_um: Float
    ending: npt.NDArray[np.uint8]

    def counted(self, open_as_zero: bool = False) -> Mask:
        """Which rays go into means: those that measured, and the open ones where these count as 0."""
        counted: Mask = self.ending == MEASURED
        return counted | (self.ending == OPEN) if open_as_zero else counted

    def only(self, kept: Mask) -> Rays:
        """Some of the rays."""
        return Rays(
            self.host[kept],
            self.direction_deg[kept],
            self.length_um[kept],
            self.thickness_um[kept],
            self.ending[kept],
        )


@dataclass(frozen=True, eq=False)
class Rims:
    """Rims around the grains of a host phase.

    Attributes
    ----------
    grains : Grains
        All pieces of the host phase of `SPECK` pixels or more.
    measured : ndarray of bool [grains]
        Which of them were measured: large enough, and not cut.
    rays : Rays
        Of the measured grains.
    cut, small : int
        Grains of enough size that the edge of the map or the region cuts; grains that are too small.
    specks : int
        Pieces of the host phase below `SPECK` pixels.
    smallest_um2 : float
        Area of the smallest host that counts.
    """

    grains: Grains
    measured: Mask
    rays: Rays
    cut: int
    small: int
    specks: int
    smallest_um2: float

    @property
    def count(self) -> int:
        """Hosts measured."""
        return int(self.measured.sum())

    def shares(self) -> Float:
        """Share of the outline by how its rays ended: float64 [grains, endings], NaN for others."""
        count = len(self.grains)
        place = self.rays.host.astype(np.int64) * len(ENDINGS) + self.rays.ending
        total = np.bincount(place, self.rays.length_um, count * len(ENDINGS))
        table = total.reshape(count, len(ENDINGS))
        with np.errstate(invalid="ignore"):
            shares: Float = table / table.sum(axis=1, keepdims=True)
        return shares


def rims_around(
    host: Mask,
    rim: Mask,
    pixel_um: tuple[float, float],
    up: tuple[float, float],
    *,
    mirrored: bool = False,
    known: Mask | None = None,
    within: Mask | None = None,
    smallest_um2: float | None = None,
    progress: Progress = silent,
) -> Rims:
    """Measure the rims around all grains of a host phase.

    Parameters
    ----------
    host, rim : ndarray of bool [rows, columns]
        Pixels of the host phase and of the phase that grew around it.
    pixel_um : (float, float)
        Width and height of a pixel.
    up : (float, float)
        Unit vector of way-up (x right, y down) on these pixels.
    mirrored : bool
        The map is displayed mirrored, so that clockwise there is anticlockwise here.
    known : ndarray of bool [rows, columns], optional
        Pixels that are sorted into some phase; left out, all are.
    within : ndarray of bool [rows, columns], optional
        The region; left out, the whole map.
    smallest_um2 : float, optional
        Area of the smallest host; left out, that of `SMALLEST` pixels.

    Raises
    ------
    InputError
        A phase is absent, or no host is large enough and whole.
    """
    if not (host if within is None else host & within).any():
        raise InputError("No pixel here is of the host phase.", where="rims")
    if not (rim if within is None else rim & within).any():
        raise InputError("No pixel here is of the rim phase.", where="rims")
    if (host & rim).any():
        raise InputError("Host and rim are the same phase.", where="rims", hint="Choose two phases.")
    pixel_area = pixel_um[0] * pixel_um[1]
    smallest = SMALLEST * pixel_area if smallest_um2 is None else smallest_um2
    grains = label_grains(
        host, pixel_um, SPECK * pixel_area, within=within, progress=part(progress, 0.0, 0.4)
    )
    large = grains.areas_um2 >= smallest * (1.0 - 1e-9)
    measured = large & ~grains.cut
    if not measured.any():
        raise _none(grains, large, smallest)
    codes = _codes(grains, host, rim, known, within)
    give_rims(codes, pixel_um, part(progress, 0.4, 0.6))
    size = max(pixel_um)
    fan = cast_rays(
        codes,
        np.concatenate([[False], measured]),
        pixel_um,
        smooth_um=SMOOTH * size,
        near_um=NEAR * size,
        gap_um=GAP * size,
        longest_um=LONGEST * size,
        beside_um=ASIDE * size,
        progress=part(progress, 0.6, 1.0),
    )
    return Rims(
        grains=grains,
        measured=measured,
        rays=Rays(
            host=fan.host - np.int32(1),
            direction_deg=directions(fan.x, fan.y, up, mirrored),
            length_um=fan.length.astype(np.float64),
            thickness_um=fan.thickness.astype(np.float64),
            ending=fan.ending,
        ),
        cut=int((large & grains.cut).sum()),
        small=int((~large).sum()),
        specks=grains.small,
        smallest_um2=smallest,
    )


def directions(
    x: npt.NDArray[np.floating],
    y: npt.NDArray[np.floating],
    up: tuple[float, float],
    mirrored: bool = False,
) -> Float:
    """Directions of vectors: degrees clockwise from way-up on the displayed map, in [0, 360).

    Parameters
    ----------
    x, y : ndarray of float [n]
        Components to the right and downwards on the stored map.
    up : (float, float)
        Way-up there, a unit vector.
    mirrored : bool
        Left and right are exchanged on the display.
    """
    right = (up[1], -up[0]) if mirrored else (-up[1], up[0])
    towards_up = x.astype(np.float64) * up[0] + y.astype(np.float64) * up[1]
    towards_right = x.astype(np.float64) * right[0] + y.astype(np.float64) * right[1]
    degrees = np.degrees(np.arctan2(towards_right, towards_up)) % 360.0
    # A hair below 0 would come out as 360.
    return np.where(degrees >= 360.0, 0.0, degrees)


def _codes(
    grains: Grains, host: Mask, rim: Mask, known: Mask | None, within: Mask | None
) -> npt.NDArray[np.int32]:
    """What rays meet, for the kernels."""
    codes = grains.labels.copy()
    codes[rim] = FREE
    codes[host & (grains.labels == 0)] = UNKNOWN
    if known is not None:
        codes[~known] = UNKNOWN
    if within is not None:
        codes[~within] = OUTSIDE
    return codes


def _none(grains: Grains, large: Mask, smallest_um2: float) -> InputError:
    whole = int((~grains.cut).sum())
    if not large.any():
        width = 2.0 * math.sqrt(smallest_um2 / math.pi)
        return InputError(
            f"No grain of the host phase is as large as {significant(smallest_um2, 4)} µm² (a circle "
            f"{significant(width, 4)} µm across).",
            where="rims",
            hint="Ask for a smaller host, if its outline still has a direction.",
        )
    return InputError(
        "Every host of enough size is cut by the edge of the map or the region.",
        where="rims",
        hint=f"{whole:,} whole ones are smaller than {significant(smallest_um2, 4)} µm².",
    )
