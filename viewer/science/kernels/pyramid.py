"""Coding values and halving images for the pyramid: the inner loops of gathering."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from viewer.science.kernels import compiled
from viewer.science.look.coding import FIRST, LAST, Coding

_KINDS = {"identity": 0, "linear": 1, "asinh": 2}


def encode(values: npt.NDArray[Any], coding: Coding) -> npt.NDArray[np.uint16]:
    """Nearest code of each value: the compiled twin of `Coding.encode`.

    Parameters
    ----------
    values : ndarray [rows, columns]
        Integer or floating-point numbers; what is not finite becomes code 0.
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
    codes: npt.NDArray[Any], source: Coding, coding: Coding
) -> npt.NDArray[np.uint16]:
    """Next level of a pyramid: the mean of each 2 x 2 block, coded.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns]
        Codes of this level.
    source : Coding
        Their coding.
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
    if coding.kind == "linear" and source.kind == "identity":
        # The mean of the codes is the mean value: no table is needed, and no pixel is missing.
        # Counted from `low`: single precision would lose the steps of a narrow range far from 0.
        low = math.floor(coding.offset)
        gain, shift = 1.0 / coding.scale, FIRST + (low - coding.offset) / coding.scale
        _halve_known(codes, out, np.int32(4 * low), np.float32(gain / 4), np.float32(shift + 0.5))
        if rows % 2 or cols % 2:
            _halve_edges(codes, out, low, gain, shift)
    elif coding.kind == "linear" and source == coding:
        _halve_codes(codes, out)
    else:
        decode = source.values(int(np.iinfo(codes.dtype).max) + 1)
        at = (coding.scale, coding.offset, coding.knee, coding.bend)
        _halve_table(codes, decode, out, _KINDS[coding.kind], *at)
    return out


def halve_plain(
    codes: npt.NDArray[Any], source: Coding, coding: Coding
) -> npt.NDArray[np.uint16]:
    """`halve` in NumPy."""
    decode = source.values(int(np.iinfo(codes.dtype).max) + 1)
    rows, cols = codes.shape
    values = np.full((rows + rows % 2, cols + cols % 2), np.nan)
    values[:rows, :cols] = decode[codes]
    blocks = np.stack([values[r::2, c::2] for r in (0, 1) for c in (0, 1)])
    known = ~np.isnan(blocks)
    count = known.sum(axis=0)
    # In quarters, as four values near the largest double have no sum.
    total = np.where(known, 0.25 * blocks, 0.0).sum(axis=0)
    return coding.encode(np.where(count > 0, total / (0.25 * np.maximum(count, 1)), np.nan))


@njit(inline="always")
def _code(value, kind, scale, offset, knee, bend):  # type: ignore[no-untyped-def]
    if not math.isfinite(value):
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


@compiled
def _encode(values, out, kind, scale, offset, knee, bend):  # type: ignore[no-untyped-def]
    rows, cols = values.shape
    for r in prange(rows):
        for c in range(cols):
            out[r, c] = _code(np.float64(values[r, c]), kind, scale, offset, knee, bend)


@compiled
def _halve_known(codes, out, low, gain, shift):  # type: ignore[no-untyped-def]
    """Whole 2 x 2 blocks of codes that are their own values."""
    wide = codes.shape[1] // 2
    for r in prange(codes.shape[0] // 2):
        above, below, row = codes[2 * r], codes[2 * r + 1], out[r]
        for c in range(wide):
            total = (
                np.int32(above[2 * c])
                + np.int32(above[2 * c + 1])
                + np.int32(below[2 * c])
                + np.int32(below[2 * c + 1])
            )
            step = np.float32(total - low) * gain + shift
            row[c] = np.uint16(max(np.float32(FIRST), min(np.float32(LAST), step)))


@compiled
def _halve_codes(codes, out):  # type: ignore[no-untyped-def]
    """Blocks of linear codes that stay in their coding; code 0 is left out of every mean."""
    rows, cols = codes.shape
    for r in prange(out.shape[0]):
        above, row = codes[2 * r], out[r]
        below = codes[min(2 * r + 1, rows - 1)]
        # An odd edge counts its own pixels twice, which leaves the mean as it is.
        for c in range(out.shape[1]):
            left, right = 2 * c, min(2 * c + 1, cols - 1)
            a, b = np.int64(above[left]), np.int64(above[right])
            d, e = np.int64(below[left]), np.int64(below[right])
            count = np.int64(a > 0) + np.int64(b > 0) + np.int64(d > 0) + np.int64(e > 0)
            total = a + b + d + e
            if count == 4:
                row[c] = (total + 2) >> 2
            elif count:
                row[c] = (2 * total + count) // (2 * count)
            else:
                row[c] = 0


@compiled
def _halve_edges(codes, out, low, gain, shift):  # type: ignore[no-untyped-def]
    """Last row and column of an odd image, over the pixels that exist."""
    rows, cols = codes.shape
    for r in prange(out.shape[0]):
        for c in range(out.shape[1]):
            if 2 * r + 1 < rows and c < cols // 2:
                continue
            total, count = 0.0, 0
            for i in range(2 * r, min(2 * r + 2, rows)):
                for j in range(2 * c, min(2 * c + 2, cols)):
                    total += codes[i, j]
                    count += 1
            step = (total / count - low) * gain + shift + 0.5
            out[r, c] = np.uint16(max(float(FIRST), min(float(LAST), step)))


@compiled
def _halve_table(codes, decode, out, kind, scale, offset, knee, bend):  # type: ignore[no-untyped-def]
    """Any coding, through the table of values."""
    rows, cols = codes.shape
    for r in prange(out.shape[0]):
        for c in range(out.shape[1]):
            total, count = 0.0, 0
            for i in range(2 * r, min(2 * r + 2, rows)):
                for j in range(2 * c, min(2 * c + 2, cols)):
                    v = decode[codes[i, j]]
                    if not math.isnan(v):
                        total += 0.25 * v
                        count += 1
            if count:
                out[r, c] = _code(total / (0.25 * count), kind, scale, offset, knee, bend)
            else:
                out[r, c] = 0
