"""Colours of pixels from screen codes: the inner loops behind every picture on the screen.

A pixel's four bytes (blue, green, red, opacity) are put together in a register and stored as one
little-endian word. Tables stay ``uint8``, so that the three of a composite fit in the second-level
cache together with the pixels on their way through.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from viewer.science.kernels import compiled

Codes = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]
Words = npt.NDArray[np.uint32]
Tables = npt.NDArray[np.uint8]

OPAQUE = np.uint32(0xFF000000)


@compiled
def blend(red: Codes, green: Codes, blue: Codes, tables: Tables, out: Words) -> None:
    """Composite of three layers.

    Parameters
    ----------
    red, green, blue : ndarray of uint8 or uint16 [rows, columns], C-contiguous
        Codes.
    tables : ndarray of uint8 [3, n]
        Brightness of each code in red, green and blue.
    out : ndarray of uint32 [rows, columns], C-contiguous
        Receives the pixels.
    """
    in_red, in_green, in_blue = tables[0], tables[1], tables[2]
    for r in prange(out.shape[0]):
        row, row_r, row_g, row_b = out[r], red[r], green[r], blue[r]
        for c in range(row.size):
            row[c] = (
                OPAQUE
                | (np.uint32(in_red[row_r[c]]) << np.uint32(16))
                | (np.uint32(in_green[row_g[c]]) << np.uint32(8))
                | np.uint32(in_blue[row_b[c]])
            )


@compiled
def blend_masked(
    red: Codes, green: Codes, blue: Codes, tables: Tables, dim: Tables, mask: Mask, out: Words
) -> None:
    """`blend`, with the tables `dim` where the mask is False."""
    for r in prange(out.shape[0]):
        row, row_r, row_g, row_b = out[r], red[r], green[r], blue[r]
        inside = mask[r]
        for c in range(row.size):
            t = tables if inside[c] else dim
            row[c] = (
                OPAQUE
                | (np.uint32(t[0, row_r[c]]) << np.uint32(16))
                | (np.uint32(t[1, row_g[c]]) << np.uint32(8))
                | np.uint32(t[2, row_b[c]])
            )


def blend_plain(red: Codes, green: Codes, blue: Codes, tables: Tables, out: Words) -> None:
    """`blend` in NumPy."""
    out[...] = OPAQUE
    for codes, table, shift in zip((red, green, blue), tables, (16, 8, 0), strict=True):
        out |= table[codes].astype(np.uint32) << np.uint32(shift)


def blend_masked_plain(
    red: Codes, green: Codes, blue: Codes, tables: Tables, dim: Tables, mask: Mask, out: Words
) -> None:
    """`blend_masked` in NumPy."""
    outside = np.empty_like(out)
    blend_plain(red, green, blue, tables, out)
    blend_plain(red, green, blue, dim, outside)
    out[~mask] = outside[~mask]


@compiled
def blend_rgb(
    red: Codes, green: Codes, blue: Codes, tables: npt.NDArray[Any], out: npt.NDArray[Any]
) -> None:
    """Composite of three layers as red, green and blue samples.

    Parameters
    ----------
    red, green, blue : ndarray of uint8 or uint16 [rows, columns], C-contiguous
        Codes.
    tables : ndarray of uint8 or uint16 [3, n]
        Sample of each code in red, green and blue.
    out : ndarray [rows, columns, 3] of the tables' type
        Receives the pixels.
    """
    for r in prange(out.shape[0]):
        for c in range(out.shape[1]):
            out[r, c, 0] = tables[0, red[r, c]]
            out[r, c, 1] = tables[1, green[r, c]]
            out[r, c, 2] = tables[2, blue[r, c]]


def blend_rgb_plain(
    red: Codes, green: Codes, blue: Codes, tables: npt.NDArray[Any], out: npt.NDArray[Any]
) -> None:
    """`blend_rgb` in NumPy."""
    for i, codes in enumerate((red, green, blue)):
        out[..., i] = tables[i][codes]


@compiled
def paint(codes: Codes, table: Words, out: Words) -> None:
    """One layer through a table of colours.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns], C-contiguous
    table : ndarray of uint32 [n]
        Pixel of each code.
    out : ndarray of uint32 [rows, columns], C-contiguous
        Receives the pixels.
    """
    for r in prange(out.shape[0]):
        row, of = out[r], codes[r]
        for c in range(row.size):
            row[c] = table[of[c]]


@compiled
def paint_masked(codes: Codes, table: Words, dim: Words, mask: Mask, out: Words) -> None:
    """`paint`, with the table `dim` where the mask is False."""
    for r in prange(out.shape[0]):
        row, of, inside = out[r], codes[r], mask[r]
        for c in range(row.size):
            row[c] = table[of[c]] if inside[c] else dim[of[c]]


def paint_plain(codes: Codes, table: Words, out: Words) -> None:
    """`paint` in NumPy."""
    out[...] = table[codes]


def paint_masked_plain(codes: Codes, table: Words, dim: Words, mask: Mask, out: Words) -> None:
    """`paint_masked` in NumPy."""
    out[...] = np.where(mask, table[codes], dim[codes])


@compiled
def paint_over(codes: Codes, table: Tables, cover: int, out: npt.NDArray[np.uint8]) -> None:
    """Mix the colours of a class image into a painted picture.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns]
    table : ndarray of uint8 [n, 4]
        Blue, green, red, opacity of each code.
    cover : int
        0 (the picture stays) to 255 (the table's colours alone).
    out : ndarray of uint8 [rows, columns, 4]
        The painted picture, changed in place.
    """
    for r in prange(out.shape[0]):
        for c in range(out.shape[1]):
            colour = table[codes[r, c]]
            for i in range(4):
                mixed = np.int64(out[r, c, i]) * (255 - cover) + np.int64(colour[i]) * cover
                out[r, c, i] = (mixed + 127) // 255


def paint_over_plain(codes: Codes, table: Tables, cover: int, out: npt.NDArray[np.uint8]) -> None:
    """`paint_over` in NumPy."""
    mixed = out.astype(np.int64) * (255 - cover) + table[codes].astype(np.int64) * cover
    out[...] = (mixed + 127) // 255


def light(codes: Codes, lit: Tables, colour: Tables, cover: int, out: npt.NDArray[np.uint8]) -> None:
    """Lay a colour over the pixels whose code is lit.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns]
    lit : ndarray of uint8 [n]
        Not 0 where a code is lit.
    colour : ndarray of uint8 [4]
        Blue, green, red, opacity.
    cover : int
        0 (the picture stays) to 255 (the colour alone).
    out : ndarray of uint8 [rows, columns, 4]
        The painted picture, changed in place.
    """
    if cover == 255 and out.strides[2] == 1 and out.strides[1] == 4:
        _light_whole(codes, lit, colour.view(np.uint32)[0], out.view(np.uint32)[..., 0])
    else:
        _light_mixed(codes, lit, colour, cover, out)


@compiled
def _light_whole(codes: Codes, lit: Tables, word: np.uint32, out: Words) -> None:
    for r in prange(out.shape[0]):
        row, of = out[r], codes[r]
        for c in range(row.size):
            row[c] = word if lit[of[c]] else row[c]


@compiled
def _light_mixed(
    codes: Codes, lit: Tables, colour: Tables, cover: int, out: npt.NDArray[np.uint8]
) -> None:
    for r in prange(out.shape[0]):
        for c in range(out.shape[1]):
            if lit[codes[r, c]]:
                for i in range(4):
                    was = np.int64(out[r, c, i])
                    mixed = was * (255 - cover) + np.int64(colour[i]) * cover
                    out[r, c, i] = (mixed + 127) // 255


def light_plain(
    codes: Codes, lit: Tables, colour: Tables, cover: int, out: npt.NDArray[np.uint8]
) -> None:
    """`light` in NumPy."""
    where = lit[codes] != 0
    was = out[where].astype(np.int64)
    out[where] = (was * (255 - cover) + colour.astype(np.int64) * cover + 127) // 255
