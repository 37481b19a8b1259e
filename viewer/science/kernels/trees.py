"""Walking pixels down the trees of a forest."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from viewer.science.kernels import compiled

Ints = npt.NDArray[np.int32]
Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]


@compiled
def _walk(
    pixels: Any, feature: Any, threshold: Any, left: Any, right: Any, share: Any, roots: Any, out: Any
) -> None:
    for i in prange(pixels.shape[0]):
        for tree in range(roots.size):
            node = roots[tree]
            while feature[node] >= 0:
                if pixels[i, feature[node]] <= threshold[node]:
                    node = left[node]
                else:
                    node = right[node]
            for k in range(out.shape[1]):
                out[i, k] += share[node, k]
        for k in range(out.shape[1]):
            out[i, k] /= roots.size


def vote(
    pixels: Float32,
    feature: Ints,
    threshold: Float64,
    left: Ints,
    right: Ints,
    share: Float64,
    roots: Ints,
) -> Float64:
    """Mean share of each class over the leaves that a pixel ends in.

    Parameters
    ----------
    pixels : float32[pixel, feature]
        Without missing values.
    feature, threshold, left, right : [node]
        A pixel goes ``left`` where its feature is at most the threshold; a leaf's feature is -1.
        Nodes are numbered through all trees.
    share : float64[node, class]
    roots : [tree]

    Returns
    -------
    float64[pixel, class]
    """
    out = np.zeros((len(pixels), share.shape[1]))
    _walk(np.ascontiguousarray(pixels), feature, threshold, left, right, share, roots, out)
    return out


def vote_plain(
    pixels: Float32,
    feature: Ints,
    threshold: Float64,
    left: Ints,
    right: Ints,
    share: Float64,
    roots: Ints,
) -> Float64:
    """`vote` by plain NumPy: all pixels take one step at a time."""
    out = np.zeros((len(pixels), share.shape[1]))
    every = np.arange(len(pixels))
    for root in roots:
        node = np.full(len(pixels), root)
        while (going := feature[node] >= 0).any():
            at, who = node[going], every[going]
            less = pixels[who, feature[at]] <= threshold[at]
            node[going] = np.where(less, left[at], right[at])
        out += share[node]
    return out / len(roots)
