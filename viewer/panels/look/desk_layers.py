"""Layers of an open project, as the look bench's panels want them."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.intake.periodic import atomic_number
from viewer.panels.look.elements import element_name
from viewer.panels.look.layers import Flag, LayerEntry
from viewer.panels.look.table_view import TableMap
from viewer.science.look.histogram import Histogram, suggest_stretch
from viewer.science.look.stretch import Stretch, lut
from viewer.store.project import LayerFile, MapFile


def entry(layer: LayerFile, structure: float | None = None) -> LayerEntry:
    """What the panels list of a layer."""
    stats = layer.stats
    return LayerEntry(
        id=layer.id,
        name=layer.name,
        kind="derived" if layer.kind == "derived" else "channel",
        element=layer.element or "",
        element_name=element_name(layer.element),
        line=layer.line or "",
        number=atomic_number(layer.element) if layer.element else None,
        unit=layer.unit,
        dtype=str(layer.dtype),
        source="" if layer.kind == "derived" else layer.info.source,
        recipe=layer.info.source if layer.kind == "derived" else "",
        minimum=stats.minimum,
        maximum=stats.maximum,
        mean=stats.mean,
        nan=stats.missing,
        negative=stats.negative,
        size=stats.pixels,
        structure=structure,
        content=layer.info.content,
        flags=tuple(
            Flag(
                short=flag.kind,
                words=f"{flag.message} {flag.where}".rstrip(),
                severity=_severity(flag.severity),
            )
            for flag in layer.flags
        ),
    )


def _severity(text: str) -> Literal["info", "caution", "error"]:
    """The severity that a file names; what is not known is shown as a caution."""
    return "info" if text == "info" else "error" if text == "error" else "caution"


def table_map(desk: Desk, found: MapFile) -> TableMap | None:
    """The grid of a map, None where it has no layers."""
    first = next(iter(found.layers.values()), None)
    if first is None:
        return None
    return TableMap(found.shape, found.pixel_um, tuple(first.shapes), desk.setup(found.id).orientation)


class DeskSource:
    """Pixels and brightness for the light table.

    A layer that the user has stretched alone is shown so; all others are stretched automatically.
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self.map_id: str | None = None
        self._suggested: dict[str, tuple[Histogram, Stretch]] = {}
        self._luts: dict[tuple[str, int], tuple[Stretch, npt.NDArray[np.uint8]]] = {}
        self._values: dict[tuple[str, int], npt.NDArray[np.float64]] = {}

    def set_map(self, map_id: str | None) -> None:
        """Read from another map."""
        self.map_id = map_id
        self.forget()

    def forget(self) -> None:
        """Layers came, went or hold other pixels."""
        self._suggested.clear()
        self._luts.clear()
        self._values.clear()

    def layer(self, layer_id: str) -> LayerFile:
        """A layer of the map."""
        assert self.map_id is not None
        return self._desk.maps[self.map_id].layers[layer_id]

    def histogram(self, layer_id: str) -> Histogram | None:
        """Of the pixels inside the outline; None where there is no such layer."""
        if self.map_id is None or layer_id not in self._desk.maps[self.map_id].layers:
            return None
        return self._desk.histogram(self.map_id, layer_id)

    def suggested(self, layer_id: str) -> Stretch:
        """First stretch of a layer."""
        histogram = self.histogram(layer_id)
        if histogram is None:
            return Stretch()
        known = self._suggested.get(layer_id)
        if known is None or known[0] is not histogram:
            known = self._suggested[layer_id] = (histogram, suggest_stretch(histogram))
        return known[1]

    def stretch(self, layer_id: str) -> Stretch:
        """How the layer is shown alone."""
        assert self.map_id is not None
        own = self._desk.look(self.map_id).stretches.get(layer_id)
        return self.suggested(layer_id) if own is None else own

    def load(self, layer_id: str, level: int, rows: slice, cols: slice) -> npt.NDArray[Any]:
        """Codes of a window of a level; any thread."""
        return self.layer(layer_id).codes(level, rows, cols)

    def lut(self, layer_id: str, level: int) -> npt.NDArray[np.uint8]:
        """Brightness of each code; the same array until the stretch is another."""
        assert self.map_id is not None
        at = (layer_id, min(level, 1))
        stretch = self._desk.resolved(self.map_id, layer_id, self.stretch(layer_id))
        known = self._luts.get(at)
        if known is None or known[0] != stretch:
            known = self._luts[at] = (
                stretch,
                np.asarray(lut(self.values(layer_id, level), stretch), dtype=np.uint8),
            )
        return known[1]

    def values(self, layer_id: str, level: int) -> npt.NDArray[np.float64]:
        """Value of each code."""
        at = (layer_id, min(level, 1))
        if at not in self._values:
            layer = self.layer(layer_id)
            self._values[at] = layer.coding(level).values(layer.code_count(level))
        return self._values[at]
