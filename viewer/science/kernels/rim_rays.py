"""Rays from the outlines of grains outwards through their rims.

A ray starts on a side of a pixel that parts its grain from what is beside it. It runs along the
outward normal, and every pixel that it crosses counts with the length of its crossing (Amanatides and
Woo 1987, A fast voxel traversal algorithm for ray tracing, doi:10.2312/egtp.19871000).
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from viewer.science.kernels import compiled
from viewer.science.kernels.rim_owner import FREE, OTHER, OUTSIDE, UNKNOWN
from viewer.science.progress import Progress, silent

Codes = npt.NDArray[np.int32]
Mask = npt.NDArray[np.bool_]
Float = npt.NDArray[np.float64]

MEASURED, OPEN, SHARED, CUT, UNSURE, BESIDE = 0, 1, 2, 3, 4, 5
"""How a ray ended: rim, then another phase; another phase at once; another grain or its rim, or the
grain itself; off the region or the map; ground of which nobody knows what it is; rim, then another
phase, but close beside a ray that was not let through to the rim's outer side."""

THICK = 2.0
"""Times the distance to its parallels: a rim thicker than that does not end beside open outline by
growing thin, but at something that stood in its way."""

STARTS = 3
"""Rays from each side of a pixel, evenly spread along it."""

_BAND = 512
"""Rows between two chances to stop."""

_STEEPEST = 0.05
"""Least cosine between a normal and the side that it starts from."""

_SIDES = ((0, 1), (0, -1), (1, 0), (-1, 0))
"""Row and column steps to the four neighbours."""


class Fan(NamedTuple):
    """Rays, one a place.

    ``host`` int32; ``x``, ``y`` of the normal, ``length`` of outline that the ray stands for and
    ``thickness`` of rim (both µm), all float32; ``ending`` uint8.
    """

    host: npt.NDArray[np.int32]
    x: npt.NDArray[np.float32]
    y: npt.NDArray[np.float32]
    length: npt.NDArray[np.float32]
    thickness: npt.NDArray[np.float32]
    ending: npt.NDArray[np.uint8]


def cast_rays(
    codes: Codes,
    measured: Mask,
    pixel_um: tuple[float, float],
    *,
    smooth_um: float,
    near_um: float,
    gap_um: float,
    longest_um: float,
    beside_um: float,
    progress: Progress = silent,
) -> Fan:
    """Rim thickness along the outward normal, all around grains.

    Parameters
    ----------
    codes : ndarray of int32 [rows, columns]
        As `viewer.science.kernels.rim_owner.give_rims` leaves them.
    measured : ndarray of bool [hosts + 1]
        By number, the hosts to cast rays from.
    pixel_um : (float, float)
    smooth_um : float
        Standard deviation of the Gaussian over the grain's own pixels whose gradient is the normal.
    near_um : float
        Way within which a ray may meet its own grain again: the outline is made of steps.
    gap_um : float
        Unknown ground that a ray bridges. Between rim and rim it is rim; between rim and other ground
        half of it is.
    longest_um : float
        Way after which a ray is given up as unsure.
    beside_um : float
        How far to either side of a ray that measured a rim its parallels run, which must measure a
        rim too, or beside a thin rim may find none. Where a rim ends at the flank of what hides the
        outline, the flank would cut rays short that graze it.

    Returns
    -------
    Fan
        `STARTS` rays a side of a pixel, less those whose side turns away from the normal. A ray stands
        for the length of the side as seen along the normal, so that the lengths of a straight
        outline add up to its own, however it lies to the pixels.
    """
    rows = codes.shape[0]
    counts = _count(codes, measured)
    first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    total = int(first[-1]) * STARTS
    fan = Fan(
        host=np.empty(total, np.int32),
        x=np.empty(total, np.float32),
        y=np.empty(total, np.float32),
        length=np.empty(total, np.float32),
        thickness=np.empty(total, np.float32),
        ending=np.empty(total, np.uint8),
    )
    whole, half = _weights(pixel_um, smooth_um)
    for start in range(0, rows, _BAND):
        progress(start / rows, "casting rays through rims")
        _cast(
            codes, measured, first, start, min(start + _BAND, rows), pixel_um[0], pixel_um[1],
            whole[0], half[0], whole[1], half[1], near_um, gap_um, longest_um, beside_um, *fan,
        )  # fmt: skip
    kept = fan.length > 0
    return Fan._make(a[kept] for a in fan)


def cast_rays_plain(
    codes: Codes,
    measured: Mask,
    pixel_um: tuple[float, float],
    *,
    smooth_um: float,
    near_um: float,
    gap_um: float,
    longest_um: float,
    beside_um: float,
) -> Fan:
    """`cast_rays` in NumPy: ray by ray, from where it crosses the lines between pixels."""
    px, py = pixel_um
    rows, cols = codes.shape
    rays: list[tuple[float, ...]] = []
    y, x = np.indices(codes.shape)
    for r, c in np.argwhere((codes > 0) & (codes < UNKNOWN)):
        k = int(codes[r, c])
        if not measured[k]:
            continue
        for i, j in _SIDES:
            if not (0 <= r + i < rows and 0 <= c + j < cols) or codes[r + i, c + j] == k:
                continue
            at = np.array([(c + 0.5 + 0.5 * j) * px, (r + 0.5 + 0.5 * i) * py])
            dx, dy = (x + 0.5) * px - at[0], (y + 0.5) * py - at[1]
            near = (np.abs(dx) <= 3 * smooth_um) & (np.abs(dy) <= 3 * smooth_um) & (codes == k)
            weight = np.exp(-0.5 * (dx**2 + dy**2) / smooth_um**2) * near
            normal = -np.array([(weight * dx).sum(), (weight * dy).sum()])
            normal /= max(np.hypot(*normal), 1e-300)
            facing = normal[0] * j + normal[1] * i
            if facing <= _STEEPEST:
                continue
            side = (py if j else px) / STARTS
            for n in range(STARTS):
                shift = (n + 0.5 - 0.5 * STARTS) * side
                start = at + (np.array([0.0, shift]) if j else np.array([shift, 0.0]))
                limits = (near_um, gap_um, longest_um)
                found = _walk_plain(codes, k, start, normal, pixel_um, *limits)
                if found[1] == MEASURED:
                    aside = beside_um * np.array([-normal[1], normal[0]])
                    flanks = [
                        _walk_plain(codes, k, at, normal, pixel_um, *limits)
                        for at in (start - aside, start + aside)
                    ]
                    thick = max(found[0], *(f[0] for f in flanks)) > THICK * beside_um
                    if any(end != MEASURED and (end != OPEN or thick) for _, end in flanks):
                        found = 0.0, BESIDE
                rays.append((k, normal[0], normal[1], side * facing, *found))
    table = np.array(rays, np.float64).reshape(-1, 6)
    return Fan(
        host=table[:, 0].astype(np.int32),
        x=table[:, 1].astype(np.float32),
        y=table[:, 2].astype(np.float32),
        length=table[:, 3].astype(np.float32),
        thickness=table[:, 4].astype(np.float32),
        ending=table[:, 5].astype(np.uint8),
    )


def _walk_plain(
    codes: Codes,
    own: int,
    start: Float,
    normal: Float,
    pixel_um: tuple[float, float],
    near_um: float,
    gap_um: float,
    longest_um: float,
) -> tuple[float, int]:
    rows, cols = codes.shape
    reach = min(longest_um, math.hypot(cols * pixel_um[0], rows * pixel_um[1])) + 4.0 * max(pixel_um)
    crossings = [np.zeros(1)]
    for axis, count in ((0, cols), (1, rows)):
        lines = np.arange(-1, count + 2) * pixel_um[axis]
        if abs(normal[axis]) > 1e-12:
            crossings.append((lines - start[axis]) / normal[axis])
    t = np.unique(np.concatenate(crossings))
    t = t[(t >= 0.0) & (t <= reach)]
    rim = gap = 0.0
    for a, b in pairwise(t):
        if b - a < 1e-9:
            continue
        if a > longest_um:
            return 0.0, UNSURE
        c, r = (math.floor((start[n] + 0.5 * (a + b) * normal[n]) / pixel_um[n]) for n in (0, 1))
        code = int(codes[r, c]) if 0 <= r < rows and 0 <= c < cols else OUTSIDE
        if code == OUTSIDE:
            return 0.0, CUT
        if code == own:
            if a > near_um:
                return 0.0, SHARED
            gap = 0.0
        elif code in (-own, FREE):
            rim += (b - a) + (gap if rim > 0 else 0.5 * gap)
            gap = 0.0
        elif code == UNKNOWN:
            gap += b - a
            if gap > gap_um:
                return 0.0, UNSURE
        elif code == OTHER:
            return (rim + 0.5 * gap, MEASURED) if rim > 0 else (0.0, OPEN)
        else:
            return 0.0, SHARED
    return 0.0, CUT


def _weights(pixel_um: tuple[float, float], smooth_um: float) -> tuple[list[Float], list[Float]]:
    """Gaussian at whole pixels away and at half ones, for x and for y; the middle comes first."""
    whole, half = [], []
    for size in pixel_um:
        n = np.arange(int(3.0 * smooth_um / size) + 1)
        whole.append(np.exp(-0.5 * (n * size / smooth_um) ** 2))
        n = np.arange(int(3.0 * smooth_um / size + 0.5))
        half.append(np.exp(-0.5 * ((n + 0.5) * size / smooth_um) ** 2))
    return whole, half


@compiled
def _count(codes, measured):  # type: ignore[no-untyped-def]
    rows, cols = codes.shape
    counts = np.zeros(rows, np.int64)
    for r in prange(rows):
        found = 0
        for c in range(cols):
            k = codes[r, c]
            if k <= 0 or k >= UNKNOWN or not measured[k]:
                continue
            found += int(c + 1 < cols and codes[r, min(c + 1, cols - 1)] != k)
            found += int(c > 0 and codes[r, max(c - 1, 0)] != k)
            found += int(r + 1 < rows and codes[min(r + 1, rows - 1), c] != k)
            found += int(r > 0 and codes[max(r - 1, 0), c] != k)
        counts[r] = found
    return counts


@njit(nogil=True)  # type: ignore[untyped-decorator]
def _normal(codes, k, r, c, i, j, px, py, wx, hx, wy, hy):  # type: ignore[no-untyped-def]
    """Outward normal at the middle of a pixel's side: away from the grain's own pixels near by."""
    rows, cols = codes.shape
    sx = sy = 0.0
    if j != 0:
        # The side stands upright: columns lie half pixels away, rows whole ones.
        edge = c + (j + 1) // 2  # first column right of the side
        for m in range(-(len(wy) - 1), len(wy)):
            if r + m < 0 or r + m >= rows:
                continue
            for n in range(-len(hx), len(hx)):
                if edge + n < 0 or edge + n >= cols or codes[r + m, edge + n] != k:
                    continue
                w = wy[abs(m)] * hx[n if n >= 0 else -n - 1]
                sx -= w * (n + 0.5) * px
                sy -= w * m * py
    else:
        edge = r + (i + 1) // 2
        for m in range(-len(hy), len(hy)):
            if edge + m < 0 or edge + m >= rows:
                continue
            for n in range(-(len(wx) - 1), len(wx)):
                if c + n < 0 or c + n >= cols or codes[edge + m, c + n] != k:
                    continue
                w = hy[m if m >= 0 else -m - 1] * wx[abs(n)]
                sx -= w * n * px
                sy -= w * (m + 0.5) * py
    size = max(math.hypot(sx, sy), 1e-300)
    return sx / size, sy / size


@njit(nogil=True)  # type: ignore[untyped-decorator]
def _walk(codes, k, x, y, r, c, nx, ny, px, py, near, gap_most, longest):  # type: ignore[no-untyped-def]
    """Follow a ray from a point on the border of pixel (r, c): rim crossed, and how it ended."""
    rows, cols = codes.shape
    step_c, step_r = (1 if nx > 0 else -1), (1 if ny > 0 else -1)
    each_x = px / abs(nx) if abs(nx) > 1e-12 else math.inf
    each_y = py / abs(ny) if abs(ny) > 1e-12 else math.inf
    next_x = ((c + (1 if nx > 0 else 0)) * px - x) / nx if abs(nx) > 1e-12 else math.inf
    next_y = ((r + (1 if ny > 0 else 0)) * py - y) / ny if abs(ny) > 1e-12 else math.inf
    at = rim = gap = 0.0
    while True:
        if r < 0 or r >= rows or c < 0 or c >= cols:
            return 0.0, CUT
        if at > longest:
            return 0.0, UNSURE
        there = min(next_x, next_y)
        crossed = there - at
        # A ray through a corner crosses a pixel in a point: that says nothing.
        if crossed >= 1e-9:
            code = codes[r, c]
            if code == -k or code == FREE:
                rim += crossed + (gap if rim > 0 else 0.5 * gap)
                gap = 0.0
            elif code == OTHER:
                if rim > 0:
                    return rim + 0.5 * gap, MEASURED
                return 0.0, OPEN
            elif code == k:
                if at > near:
                    return 0.0, SHARED
                gap = 0.0
            elif code == UNKNOWN:
                gap += crossed
                if gap > gap_most:
                    return 0.0, UNSURE
            elif code == OUTSIDE:
                return 0.0, CUT
            else:
                return 0.0, SHARED
        at = there
        if next_x <= next_y:
            next_x += each_x
            c += step_c
        else:
            next_y += each_y
            r += step_r


@compiled
def _cast(  # type: ignore[no-untyped-def]
    codes, measured, first, start, stop, px, py, wx, hx, wy, hy, near, gap_most, longest, beside,
    host, normal_x, normal_y, length, thickness, ending,
):  # fmt: skip
    rows, cols = codes.shape
    for r in prange(start, stop):
        n = first[r] * STARTS
        for c in range(cols):
            k = codes[r, c]
            if k <= 0 or k >= UNKNOWN or not measured[k]:
                continue
            for side in range(4):
                i = 0 if side < 2 else 5 - 2 * side
                j = 1 - 2 * side if side < 2 else 0
                a, b = r + i, c + j
                if a < 0 or a >= rows or b < 0 or b >= cols or codes[a, b] == k:
                    continue
                nx, ny = _normal(codes, k, r, c, i, j, px, py, wx, hx, wy, hy)
                facing = nx * j + ny * i
                piece = (py if j != 0 else px) / STARTS
                for s in range(STARTS):
                    shift = (s + 0.5 - 0.5 * STARTS) * piece
                    x = (c + 0.5 + 0.5 * j) * px + (shift if j == 0 else 0.0)
                    y = (r + 0.5 + 0.5 * i) * py + (shift if j != 0 else 0.0)
                    host[n], normal_x[n], normal_y[n] = k, nx, ny
                    if facing > _STEEPEST:
                        length[n] = piece * facing
                        thickness[n], ending[n] = _walk(
                            codes, k, x, y, a, b, nx, ny, px, py, near, gap_most, longest
                        )
                        if ending[n] == MEASURED:
                            thickest, opened, shut = thickness[n], False, False
                            for way in (-beside, beside):
                                u, v = x - way * ny, y + way * nx
                                t, end = _walk(
                                    codes, k, u, v, math.floor(v / py), math.floor(u / px),
                                    nx, ny, px, py, near, gap_most, longest,
                                )  # fmt: skip
                                thickest = max(thickest, t)
                                opened |= end == OPEN
                                shut |= end != OPEN and end != MEASURED
                            if shut or (opened and thickest > THICK * beside):
                                thickness[n], ending[n] = 0.0, BESIDE
                    else:
                        length[n], thickness[n], ending[n] = 0.0, 0.0, UNSURE
                    n += 1
