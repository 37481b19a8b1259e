"""Pictures from screen codes: composites, single layers in colour, and lit-up pixels.

The window's pictures are ``uint8`` [rows, columns, 4] in the order blue, green, red, opacity; exports
are [rows, columns, 3] in the order red, green, blue. Both come from the same tables (`stretch.lut`),
so that an exported pixel equals the pixel on the screen.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[Any]
Table = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]
Picture = npt.NDArray[np.uint8]

OUTSIDE = 0.3
"""Brightness, as a part of their own, of pixels outside the sample's outline."""

# Pixels are stored as words whose lowest byte comes first: blue.
assert sys.byteorder == "little", "pictures are laid out for little-endian machines"


def blend(
    codes: Sequence[Codes | None],
    luts: Sequence[Table | None],
    out: Picture,
    mask: Mask | None = None,
    dim: float = OUTSIDE,
) -> Picture:
    """Composite picture of three layers, or a grey picture of one.

    Parameters
    ----------
    codes : sequence of 1 or 3 ndarrays of uint8 or uint16 [rows, columns], or None
        Red, green and blue layer; None for a colour that is left out.
    luts : sequence of as many ndarrays of uint8 or uint16 [n], or None
        Brightness of each code, at least as many as the codes' type has. ``uint16`` tables are
        brought to 8 bits by rounding.
    out : ndarray of uint8 [rows, columns, 4], C-contiguous
        Receives the picture.
    mask : ndarray of bool [rows, columns], optional
        Pixels that are False are dimmed.
    dim : float
        Their brightness as a part of their own, 0 to 1.

    Returns
    -------
    ndarray
        `out`.

    Raises
    ------
    ValueError
        Arrays that do not go together.
    """
    from viewer.science.kernels import blend as kernels

    words = _words(out)
    if len(codes) == 1 and len(luts) == 1:
        table = _short(_required(luts[0]))
        grey = np.stack([table, table, table, np.full_like(table, 255)], axis=1)
        return paint(_required(codes[0]), grey, out, mask, dim)
    (red, green, blue), tables = _trio(codes, luts, out.shape[:2])
    short = np.stack([_short(t) for t in tables])
    if mask is None:
        kernels.blend(red, green, blue, short, words)
    else:
        kernels.blend_masked(
            red, green, blue, short, dimmed(short, dim), _mask(mask, out.shape[:2]), words
        )
    return out


def blend_rgb(
    codes: Sequence[Codes | None],
    luts: Sequence[Table | None],
    out: npt.NDArray[Any],
    mask: Mask | None = None,
    dim: float = OUTSIDE,
) -> npt.NDArray[Any]:
    """Composite for export: the numbers of the tables themselves.

    Parameters
    ----------
    codes, luts, mask, dim
        As in `blend`; one layer gives equal red, green and blue.
    out : ndarray of uint8 or uint16 [rows, columns, 3]
        Receives red, green and blue. All tables have this type.

    Returns
    -------
    ndarray
        `out`.

    Raises
    ------
    ValueError
        Arrays that do not go together.
    """
    from viewer.science.kernels import blend as kernels

    if out.ndim != 3 or out.shape[2] != 3 or out.dtype not in (np.uint8, np.uint16):
        raise ValueError("out is uint8 or uint16 with rows, columns and three colours")
    if len(codes) == 1 and len(luts) == 1:
        codes, luts = (codes[0],) * 3, (luts[0],) * 3
    (red, green, blue), tables = _trio(codes, luts, out.shape[:2])
    if any(t.dtype != out.dtype for t in tables if t.any()):
        raise ValueError("the tables have the type of the picture")
    full = np.stack(tables).astype(out.dtype)
    kernels.blend_rgb(red, green, blue, full, out)
    if mask is not None:
        outside = ~_mask(mask, out.shape[:2])
        out[outside] = dimmed(out[outside], dim)
    return out


def paint(
    codes: Codes,
    colour_lut: npt.NDArray[np.uint8],
    out: Picture,
    mask: Mask | None = None,
    dim: float = OUTSIDE,
) -> Picture:
    """Picture of one layer through a table of colours.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns]
    colour_lut : ndarray of uint8 [n, 4]
        Blue, green, red and opacity of each code (see `colour_lut`).
    out : ndarray of uint8 [rows, columns, 4], C-contiguous
        Receives the picture.
    mask, dim
        As in `blend`.

    Returns
    -------
    ndarray
        `out`.

    Raises
    ------
    ValueError
        Arrays that do not go together.
    """
    from viewer.science.kernels import blend as kernels

    words = _words(out)
    layer = _layer(codes, out.shape[:2])
    if colour_lut.ndim != 2 or colour_lut.shape[1] != 4 or colour_lut.dtype != np.uint8:
        raise ValueError("a table of colours is uint8 with four columns")
    _check_length(colour_lut, layer)
    table = np.ascontiguousarray(colour_lut)
    if mask is None:
        kernels.paint(layer, table.view(np.uint32)[:, 0], words)
        return out
    dark = np.concatenate([dimmed(table[:, :3], dim), table[:, 3:]], axis=1)
    kernels.paint_masked(
        layer,
        table.view(np.uint32)[:, 0],
        dark.view(np.uint32)[:, 0],
        _mask(mask, out.shape[:2]),
        words,
    )
    return out


def light(
    codes: Codes,
    lit_lut: npt.NDArray[Any],
    out: Picture,
    colour: tuple[int, int, int],
    cover: float = 1.0,
) -> Picture:
    """Light up pixels of a painted picture.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns]
    lit_lut : ndarray of bool or uint8 [n]
        Which codes are lit (see `lit_between`).
    out : ndarray of uint8 [rows, columns, 4]
        The picture, changed in place.
    colour : (int, int, int)
        Red, green and blue, 0 to 255.
    cover : float
        0: the picture shows through wholly; 1: lit pixels have the colour alone.

    Returns
    -------
    ndarray
        `out`.

    Raises
    ------
    ValueError
        Arrays that do not go together.
    """
    from viewer.science.kernels import blend as kernels

    _words(out)
    layer = _layer(codes, out.shape[:2])
    _check_length(lit_lut, layer)
    red, green, blue = colour
    kernels.light(
        layer,
        np.ascontiguousarray(lit_lut, dtype=np.uint8),
        np.array([blue, green, red, 255], np.uint8),
        round(255 * min(max(cover, 0.0), 1.0)),
        out,
    )
    return out


def paint_over(codes: Codes, colours: npt.NDArray[np.uint8], out: Picture, cover: float) -> Picture:
    """Lay the colours of a class image over a painted picture.

    Parameters
    ----------
    codes : ndarray of uint8 or uint16 [rows, columns]
    colours : ndarray of uint8 [n, 4]
        Blue, green, red and opacity of each code.
    out : ndarray of uint8 [rows, columns, 4]
        The picture, changed in place.
    cover : float
        0: the picture shows through wholly; 1: the colours alone.

    Returns
    -------
    ndarray
        `out`.

    Raises
    ------
    ValueError
        Arrays that do not go together.
    """
    from viewer.science.kernels import blend as kernels

    _words(out)
    layer = _layer(codes, out.shape[:2])
    _check_length(colours, layer)
    kernels.paint_over(
        layer, np.ascontiguousarray(colours), round(255 * min(max(cover, 0.0), 1.0)), out
    )
    return out


def lit_between(values: npt.NDArray[np.float64], low: float, high: float) -> npt.NDArray[np.bool_]:
    """Codes whose value lies in ``[low, high]``: a table for `light`.

    Parameters
    ----------
    values : ndarray of float64 [n]
        Value of each code (``Coding.values()``); NaN is never lit.
    """
    return (values >= low) & (values <= high)


def colour_lut(
    brightness: npt.NDArray[np.uint8], colours: npt.NDArray[np.uint8]
) -> npt.NDArray[np.uint8]:
    """Table for `paint`: a layer's stretch followed by a colour map.

    Parameters
    ----------
    brightness : ndarray of uint8 [n]
        Of each code (``stretch.lut``).
    colours : ndarray of uint8 [256, 3]
        Red, green and blue of each brightness (``colour.colour_map``).

    Returns
    -------
    ndarray of uint8 [n, 4]
        Blue, green, red, opacity (255).
    """
    table = np.full((brightness.size, 4), 255, np.uint8)
    table[:, :3] = colours[brightness][:, ::-1]
    return table


def dimmed(samples: npt.NDArray[Any], dim: float) -> npt.NDArray[Any]:
    """Samples at a part of their brightness, rounded to the nearest, in their own type."""
    return np.floor(samples * min(max(dim, 0.0), 1.0) + 0.5).astype(samples.dtype)


def _required(array: npt.NDArray[Any] | None) -> npt.NDArray[Any]:
    if array is None:
        raise ValueError("a picture of one layer needs that layer")
    return array


def _words(out: Picture) -> npt.NDArray[np.uint32]:
    if out.ndim != 3 or out.shape[2] != 4 or out.dtype != np.uint8 or not out.flags.c_contiguous:
        raise ValueError("out is contiguous uint8 with rows, columns and four bytes a pixel")
    return out.view(np.uint32)[..., 0]


def _mask(mask: Mask, shape: tuple[int, ...]) -> Mask:
    if mask.shape != shape or mask.dtype != np.bool_:
        raise ValueError("a mask is bool and as large as the picture")
    return np.ascontiguousarray(mask)


def _layer(codes: Codes, shape: tuple[int, ...]) -> Codes:
    if codes.dtype not in (np.uint8, np.uint16) or codes.shape != shape:
        raise ValueError("codes are uint8 or uint16 and as large as the picture")
    return np.ascontiguousarray(codes)


def _check_length(table: Table, codes: Codes) -> None:
    # The compiled loops look up without checking: a short table must not get there.
    if table.shape[0] < 1 << (8 * codes.dtype.itemsize):
        raise ValueError("a table has an entry for every code that the layer's type can hold")


def _short(table: Table) -> npt.NDArray[np.uint8]:
    if table.dtype == np.uint8:
        return table
    return ((table.astype(np.uint32) * 255 + 32767) // 65535).astype(np.uint8)


def _trio(
    codes: Sequence[Codes | None], luts: Sequence[Table | None], shape: tuple[int, ...]
) -> tuple[list[Codes], list[Table]]:
    """Three layers of one type and three tables of one length; black for a colour left out."""
    if len(codes) != 3 or len(luts) != 3:
        raise ValueError("a composite has three layers and three tables")
    present = [None if c is None else _layer(c, shape) for c in codes]
    some = next((c for c in present if c is not None), None)
    if some is None:
        some = np.zeros(shape, np.uint8)
    for table, layer in zip(luts, present, strict=True):
        if table is not None and table.dtype not in (np.uint8, np.uint16):
            raise ValueError("a table of brightness is uint8 or uint16")
        if table is not None and layer is not None:
            _check_length(table, layer)
    # One compiled loop a type: layers of two types meet as uint16.
    kind = np.result_type(*(c for c in present if c is not None), some)
    size = 1 << (8 * kind.itemsize)
    layers, tables = [], []
    for layer, table in zip(present, luts, strict=True):
        if layer is None or table is None:
            layers.append(some.astype(kind, copy=False))
            tables.append(np.zeros(size, next(t.dtype for t in (*luts, _NONE) if t is not None)))
        else:
            layers.append(layer.astype(kind, copy=False))
            full = np.zeros(size, table.dtype)
            full[: min(size, table.size)] = table[:size]
            tables.append(full)
    return layers, tables


_NONE = np.zeros(1, np.uint8)
