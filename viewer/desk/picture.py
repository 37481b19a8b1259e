"""What a map view shows: layers, the look-up tables of their stretches, and what lights up.

Reading (`LayersPicture.load`) is separate from colouring (`LayersPicture.paint`), so that moving a
slider never reads the disk. The window, the light table and every export colour pixels with the same
tables: what is exported is what was seen.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.science.kernels.blend import blend, blend_rgb, light, paint
from viewer.science.look.outline import rasterize
from viewer.science.look.stretch import Stretch, lut
from viewer.store.project import LayerFile, MapFile

Polygons = Sequence[npt.NDArray[np.float64]]
OUTSIDE = 0.35
"""Brightness of what lies outside the sample's outline, against inside."""


@dataclass(frozen=True)
class Block:
    """Loaded pixels of a window of one level."""

    level: int
    codes: tuple[npt.NDArray[Any] | None, ...]
    lit: npt.NDArray[Any] | None
    mask: npt.NDArray[np.bool_] | None
    shape: tuple[int, int]


@dataclass(frozen=True)
class Lit:
    """Pixels of `layer` between `low` and `high` (in its unit, both ends included) light up."""

    layer: LayerFile
    low: float
    high: float
    colour: tuple[int, int, int] = (255, 64, 160)


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
    lit : Lit or None
    """

    map: MapFile
    layers: tuple[LayerFile | None, ...]
    stretches: tuple[Stretch, ...]
    colours: npt.NDArray[np.uint8] | None = None
    outline: Polygons = ()
    lit: Lit | None = None
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
            None if self.lit is None else self.lit.layer.path,
            tuple(p.tobytes() for p in self.outline),
        )

    def load(self, level: int, rows: slice, cols: slice) -> Block:
        """Read a window of a level. Any thread; may wait for the disk."""
        codes = tuple(None if x is None else x.codes(level, rows, cols) for x in self.layers)
        lit = None if self.lit is None else self.lit.layer.codes(level, rows, cols)
        shape = (rows.stop - rows.start, cols.stop - cols.start)
        return Block(level, codes, lit, self._mask(level, rows, cols), shape)

    def paint(self, block: Block, out: npt.NDArray[np.uint8]) -> None:
        """Colour a block into ``out`` [rows, columns, 4] as blue, green, red, opaque."""
        if len(self.layers) == 1:
            codes = block.codes[0]
            assert codes is not None
            paint(codes, self._single_table(block.level), out)
            if block.mask is not None:
                out[~block.mask, :3] = (out[~block.mask, :3] * OUTSIDE).astype(np.uint8)
        else:
            blend(*self._blended(block, 8), out, mask=block.mask, dim=OUTSIDE)
        if self.lit is not None and block.lit is not None:
            light(block.lit, self._lit_table(block.level), out, self.lit.colour)

    def rgb(self, level: int, rows: slice, cols: slice, depth: int = 8) -> npt.NDArray[Any]:
        """Colours of a window, red, green, blue, by the same tables as the screen's.

        Returns
        -------
        ndarray of uint8 or uint16 [rows, columns, 3]
        """
        block = self.load(level, rows, cols)
        out = np.empty((*block.shape, 3), np.uint8 if depth == 8 else np.uint16)
        if len(self.layers) == 1:
            codes = block.codes[0]
            assert codes is not None
            table = self._single_table(level)[:, 2::-1]
            out[...] = table[codes].astype(out.dtype) * (1 if depth == 8 else 257)
        else:
            blend_rgb(*self._blended(block, depth), out)
        if block.mask is not None:
            out[~block.mask] = (out[~block.mask] * OUTSIDE).astype(out.dtype)
        return out

    # -- tables ---------------------------------------------------------------------------------

    def _blended(
        self, block: Block, depth: int
    ) -> tuple[tuple[npt.NDArray[Any], ...], tuple[npt.NDArray[Any], ...]]:
        """Codes and tables of three colours; one that is left out is black everywhere."""
        present = next((c for c in block.codes if c is not None), None)
        filler = present if present is not None else np.zeros(block.shape, np.uint8)
        codes, tables = [], []
        for index, code in enumerate(block.codes):
            codes.append(filler if code is None else code)
            tables.append(self._table(index, block.level, depth))
        return tuple(codes), tuple(tables)

    def _table(self, index: int, level: int, depth: int) -> npt.NDArray[Any]:
        layer = self.layers[index]
        if layer is None:
            return np.zeros(65536, np.uint8 if depth == 8 else np.uint16)
        stretch = self.stretches[index]
        at = (index, min(level, 1), depth, stretch)
        table = self._tables.get(at)
        if table is None:
            values = layer.coding(level).values(layer.code_count(level))
            table = self._tables[at] = lut(values, stretch, depth)
        return table

    def _single_table(self, level: int) -> npt.NDArray[np.uint8]:
        """Blue, green, red, opaque for each code of a single layer."""
        assert self.colours is not None
        layer = self.layers[0]
        assert layer is not None
        at = ("single", min(level, 1), self.stretches[0], self.colours.tobytes())
        table = self._tables.get(at)
        if table is None:
            table = np.full((layer.code_count(level), 4), 255, np.uint8)
            table[:, :3] = self.colours[self._table(0, level, 8)][:, ::-1]
            if layer.coding(level).missing:
                table[0, :3] = 0
            self._tables[at] = table
        return table

    def _lit_table(self, level: int) -> npt.NDArray[np.uint8]:
        assert self.lit is not None
        layer = self.lit.layer
        values = layer.coding(level).values(layer.code_count(level))
        with np.errstate(invalid="ignore"):
            return ((values >= self.lit.low) & (values <= self.lit.high)).astype(np.uint8)

    def _mask(self, level: int, rows: slice, cols: slice) -> npt.NDArray[np.bool_] | None:
        if not self.outline:
            return None
        px, py = self.pixel_um
        step = 2**level
        shape = self.map.layers[next(iter(self.map.layers))].shapes[level]
        whole = rasterize(self.outline, shape, (px * step, py * step), rows)
        return np.ascontiguousarray(whole[:, cols])
