"""Which grain each pixel of the rims around grains belongs to: the nearest, by ways within the rims."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from viewer.science.kernels import compiled
from viewer.science.progress import Progress, silent

Codes = npt.NDArray[np.int32]

OTHER = 0
"""Code of ground that is neither host nor rim."""

UNKNOWN = 1 << 30
"""Code of pixels of which nobody knows what they are."""

OUTSIDE = UNKNOWN + 1
"""Code of pixels that do not count."""

FREE = UNKNOWN + 2
"""Code of rim pixels that hang together with no host. Hosts are 1, 2, 3 …; rim of host k is -k."""

_BAND = 256
"""Rows between two chances to stop."""


def give_rims(
    codes: Codes, pixel_um: tuple[float, float], progress: Progress = silent
) -> npt.NDArray[np.float32]:
    """Give every rim pixel to the host that is nearest by a way through rim pixels.

    Parameters
    ----------
    codes : ndarray of int32 [rows, columns]
        Changed in place: `FREE` becomes minus the number of the host, where there is a way to one. Of
        two hosts as near the lower number is taken.
    pixel_um : (float, float)
        Width and height of a pixel.

    Returns
    -------
    ndarray of float32 [rows, columns]
        Length of the way (µm), 0 in hosts, inf elsewhere.

    Notes
    -----
    A way goes from pixel to pixel across sides and corners (Rosenfeld and Pfaltz 1968, Distance
    functions on digital pictures, doi:10.1016/0031-3203(68)90013-7; sweeps to and fro until
    nothing changes). Such ways are up to 8 % too long on square pixels, but alike from either of two
    hosts that face each other, so that the border between their rims lies midway.
    """
    far = np.empty(codes.shape, np.float32)
    _begin(codes, far)
    steps = np.array([pixel_um[0], pixel_um[1], math.hypot(*pixel_um)], np.float32)
    rows = codes.shape[0]
    bands = [(r, min(r + _BAND, rows)) for r in range(0, rows, _BAND)]
    changed, rounds = True, 0
    while changed:
        changed = False
        for n, (start, stop) in enumerate((*bands, *((b, a) for a, b in reversed(bands)))):
            # Later rounds mend few pixels, and how many there will be is not known.
            progress(1.0 - 0.5**rounds * (1.0 - 0.25 * n / len(bands)), "giving rims to their hosts")
            changed |= bool(_sweep(codes, far, steps, start, stop))
        rounds += 1
    return far


def give_rims_plain(codes: Codes, pixel_um: tuple[float, float]) -> npt.NDArray[np.float32]:
    """`give_rims` in NumPy, all pixels at once until nothing changes."""
    rows, cols = codes.shape
    rim = codes == FREE
    owner = np.where((codes > 0) & (codes < UNKNOWN), codes, FREE)
    far = np.where(owner < UNKNOWN, np.float32(0), np.float32(np.inf))
    while True:
        best, who = far.copy(), owner.copy()
        wide, others = np.pad(far, 1, constant_values=np.inf), np.pad(owner, 1, constant_values=FREE)
        for i in (-1, 0, 1):
            for j in (-1, 0, 1):
                step = np.float32(math.hypot(j * pixel_um[0], i * pixel_um[1]))
                new = wide[1 + i : 1 + i + rows, 1 + j : 1 + j + cols] + step
                host = others[1 + i : 1 + i + rows, 1 + j : 1 + j + cols]
                take = rim & ((new < best) | ((new == best) & (host < who)))
                best[take], who[take] = new[take], host[take]
        if np.array_equal(best, far) and np.array_equal(who, owner):
            break
        far, owner = best, who
    found = rim & (owner < UNKNOWN)
    codes[found] = -owner[found]
    return far


@compiled
def _begin(codes, far):  # type: ignore[no-untyped-def]
    rows, cols = codes.shape
    for r in prange(rows):
        for c in range(cols):
            far[r, c] = 0.0 if 0 < codes[r, c] < UNKNOWN else np.inf


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _sweep(codes, far, steps, start, stop):  # type: ignore[no-untyped-def]
    """Rows from start to stop, or, where stop lies above start, up from the one above start."""
    rows, cols = codes.shape
    px, py, slant = steps[0], steps[1], steps[2]
    down = stop > start
    changed = False
    for n in range(abs(stop - start)):
        r = start + n if down else start - 1 - n
        for m in range(cols):
            c = m if down else cols - 1 - m
            own = codes[r, c]
            if own >= 0 and own != FREE:
                continue
            best, who = far[r, c], (FREE if own == FREE else -own)
            for i in range(max(r - 1, 0), min(r + 2, rows)):
                for j in range(max(c - 1, 0), min(c + 2, cols)):
                    if i == r and j == c:
                        continue
                    host = codes[i, j]
                    if host >= UNKNOWN or host == OTHER:
                        continue
                    step = px if i == r else (py if j == c else slant)
                    new = np.float32(far[i, j] + step)
                    if host < 0:
                        host = -host
                    if new < best or (new == best and host < who):
                        best, who = new, host
                        changed = True
            if who != FREE:
                far[r, c] = best
                codes[r, c] = -who
    return changed
