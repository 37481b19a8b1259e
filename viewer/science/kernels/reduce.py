"""One pass over many pixels: extremes, and statistics of every line."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import get_num_threads, njit, prange

from viewer.science.kernels import compiled

Array = npt.NDArray[Any]


_STRIP = 512
"""Columns that statistics of lines are taken over at a time: their sums fit in a first-level cache."""


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


class Lines(NamedTuple):
    """What each line (row or column) of an image holds, over the pixels that have a value.

    ``n`` pixels, their ``total``, ``least`` and ``most`` value (infinite where n is 0) and how many
    are ``lit`` (not 0); then, over the pixels that have a value in the line before too, the sum
    ``step``, the sum of squares ``step2`` and the number ``steps`` of the differences of square
    roots to the line before (signed roots of negative values).
    """

    n: npt.NDArray[np.float64]
    total: npt.NDArray[np.float64]
    least: npt.NDArray[np.float64]
    most: npt.NDArray[np.float64]
    lit: npt.NDArray[np.float64]
    step: npt.NDArray[np.float64]
    step2: npt.NDArray[np.float64]
    steps: npt.NDArray[np.float64]


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


def line_stats(values: npt.NDArray[Any], before: npt.NDArray[np.float64]) -> tuple[Lines, Lines]:
    """Statistics of every row and every column of a band of an image.

    Parameters
    ----------
    values : ndarray [rows, columns]
        Any real number type; values that are not finite are left out.
    before : ndarray of float64 [columns]
        The row before the first one; NaN throughout where there is none.

    Returns
    -------
    rows : Lines
        Arrays of ``rows`` elements.
    columns : Lines
        Arrays of ``columns`` elements, over these rows only.
    """
    native = _native(values)
    rows, cols = native.shape
    parts = max(1, min(get_num_threads(), rows))
    by_row = np.zeros((len(Lines._fields), rows))
    by_col = np.zeros((parts, len(Lines._fields), cols))
    above = np.ascontiguousarray(before, dtype=np.float64)
    # Sums of a column are kept in 32 bits.
    small = native.dtype in (np.uint8, np.uint16) and cols > 0 and rows <= 65536
    (_line_stats_small if small else _line_stats)(native, above, by_row, by_col)
    summed = by_col.sum(axis=0)
    summed[2], summed[3] = by_col[:, 2].min(axis=0), by_col[:, 3].max(axis=0)
    return Lines(*by_row), Lines(*summed)


def line_stats_plain(values: npt.NDArray[Any], before: npt.NDArray[np.float64]) -> tuple[Lines, Lines]:
    """`line_stats` in NumPy."""
    numbers = np.where(np.isfinite(values), values, np.nan).astype(np.float64)
    known = ~np.isnan(numbers)
    rooted = np.sign(numbers) * np.sqrt(np.abs(numbers))
    first = np.sign(before) * np.sqrt(np.abs(before))

    def along(axis: int) -> Lines:
        start = first[None] if axis == 0 else np.full((len(rooted), 1), np.nan)
        step = np.diff(np.concatenate([start, rooted], axis=axis), axis=axis)
        both = ~np.isnan(step)
        step = np.where(both, step, 0.0)
        over = 1 - axis
        return Lines(
            known.sum(axis=over).astype(np.float64),
            np.where(known, numbers, 0.0).sum(axis=over),
            np.where(known, numbers, np.inf).min(axis=over),
            np.where(known, numbers, -np.inf).max(axis=over),
            (known & (numbers != 0)).sum(axis=over).astype(np.float64),
            step.sum(axis=over),
            (step * step).sum(axis=over),
            both.sum(axis=over).astype(np.float64),
        )

    return along(0), along(1)


def _native(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The same numbers in one of the few types and the byte order that loops are compiled for."""
    kind = values.dtype.newbyteorder("=")
    if kind == np.float16:
        kind = np.dtype(np.float32)
    elif kind.kind == "b":
        kind = np.dtype(np.uint8)
    elif kind not in (np.uint8, np.uint16, np.uint64, np.int64, np.float32):
        # Holds every number of the types that remain.
        kind = np.dtype(np.float64)
    return np.ascontiguousarray(values, dtype=kind)


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
def _line_stats(values: Array, before: Array, by_row: Array, by_col: Array) -> None:
    rows, cols = values.shape
    parts = by_col.shape[0]
    for p in prange(parts):
        table = by_col[p]
        table[2] = np.inf
        table[3] = -np.inf
        number, root, above = np.empty(cols), np.empty(cols), np.empty(cols)
        first = rows * p // parts
        for c in range(cols):
            v = before[c] if first == 0 else np.float64(values[first - 1, c])
            above[c] = math.copysign(math.sqrt(abs(v)), v) if v - v == 0.0 else np.nan
        for r in range(first, rows * (p + 1) // parts):
            # Short loops without branches: the compiler makes each of them do several pixels at once.
            for c in range(cols):
                v = np.float64(values[r, c])
                v = v if v - v == 0.0 else np.nan
                number[c] = v
                root[c] = math.copysign(math.sqrt(abs(v)), v)
            for c in range(cols):
                v = number[c]
                known = v == v
                table[0, c] += 1.0 if known else 0.0
                table[1, c] += v if known else 0.0
                table[2, c] = v if v < table[2, c] else table[2, c]
                table[3, c] = v if v > table[3, c] else table[3, c]
                table[4, c] += 1.0 if known and v != 0.0 else 0.0
            for c in range(1, cols):
                d = root[c] - root[c - 1]
                known = d == d
                d = d if known else 0.0
                table[5, c] += d
                table[6, c] += d * d
                table[7, c] += 1.0 if known else 0.0
            n, total, low, high, lit = 0.0, 0.0, np.inf, -np.inf, 0.0
            step, step2, steps = 0.0, 0.0, 0.0
            for c in range(cols):
                v = number[c]
                known = v == v
                n += 1.0 if known else 0.0
                total += v if known else 0.0
                low = v if v < low else low
                high = v if v > high else high
                lit += 1.0 if known and v != 0.0 else 0.0
                d = root[c] - above[c]
                known = d == d
                d = d if known else 0.0
                step += d
                step2 += d * d
                steps += 1.0 if known else 0.0
            above[:] = root
            by_row[0, r], by_row[1, r], by_row[2, r], by_row[3, r] = n, total, low, high
            by_row[4, r], by_row[5, r], by_row[6, r], by_row[7, r] = lit, step, step2, steps


@compiled
def _line_stats_small(values: Array, before: Array, by_row: Array, by_col: Array) -> None:
    """`_line_stats` of small whole numbers: every pixel has a value, and sums stay exact.

    The image is taken in upright strips whose sums fit in the first-level cache.
    """
    rows, cols = values.shape
    parts = by_col.shape[0]
    for p in prange(parts):
        table = by_col[p]
        first, last = rows * p // parts, rows * (p + 1) // parts
        table[2] = np.inf
        table[3] = -np.inf
        by_row[2, first:last] = np.inf
        by_row[3, first:last] = -np.inf
        root, above = np.empty(_STRIP + 1), np.empty(_STRIP)
        for left in range(0, cols, _STRIP):
            right = min(left + _STRIP, cols)
            wide = right - left
            total, lit = np.zeros(wide, np.uint32), np.zeros(wide, np.uint32)
            least, most = np.empty(wide, values.dtype), np.empty(wide, values.dtype)
            least[:] = values[first, left:right]
            most[:] = least
            roots, squares = np.zeros(wide), np.zeros(wide)
            before_left = 0.0
            for c in range(wide):
                v = before[left + c] if first == 0 else np.float64(values[first - 1, left + c])
                above[c] = math.copysign(math.sqrt(abs(v)), v) if v - v == 0.0 else np.nan
            for r in range(first, last):
                row = values[r, left:right]
                root[0] = math.sqrt(np.float64(values[r, left - 1])) if left else 0.0
                before_left += root[0]
                _add_to_columns(row, root, total, least, most, lit, roots, squares)
                if r == 0:
                    # Only here the line before may lack values.
                    for c in range(wide):
                        d = root[c + 1] - above[c]
                        if d == d:
                            by_row[5, r] += d
                            by_row[6, r] += d * d
                            by_row[7, r] += 1.0
                else:
                    step, step2 = _row_steps(root, above[:wide])
                    by_row[5, r] += step
                    by_row[6, r] += step2
                    by_row[7, r] += wide
                above[:wide] = root[1 : wide + 1]
                sum_, low, high, many = _row_sums(row)
                by_row[0, r] += wide
                by_row[1, r] += sum_
                by_row[2, r] = min(by_row[2, r], np.float64(low))
                by_row[3, r] = max(by_row[3, r], np.float64(high))
                by_row[4, r] += many
            high_rows = np.float64(last - first)
            for c in range(wide):
                at = left + c
                table[0, at] = high_rows
                table[1, at] = total[c]
                table[2, at] = least[c]
                table[3, at] = most[c]
                table[4, at] = lit[c]
                if at:
                    # The sum of differences is the difference of sums.
                    table[5, at] = roots[c] - (roots[c - 1] if c else before_left)
                    table[6, at] = squares[c]
                    table[7, at] = high_rows


@njit(nogil=True)  # type: ignore[untyped-decorator]
def _add_to_columns(
    row: Array,
    root: Array,
    total: Array,
    least: Array,
    most: Array,
    lit: Array,
    roots: Array,
    squares: Array,
) -> None:
    """Take a row into the sums of its columns; ``root[1:]`` receives its square roots."""
    for c in range(row.size):
        root[c + 1] = math.sqrt(np.float64(row[c]))
    for c in range(row.size):
        v = row[c]
        total[c] = np.uint32(total[c] + v)
        lit[c] = np.uint32(lit[c] + np.uint32(v != 0))
        least[c] = min(least[c], v)
        most[c] = max(most[c], v)
    for c in range(row.size):
        d = root[c + 1] - root[c]
        roots[c] += root[c + 1]
        squares[c] += d * d


@njit(nogil=True)  # type: ignore[untyped-decorator]
def _row_sums(row: Array) -> tuple[Any, Any, Any, Any]:
    """Sum, least, greatest and number of values that are not 0."""
    total, lit = np.uint32(0), np.uint32(0)
    low, high = row[0], row[0]
    for c in range(row.size):
        v = row[c]
        total = np.uint32(total + v)
        lit = np.uint32(lit + np.uint32(v != 0))
        low = min(low, v)
        high = max(high, v)
    return total, low, high, lit


# The order of a sum may change: that lets the compiler add up several pixels at once.
@njit(nogil=True, fastmath={"reassoc", "nsz"})  # type: ignore[untyped-decorator]
def _row_steps(root: Array, above: Array) -> tuple[float, float]:
    """Sum and sum of squares of the differences to the row above."""
    step, step2 = 0.0, 0.0
    for c in range(above.size):
        d = root[c + 1] - above[c]
        step += d
        step2 += d * d
    return step, step2
