"""Where pixels lie along a line, and how far to which side of it."""

from __future__ import annotations

import math

import numba
import numpy as np
import numpy.typing as npt

from viewer.science.kernels import compiled

Array = npt.NDArray[np.float64]


def place_pixels(
    line: Array,
    pixel_um: tuple[float, float],
    rows: slice,
    cols: slice,
    reach_um: float,
) -> tuple[Array, Array]:
    """Distance along a line, and signed distance from it, of the centres of a window's pixels.

    A pixel belongs to the nearest point of the line. Positive distances from it are to the left of
    its drawing: above, for a line drawn from left to right.

    Parameters
    ----------
    line : ndarray of float64 [n, 2]
        Points (x right, y down, µm), n >= 2, no two neighbours alike.
    pixel_um : (float, float)
        Width and height of a pixel.
    rows, cols : slice
        The window, with start and stop.
    reach_um : float
        Pixels farther from the line than this are NaN, and so are those whose nearest point is an end
        of the line and that lie beyond it.

    Returns
    -------
    along, offset : ndarray of float64 [rows, columns]
        In µm.
    """
    along = np.full((rows.stop - rows.start, cols.stop - cols.start), np.nan)
    offset = np.full_like(along, np.nan)
    segment = np.diff(line, axis=0)
    length = np.hypot(segment[:, 0], segment[:, 1])
    if not np.all(length > 0):
        raise ValueError("two neighbouring points of the line are the same")
    start = np.concatenate([[0.0], np.cumsum(length)])
    _place(
        np.ascontiguousarray(line, np.float64),
        start,
        pixel_um[0],
        pixel_um[1],
        rows.start,
        cols.start,
        float(reach_um),
        along,
        offset,
    )
    return along, offset


def place_pixels_plain(
    line: Array,
    pixel_um: tuple[float, float],
    rows: slice,
    cols: slice,
    reach_um: float,
) -> tuple[Array, Array]:
    """The same, pixel by segment; see `place_pixels`."""
    x = (np.arange(cols.start, cols.stop) + 0.5)[None, :] * pixel_um[0]
    y = (np.arange(rows.start, rows.stop) + 0.5)[:, None] * pixel_um[1]
    segment = np.diff(line, axis=0)
    length = np.hypot(segment[:, 0], segment[:, 1])
    unit = segment / length[:, None]
    start = np.concatenate([[0.0], np.cumsum(length)])
    best = np.full((y.size, x.size), np.inf)
    along, offset = np.full_like(best, np.nan), np.full_like(best, np.nan)
    last = len(segment) - 1
    for k in range(last + 1):
        dx, dy = x - line[k, 0], y - line[k, 1]
        t = dx * unit[k, 0] + dy * unit[k, 1]
        beyond = ((t < 0) & (k == 0)) | ((t > length[k]) & (k == last))
        kept = np.clip(t, 0.0, length[k])
        far = np.hypot(dx - kept * unit[k, 0], dy - kept * unit[k, 1])
        ux, uy = np.full_like(t, unit[k, 0]), np.full_like(t, unit[k, 1])
        if k > 0:
            ux[t < 0] += unit[k - 1, 0]
            uy[t < 0] += unit[k - 1, 1]
        if k < last:
            ux[t > length[k]] += unit[k + 1, 0]
            uy[t > length[k]] += unit[k + 1, 1]
        side = (dx - kept * unit[k, 0]) * uy - (dy - kept * unit[k, 1]) * ux
        nearer = far < best
        best[nearer] = far[nearer]
        found = nearer & ~beyond & (far <= reach_um)
        along[nearer], offset[nearer] = np.nan, np.nan
        along[found] = (start[k] + kept)[found]
        offset[found] = np.copysign(far, side)[found]
    return along, offset


@compiled
def _place(
    line: Array,
    start: Array,
    px: float,
    py: float,
    row0: int,
    col0: int,
    reach: float,
    along: Array,
    offset: Array,
) -> None:
    height, width = along.shape
    count = line.shape[0] - 1
    for r in numba.prange(height):
        y = (row0 + r + 0.5) * py
        best = np.full(width, np.inf)
        for k in range(count):
            ax, ay, bx, by = line[k, 0], line[k, 1], line[k + 1, 0], line[k + 1, 1]
            if y < min(ay, by) - reach or y > max(ay, by) + reach:
                continue
            length = start[k + 1] - start[k]
            ux, uy = (bx - ax) / length, (by - ay) / length
            first = max(0, math.floor((min(ax, bx) - reach) / px) - col0)
            stop = min(width, math.ceil((max(ax, bx) + reach) / px) + 1 - col0)
            for c in range(first, stop):
                dx, dy = (col0 + c + 0.5) * px - ax, y - ay
                t = dx * ux + dy * uy
                beyond = (t < 0 and k == 0) or (t > length and k == count - 1)
                kept = min(max(t, 0.0), length)
                qx, qy = dx - kept * ux, dy - kept * uy
                far = math.hypot(qx, qy)
                if not far < best[c]:
                    continue
                best[c] = far
                if beyond or far > reach:
                    along[r, c] = np.nan
                    offset[r, c] = np.nan
                    continue
                # At a corner the side is told by both segments together.
                sx, sy = ux, uy
                if t < 0 and k > 0:
                    before = start[k] - start[k - 1]
                    sx += (ax - line[k - 1, 0]) / before
                    sy += (ay - line[k - 1, 1]) / before
                if t > length and k < count - 1:
                    after = start[k + 2] - start[k + 1]
                    sx += (line[k + 2, 0] - bx) / after
                    sy += (line[k + 2, 1] - by) / after
                along[r, c] = start[k] + kept
                offset[r, c] = math.copysign(far, qx * sy - qy * sx)
