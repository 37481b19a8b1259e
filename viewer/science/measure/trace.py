"""Follow an edge from one point to another.

The path of least cost between two points, where steps along a steep edge are cheap and steps over
flat ground dear (Mortensen and Barrett 1998, Interactive segmentation with intelligent scissors,
doi:10.1006/gmip.1998.0480; here on a grid of pixels that need not be square). Only edges that rise to
the same side as at its two ends count in full: a grain's near and far side are not one contact.

Each point of the path is then moved along the edge's normal to where the blurred layer is steepest,
or, for a phase, to where its blurred share is a half, which places it well within a pixel.

A path follows what is there at the chosen blur. Along a contact of single grains a blur of a grain's
breadth follows the contact; a blur of a pixel follows the grains.

Positions are in µm on the stored map.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.measure.straighten import thinned

Float = npt.NDArray[np.float64]
Point = tuple[float, float]

BLUR_PX = 1.5
"""Blur that is chosen where none is asked for, in pixels' longer side."""

PHASE_BLUR_PX = 1.0
"""The same for a phase, whose edges carry no counting noise."""

DEAR = 25.0
"""How much dearer a step over flat ground is than one along a steep edge."""

BESIDE = 0.5
"""What steepness counts where the next pixel across the edge is steeper."""

STEEP = 0.95
"""Quantile of the gradients nearby from which on an edge counts as steep."""

REACH = 0.2
"""How far beside the straight line the edge is looked for, as a share of its length."""

LEAST_REACH_PX, MOST_REACH_PX = 16, 400
"""Bounds of that, in pixels' longer side."""

LARGEST = 1_500_000
"""Pixels of a window; a larger one is followed on means of blocks of pixels."""

GRAB_PX = 3.0
"""How far an end is moved to a steep edge, in pixels' longer side."""

END_PX, END_BLURS = 6.0, 2.0
"""How far around either end it is asked to which side the edge rises: pixels, or blurs, if more."""

PASSES = 3
"""Times that the path is moved onto the edge and evened out."""

EVEN_PX = 0.7
"""Standard deviation of the mean along the line that evens it out, in pixels' longer side."""

THIN_PX = 0.1
"""How far points may be from the line that is left when points that it does not need are dropped."""


def window(
    start: Point,
    end: Point,
    pixel_um: tuple[float, float],
    shape: tuple[int, int],
    *,
    reach_um: float | None = None,
) -> tuple[slice, slice]:
    """Rows and columns of a map that following an edge between two points needs to see.

    Parameters
    ----------
    start, end : (float, float)
        µm.
    pixel_um : (float, float)
        Width and height of a pixel.
    shape : (int, int)
        Rows and columns of the map.
    reach_um : float, optional
        How far beside the straight line the edge is looked for; left out, a fifth of its length.

    Raises
    ------
    InputError
        A point lies outside the map.
    """
    px, py = pixel_um
    for x, y in (start, end):
        if not (0 <= x <= shape[1] * px and 0 <= y <= shape[0] * py):
            raise InputError(
                "The point lies outside the map.",
                where=f"{x:.4g}, {y:.4g} µm",
                hint="Click on the map: an edge is followed only where there are pixels.",
            )
    side = max(pixel_um)
    if reach_um is None:
        far = math.hypot(end[0] - start[0], end[1] - start[1])
        reach_um = min(max(REACH * far, LEAST_REACH_PX * side), MOST_REACH_PX * side)
    left, right = sorted((start[0], end[0]))
    top, bottom = sorted((start[1], end[1]))
    rows = slice(max(0, math.floor((top - reach_um) / py)), math.ceil((bottom + reach_um) / py))
    cols = slice(max(0, math.floor((left - reach_um) / px)), math.ceil((right + reach_um) / px))
    return slice(rows.start, min(shape[0], rows.stop)), slice(cols.start, min(shape[1], cols.stop))


def trace_edge(
    values: npt.NDArray[Any],
    pixel_um: tuple[float, float],
    start: Point,
    end: Point,
    *,
    origin: tuple[int, int] = (0, 0),
    blur_um: float | None = None,
    hold_start: bool = False,
) -> Float:
    """Follow the steepest edge of a layer between two points.

    Parameters
    ----------
    values : ndarray [rows, columns]
        The layer around both points; see `window`. Missing pixels are NaN.
    pixel_um : (float, float)
        Width and height of a pixel.
    start, end : (float, float)
        µm on the map. Both are moved to the edge where one is within three pixels.
    origin : (int, int)
        Row and column in the map of ``values[0, 0]``.
    blur_um : float, optional
        Standard deviation of the blur before the edge is looked for; left out, one and a half pixels.
    hold_start : bool
        Leave the start where it is: it is the end of a stretch that was followed before.

    Returns
    -------
    ndarray of float64 [n, 2]
        Points (x, y, µm) from start to end, n >= 2, no two neighbours alike.

    Raises
    ------
    InputError
        The points are the same, lie outside the window, or there is nothing but missing pixels.
    """
    data = np.asarray(values, dtype=np.float64).copy()
    data[~np.isfinite(data)] = np.nan
    blur = BLUR_PX * max(pixel_um) if blur_um is None else blur_um
    return _trace(data, pixel_um, start, end, origin, blur, hold_start, level=None)


def trace_phase_edge(
    mask: npt.NDArray[np.bool_],
    pixel_um: tuple[float, float],
    start: Point,
    end: Point,
    *,
    known: npt.NDArray[np.bool_] | None = None,
    origin: tuple[int, int] = (0, 0),
    blur_um: float | None = None,
    hold_start: bool = False,
) -> Float:
    """Follow the edge of a phase between two points.

    Parameters
    ----------
    mask : ndarray of bool [rows, columns]
        Pixels of the phase around both points; see `window`.
    known : ndarray of bool [rows, columns], optional
        Pixels that count: others are neither of the phase nor beside it.
    blur_um : float, optional
        Standard deviation of the blur before the edge is looked for; left out, one pixel. A blur of a
        grain's breadth follows the edge of a layer of grains.

    Other parameters, result and errors as of `trace_edge`.
    """
    data = np.asarray(mask, dtype=np.float64)
    if known is not None:
        data[~known] = np.nan
    blur = PHASE_BLUR_PX * max(pixel_um) if blur_um is None else blur_um
    return _trace(data, pixel_um, start, end, origin, blur, hold_start, level=0.5)


def _trace(
    data: Float,
    pixel_um: tuple[float, float],
    start: Point,
    end: Point,
    origin: tuple[int, int],
    blur_um: float,
    hold_start: bool,
    level: float | None,
) -> Float:
    if data.ndim != 2 or not np.isfinite(data).any():
        raise InputError(
            "There is no edge to follow.",
            where="trace",
            hint="Every pixel between the two points is missing or masked.",
        )
    if not (math.isfinite(blur_um) and blur_um > 0):
        raise InputError("The blur is a length above zero.", where="trace")
    if not math.hypot(end[0] - start[0], end[1] - start[1]) > 0:
        raise InputError(
            "The two points are the same.", where="trace", hint="Click two places along the edge."
        )
    corner = (origin[1] * pixel_um[0], origin[0] * pixel_um[1])
    factor = max(1, math.ceil(math.sqrt(data.size / LARGEST)))
    if factor > 1:
        data = _block_means(data, factor)
    cell = (pixel_um[0] * factor, pixel_um[1] * factor)
    blur_um = max(blur_um, BLUR_PX * max(cell)) if factor > 1 else blur_um
    here = _Field(data, cell, blur_um)
    # From here on positions count from the window's corner.
    first = (start[0] - corner[0], start[1] - corner[1])
    last = (end[0] - corner[0], end[1] - corner[1])
    cost = _cost(here, first, last)
    a = here.pixel(first) if hold_start else _grab(cost, here, first)
    b = _grab(cost, here, last)
    if a == b:
        return np.array([start, end], dtype=np.float64)
    path = _cheapest(cost, cell, a, b)
    line = np.stack([(path[:, 1] + 0.5) * cell[0], (path[:, 0] + 0.5) * cell[1]], axis=1)
    # The cheapest path cuts corners by up to a pixel; evening it out brings the normals to where the
    # next pass needs them.
    for _ in range(PASSES):
        line = _evened(_on_edge(line, here, level), EVEN_PX * max(cell))
    if hold_start:
        line = np.concatenate([np.array([first]), line[1:]])
    line = thinned(line, THIN_PX * min(pixel_um))
    placed: Float = line + np.array(corner)
    return placed


class _Field:
    """A blurred layer and its gradient, by cell.

    Attributes
    ----------
    blur_um : float
    blurred : ndarray of float64 [rows, columns]
    gx, gy, steep : ndarray of float64 [rows, columns]
        Gradient along x and y, and its size, for each µm.
    missing, ridge : ndarray of bool [rows, columns]
    """

    def __init__(self, data: Float, cell_um: tuple[float, float], blur_um: float) -> None:
        from scipy import ndimage

        self.cell_um = cell_um
        self.blur_um = blur_um
        self.missing = np.isnan(data)
        sigma = (max(blur_um / cell_um[1], 0.3), max(blur_um / cell_um[0], 0.3))
        known = (~self.missing).astype(np.float64)
        # Missing pixels weigh nothing: the mean of those that are there takes their place.
        weight = ndimage.gaussian_filter(known, sigma, mode="nearest")
        filled = ndimage.gaussian_filter(np.where(self.missing, 0.0, data), sigma, mode="nearest")
        middle = float(np.nanmedian(data))
        self.blurred: Float = np.where(weight > 1e-6, filled / np.maximum(weight, 1e-6), middle)
        padded = np.pad(self.blurred, 1, mode="edge")
        self.gx: Float = (padded[1:-1, 2:] - padded[1:-1, :-2]) / (2 * cell_um[0])
        self.gy: Float = (padded[2:, 1:-1] - padded[:-2, 1:-1]) / (2 * cell_um[1])
        self.steep: Float = np.hypot(self.gx, self.gy)
        self.ridge = self._ridge()
        self.missing |= weight < 0.5

    def _ridge(self) -> npt.NDArray[np.bool_]:
        """Cells that neither neighbour across the edge is steeper than: to the nearest of 8."""
        padded = np.pad(self.steep, 1, mode="edge")
        rows, cols = self.steep.shape
        # The gradient's direction in cells, as a whole step along x and y.
        size = np.where(self.steep > 0, self.steep, 1.0)
        dx = np.rint(1.2 * self.gx / size).astype(np.int64)
        dy = np.rint(1.2 * self.gy / size).astype(np.int64)
        y, x = np.indices((rows, cols)) + 1
        ahead, behind = padded[y + dy, x + dx], padded[y - dy, x - dx]
        ridge: npt.NDArray[np.bool_] = (self.steep >= ahead) & (self.steep >= behind)
        return ridge

    def pixel(self, point: Point) -> tuple[int, int]:
        rows, cols = self.steep.shape
        row, col = math.floor(point[1] / self.cell_um[1]), math.floor(point[0] / self.cell_um[0])
        if not (-1 <= row <= rows and -1 <= col <= cols):
            raise InputError("The point lies outside the pixels that were given.", where="trace")
        return min(max(row, 0), rows - 1), min(max(col, 0), cols - 1)

    def at(self, field: Float, points: Float) -> Float:
        """A field's values at points (x, y, µm), by quadratic splines."""
        from scipy import ndimage

        where = (points[..., 1] / self.cell_um[1] - 0.5, points[..., 0] / self.cell_um[0] - 0.5)
        found: Float = ndimage.map_coordinates(field, where, order=2, mode="nearest")
        return found


def _cost(here: _Field, start: Point, end: Point) -> Float:
    """Cost of each µm of a step, by cell: 1 on a steep edge, `DEAR` on flat ground."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    far = math.hypot(dx, dy)
    normal = (dy / far, -dx / far)
    rise = here.gx * normal[0] + here.gy * normal[1]
    y = (np.arange(rise.shape[0]) + 0.5) * here.cell_um[1] - start[1]
    x = (np.arange(rise.shape[1]) + 0.5) * here.cell_um[0] - start[0]
    offset = (x[None, :] * normal[0] + y[:, None] * normal[1]) / (0.15 * far + 4 * max(here.cell_um))
    beside = np.exp(-0.5 * offset**2)
    beside[here.missing] = 0.0
    # Which side is the higher one is told where somebody pointed at the edge: along a long stretch
    # another, sharper one may run close by.
    reach = max(END_PX * max(here.cell_um), END_BLURS * here.blur_um)
    from_end = np.minimum(
        x[None, :] ** 2 + y[:, None] ** 2, (x[None, :] - dx) ** 2 + (y[:, None] - dy) ** 2
    )
    pointed = np.exp(-0.5 * from_end / reach**2)
    pointed[here.missing] = 0.0
    side = math.copysign(1.0, float((pointed * rise * here.steep).sum()))
    with np.errstate(invalid="ignore", divide="ignore"):
        towards = np.where(here.steep > 0, side * rise / here.steep, 0.0)
    wanted = here.steep * np.clip(0.6 + towards, 0.0, 1.0)
    seen = wanted[~here.missing & (beside > 0.01)]
    scale = float(np.quantile(seen, STEEP)) if seen.size else 0.0
    if scale == 0 and (seen > 0).any():
        # The edge of a phase without grains is so thin a part of the window that no quantile meets it.
        scale = float(np.quantile(seen[seen > 0], STEEP))
    share = np.clip(wanted / scale, 0.0, 1.0) if scale > 0 else np.zeros_like(wanted)
    # On the slopes beside the steepest line a step is dearer, or the path would cut corners.
    share[~here.ridge] *= BESIDE
    share[here.missing] = 0.0
    cost: Float = 1.0 / (1.0 / DEAR + (1.0 - 1.0 / DEAR) * share**2)
    return cost


def _grab(cost: Float, here: _Field, point: Point) -> tuple[int, int]:
    """The cell near a point that is steep, the nearer the better."""
    row, col = here.pixel(point)
    reach = GRAB_PX * max(here.cell_um)
    down, across = (math.ceil(reach / s) for s in (here.cell_um[1], here.cell_um[0]))
    rows = slice(max(0, row - down), row + down + 1)
    cols = slice(max(0, col - across), col + across + 1)
    y = (np.arange(rows.start, min(rows.stop, cost.shape[0])) + 0.5) * here.cell_um[1]
    x = (np.arange(cols.start, min(cols.stop, cost.shape[1])) + 0.5) * here.cell_um[0]
    far: Float = np.hypot(x[None, :] - point[0], y[:, None] - point[1]) / reach
    price = np.where(far <= 1.0, cost[rows, cols] * (1.0 + far), np.inf)
    if not np.isfinite(price).any():
        return row, col
    best = np.unravel_index(int(np.argmin(price)), price.shape)
    return rows.start + int(best[0]), cols.start + int(best[1])


def _cheapest(
    cost: Float, cell_um: tuple[float, float], a: tuple[int, int], b: tuple[int, int]
) -> npt.NDArray[np.int64]:
    from skimage.graph import MCP_Geometric

    # Sizes near 1 keep the sums of costs well within what floats hold.
    side = max(cell_um)
    search = MCP_Geometric(cost, sampling=(cell_um[1] / side, cell_um[0] / side))
    search.find_costs([a], [b])
    return np.asarray(search.traceback(b), dtype=np.int64)


def _on_edge(line: Float, here: _Field, level: float | None) -> Float:
    """Move each point along the gradient to the steepest place, or to where a level is crossed."""
    gx, gy = here.at(here.gx, line), here.at(here.gy, line)
    size = np.hypot(gx, gy)
    normal = np.stack([gx, gy], axis=1) / np.where(size > 0, size, 1.0)[:, None]
    step = 0.25 * min(here.cell_um)
    count = math.ceil(2.0 * max(here.cell_um) / step)
    shifts: Float = step * np.arange(-count, count + 1, dtype=np.float64)
    places = line[:, None, :] + shifts[None, :, None] * normal[:, None, :]
    if level is None:
        shift = _peak(here.at(here.steep, places), shifts)
    else:
        shift = _crossing(here.at(here.blurred, places) - level, shifts)
    shift[size <= 0] = 0.0
    moved: Float = line + shift[:, None] * normal
    return moved


def _peak(height: Float, shifts: Float) -> Float:
    """Where each row is highest, by a parabola through its highest value and those beside it."""
    top = np.clip(np.argmax(height, axis=1), 1, height.shape[1] - 2)
    rows = np.arange(len(height))
    before, at, after = height[rows, top - 1], height[rows, top], height[rows, top + 1]
    bend = before - 2 * at + after
    share = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    shift: Float = shifts[top] + np.clip(share, -1.0, 1.0) * (shifts[1] - shifts[0])
    return shift


def _crossing(height: Float, shifts: Float) -> Float:
    """The crossing of zero, upwards, that is nearest to the middle; 0 where there is none."""
    up = (height[:, :-1] < 0) & (height[:, 1:] >= 0)
    rise = height[:, 1:] - height[:, :-1]
    share = -height[:, :-1] / np.where(rise > 0, rise, 1.0)
    at = shifts[:-1] + share * (shifts[1] - shifts[0])
    nearest = np.argmin(np.where(up, np.abs(at), np.inf), axis=1)
    rows = np.arange(len(height))
    return np.where(up[rows, nearest], at[rows, nearest], 0.0)


def _evened(line: Float, sigma_um: float) -> Float:
    """Take off the stair of the grid: a mean along the line with a Gaussian's weights.

    The ends stay; towards them the mean becomes narrower, so that they are not drawn inwards.
    """
    from scipy import ndimage

    if len(line) < 3:
        return line
    step = float(np.hypot(*np.diff(line, axis=0).T).mean())
    sigma = sigma_um / step if step > 0 else 1.0
    # Reflected through the end points, the line runs straight on beyond them.
    pad = min(len(line) - 1, math.ceil(4 * sigma))
    before = 2 * line[0] - line[pad:0:-1]
    after = 2 * line[-1] - line[-2 : -pad - 2 : -1]
    whole = np.concatenate([before, line, after])
    even: Float = ndimage.gaussian_filter1d(whole, sigma, axis=0, mode="nearest")[pad:-pad]
    return even


def _block_means(data: Float, factor: int) -> Float:
    """Means of blocks of pixels; those at the far edges may be of fewer."""
    rows, cols = (-(-n // factor) * factor for n in data.shape)
    padded = np.full((rows, cols), np.nan)
    padded[: data.shape[0], : data.shape[1]] = data
    blocks = padded.reshape(rows // factor, factor, cols // factor, factor)
    known = np.isfinite(blocks)
    count = known.sum(axis=(1, 3))
    total = np.where(known, blocks, 0.0).sum(axis=(1, 3))
    means: Float = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return means
