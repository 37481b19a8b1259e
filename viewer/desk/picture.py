"""What a map view shows: layers, the look-up tables of their stretches, and what lights up.

Reading (`LayersPicture.load`) is separate from colouring (`LayersPicture.paint`), so that moving a
slider never reads the disk. The window, the light table and every export colour pixels with the same
tables: what is exported is what was seen.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from viewer.desk.lit import Light, Loaded
from viewer.science.look.blend import blend, blend_rgb, colour_lut, paint
from viewer.science.look.coding import Coding
from viewer.science.look.outline import rasterize
from viewer.science.look.stretch import Stretch, lut
from viewer.store.project import LayerFile, MapFile

Polygons = Sequence[npt.NDArray[np.float64]]
RGB = tuple[int, int, int]

INKS: tuple[RGB, ...] = ((255, 0, 0), (0, 255, 0), (0, 0, 255))
"""The colours of a composite's three layers."""


_STRIDE = 16
"""Codes between two at which a table is worked out first: see `brightness`."""


@lru_cache(maxsize=16)
def code_values(coding: Coding, size: int) -> npt.NDArray[np.float64]:
    """`Coding.values`, remembered; not to be written into."""
    values = coding.values(size)
    values.flags.writeable = False
    return values


@lru_cache(maxsize=64)
def brightness(
    coding: Coding, size: int, stretch: Stretch, depth: Literal[8, 16]
) -> npt.NDArray[Any]:
    """`stretch.lut` of a coding's values, remembered; not to be written into.

    A slider that moves changes one layer's table: those of the others are found here. At 8 bits a
    table has 255 steps at most, and is monotone. So it is worked out at every `_STRIDE`-th code, and
    at those in between only where there is a step: the same numbers in an eighth of the time.
    """
    values = code_values(coding, size)
    if depth != 8 or size <= 16 * _STRIDE:
        table = lut(values, stretch, depth)
    else:
        first = int(coding.missing)
        known = values[first:]
        corners = np.append(np.arange(0, known.size - 1, _STRIDE), known.size - 1)
        levels = lut(known[corners], stretch, depth)
        table = np.zeros(size, levels.dtype)
        table[first:] = np.repeat(levels, np.diff(corners, append=known.size))
        stepped = np.flatnonzero(levels[1:] != levels[:-1])
        inside = corners[stepped][:, None] + np.arange(1, _STRIDE)
        inside = inside[inside < known.size]
        table[first + inside] = lut(known[inside], stretch, depth)
    table.flags.writeable = False
    return table


@dataclass(frozen=True)
class Block:
    """Loaded pixels of a window of one level."""

    level: int
    codes: tuple[npt.NDArray[Any] | None, ...]
    lit: Loaded
    mask: npt.NDArray[np.bool_] | None
    shape: tuple[int, int]

    def strip(self, start: int, stop: int) -> Block:
        """Rows ``start`` to ``stop`` of it, without copying."""
        return Block(
            self.level,
            tuple(None if c is None else c[start:stop] for c in self.codes),
            tuple(a[start:stop] for a in self.lit),
            None if self.mask is None else self.mask[start:stop],
            (stop - start, self.shape[1]),
        )


@dataclass
class LayersPicture:
    """One or three layers of a map, coloured.

    Attributes
    ----------
    map : MapFile
    layers : tuple
        One layer, or three as red, green and blue; None where a colour is left out.
    stretches : tuple of Stretch
        One a layer, by value.
    colours : ndarray of uint8 [256, 3], optional
        Colour map of a single layer.
    outline : sequence of ndarray [n, 2]
        Polygons in µm; what lies outside is dimmed.
    lit : Light or None
    """

    map: MapFile
    layers: tuple[LayerFile | None, ...]
    stretches: tuple[Stretch, ...]
    colours: npt.NDArray[np.uint8] | None = None
    outline: Polygons = ()
    lit: Light | None = None
    _tables: dict[tuple[Any, ...], npt.NDArray[Any]] = field(default_factory=dict, repr=False)

    @property
    def shape(self) -> tuple[int, int]:
        return self.map.shape

    @property
    def pixel_um(self) -> tuple[float, float]:
        return self.map.pixel_um

    @property
    def levels(self) -> int:
        return next(iter(self.map.layers.values())).levels

    @property
    def key(self) -> Hashable:
        """Changes when blocks must be loaded anew (other pixels, not other colours)."""
        return (
            self.map.id,
            tuple(None if x is None else x.info.content or x.id for x in self.layers),
            None if self.lit is None else self.lit.key,
            tuple(p.tobytes() for p in self.outline),
        )

    def load(self, level: int, rows: slice, cols: slice) -> Block:
        """Read a window of a level. Any thread; may wait for the disk."""
        codes = tuple(None if x is None else x.codes(level, rows, cols) for x in self.layers)
        lit = () if self.lit is None else self.lit.load(level, rows, cols)
        shape = (rows.stop - rows.start, cols.stop - cols.start)
        return Block(level, codes, lit, self._mask(level, rows, cols), shape)

    def paint(self, block: Block, out: npt.NDArray[np.uint8]) -> None:
        """Colour a block into ``out`` [rows, columns, 4] as blue, green, red, opaque."""
        if self.colours is not None:
            paint(_only(block), self._colour_table(block.level), out, block.mask)
        else:
            blend(block.codes, self._tables_of(block.level, 8), out, block.mask)
        if self.lit is not None and block.lit:
            self.lit.lay(block.lit, block.level, out)

    def rgb(
        self, level: int, rows: slice, cols: slice, depth: Literal[8, 16] = 8
    ) -> npt.NDArray[Any]:
        """Colours of a window, red, green, blue, by the same tables as the screen's.

        What is lit up is not drawn.

        Returns
        -------
        ndarray of uint8 or uint16 [rows, columns, 3]
            A single layer's colour map has 256 colours at either depth.
        """
        block = self.load(level, rows, cols)
        if self.colours is not None:
            painted = np.empty((*block.shape, 4), np.uint8)
            paint(_only(block), self._colour_table(level), painted, block.mask)
            colours = np.ascontiguousarray(painted[..., 2::-1])
            return colours if depth == 8 else colours.astype(np.uint16) * 257
        out = np.empty((*block.shape, 3), np.uint8 if depth == 8 else np.uint16)
        return blend_rgb(block.codes, self._tables_of(level, depth), out, block.mask)

    @property
    def names(self) -> tuple[tuple[str, RGB], ...]:
        """Name and colour of every layer that is shown."""
        inks = INKS if len(self.layers) == 3 else ((255, 255, 255),)
        return tuple(
            (layer.name, ink)
            for layer, ink in zip(self.layers, inks, strict=True)
            if layer is not None
        )

    # -- tables ---------------------------------------------------------------------------------

    def _tables_of(self, level: int, depth: Literal[8, 16]) -> tuple[npt.NDArray[Any] | None, ...]:
        return tuple(
            None if layer is None else self._table(layer, stretch, level, depth)
            for layer, stretch in zip(self.layers, self.stretches, strict=True)
        )

    def _table(
        self, layer: LayerFile, stretch: Stretch, level: int, depth: Literal[8, 16]
    ) -> npt.NDArray[Any]:
        at = (layer.path, min(level, 1), depth, stretch)
        table = self._tables.get(at)
        if table is None:
            size = layer.code_count(level)
            table = self._tables[at] = brightness(layer.coding(level), size, stretch, depth)
        return table

    def _colour_table(self, level: int) -> npt.NDArray[np.uint8]:
        """Blue, green, red, opaque for each code of a single layer."""
        assert self.colours is not None
        layer, stretch = self.layers[0], self.stretches[0]
        assert layer is not None
        at = (layer.path, min(level, 1), "colours", stretch)
        table = self._tables.get(at)
        if table is None:
            table = colour_lut(self._table(layer, stretch, level, 8), self.colours)
            if layer.coding(level).missing:
                table[0, :3] = 0
            self._tables[at] = table
        return table

    def _mask(self, level: int, rows: slice, cols: slice) -> npt.NDArray[np.bool_] | None:
        if not self.outline:
            return None
        px, py = self.pixel_um
        step = 2**level
        shape = self.map.layers[next(iter(self.map.layers))].shapes[level]
        whole = rasterize(self.outline, shape, (px * step, py * step), rows)
        return np.ascontiguousarray(whole[:, cols])


def _only(block: Block) -> npt.NDArray[Any]:
    codes = block.codes[0]
    assert codes is not None, "a picture of one layer has that layer"
    return codes
