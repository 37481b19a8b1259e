"""A painted picture as other eyes see it: the inner loop behind the window's simulation.

Pixels are words, as in `viewer.science.kernels.blend`. Phase maps and magnified pixels come in runs of
one colour, so a word equal to the one before is not worked out again.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import prange

from viewer.science.kernels import compiled

Words = npt.NDArray[np.uint32]
Table = npt.NDArray[np.int32]
Samples = npt.NDArray[np.uint8]


@compiled
def see(out: Words, to_linear: Table, weights: Table, to_srgb: Samples) -> None:
    """Mix the light of a picture's colours anew, in place.

    Parameters
    ----------
    out : ndarray of uint32 [rows, columns]
        Pixels, from the lowest byte: blue, green, red, opacity; the opacity is left.
    to_linear : ndarray of int32 [256]
        Light of each sample, 16 bits.
    weights : ndarray of int32 [3, 3]
        In 16384ths; rows are red, green and blue as seen.
    to_srgb : ndarray of uint8 [16384]
        Sample of light, by its highest 14 bits.
    """
    rr, rg, rb = weights[0, 0], weights[0, 1], weights[0, 2]
    gr, gg, gb = weights[1, 0], weights[1, 1], weights[1, 2]
    br, bg, bb = weights[2, 0], weights[2, 1], weights[2, 2]
    byte = np.uint32(255)
    for r in prange(out.shape[0]):
        row = out[r]
        last = seen = np.uint32(0)
        for c in range(row.size):
            word = row[c]
            if c == 0 or word != last:
                last = word
                blue = to_linear[word & byte]
                green = to_linear[(word >> np.uint32(8)) & byte]
                red = to_linear[(word >> np.uint32(16)) & byte]
                # 16 bits of light times 14 of weight, back to 14 bits.
                as_red = min(max((rr * red + rg * green + rb * blue) >> 16, 0), 16383)
                as_green = min(max((gr * red + gg * green + gb * blue) >> 16, 0), 16383)
                as_blue = min(max((br * red + bg * green + bb * blue) >> 16, 0), 16383)
                seen = (
                    (word & np.uint32(0xFF000000))
                    | (np.uint32(to_srgb[np.uint32(as_red)]) << np.uint32(16))
                    | (np.uint32(to_srgb[np.uint32(as_green)]) << np.uint32(8))
                    | np.uint32(to_srgb[np.uint32(as_blue)])
                )
            row[c] = seen


def see_plain(out: Words, to_linear: Table, weights: Table, to_srgb: Samples) -> None:
    """`see` in NumPy."""
    samples = out.view(np.uint8).reshape(*out.shape, 4)
    light = to_linear[samples[..., 2::-1]].astype(np.int64)
    mixed = np.clip((light @ weights.T.astype(np.int64)) >> 16, 0, 16383)
    samples[..., 2::-1] = to_srgb[mixed]
