"""A painted picture as other eyes see it: the inner loop behind the window's simulation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import prange

from viewer.science.kernels import compiled

Picture = npt.NDArray[np.uint8]
Table = npt.NDArray[np.int32]


@compiled
def see(out: Picture, to_linear: Table, weights: Table, to_srgb: Picture) -> None:
    """Mix the light of a picture's colours anew, in place.

    Parameters
    ----------
    out : ndarray of uint8 [rows, columns, 4]
        Blue, green, red, opacity; the opacity is left.
    to_linear : ndarray of int32 [256]
        Light of each sample, 16 bits.
    weights : ndarray of int32 [3, 3]
        In 16384ths; rows are red, green and blue as seen.
    to_srgb : ndarray of uint8 [16384]
        Sample of light, by its highest 14 bits.
    """
    rr, rg, rb = np.int64(weights[0, 0]), np.int64(weights[0, 1]), np.int64(weights[0, 2])
    gr, gg, gb = np.int64(weights[1, 0]), np.int64(weights[1, 1]), np.int64(weights[1, 2])
    br, bg, bb = np.int64(weights[2, 0]), np.int64(weights[2, 1]), np.int64(weights[2, 2])
    top = np.int64(16383)
    low = np.int64(0)
    for r in prange(out.shape[0]):
        row = out[r]
        for c in range(row.shape[0]):
            blue = np.int64(to_linear[row[c, 0]])
            green = np.int64(to_linear[row[c, 1]])
            red = np.int64(to_linear[row[c, 2]])
            # 16 bits of light times 14 of weight, back to 14 bits.
            row[c, 2] = to_srgb[min(max((rr * red + rg * green + rb * blue) >> 16, low), top)]
            row[c, 1] = to_srgb[min(max((gr * red + gg * green + gb * blue) >> 16, low), top)]
            row[c, 0] = to_srgb[min(max((br * red + bg * green + bb * blue) >> 16, low), top)]


def see_plain(out: Picture, to_linear: Table, weights: Table, to_srgb: Picture) -> None:
    """`see` in NumPy."""
    light = to_linear[out[..., 2::-1]].astype(np.int64)
    mixed = np.clip((light @ weights.T.astype(np.int64)) >> 16, 0, 16383)
    out[..., 2::-1] = to_srgb[mixed]
