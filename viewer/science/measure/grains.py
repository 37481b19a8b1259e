"""Grains of a phase: the connected pieces of its pixels on the cut face.

A grain here is what hangs together on the face. Two crystals of one phase that touch are one grain,
and one crystal that the face meets twice is two: no map of elements alone can tell.

Pixels hang together across sides and corners (8-connected) unless asked otherwise, as in the cleaning
of a class image: a thin lath that runs slantwise over the pixels is one grain, and so are two grains
that touch at a corner alone. With 4 neighbours these are two, and the lath may be a row of specks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.progress import Progress, part, silent

Mask = npt.NDArray[np.bool_]
Connectivity = Literal[4, 8]


@dataclass(frozen=True, eq=False)
class Grains:
    """The grains of a phase, in the order in which rows meet them first.

    Attributes
    ----------
    labels : ndarray of int32 [rows, columns]
        0: none; grain `n` of the arrays below is ``n + 1`` here.
    pixels : ndarray of int64 [grains]
        Pixels of each.
    areas_um2 : ndarray of float64 [grains]
    boxes : ndarray of int64 [grains, 4]
        First row, row after the last, first column, column after the last.
    centres_um : ndarray of float64 [grains, 2]
        Centre of gravity (x, y) in µm.
    cut : ndarray of bool [grains]
        A pixel of it lies at the map's edge or beside a pixel that is not in the region: how the grain
        goes on there is not known.
    small : int
        Grains left out because they are smaller than asked for.
    small_pixels : int
        Pixels of those.
    smallest_um2 : float
        What was asked for.
    connectivity : {4, 8}
    pixel_um : (float, float)
    """

    labels: npt.NDArray[np.int32]
    pixels: npt.NDArray[np.int64]
    areas_um2: npt.NDArray[np.float64]
    boxes: npt.NDArray[np.int64]
    centres_um: npt.NDArray[np.float64]
    cut: Mask
    small: int
    small_pixels: int
    smallest_um2: float
    connectivity: Connectivity
    pixel_um: tuple[float, float]

    def __len__(self) -> int:
        """Number of grains."""
        return len(self.pixels)

    def window(self, grain: int, margin: int = 0) -> tuple[slice, slice]:
        """Rows and columns of a grain (from 0) with a margin of pixels, cut to the map."""
        top, bottom, left, right = (int(v) for v in self.boxes[grain])
        rows, cols = self.labels.shape
        return (
            slice(max(0, top - margin), min(rows, bottom + margin)),
            slice(max(0, left - margin), min(cols, right + margin)),
        )

    def at(self, x_um: float, y_um: float) -> int | None:
        """Which grain (from 0) lies at a place; None where none does."""
        col, row = int(x_um // self.pixel_um[0]), int(y_um // self.pixel_um[1])
        rows, cols = self.labels.shape
        if not (0 <= row < rows and 0 <= col < cols):
            return None
        found = int(self.labels[row, col])
        return found - 1 if found else None

    def outline_um(self, grain: int) -> npt.NDArray[np.float64]:
        """Outer edge of a grain (from 0): points (x, y) in µm, float64 [n, 2], closed, the first not
        repeated. Corners that are less than half a pixel off a straight line are left out."""
        from skimage import measure

        rows, cols = self.window(grain)
        own = self.labels[rows, cols] == grain + 1
        contours: Any = measure
        found = contours.find_contours(
            np.pad(own, 1), 0.5, fully_connected="high" if self.connectivity == 8 else "low"
        )
        line = contours.approximate_polygon(max(found, key=len), 0.4)[:-1, ::-1]
        # Contours count from the middles of pixels, and the margin adds one.
        corner = np.array([cols.start - 0.5, rows.start - 0.5])
        outline: npt.NDArray[np.float64] = (line + corner) * np.array(self.pixel_um)
        return outline


def label_grains(
    mask: Mask,
    pixel_um: tuple[float, float],
    smallest_um2: float = 0.0,
    *,
    within: Mask | None = None,
    connectivity: Connectivity = 8,
    progress: Progress = silent,
) -> Grains:
    """Number the grains of a phase.

    Parameters
    ----------
    mask : ndarray of bool [rows, columns]
        Pixels of the phase.
    pixel_um : (float, float)
        Width and height of a pixel.
    smallest_um2 : float
        Smaller grains are left out and counted.
    within : ndarray of bool [rows, columns], optional
        The region: a unit, a window, what lies inside the outline. Left out, the whole map.
    connectivity : {4, 8}
        Whether pixels hang together across sides alone or across corners too.

    Returns
    -------
    Grains
        Cut grains are among them, flagged; none where the phase is absent.

    Raises
    ------
    InputError
        The smallest area is not a number of zero or more.
    """
    from scipy import ndimage

    _check_area(smallest_um2)
    progress(0.0, "finding grains")
    inside = mask if within is None else mask & within
    labels = np.empty(mask.shape, np.int32)
    ndimage.label(inside, structure=np.ones((3, 3), bool) if connectivity == 8 else None, output=labels)
    return grains_of(
        labels,
        pixel_um,
        smallest_um2,
        within=within,
        connectivity=connectivity,
        progress=part(progress, 0.5, 1.0),
    )


def grains_of(
    labels: npt.NDArray[np.int32],
    pixel_um: tuple[float, float],
    smallest_um2: float = 0.0,
    *,
    within: Mask | None = None,
    connectivity: Connectivity = 8,
    progress: Progress = silent,
) -> Grains:
    """Grains that have been numbered otherwise: measured, flagged, and freed of the small ones.

    Parameters
    ----------
    labels : ndarray of int32 [rows, columns]
        From 1, 0 for none; numbers may be missing.
    pixel_um, smallest_um2, within, connectivity
        As of `label_grains`.

    Raises
    ------
    InputError
        The smallest area is not a number of zero or more.
    """
    _check_area(smallest_um2)
    progress(0.0, "measuring grains")
    count = int(labels.max(initial=0))
    pixels = np.bincount(labels.ravel(), minlength=count + 1)[1:]
    area = pixel_um[0] * pixel_um[1]
    # A hair of room: an area worked out from pixels must not drop them by rounding.
    kept = (pixels > 0) & (pixels * area >= smallest_um2 * (1.0 - 1e-9))
    small = (pixels > 0) & ~kept
    if not kept.all():
        numbers = np.zeros(count + 1, np.int32)
        numbers[1:][kept] = np.arange(1, int(kept.sum()) + 1, dtype=np.int32)
        labels = numbers[labels]
    areas: npt.NDArray[np.float64] = pixels[kept].astype(np.float64) * area
    progress(0.4, "measuring grains")
    boxes, centres = _boxes_and_centres(labels, int(kept.sum()), pixel_um)
    progress(0.8, "measuring grains")
    cut = np.zeros(int(kept.sum()) + 1, bool)
    cut[_at_edge(labels, within)] = True
    return Grains(
        labels=labels,
        pixels=pixels[kept].astype(np.int64),
        areas_um2=areas,
        boxes=boxes,
        centres_um=centres,
        cut=cut[1:],
        small=int(small.sum()),
        small_pixels=int(pixels[small].sum()),
        smallest_um2=smallest_um2,
        connectivity=connectivity,
        pixel_um=pixel_um,
    )


def _check_area(smallest_um2: float) -> None:
    if not (np.isfinite(smallest_um2) and smallest_um2 >= 0):
        raise InputError("The smallest area of a grain must be zero or more.", where="grains")


def _boxes_and_centres(
    labels: npt.NDArray[np.int32], count: int, pixel_um: tuple[float, float]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Bounding boxes [n, 4] and centres of gravity [n, 2] (µm) of every grain."""
    from scipy import ndimage

    boxes = np.zeros((count, 4), np.int64)
    for n, found in enumerate(ndimage.find_objects(labels, max_label=count)):
        if found is not None:
            boxes[n] = (found[0].start, found[0].stop, found[1].start, found[1].stop)
    places = np.flatnonzero(labels)
    owner = labels.ravel()[places]
    row, col = np.divmod(places, labels.shape[1])
    number = np.maximum(np.bincount(owner, minlength=count + 1)[1:], 1)
    x = np.bincount(owner, col, count + 1)[1:] / number
    y = np.bincount(owner, row, count + 1)[1:] / number
    return boxes, np.column_stack([(x + 0.5) * pixel_um[0], (y + 0.5) * pixel_um[1]])


def _at_edge(labels: npt.NDArray[np.int32], within: Mask | None) -> npt.NDArray[np.int32]:
    """Labels that touch the map's edge, or a pixel outside the region across a side or a corner."""
    border = [labels[0], labels[-1], labels[:, 0], labels[:, -1]]
    if within is not None and not within.all():
        # A pixel is inside for good where a square of nine is: a minimum along rows, then columns.
        deep = within.copy()
        deep[1:] &= within[:-1]
        deep[:-1] &= within[1:]
        whole = deep.copy()
        deep[:, 1:] &= whole[:, :-1]
        deep[:, :-1] &= whole[:, 1:]
        border.append(labels[~deep])
    found: npt.NDArray[np.int32] = np.unique(np.concatenate(border))
    return found
