"""Counting screen codes: the inner loop of every histogram."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import get_num_threads, prange

from viewer.science.kernels import compiled


def count(codes: npt.NDArray[Any], mask: npt.NDArray[np.bool_] | None = None) -> npt.NDArray[np.int64]:
    """Pixels of each code that the type can hold.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns]
    mask : ndarray of bool [rows, columns], optional
        Only pixels that are True are counted.

    Returns
    -------
    ndarray of int64, shape (256,) or (65536,)

    Raises
    ------
    ValueError
        Another type, not two axes, or a mask of another shape.
    """
    _check(codes, mask)
    size = 256 if codes.dtype == np.uint8 else 65536
    # Each part has a table of its own, so that no two threads write to one counter.
    parts = max(1, min(get_num_threads(), codes.size // size))
    tables = np.zeros((parts, size), np.int64)
    if mask is None:
        _count_all(np.ascontiguousarray(codes), tables)
    else:
        _count_masked(np.ascontiguousarray(codes), np.ascontiguousarray(mask), tables)
    total: npt.NDArray[np.int64] = tables.sum(axis=0)
    return total


def count_plain(
    codes: npt.NDArray[Any], mask: npt.NDArray[np.bool_] | None = None
) -> npt.NDArray[np.int64]:
    """`count` in NumPy."""
    _check(codes, mask)
    size = 256 if codes.dtype == np.uint8 else 65536
    counted = codes.ravel() if mask is None else codes[mask]
    return np.bincount(counted, minlength=size).astype(np.int64)


def _check(codes: npt.NDArray[Any], mask: npt.NDArray[np.bool_] | None) -> None:
    if codes.dtype not in (np.uint8, np.uint16) or codes.ndim != 2:
        raise ValueError("codes are uint8 or uint16 with rows and columns")
    if mask is not None and (mask.shape != codes.shape or mask.dtype != np.bool_):
        raise ValueError("a mask is bool and as large as the codes")


@compiled
def _count_all(codes: npt.NDArray[Any], tables: npt.NDArray[Any]) -> None:
    flat = codes.ravel()
    parts = tables.shape[0]
    for p in prange(parts):
        table = tables[p]
        for i in range(flat.size * p // parts, flat.size * (p + 1) // parts):
            table[flat[i]] += 1


@compiled
def _count_masked(codes: npt.NDArray[Any], mask: npt.NDArray[Any], tables: npt.NDArray[Any]) -> None:
    flat = codes.ravel()
    inside = mask.ravel()
    parts = tables.shape[0]
    for p in prange(parts):
        table = tables[p]
        for i in range(flat.size * p // parts, flat.size * (p + 1) // parts):
            table[flat[i]] += np.int64(inside[i])
