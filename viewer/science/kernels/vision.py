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
Mixtures = npt.NDArray[np.int64]
Samples = npt.NDArray[np.uint8]


@compiled
def see(out: Words, mixtures: Mixtures, to_srgb: Samples) -> None:
    """Mix the light of a picture's colours anew, in place.

    Parameters
    ----------
    out : ndarray of uint32 [rows, columns]
        Pixels, from the lowest byte: blue, green, red, opacity; the opacity is left.
    mixtures : ndarray of int64 [3, 256]
        What each sample of blue, green and red gives to the light of blue, green and red as seen:
        three fields of 21 bits, from the lowest. The three of a pixel add up without a carry.
    to_srgb : ndarray of uint8 [32768]
        Sample of a field's light, by the 15 bits above its lowest two; colours that no screen can
        show are cut off by it.
    """
    of_blue, of_green, of_red = mixtures[0], mixtures[1], mixtures[2]
    byte, index = np.uint32(255), np.uint64(0x7FFF)
    for r in prange(out.shape[0]):
        row = out[r]
        last = seen = np.uint32(0)
        for c in range(row.size):
            word = row[c]
            if c == 0 or word != last:
                last = word
                light = np.uint64(
                    of_blue[word & byte]
                    + of_green[(word >> np.uint32(8)) & byte]
                    + of_red[(word >> np.uint32(16)) & byte]
                )
                seen = (
                    (word & np.uint32(0xFF000000))
                    | (np.uint32(to_srgb[(light >> np.uint64(44)) & index]) << np.uint32(16))
                    | (np.uint32(to_srgb[(light >> np.uint64(23)) & index]) << np.uint32(8))
                    | np.uint32(to_srgb[(light >> np.uint64(2)) & index])
                )
            row[c] = seen


def see_plain(out: Words, mixtures: Mixtures, to_srgb: Samples) -> None:
    """`see` in NumPy."""
    samples = out.view(np.uint8).reshape(*out.shape, 4)
    light = sum(mixtures[i][samples[..., i]] for i in range(3))
    for i in range(3):
        samples[..., i] = to_srgb[(light >> (21 * i + 2)) & 0x7FFF]
