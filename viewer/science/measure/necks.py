"""Grains of one phase that touch, parted where they hang together by a narrow neck.

A crowd of laths is one connected piece on most faces, and a piece that reaches the map's edge says
nothing about rims and cores. Where two grains touch, the piece is narrower than either: seen as a
landscape of depth (distance from the edge) a grain is a hill, and a neck a saddle. Two hills are parted
at a saddle lower than a share of the lower hill's top, and are one grain otherwise: a watershed of the
distance transform (Vincent and Soille 1991, doi:10.1109/34.87344), with the parts put together again in
the order of falling saddles. Two grains that touch along most of a side stay one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Mask = npt.NDArray[np.bool_]

NECK = 0.7
"""Width of a neck, as a share of the thickness of the thinner of both sides, below which it parts."""


def part_at_necks(
    mask: Mask, depth: npt.NDArray[np.floating], neck: float = NECK
) -> npt.NDArray[np.int32]:
    """Number the parts of a phase.

    Parameters
    ----------
    mask : ndarray of bool [rows, columns]
        The phase.
    depth : ndarray of float [rows, columns]
        Distance of each pixel from the phase's edge.
    neck : float
        0: what hangs together (across sides and corners) is one part; 1: every hill of depth is.

    Returns
    -------
    ndarray of int32 [rows, columns]
        0 outside the phase, parts from 1 without a gap.
    """
    from scipy import ndimage
    from skimage import morphology, segmentation

    shapes: Any = morphology
    basins: Any = segmentation

    tops, count = ndimage.label(shapes.local_maxima(depth) & mask, structure=np.ones((3, 3), bool))
    if count == 0:
        return np.zeros(mask.shape, np.int32)
    hills = basins.watershed(-depth, tops, mask=mask, connectivity=2).astype(np.int32)
    peak = np.zeros(count + 1)
    np.maximum.at(peak, hills.ravel(), depth.ravel())
    root = np.arange(count + 1)

    def find(one: int) -> int:
        while root[one] != one:
            root[one] = root[root[one]]
            one = int(root[one])
        return one

    for first, second, saddle in zip(*_saddles(hills, depth), strict=True):
        a, b = find(int(first)), find(int(second))
        if a != b and saddle >= neck * min(peak[a], peak[b]):
            high, low = (a, b) if peak[a] >= peak[b] else (b, a)
            root[low] = high
    of = np.array([find(n) for n in range(count + 1)])
    _, number = np.unique(of, return_inverse=True)
    parts: npt.NDArray[np.int32] = number.reshape(-1).astype(np.int32)[hills]
    return parts


def _saddles(
    hills: npt.NDArray[np.int32], depth: npt.NDArray[np.floating]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Pairs of hills that touch, and how deep the deepest way between both lies; deepest first."""
    rows, cols = hills.shape
    keys, depths = [], []
    width = int(hills.max()) + 1
    for down, across in ((0, 1), (1, 0), (1, 1), (1, -1)):
        here = (slice(0, rows - down), slice(max(0, -across), cols - max(0, across)))
        there = (slice(down, rows), slice(max(0, across), cols + min(0, across)))
        a, b = hills[here], hills[there]
        touch = (a != b) & (a > 0) & (b > 0)
        low, high = np.minimum(a[touch], b[touch]), np.maximum(a[touch], b[touch])
        keys.append(low.astype(np.int64) * width + high)
        depths.append(np.minimum(depth[here][touch], depth[there][touch]))
    key, far = np.concatenate(keys), np.concatenate(depths).astype(np.float64)
    pairs, at = np.unique(key, return_inverse=True)
    saddle = np.zeros(len(pairs))
    np.maximum.at(saddle, at.reshape(-1), far)
    order = np.argsort(-saddle, kind="stable")
    return pairs[order] // width, pairs[order] % width, saddle[order]
