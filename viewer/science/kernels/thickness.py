"""The largest discs that fit into a phase, and painting them.

Centres of discs lie on a lattice of half pixels: the middles of pixels, of their sides, and their
corners. A piece that is an even number of pixels wide has its middle between two of them, and would
lose a pixel of its thickness if discs could be centred on pixels alone.

A disc holds the pixels that are nearer to its centre than any pixel that is not the phase: its
*reach* is the distance to the middle of the nearest of these. The edge itself runs before that. How far
before is told by the eight neighbours of each pixel beyond the edge, as the mean over all straight
edges that leave the same nine pixels; pixels hardly farther than the nearest have a say, by weight, so
that the one whose guess is farthest off does not decide alone. What is left is the disc's *radius*.
Half a pixel in place of all this, which is common practice, is right for edges along rows or columns
alone and makes round grains more than a pixel too thin.

Beyond the map nothing is the phase.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

from viewer.science.kernels import compiled
from viewer.science.progress import Progress, silent

Mask = npt.NDArray[np.bool_]
Float = npt.NDArray[np.float64]

SLACK = 0.05
"""How far, in pixels (of the shorter side), a pixel's middle may lie outside a disc that it is counted
in. It lets a disc stand for the many beside it that reach out of it by no more."""

SOFT = 0.5
"""How much farther than the nearest, in pixels, pixels beyond the edge have a say in where it runs."""

BAND = 512
"""Rows of the lattice that are worked on at once."""

DISCS = 1 << 20
"""Discs that are painted at once."""

_FAR = 3
"""Rows of the lattice to either side that are compared."""

_AROUND = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))
"""Neighbours of a pixel, from the lowest bit of a pattern to the highest."""


@dataclass(frozen=True, eq=False)
class Discs:
    """Discs inside a phase of which none holds another.

    Attributes
    ----------
    row, col : ndarray of int32 [n]
        Centres, in half pixels from the middle of the first pixel.
    reach_um : ndarray of float32 [n]
        Distance to the middle of the nearest pixel that is not the phase.
    radius_um : ndarray of float32 [n]
        Distance to the phase's edge.
    """

    row: npt.NDArray[np.int32]
    col: npt.NDArray[np.int32]
    reach_um: npt.NDArray[np.float32]
    radius_um: npt.NDArray[np.float32]

    def by_falling_radius(self) -> Discs:
        """The same, largest first."""
        order = np.argsort(-self.radius_um, kind="stable")
        return Discs(self.row[order], self.col[order], self.reach_um[order], self.radius_um[order])


def joined(discs: list[Discs]) -> Discs:
    """Discs of all bands, largest first."""
    return Discs(
        np.concatenate([d.row for d in discs]),
        np.concatenate([d.col for d in discs]),
        np.concatenate([d.reach_um for d in discs]),
        np.concatenate([d.radius_um for d in discs]),
    ).by_falling_radius()


@functools.lru_cache(maxsize=8)
def edge_table(pixel_um: tuple[float, float]) -> Float:
    """How far a straight edge runs from the middle of a pixel that lies beyond it.

    Parameters
    ----------
    pixel_um : (float, float)

    Returns
    -------
    ndarray of float64 [256]
        By pattern of the neighbours that are the phase, in µm: mean over the edges of every direction
        and place that leave the pattern and lie within its reach; -1 for patterns that no straight
        edge leaves.
    """
    px, py = pixel_um
    angle = (np.arange(1440) + 0.5) * (2 * np.pi / 1440)
    far = (np.arange(800) + 0.5) / 800 * np.hypot(px, py)
    normal = np.column_stack([np.cos(angle), np.sin(angle)])
    pattern = np.zeros((len(angle), len(far)), np.int64)
    for bit, (down, across) in enumerate(_AROUND):
        ahead = normal @ np.array([across * px, down * py])
        pattern += (ahead[:, None] >= far[None, :]).astype(np.int64) << bit
    count = np.bincount(pattern.ravel(), minlength=256)
    total = np.bincount(pattern.ravel(), np.broadcast_to(far, pattern.shape).ravel(), 256)
    table: Float = np.where(count > 0, total / np.maximum(count, 1), -1.0)
    # No neighbour is the phase: not a pixel of the edge.
    table[0] = -1.0
    table.setflags(write=False)
    return table


def height_map(mask: Mask) -> npt.NDArray[np.int32]:
    """Rows to the nearest pixel of the same column that is not set; 0 where a pixel is not set.

    Parameters
    ----------
    mask : ndarray of bool [rows, columns]

    Returns
    -------
    ndarray of int32 [rows, columns]
        Beyond the map nothing is set.
    """
    out = np.empty(mask.shape, np.int32)
    _heights(np.ascontiguousarray(mask), out)
    return out


def edge_patterns(mask: Mask) -> npt.NDArray[np.uint8]:
    """Which neighbours of each pixel that is not the phase are: bits in the order of `_AROUND`.

    Returns
    -------
    ndarray of uint8 [rows + 2, columns + 2]
        With a margin of one pixel; 0 for pixels of the phase, and those without such a neighbour.
    """
    out = np.zeros((mask.shape[0] + 2, mask.shape[1] + 2), np.uint8)
    _patterns(np.ascontiguousarray(mask), out)
    return out


def find_discs(mask: Mask, pixel_um: tuple[float, float]) -> Iterator[tuple[float, Discs]]:
    """Discs band by band, with the share of the bands that are done.

    Parameters
    ----------
    mask : ndarray of bool [rows, columns]
        The phase.
    pixel_um : (float, float)
        Width and height of a pixel.
    """
    heights, patterns = height_map(mask), edge_patterns(mask)
    table = edge_table(pixel_um)
    rows = 2 * mask.shape[0] - 1
    cols = 2 * mask.shape[1] - 1
    slack = SLACK * min(pixel_um)
    for start in range(0, rows, BAND):
        stop = min(start + BAND, rows)
        first, last = max(0, start - _FAR), min(rows, stop + _FAR)
        reach = np.empty((last - first, cols), np.float32)
        _reaches(heights, first, pixel_um[0], pixel_um[1], reach)
        kept = np.zeros((stop - start, cols), np.bool_)
        _keep(reach, start - first, pixel_um[0], pixel_um[1], slack, steps(), kept)
        row, col = (n.astype(np.int32) for n in np.nonzero(kept))
        far = reach[row + (start - first), col]
        row += start
        radius = np.empty_like(far)
        soft = SOFT * math.sqrt(pixel_um[0] * pixel_um[1])
        _radii(row, col, far, patterns, table, pixel_um[0], pixel_um[1], soft, radius)
        yield stop / rows, Discs(row, col, far, radius)


def paint_discs(
    discs: Discs, mask: Mask, pixel_um: tuple[float, float], progress: Progress = silent
) -> npt.NDArray[np.float32]:
    """Diameter of the largest disc that each pixel lies in.

    Parameters
    ----------
    discs : Discs
        By falling radius.
    mask : ndarray of bool [rows, columns]
        The phase.
    pixel_um : (float, float)

    Returns
    -------
    ndarray of float32 [rows, columns]
        In µm; 0 outside the phase.
    """
    rows, cols = mask.shape
    out = np.zeros(mask.shape, np.float32)
    # Of each pixel, one at or after it in its row that may still be bare; a row's end is past the last.
    after = np.empty((rows, cols + 1), np.int32)
    _bare(np.ascontiguousarray(mask), after)
    # Each of a few bands of rows walks through the discs and paints its own rows.
    bands = max(1, min(numba.get_num_threads(), rows // 64))
    slack = SLACK * min(pixel_um)
    for start in range(0, len(discs.row), DISCS):
        progress(start / len(discs.row), "painting discs")
        some = slice(start, start + DISCS)
        _paint(
            discs.row[some],
            discs.col[some],
            discs.reach_um[some],
            discs.radius_um[some],
            after,
            pixel_um[0],
            pixel_um[1],
            slack,
            bands,
            out,
        )
    return out


def thickness_plain(mask: Mask, pixel_um: tuple[float, float]) -> npt.NDArray[np.float32]:
    """`find_discs` and `paint_discs` in NumPy, disc by disc: for small images."""
    px, py = pixel_um
    rows, cols = mask.shape
    padded = np.pad(mask, 2)
    beyond = np.argwhere(~padded[1:-1, 1:-1])
    pattern = np.zeros(len(beyond), np.int64)
    for bit, (down, across) in enumerate(_AROUND):
        pattern += padded[beyond[:, 0] + 1 + down, beyond[:, 1] + 1 + across].astype(np.int64) << bit
    off = (beyond - 1.0) * (py, px)
    edge, before = off[pattern > 0], edge_table(pixel_um)[pattern[pattern > 0]]
    soft = SOFT * math.sqrt(px * py)

    reach = np.zeros((2 * rows - 1, 2 * cols - 1), np.float32)
    for i, j in np.ndindex(reach.shape):
        reach[i, j] = np.hypot(off[:, 0] - i / 2 * py, off[:, 1] - j / 2 * px).min()
    kept = reach > 0.5 * min(pixel_um) * (1.0 + 1e-6)
    for down, across in steps():
        gain = 0.5 * np.hypot(down * py, across * px) - SLACK * min(pixel_um)
        there = np.full_like(reach, -np.inf)
        here = (_cut(-down, len(reach)), _cut(-across, len(reach[0])))
        there[here] = reach[_cut(down, len(reach)), _cut(across, len(reach[0]))]
        kept &= there < reach + np.float32(gain)

    y, x = np.indices(mask.shape)
    out = np.zeros(mask.shape, np.float32)
    for i, j in np.argwhere(kept):
        dy, dx = edge[:, 0] - i / 2 * py, edge[:, 1] - j / 2 * px
        far = np.hypot(dy, dx)
        half = 0.5 * np.hypot(dx * px, dy * py) / np.maximum(far, 1e-12)
        runs = far - np.where(before >= 0, before, half)
        weight = np.maximum(1.0 - (runs - runs.min()) / soft, 0.0)
        held = mask & (
            np.hypot((y - i / 2) * py, (x - j / 2) * px) <= reach[i, j] + SLACK * min(px, py)
        )
        out[held] = np.maximum(out[held], 2.0 * (weight * runs).sum() / weight.sum())
    return out


def _cut(step: int, length: int) -> slice:
    """Places from which, or to which, a step of this size stays on the lattice."""
    return slice(max(step, 0), length + min(step, 0))


def steps() -> npt.NDArray[np.int64]:
    """Places on the lattice (rows, columns away) with which a disc is compared: a far ring, and all
    around."""
    across = range(-_FAR, _FAR + 1)
    every = [(r, c) for r in across for c in across]
    return np.array([s for s in every if 2.5 <= math.hypot(*s) <= 3.3 or 0 < math.hypot(*s) < 1.5])


@compiled
def _heights(mask, out):  # type: ignore[no-untyped-def]
    rows, cols = mask.shape
    block = 64
    for b in numba.prange((cols + block - 1) // block):
        left, right = b * block, min(cols, (b + 1) * block)
        for r in range(rows):
            for c in range(left, right):
                if not mask[r, c]:
                    out[r, c] = 0
                elif r == 0:
                    out[r, c] = 1
                else:
                    out[r, c] = out[r - 1, c] + 1
        for back in range(rows):
            r = rows - 1 - back
            for c in range(left, right):
                below = 1 if back == 0 else out[r + 1, c] + 1
                if below < out[r, c]:
                    out[r, c] = below


@compiled
def _patterns(mask, out):  # type: ignore[no-untyped-def]
    rows, cols = mask.shape
    for r in numba.prange(rows + 2):
        for c in range(cols + 2):
            y, x = r - 1, c - 1
            if 0 <= y < rows and 0 <= x < cols and mask[y, x]:
                continue
            code, bit = 0, 1
            for dy in range(-1, 2):
                for dx in range(-1, 2):
                    if dy == 0 and dx == 0:
                        continue
                    a, b = y + dy, x + dx
                    if 0 <= a < rows and 0 <= b < cols and mask[a, b]:
                        code += bit
                    bit *= 2
            out[r, c] = code


@compiled
def _reaches(heights, first, px, py, reach):  # type: ignore[no-untyped-def]
    """Distances on the lattice: the lower envelope of parabolas along each row (Felzenszwalb and
    Huttenlocher 2012, doi:10.4086/toc.2012.v008a019)."""
    cols = heights.shape[1]
    for line in numba.prange(reach.shape[0]):
        i = first + line
        r, half = i // 2, i % 2
        # One more column on either side, where nothing is the phase.
        down = np.full(cols + 2, 0.5 * py * half)
        empty = True
        for c in range(cols):
            high = heights[r, c]
            if half:
                high = min(high, heights[r + 1, c])
            down[c + 1] = (high + 0.5 * half) * py
            empty = empty and high == 0
        if empty:
            reach[line] = 0.0
            continue
        owner = np.empty(cols + 2, np.int64)
        begins = np.empty(cols + 2)
        top = 0
        owner[0] = 0
        begins[0] = -np.inf
        for q in range(1, cols + 2):
            while True:
                v = owner[top]
                meet = 0.5 * ((q + v) * px + (down[q] ** 2 - down[v] ** 2) / ((q - v) * px))
                if meet > begins[top]:
                    break
                top -= 1
            top += 1
            owner[top] = q
            begins[top] = meet
        at = 0
        for j in range(2 * cols - 1):
            x = (0.5 * j + 1.0) * px
            while at < top and begins[at + 1] < x:
                at += 1
            reach[line, j] = np.sqrt((x - owner[at] * px) ** 2 + down[owner[at]] ** 2)


@compiled
def _keep(reach, offset, px, py, slack, steps, kept):  # type: ignore[no-untyped-def]
    height, cols = reach.shape
    least = 0.5 * min(px, py) * (1.0 + 1e-6)
    gain = np.empty(len(steps), np.float32)
    for k in range(len(steps)):
        far = 0.5 * np.sqrt((steps[k, 0] * py) ** 2 + (steps[k, 1] * px) ** 2)
        gain[k] = far - slack
    for line in numba.prange(kept.shape[0]):
        i = line + offset
        for j in range(cols):
            own = reach[i, j]
            # Smaller discs hold no pixel's middle.
            if own <= least:
                continue
            alone = True
            for k in range(len(steps)):
                a, b = i + steps[k, 0], j + steps[k, 1]
                if 0 <= a < height and 0 <= b < cols and reach[a, b] >= own + gain[k]:
                    alone = False
                    break
            kept[line, j] = alone


@compiled
def _radii(row, col, reach, patterns, table, px, py, soft, radius):  # type: ignore[no-untyped-def]
    rows, cols = patterns.shape
    most = max(table.max(), 0.5 * max(px, py)) + soft
    chunk = 512
    for part in numba.prange((len(row) + chunk - 1) // chunk):
        room = 256
        edge = np.empty(room)
        for n in range(part * chunk, min(len(row), (part + 1) * chunk)):
            # In the margin's pixels.
            y, x = 0.5 * row[n] + 1.0, 0.5 * col[n] + 1.0
            outer = reach[n] + most
            count = 0
            best = outer
            first = max(0, int(np.ceil(y - outer / py)))
            last = min(rows - 1, int(np.floor(y + outer / py)))
            for r in range(first, last + 1):
                dy = (r - y) * py
                wide = np.sqrt(max(outer * outer - dy * dy, 0.0)) / px
                # A little less, so that rounding leaves out none.
                bare = np.sqrt(max(reach[n] * reach[n] * 0.9999 - dy * dy, 0.0)) / px
                c = max(0, int(np.ceil(x - wide)))
                stop = min(cols - 1, int(np.floor(x + wide)))
                skip, land = int(np.floor(x - bare)), int(np.ceil(x + bare))
                while c <= stop:
                    if c > skip and c < land:
                        c = land
                        continue
                    code = patterns[r, c]
                    if code:
                        dx = (c - x) * px
                        far = np.sqrt(dx * dx + dy * dy)
                        before = table[code]
                        if before < 0.0:
                            before = 0.5 * np.sqrt((dx * px) ** 2 + (dy * py) ** 2) / far
                        if far - before < best + soft:
                            best = min(best, far - before)
                            if count == room:
                                longer = np.empty(2 * room)
                                longer[:room] = edge
                                edge = longer
                                room *= 2
                            edge[count] = far - before
                            count += 1
                    c += 1
            total, weights = 0.0, 0.0
            for k in range(count):
                weight = 1.0 - (edge[k] - best) / soft
                if weight > 0.0:
                    total += weight * edge[k]
                    weights += weight
            radius[n] = total / weights


@compiled
def _bare(mask, after):  # type: ignore[no-untyped-def]
    rows, cols = mask.shape
    for r in numba.prange(rows):
        after[r, cols] = cols
        for back in range(cols):
            c = cols - 1 - back
            after[r, c] = c if mask[r, c] else after[r, c + 1]


@compiled
def _paint(row, col, reach, radius, after, px, py, slack, bands, out):  # type: ignore[no-untyped-def]
    rows, cols = out.shape
    for band in numba.prange(bands):
        top, bottom = rows * band // bands, rows * (band + 1) // bands
        for n in range(len(row)):
            y, x = 0.5 * row[n] * py, 0.5 * col[n]
            far = reach[n] + slack
            first = max(top, int(np.ceil((y - far) / py)))
            last = min(bottom - 1, int(np.floor((y + far) / py)))
            for r in range(first, last + 1):
                wide = np.sqrt(max(far * far - (r * py - y) ** 2, 0.0)) / px
                c = max(0, int(np.ceil(x - wide)))
                stop = min(cols - 1, int(np.floor(x + wide)))
                line = after[r]
                while c <= stop:
                    # Follow the row to its next bare pixel, and shorten the way for the next disc.
                    end = c
                    while line[end] != end:
                        end = line[end]
                    while line[c] != end and c != end:
                        c, line[c] = line[c], end
                    if end > stop:
                        break
                    out[r, end] = 2.0 * radius[n]
                    line[end] = end + 1
                    c = end + 1
