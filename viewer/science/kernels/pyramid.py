"""Coding values and halving images for the pyramid: the inner loops of gathering."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from viewer.science.look.coding import FIRST, LAST, Coding

_KINDS = {"identity": 0, "linear": 1, "asinh": 2}


def encode(values: npt.NDArray[Any], coding: Coding) -> npt.NDArray[np.uint16]:
    """Nearest code of each value: the compiled twin of `Coding.encode`.

    Parameters
    ----------
    values : ndarray [rows, columns]
        Integer or floating-point numbers; NaN becomes code 0, infinities the end codes.
    coding : Coding
        ``linear`` or ``asinh``.

    Returns
    -------
    ndarray of uint16 [rows, columns]
    """
    out = np.empty(values.shape, np.uint16)
    _encode(
        np.ascontiguousarray(values),
        out,
        _KINDS[coding.kind],
        coding.scale,
        coding.offset,
        coding.knee,
        coding.bend,
    )
    return out


def halve(
    codes: npt.NDArray[Any], decode: npt.NDArray[np.float32], coding: Coding
) -> npt.NDArray[np.uint16]:
    """Next level of a pyramid: the mean of each 2 x 2 block, coded.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns]
        Codes of this level.
    decode : ndarray of float32 [n]
        Value of each of these codes; NaN where a code means «no value».
    coding : Coding
        ``linear`` or ``asinh`` coding of the next level.

    Returns
    -------
    ndarray of uint16 [(rows + 1) // 2, (columns + 1) // 2]
        Pixels without a value are left out of each mean; a block of none has code 0. At an odd
        edge the mean is over the pixels that exist.
    """
    rows, cols = codes.shape
    out = np.empty(((rows + 1) // 2, (cols + 1) // 2), np.uint16)
    _halve(
        codes, decode, out, _KINDS[coding.kind], coding.scale, coding.offset, coding.knee, coding.bend
    )
    return out


def halve_plain(
    codes: npt.NDArray[Any], decode: npt.NDArray[np.float32], coding: Coding
) -> npt.NDArray[np.uint16]:
    """`halve` in NumPy."""
    rows, cols = codes.shape
    values = np.full((rows + rows % 2, cols + cols % 2), np.nan)
    values[:rows, :cols] = decode[codes].astype(np.float64)
    blocks = np.stack([values[r::2, c::2] for r in (0, 1) for c in (0, 1)])
    known = ~np.isnan(blocks)
    count = known.sum(axis=0)
    total = np.where(known, blocks, 0.0).sum(axis=0)
    return coding.encode(np.where(count > 0, total / np.maximum(count, 1), np.nan))


@njit(inline="always")
def _code(value, kind, scale, offset, knee, bend):  # type: ignore[no-untyped-def]
    if math.isnan(value):
        return 0
    if kind == 1:
        step = (value - offset) / scale
    else:
        step = (math.asinh((value - offset) / knee) + bend) / scale
    if step <= 0.0:
        return FIRST
    if step >= LAST - FIRST:
        return LAST
    return int(np.rint(step)) + FIRST


@njit(parallel=True, cache=True, nogil=True)
def _encode(values, out, kind, scale, offset, knee, bend):  # type: ignore[no-untyped-def]
    rows, cols = values.shape
    for r in prange(rows):
        for c in range(cols):
            out[r, c] = _code(np.float64(values[r, c]), kind, scale, offset, knee, bend)


@njit(parallel=True, cache=True, nogil=True)
def _halve(codes, decode, out, kind, scale, offset, knee, bend):  # type: ignore[no-untyped-def]
    rows, cols = codes.shape
    for r in prange(out.shape[0]):
        r0 = 2 * r
        r1 = min(r0 + 2, rows)
        for c in range(out.shape[1]):
            c0 = 2 * c
            total = 0.0
            count = 0
            for i in range(r0, r1):
                for j in range(c0, min(c0 + 2, cols)):
                    v = np.float64(decode[codes[i, j]])
                    if not math.isnan(v):
                        total += v
                        count += 1
            if count:
                out[r, c] = _code(total / count, kind, scale, offset, knee, bend)
            else:
                out[r, c] = 0
