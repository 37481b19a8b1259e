"""Where the plots get their numbers: the layers of a map on the desk."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.where import Where, mask_of, window_of
from viewer.errors import InputError
from viewer.panels.sort.plot_shape import two_axes
from viewer.science.look.histogram import Histogram
from viewer.science.progress import Progress
from viewer.science.sort.columns import Column
from viewer.science.sort.density import (
    Extent,
    JointDensity,
    TernaryDensity,
    joint_density,
    ternary_density,
)
from viewer.science.sort.scheme import Plot
from viewer.store.layers import TILE
from viewer.store.project import LayerFile

COARSE_PIXELS = 1_500_000
"""A first answer is counted on the first level that has no more pixels than this."""


@dataclass(frozen=True)
class PlotLayer:
    """What a plot must know of a layer.

    Attributes
    ----------
    whole : bool
        The layer holds whole numbers only.
    """

    name: str
    unit: str = "counts"
    whole: bool = True
    derived: bool = False


class PlotSource(Protocol):
    """Numbers for the plots of one map."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the map."""
        ...

    def layers(self) -> tuple[PlotLayer, ...]:
        """What can be put on an axis, in the order to list it."""
        ...

    def layer(self, name: str) -> PlotLayer | None:
        """A layer by the name that a plot has for it; None where the map has none."""
        ...

    def histogram(self, name: str) -> Histogram | None:
        """How often each value of a layer occurs."""
        ...

    def parts(self, *, lit: bool = False) -> tuple[Any, ...]:
        """What is to be counted now, for `density`; the lit part of it, where any is."""
        ...

    def density(
        self,
        plot: Plot,
        x: Extent,
        y: Extent,
        parts: tuple[Any, ...],
        progress: Progress,
        level: int = 0,
    ) -> JointDensity | None:
        """Count pairs of values. Any thread. None where no pixel is meant."""
        ...

    def ternary(
        self, plot: Plot, bins: int, parts: tuple[Any, ...], progress: Progress, level: int = 0
    ) -> TernaryDensity | None:
        """Count shares of three layers. Any thread. None where no pixel is meant."""
        ...

    def sample(
        self, names: Sequence[str], parts: tuple[Any, ...]
    ) -> dict[str, npt.NDArray[np.float64]]:
        """Values of layers at the same pixels, thinned out. Any thread."""
        ...


def coarse_level(shape: tuple[int, int], most: int = COARSE_PIXELS) -> int:
    """The first level with no more pixels than `most`."""
    level = 0
    while (shape[0] >> level) * (shape[1] >> level) > most:
        level += 1
    return level


class DeskSource:
    """The layers of a map on the desk, and which part of it is meant.

    Attributes
    ----------
    where : Where
        What is counted.
    lit : Where or None
        What lights up.
    """

    def __init__(self, desk: Desk, map_id: str) -> None:
        self._desk = desk
        self.map_id = map_id
        self.where = Where.map()
        self.lit: Where | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the map."""
        return self._desk.maps[self.map_id].shape

    def layers(self) -> tuple[PlotLayer, ...]:
        """All layers, by the names that schemes know them by."""
        return tuple(
            _plot_layer(x, self._name(x)) for x in self._desk.maps[self.map_id].layers.values()
        )

    def layer(self, name: str) -> PlotLayer | None:
        """As `PlotSource.layer`."""
        found = self._find(name)
        return None if found is None else _plot_layer(found, name)

    def histogram(self, name: str) -> Histogram | None:
        """Of the pixels inside the outline."""
        found = self._find(name)
        return None if found is None else self._desk.histogram(self.map_id, found.id)

    def parts(self, *, lit: bool = False) -> tuple[Where, ...]:
        """As `PlotSource.parts`; empty where nothing is lit."""
        if not lit:
            return (self.where,)
        if self.lit is None:
            return ()
        return (self.lit,) if self.where.kind == "map" else (self.where, self.lit)

    def density(
        self,
        plot: Plot,
        x: Extent,
        y: Extent,
        parts: tuple[Where, ...],
        progress: Progress,
        level: int = 0,
    ) -> JointDensity | None:
        """As `PlotSource.density`."""
        across, up = two_axes(plot)
        if len(parts) == 1:
            return self._desk.sorting.density(self.map_id, plot, x, y, parts[0], progress, level)
        total: JointDensity | None = None
        for columns, mask in self._bands((across.layer, up.layer), parts, progress, level):
            counted = joint_density(
                columns[across.layer],
                columns[up.layer],
                x,
                y,
                x_scale=across.scale,
                y_scale=up.scale,
                mask=mask,
            )
            total = counted if total is None else total + counted
        return total

    def ternary(
        self, plot: Plot, bins: int, parts: tuple[Where, ...], progress: Progress, level: int = 0
    ) -> TernaryDensity | None:
        """As `PlotSource.ternary`."""
        assert plot.ternary is not None, "a plot of three layers"
        if len(parts) == 1:
            return self._desk.sorting.ternary(self.map_id, plot, bins, parts[0], progress, level)
        total: TernaryDensity | None = None
        for columns, mask in self._bands(plot.ternary, parts, progress, level):
            a, b, c = (columns[n] for n in plot.ternary)
            counted = ternary_density(a, b, c, plot.weights, bins, mask)
            total = counted if total is None else total + counted
        return total

    def sample(
        self, names: Sequence[str], parts: tuple[Where, ...]
    ) -> dict[str, npt.NDArray[np.float64]]:
        """As `PlotSource.sample`: the pixels of a coarse level."""
        level = coarse_level(self.shape, 250_000)
        held: dict[str, list[npt.NDArray[np.float64]]] = {n: [] for n in names}
        for columns, mask in self._bands(tuple(names), parts, lambda *_: None, level):
            for name, column in columns.items():
                values = column.decoded()
                held[name].append(values.ravel() if mask is None else values[mask])
        return {n: np.concatenate(v) if v else np.empty(0) for n, v in held.items()}

    def values_at(self, names: Sequence[str], row: int, col: int) -> dict[str, float]:
        """Values of layers at one pixel; NaN for layers that are not there. Any thread."""
        out = {}
        for name in names:
            found = self._find(name)
            out[name] = np.nan
            if found is not None:
                window = slice(row, row + 1), slice(col, col + 1)
                out[name] = float(found.values(*window)[0, 0])
        return out

    def _bands(
        self, names: Sequence[str], parts: tuple[Where, ...], progress: Progress, level: int
    ) -> Iterator[tuple[dict[str, Column], npt.NDArray[np.bool_] | None]]:
        """Values of the pixels that all parts mean, a band of rows at a time."""
        step = 2**level
        shape = (-(-self.shape[0] // step), -(-self.shape[1] // step))
        windows = [window_of(shape, part, level) for part in parts]
        top, left = (max(w[i].start for w in windows) for i in (0, 1))
        bottom, right = (min(w[i].stop for w in windows) for i in (0, 1))
        if right <= left:
            return
        cols = slice(left, right)
        for start in range(top, bottom, TILE):
            progress((start - top) / (bottom - top))
            rows = slice(start, min(start + TILE, bottom))
            mask: npt.NDArray[np.bool_] | None = None
            for part in parts:
                one = mask_of(self._desk, self.map_id, part, rows, cols, level)
                mask = one if mask is None else mask if one is None else mask & one
            if mask is None or mask.any():
                yield self._desk.sorting.columns(self.map_id, names, rows, cols, level), mask

    def _find(self, name: str) -> LayerFile | None:
        if self.map_id not in self._desk.maps:
            return None
        try:
            return self._desk.layer(self.map_id, name)
        except InputError:
            # The plot says on its face which layer the map lacks.
            return None

    def _name(self, layer: LayerFile) -> str:
        """Its name, where that means no other layer."""
        return layer.name if self._find(layer.name) is layer else layer.id


def _plot_layer(layer: LayerFile, name: str) -> PlotLayer:
    return PlotLayer(
        name=name,
        unit=layer.unit,
        whole=bool(np.issubdtype(layer.dtype, np.integer)),
        derived=layer.kind == "derived",
    )
