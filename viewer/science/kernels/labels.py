"""Halving class images for their pyramid: colours are never mixed, so a block takes a majority."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from viewer.science.kernels import compiled

_UNSORTED, _OUTSIDE = 0, 255
"""As in `viewer.science.sort.classify`, which stands on kernels and cannot be imported by one."""


def halve_labels(labels: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Next level of a class image's pyramid: the commonest label of each 2 x 2 block.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
        0 unsorted, 255 outside the outline, anything else a phase.

    Returns
    -------
    ndarray of uint8 [(rows + 1) // 2, (columns + 1) // 2]
        Pixels outside the outline are left out, as pixels without a value are from the pyramid of an
        intensity: a block is outside only where all of it is. At an odd edge the pixels that exist
        vote. Of labels with equal votes a phase goes before unsorted, then the lower number goes first.

    Notes
    -----
    Single pixels of a rare phase drop out of the coarser levels and common phases grow by as much.
    Levels are for the screen: areas are counted at full size.
    """
    rows, cols = labels.shape
    out = np.empty(((rows + 1) // 2, (cols + 1) // 2), np.uint8)
    _halve(labels, out)
    return out


def halve_labels_plain(labels: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """`halve_labels` in NumPy."""
    rows, cols = labels.shape
    whole = np.pad(labels, ((0, rows % 2), (0, cols % 2)), constant_values=_OUTSIDE)
    block = np.stack([whole[r::2, c::2] for r in (0, 1) for c in (0, 1)]).astype(np.int64)
    votes = (block[:, None] == block[None]).sum(axis=1)
    rank = 1024 * votes + 512 * (block != _UNSORTED) + (255 - block)
    best = np.where(block == _OUTSIDE, -1, rank).argmax(axis=0)
    winner: npt.NDArray[np.int64] = np.take_along_axis(block, best[None], axis=0)[0]
    return winner.astype(np.uint8)


@njit(inline="always")  # type: ignore[untyped-decorator]
def _rank(one, a, b, c, d):  # type: ignore[no-untyped-def]
    if one == _OUTSIDE:
        return -1
    votes = int(one == a) + int(one == b) + int(one == c) + int(one == d)
    return 1024 * votes + 512 * int(one != _UNSORTED) + 255 - one


@compiled
def _halve(labels, out):  # type: ignore[no-untyped-def]
    rows, cols = labels.shape
    for r in prange(out.shape[0]):
        above = labels[2 * r]
        below = labels[min(2 * r + 1, rows - 1)]
        # An odd last row or column votes twice, which changes no winner.
        for col in range(out.shape[1]):
            left, right = 2 * col, min(2 * col + 1, cols - 1)
            a, b = np.int64(above[left]), np.int64(above[right])
            c, d = np.int64(below[left]), np.int64(below[right])
            if a == b and a == c and a == d:
                out[r, col] = a
                continue
            best, top = a, _rank(a, a, b, c, d)
            for other in (b, c, d):
                rank = _rank(other, a, b, c, d)
                if rank > top:
                    best, top = other, rank
            out[r, col] = best
