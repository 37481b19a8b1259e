"""The sample's outline: a first guess from the sum of channels, and the pixels inside polygons."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

Polygon = npt.NDArray[np.float64]

LARGEST = 1200
"""Rows or columns beyond which the sum is reduced before an outline is looked for."""

BODY = 0.05
"""Least area of a separate body, as a part of the largest one's."""

EDGE = 0.05
"""Least part of the map's edge that a piece of the mount takes up without a gap."""

APART = 0.5
"""Least distance between two heaps of log brightness: one is 1.6 times as bright as the other."""

VALLEY = 0.05
"""Most pixels in the valley between two heaps, as a part of the smaller heap.

The valley is a fifth of the distance between the heaps wide. One normal heap cut in two has 0.25
there and a uniform one 0.2.
"""

FAINTER = 0.5
"""Greatest level of the mount, as a part of the sample's."""

EVEN = 0.5
"""Greatest spread of the mount's level (10th to 90th percentile), as a part of it: it is one stuff."""


def suggest_outline(
    total: npt.NDArray[Any], pixel_um: tuple[float, float]
) -> list[npt.NDArray[np.float64]]:
    """Outline of the sample on its mount.

    Parameters
    ----------
    total : ndarray [rows, columns]
        Sum of channels (a reduced image does). NaN counts as nothing.
    pixel_um : (float, float)
        Size of these pixels along x and y (µm).

    Returns
    -------
    list of ndarray of float64 [n, 2]
        Closed polygons (x, y) in µm, the largest first, the last point not repeated. Empty where no
        mount can be told from the sample: the whole map then counts.

    Notes
    -----
    Otsu's threshold (1979, doi:10.1109/TSMC.1979.4310076) on the smoothed logarithm, moved to the
    emptiest place between the heaps. A sample of bright and dark minerals is itself cut in two by
    it, so that the darker part is cut again as long as it has two heaps. The mount has to lie along
    the edge of the map, and be even, and at most half as bright as the sample. Holes are filled. A
    mount that shines (a metal holder) and a dark mineral along the whole edge of the map cannot be
    told from each other by brightness.
    """
    from scipy import ndimage
    from skimage import measure

    step = max(1, -(-max(total.shape) // LARGEST))
    image = _reduced(np.nan_to_num(np.asarray(total, dtype=np.float64)), step)
    if min(image.shape) < 8:
        return []
    # A median keeps the edge where it is; a blur would carry bright grains over it.
    smooth = ndimage.median_filter(np.maximum(image, 0.0), 5, mode="nearest")
    bright = float(np.percentile(smooth, 99))
    if bright <= 0.0:
        return []
    level = np.log1p(smooth / (0.01 * bright))
    limit = _lowest_cut(level.ravel())
    if limit is None:
        return []
    sample = ndimage.binary_fill_holes(level > limit)
    labels, count = ndimage.label(sample)
    areas = np.bincount(labels.ravel(), minlength=count + 1)[1:]
    if count == 0:
        return []
    sample = np.isin(labels, 1 + np.flatnonzero(areas >= BODY * areas.max()))
    mount = _along_the_edge(~sample)
    sample = ~mount
    if not mount.any() or np.median(smooth[mount]) > FAINTER * np.median(smooth[sample]):
        return []
    dark, middle, light = np.percentile(smooth[mount], (10, 50, 90))
    if light - dark > EVEN * (middle + 0.01 * bright):
        return []
    # Nothing lies beyond the map, so that an outline runs along its edge where the sample does.
    contours = measure.find_contours(np.pad(sample, 1).astype(np.float64), 0.5)  # type: ignore[no-untyped-call]
    size = np.array([pixel_um[0] * step, pixel_um[1] * step])
    # At an edge that is not a whole number of reduced pixels the padding must not stick out.
    extent = np.array([total.shape[1] * pixel_um[0], total.shape[0] * pixel_um[1]])
    polygons = []
    for contour in contours:
        points = measure.approximate_polygon(contour, tolerance=0.75)[:-1]  # type: ignore[no-untyped-call]
        if len(points) >= 3:
            polygons.append(np.clip((points[:, ::-1] - 0.5) * size, 0.0, extent))
    polygons.sort(key=lambda p: -abs(_area(p)))
    return polygons


def rasterize(
    polygons: Iterable[npt.NDArray[Any]],
    shape: tuple[int, int],
    pixel_um: tuple[float, float],
    rows: slice | None = None,
) -> npt.NDArray[np.bool_]:
    """Pixels whose centres lie inside polygons, by the even-odd rule.

    Parameters
    ----------
    polygons : iterable of ndarray [n, 2]
        Closed polygons (x, y) in µm; they may cross themselves and each other.
    shape : (int, int)
        Rows and columns of the map.
    pixel_um : (float, float)
        Pixel size along x and y (µm).
    rows : slice, optional
        Only these rows (start and stop, step 1), so that a large map can be done in bands.

    Returns
    -------
    ndarray of bool [rows, columns]
        A centre that lies exactly on an edge is inside where the sample is to its right or below,
        so that polygons that share an edge share no pixel.
    """
    start, stop, stride = (rows or slice(None)).indices(shape[0])
    if stride != 1:
        raise ValueError("rows are taken one after the other")
    count, cols = max(stop - start, 0), shape[1]
    px, py = pixel_um
    centres_x = (np.arange(cols) + 0.5) * px
    centres_y = (np.arange(start, start + count) + 0.5) * py
    # Each crossing of an edge with a row of centres turns the rest of the row over.
    turns = np.zeros((count, cols + 1), np.uint8)
    for polygon in polygons:
        points = np.asarray(polygon, dtype=np.float64)
        if len(points) < 3:
            continue
        ends = np.roll(points, -1, axis=0)
        first = np.searchsorted(centres_y, np.minimum(points[:, 1], ends[:, 1]), side="left")
        last = np.searchsorted(centres_y, np.maximum(points[:, 1], ends[:, 1]), side="left")
        for i in np.flatnonzero(last > first):
            # From the upper end always: an edge crosses alike whichever way it is walked.
            (x0, y0), (x1, y1) = sorted((points[i], ends[i]), key=lambda p: float(p[1]))
            across = np.arange(first[i], last[i])
            x = x0 + (centres_y[across] - y0) / (y1 - y0) * (x1 - x0)
            turns[across, np.searchsorted(centres_x, x, side="left")] ^= 1
    inside = np.bitwise_xor.accumulate(turns[:, :cols], axis=1)
    return inside.view(np.bool_)


def _lowest_cut(level: npt.NDArray[np.float64]) -> float | None:
    """Threshold between the lowest heap of values and the rest, None where there is one heap."""
    from skimage.filters import threshold_otsu

    cut: float | None = None
    part = level
    for _ in range(4):
        if part.size < 64 or np.ptp(part) < APART:
            break
        between = float(threshold_otsu(part))  # type: ignore[no-untyped-call]
        limit = _valley(part, between)
        if limit is not None:
            cut = limit
        elif cut is not None:
            break
        # Above the lowest heap there may be others: what is darker is looked at again.
        part = part[part <= (between if limit is None else limit)]
    return cut


def _valley(part: npt.NDArray[np.float64], between: float) -> float | None:
    """The emptiest place between the two parts on either side of a value, if it is empty enough."""
    low, high = part[part <= between], part[part > between]
    if low.size == 0 or high.size == 0:
        return None
    start, stop = float(low.mean()), float(high.mean())
    if stop - start < APART:
        return None
    counts, edges = np.histogram(part, 50, (start, stop))
    inside = np.convolve(counts, np.ones(10), mode="valid")
    emptiest = np.flatnonzero(inside == inside.min())
    if inside.min() > VALLEY * min(low.size, high.size):
        return None
    return float(edges[int(emptiest[emptiest.size // 2]) + 5])


def _along_the_edge(dark: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """The connected pieces that take up a long enough stretch of the map's edge."""
    from scipy import ndimage

    labels, _ = ndimage.label(dark)
    around = np.concatenate([labels[0], labels[1:, -1], labels[-1, -2::-1], labels[-2:0:-1, 0]])
    changes = np.flatnonzero(around != np.roll(around, 1))
    if changes.size == 0:
        return labels == around[0] if around[0] else np.zeros_like(dark)
    lengths = np.diff(np.append(changes, changes[0] + around.size))
    long = around[changes[lengths >= EDGE * around.size]]
    return np.isin(labels, long[long > 0])


def _reduced(image: npt.NDArray[np.float64], step: int) -> npt.NDArray[np.float64]:
    """Means of ``step x step`` blocks; at the far edges of what is there."""
    if step == 1:
        return image
    rows = np.arange(0, image.shape[0], step)
    cols = np.arange(0, image.shape[1], step)
    sums = np.add.reduceat(np.add.reduceat(image, rows, axis=0), cols, axis=1)
    height = np.diff(np.append(rows, image.shape[0]))
    width = np.diff(np.append(cols, image.shape[1]))
    return np.asarray(sums / (height[:, None] * width))


def _area(polygon: Polygon) -> float:
    """Signed area of a polygon."""
    x, y = polygon.T
    return 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
