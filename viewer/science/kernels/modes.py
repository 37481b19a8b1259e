"""Counting labels: by cells of a coarse grid, and along the edges between phases.

Labels are as of `viewer.science.sort.classify`: 1 to `phases` are phases, 0 is unsorted, and anything
above `phases` lies outside the sample.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import get_num_threads, prange

from viewer.science.kernels import compiled

Labels = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.int64]


def cell_counts(
    labels: Labels, phases: int, cell: tuple[int, int], mask: Mask | None = None
) -> npt.NDArray[np.int32]:
    """Pixels of each label in each cell of a grid.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
    phases : int
        Greatest label that is counted.
    cell : (int, int)
        Rows and columns of a cell; the last cells hold what is left over.
    mask : ndarray of bool [rows, columns], optional
        Only pixels that are True are counted.

    Returns
    -------
    ndarray of int32 [phases + 1, cell rows, cell columns]

    Raises
    ------
    ValueError
        Labels of another type, or a mask of another shape.
    """
    _check(labels, mask)
    out = np.zeros((phases + 1, *_grid(labels, cell)), np.int32)
    _cells(np.ascontiguousarray(labels), _mask(mask), mask is not None, cell[0], cell[1], out)
    return out


def cell_counts_plain(
    labels: Labels, phases: int, cell: tuple[int, int], mask: Mask | None = None
) -> npt.NDArray[np.int32]:
    """`cell_counts` in NumPy."""
    _check(labels, mask)
    out = np.zeros((phases + 1, *_grid(labels, cell)), np.int32)
    down = np.arange(0, labels.shape[0], cell[0])
    across = np.arange(0, labels.shape[1], cell[1])
    for label in range(phases + 1):
        here = labels == label
        if mask is not None:
            here &= mask
        out[label] = np.add.reduceat(
            np.add.reduceat(here.astype(np.int32), down, axis=0), across, axis=1
        )
    return out


def edge_counts(labels: Labels, phases: int, mask: Mask | None = None) -> tuple[Counts, Counts]:
    """Pixels on either side of the edges of each phase.

    Parameters
    ----------
    labels, phases, mask
        As of `cell_counts`.

    Returns
    -------
    inner : ndarray of int64 [phases + 1]
        Pixels of each phase that share a side with a pixel of another phase or an unsorted one.
    outer : ndarray of int64 [phases + 1]
        Pixels of other phases that share a side with a pixel of this one.

        What lies outside the sample or the mask makes no edge. Element 0 is zero.

    Raises
    ------
    ValueError
        Labels of another type, or a mask of another shape.
    """
    _check(labels, mask)
    parts = max(1, min(get_num_threads(), labels.shape[0]))
    inner = np.zeros((parts, phases + 1), np.int64)
    outer = np.zeros((parts, phases + 1), np.int64)
    _edges(np.ascontiguousarray(labels), _mask(mask), mask is not None, inner, outer)
    return inner.sum(axis=0), outer.sum(axis=0)


def edge_counts_plain(
    labels: Labels, phases: int, mask: Mask | None = None
) -> tuple[Counts, Counts]:
    """`edge_counts` in NumPy."""
    _check(labels, mask)
    inside = labels if mask is None else np.where(mask, labels, 255)
    around = np.pad(inside, 1, constant_values=255)
    sides = (around[:-2, 1:-1], around[2:, 1:-1], around[1:-1, :-2], around[1:-1, 2:])
    phase = (inside >= 1) & (inside <= phases)
    inner, outer = np.zeros(phases + 1, np.int64), np.zeros(phases + 1, np.int64)
    other = np.zeros(labels.shape, bool)
    for side in sides:
        other |= (side != inside) & (side <= phases)
    for label in range(1, phases + 1):
        here = inside == label
        inner[label] = np.count_nonzero(here & other)
        near = np.zeros(labels.shape, bool)
        for side in sides:
            near |= side == label
        outer[label] = np.count_nonzero(near & phase & ~here)
    return inner, outer


def _check(labels: Labels, mask: Mask | None) -> None:
    if labels.dtype != np.uint8 or labels.ndim != 2:
        raise ValueError("labels are uint8 with rows and columns")
    if mask is not None and (mask.shape != labels.shape or mask.dtype != np.bool_):
        raise ValueError("a mask is bool and as large as the labels")


def _grid(labels: Labels, cell: tuple[int, int]) -> tuple[int, int]:
    return -(-labels.shape[0] // cell[0]), -(-labels.shape[1] // cell[1])


def _mask(mask: Mask | None) -> Mask:
    return np.ones((1, 1), np.bool_) if mask is None else np.ascontiguousarray(mask)


@compiled
def _cells(
    labels: Labels, mask: Mask, masked: bool, down: int, across: int, out: npt.NDArray[np.int32]
) -> None:
    rows, columns = labels.shape
    phases = out.shape[0] - 1
    for i in prange(out.shape[1]):
        for r in range(i * down, min(rows, (i + 1) * down)):
            for c in range(columns):
                if masked and not mask[r, c]:
                    continue
                label = labels[r, c]
                if label <= phases:
                    out[label, i, c // across] += 1


@compiled
def _edges(labels: Labels, mask: Mask, masked: bool, inner: Counts, outer: Counts) -> None:
    rows, columns = labels.shape
    parts, phases = inner.shape[0], inner.shape[1] - 1
    for p in prange(parts):
        met = np.empty(4, np.int64)
        for r in range(rows * p // parts, rows * (p + 1) // parts):
            for c in range(columns):
                # The mask first: most pixels of a narrow region's window lie outside it.
                if masked and not mask[r, c]:
                    continue
                label = labels[r, c]
                if label == 0 or label > phases:
                    continue
                count = 0
                edge = False
                for k in range(4):
                    y = r + (k == 1) - (k == 0)
                    x = c + (k == 3) - (k == 2)
                    if y < 0 or x < 0 or y >= rows or x >= columns:
                        continue
                    other = labels[y, x]
                    if other == label or other > phases or (masked and not mask[y, x]):
                        continue
                    edge = True
                    if other == 0:
                        continue
                    # A pixel in a corner of three phases counts once for each of the others.
                    new = True
                    for j in range(count):
                        new = new and met[j] != other
                    if new:
                        met[count] = other
                        count += 1
                        outer[p, other] += 1
                if edge:
                    inner[p, label] += 1
