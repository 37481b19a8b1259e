"""One pass over many pixels: means of 2 x 2 blocks, extremes, and differences between lines."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import get_num_threads, prange

from viewer.science.kernels import compiled

Array = npt.NDArray[Any]


class Extent(NamedTuple):
    """What one pass over an image finds.

    ``min``, ``max`` and ``sum`` are of the finite values (NaN, NaN and 0 where there is none); ``nan``
    counts the pixels that are not finite; ``negative`` and ``zero`` count among the finite ones.
    """

    min: float
    max: float
    nan: int
    negative: int
    zero: int
    sum: float


class LineDifferences(NamedTuple):
    """Differences between neighbouring lines of an image, summed along the lines.

    Element ``i`` of each array belongs to line ``i`` and line ``i + 1``: ``total`` sums
    ``line i + 1 - line i`` over the pixels where both are known, ``square`` sums its square, and
    ``n`` counts these pixels.
    """

    total: npt.NDArray[np.float64]
    square: npt.NDArray[np.float64]
    n: npt.NDArray[np.int64]


def halve(values: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Mean of each 2 x 2 block.

    Parameters
    ----------
    values : ndarray of float32 [rows, columns]

    Returns
    -------
    ndarray of float32 [(rows + 1) // 2, (columns + 1) // 2]
        NaN pixels are left out of each mean; a block of none is NaN. At an odd edge the mean is over
        the pixels that exist.
    """
    out = np.empty(_half(values.shape), np.float32)
    _halve(np.ascontiguousarray(values, dtype=np.float32), out)
    return out


def halve_plain(values: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """`halve` in NumPy."""
    rows, cols = values.shape
    padded = np.full((rows + rows % 2, cols + cols % 2), np.nan)
    padded[:rows, :cols] = values
    blocks = np.stack([padded[r::2, c::2] for r in (0, 1) for c in (0, 1)])
    known = ~np.isnan(blocks)
    count = known.sum(axis=0)
    total = np.where(known, blocks, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)


def halve_codes(codes: npt.NDArray[Any], decode: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """`halve` of the values that codes stand for.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns]
    decode : ndarray of float32, shape (256,) or (65536,)
        Value of each code; NaN where a code means «no value».

    Returns
    -------
    ndarray of float32 [(rows + 1) // 2, (columns + 1) // 2]

    Raises
    ------
    ValueError
        The table has no entry for some code of the type.
    """
    _check_table(codes, decode)
    out = np.empty(_half(codes.shape), np.float32)
    _halve_codes(np.ascontiguousarray(codes), decode, out)
    return out


def halve_codes_plain(
    codes: npt.NDArray[Any], decode: npt.NDArray[np.float32]
) -> npt.NDArray[np.float32]:
    """`halve_codes` in NumPy."""
    _check_table(codes, decode)
    return halve_plain(decode[codes])


def minmax_nan(values: npt.NDArray[Any]) -> Extent:
    """Extremes, sum and counts of an image in one pass.

    Parameters
    ----------
    values : ndarray [rows, columns]
        Any real number type.

    Returns
    -------
    Extent
    """
    native = _native(values)
    parts = max(1, min(get_num_threads(), native.shape[0]))
    reals = np.empty((parts, 3))
    counts = np.zeros((parts, 3), np.int64)
    if native.dtype.kind == "f":
        _extent_float(native, reals, counts)
    else:
        _extent_whole(native, reals, counts)
    low, high = float(reals[:, 0].min()), float(reals[:, 1].max())
    if low > high:
        low = high = float("nan")
    nan, negative, zero = (int(n) for n in counts.sum(axis=0))
    return Extent(low, high, nan, negative, zero, float(reals[:, 2].sum()))


def minmax_nan_plain(values: npt.NDArray[Any]) -> Extent:
    """`minmax_nan` in NumPy."""
    known = values[np.isfinite(values)]
    return Extent(
        float(known.min()) if known.size else float("nan"),
        float(known.max()) if known.size else float("nan"),
        int(values.size - known.size),
        int((known < 0).sum()),
        int((known == 0).sum()),
        float(known.sum(dtype=np.float64)),
    )


def line_differences(
    values: npt.NDArray[np.float32],
) -> tuple[LineDifferences, LineDifferences]:
    """Differences between neighbouring rows and between neighbouring columns.

    Parameters
    ----------
    values : ndarray of float32 [rows, columns]
        NaN where there is no value.

    Returns
    -------
    rows : LineDifferences
        Arrays of ``rows - 1`` elements.
    columns : LineDifferences
        Arrays of ``columns - 1`` elements.
    """
    rows, cols = values.shape
    parts = max(1, min(get_num_threads(), rows))
    by_row = np.zeros((2, max(rows - 1, 0)))
    row_n = np.zeros(max(rows - 1, 0), np.int64)
    by_col = np.zeros((parts, 2, max(cols - 1, 0)))
    col_n = np.zeros((parts, max(cols - 1, 0)), np.int64)
    _differences(np.ascontiguousarray(values), by_row, row_n, by_col, col_n)
    total, square = by_col.sum(axis=0)
    return (
        LineDifferences(by_row[0], by_row[1], row_n),
        LineDifferences(total, square, col_n.sum(axis=0)),
    )


def line_differences_plain(
    values: npt.NDArray[np.float32],
) -> tuple[LineDifferences, LineDifferences]:
    """`line_differences` in NumPy."""

    def along(axis: int) -> LineDifferences:
        step = np.diff(values.astype(np.float64), axis=axis)
        known = ~np.isnan(step)
        step = np.where(known, step, 0.0)
        other = 1 - axis
        return LineDifferences(
            step.sum(axis=other), (step * step).sum(axis=other), known.sum(axis=other)
        )

    return along(0), along(1)


def _half(shape: tuple[int, ...]) -> tuple[int, int]:
    rows, cols = shape
    return (rows + 1) // 2, (cols + 1) // 2


def _check_table(codes: npt.NDArray[Any], decode: npt.NDArray[np.float32]) -> None:
    if codes.dtype not in (np.uint8, np.uint16):
        raise ValueError("codes are uint8 or uint16")
    if decode.size < 1 << (8 * codes.dtype.itemsize):
        raise ValueError("a table has an entry for every code that the type can hold")


def _native(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The same numbers in a type and byte order that compiled code takes."""
    kind = values.dtype.newbyteorder("=")
    if kind == np.float16:
        kind = np.dtype(np.float32)
    elif kind.kind == "b":
        kind = np.dtype(np.uint8)
    return np.ascontiguousarray(values, dtype=kind)


@compiled
def _halve(
    values: Array,
    out: Array,
) -> None:
    rows, cols = values.shape
    for r in prange(out.shape[0]):
        for c in range(out.shape[1]):
            total = 0.0
            count = 0
            for i in range(2 * r, min(2 * r + 2, rows)):
                for j in range(2 * c, min(2 * c + 2, cols)):
                    v = np.float64(values[i, j])
                    if v == v:
                        total += v
                        count += 1
            out[r, c] = total / count if count else np.nan


@compiled
def _halve_codes(
    codes: Array,
    decode: Array,
    out: Array,
) -> None:
    rows, cols = codes.shape
    for r in prange(out.shape[0]):
        for c in range(out.shape[1]):
            total = 0.0
            count = 0
            for i in range(2 * r, min(2 * r + 2, rows)):
                for j in range(2 * c, min(2 * c + 2, cols)):
                    v = np.float64(decode[codes[i, j]])
                    if v == v:
                        total += v
                        count += 1
            out[r, c] = total / count if count else np.nan


@compiled
def _extent_float(
    values: Array,
    reals: Array,
    counts: Array,
) -> None:
    rows, cols = values.shape
    parts = reals.shape[0]
    for p in prange(parts):
        low, high, total = np.inf, -np.inf, 0.0
        nan, negative, zero = 0, 0, 0
        for r in range(rows * p // parts, rows * (p + 1) // parts):
            # A sum a row keeps the rounding error of large images small.
            line = 0.0
            for c in range(cols):
                v = np.float64(values[r, c])
                if v - v == 0.0:
                    low = min(low, v)
                    high = max(high, v)
                    if v < 0.0:
                        negative += 1
                    elif v == 0.0:
                        zero += 1
                    line += v
                else:
                    nan += 1
            total += line
        reals[p, 0], reals[p, 1], reals[p, 2] = low, high, total
        counts[p, 0], counts[p, 1], counts[p, 2] = nan, negative, zero


@compiled
def _extent_whole(
    values: Array,
    reals: Array,
    counts: Array,
) -> None:
    rows, cols = values.shape
    parts = reals.shape[0]
    for p in prange(parts):
        total = 0.0
        negative, zero = 0, 0
        first = rows * p // parts
        low, high = np.inf, -np.inf
        if cols > 0 and first < rows:
            least = most = values[first, 0]
            for r in range(first, rows * (p + 1) // parts):
                line = 0.0
                for c in range(cols):
                    v = values[r, c]
                    least = min(least, v)
                    most = max(most, v)
                    if v < 0:
                        negative += 1
                    elif v == 0:
                        zero += 1
                    line += np.float64(v)
                total += line
            low, high = np.float64(least), np.float64(most)
        reals[p, 0], reals[p, 1], reals[p, 2] = low, high, total
        counts[p, 0], counts[p, 1], counts[p, 2] = 0, negative, zero


@compiled
def _differences(
    values: Array,
    by_row: Array,
    row_n: Array,
    by_col: Array,
    col_n: Array,
) -> None:
    rows, cols = values.shape
    parts = by_col.shape[0]
    for p in prange(parts):
        total_c, square_c, n_c = by_col[p, 0], by_col[p, 1], col_n[p]
        for r in range(rows * p // parts, rows * (p + 1) // parts):
            row = values[r]
            for c in range(cols - 1):
                d = np.float64(row[c + 1]) - np.float64(row[c])
                if d == d:
                    total_c[c] += d
                    square_c[c] += d * d
                    n_c[c] += 1
            if r + 1 < rows:
                after = values[r + 1]
                total, square, n = 0.0, 0.0, 0
                for c in range(cols):
                    d = np.float64(after[c]) - np.float64(row[c])
                    if d == d:
                        total += d
                        square += d * d
                        n += 1
                by_row[0, r], by_row[1, r], row_n[r] = total, square, n
