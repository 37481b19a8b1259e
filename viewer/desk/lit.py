"""Which pixels of a picture light up: a range of values, a population, a phase.

A light reads what it needs beside the picture's own pixels (`Light.load`, on a worker thread), and lays
its colour over a painted block (`Light.lay`, on the window's thread, at every vertex of a lasso).
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt

from viewer.science.look.blend import light, lit_between
from viewer.science.sort.columns import Column
from viewer.science.sort.gates import inside, known, painted_mask
from viewer.science.sort.scheme import Gate, Painted, layers_of
from viewer.store.project import LayerFile

if TYPE_CHECKING:
    from viewer.desk.phase_image import PhaseImage

RGB = tuple[int, int, int]
Loaded = tuple[npt.NDArray[Any], ...]

GLOW: RGB = (255, 64, 160)
"""What is lit up."""

_LIT = (np.arange(256) == 1).view(np.uint8)
"""Lights up where a mask is True."""


class Light(Protocol):
    """Pixels that light up."""

    @property
    def key(self) -> Hashable:
        """Equal keys: what was loaded serves this light too."""
        ...

    def load(self, level: int, rows: slice, cols: slice) -> Loaded:
        """Read what tells which pixels of a window are lit: arrays [rows, columns]. Any thread."""
        ...

    def lay(self, loaded: Loaded, level: int, out: npt.NDArray[np.uint8]) -> None:
        """Colour the lit pixels of ``out`` [rows, columns, 4], blue, green, red, opaque."""
        ...


@dataclass
class Lit:
    """Pixels of `layer` between `low` and `high` (in its unit, both ends included) light up."""

    layer: LayerFile
    low: float
    high: float
    colour: RGB = GLOW
    _tables: dict[int, npt.NDArray[np.bool_]] = field(default_factory=dict, repr=False, compare=False)

    @property
    def key(self) -> Hashable:
        return self.layer.path

    def load(self, level: int, rows: slice, cols: slice) -> Loaded:
        """As `Light.load`: the layer's codes."""
        return (self.layer.codes(level, rows, cols),)

    def lay(self, loaded: Loaded, level: int, out: npt.NDArray[np.uint8]) -> None:
        """As `Light.lay`."""
        which = min(level, 1)
        table = self._tables.get(which)
        if table is None:
            values = self.layer.coding(level).values(self.layer.code_count(level))
            table = self._tables[which] = lit_between(values, self.low, self.high)
        light(loaded[0], table, out, self.colour)


@dataclass
class LitGate:
    """Pixels in a gate light up.

    The screen's codes are tested: exact for integer channels at full resolution. Of others a code is
    1/65000 of the layer's range wide, and a pixel of a coarser level is the mean of those below it.

    Attributes
    ----------
    gate : Gate
    layers : tuple of LayerFile
        Of the gate, in the order of `layers_of`.
    map_id, shape, pixel_um
        Of the map, for what is painted on it.
    """

    gate: Gate
    layers: tuple[LayerFile, ...]
    map_id: str
    shape: tuple[int, int]
    pixel_um: tuple[float, float]
    inverted: bool = False
    colour: RGB = GLOW

    @property
    def key(self) -> Hashable:
        painted = self.gate if isinstance(self.gate, Painted) else None
        return (tuple(x.path for x in self.layers), painted)

    def load(self, level: int, rows: slice, cols: slice) -> Loaded:
        """As `Light.load`: the codes of the gate's layers, or what is painted."""
        if isinstance(self.gate, Painted):
            if self.gate.map != self.map_id:
                return (np.zeros((rows.stop - rows.start, cols.stop - cols.start), bool),)
            px, py = self.pixel_um
            step = 2**level
            shape = (-(-self.shape[0] // step), -(-self.shape[1] // step))
            place = painted_mask(self.gate, shape, (px * step, py * step), rows)
            return (np.ascontiguousarray(place[:, cols]),)
        return tuple(x.codes(level, rows, cols) for x in self.layers)

    def lay(self, loaded: Loaded, level: int, out: npt.NDArray[np.uint8]) -> None:
        """As `Light.lay`."""
        if isinstance(self.gate, Painted):
            mask = loaded[0]
        else:
            columns = {
                name: Column.of_codes(codes, layer.coding(level).values(layer.code_count(level)))
                for name, layer, codes in zip(layers_of(self.gate), self.layers, loaded, strict=True)
            }
            mask = inside(self.gate, columns)
            if self.inverted:
                # A pixel without a value is neither in the gate nor in what it leaves out.
                values = known(self.gate, columns)
                assert values is not None, "a gate that is no place has layers"
                light((~mask & values).view(np.uint8), _LIT, out, self.colour)
                return
        light((mask ^ self.inverted).view(np.uint8), _LIT, out, self.colour)


@dataclass
class LitPhase:
    """Pixels of a class image with one label light up."""

    image: PhaseImage
    label: int
    colour: RGB = GLOW

    @property
    def key(self) -> Hashable:
        return self.image.content

    def load(self, level: int, rows: slice, cols: slice) -> Loaded:
        """As `Light.load`: the labels."""
        return (np.ascontiguousarray(self.image.levels[level][rows, cols]),)

    def lay(self, loaded: Loaded, level: int, out: npt.NDArray[np.uint8]) -> None:
        """As `Light.lay`."""
        table = np.zeros(256, np.uint8)
        table[self.label] = 1
        light(loaded[0], table, out, self.colour)
