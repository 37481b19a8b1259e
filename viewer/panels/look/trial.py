"""Made-up layers, so that each panel of the look bench can be started and tested alone.

Nothing here is measured: three rock units with an undulating contact, grains, counting noise and a
few faults that the quality flags would find.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PySide6.QtWidgets import QApplication, QWidget

from viewer.panels import theme
from viewer.panels.look.layers import Flag, LayerEntry
from viewer.science.look.coding import Coding
from viewer.science.look.histogram import Histogram, histogram_codes
from viewer.science.look.stretch import Stretch, lut

ELEMENTS = (
    ("Mg", "Magnesium", 12), ("Al", "Aluminium", 13), ("Si", "Silicon", 14),
    ("S", "Sulfur", 16), ("K", "Potassium", 19), ("Ca", "Calcium", 20), ("Ti", "Titanium", 22),
    ("V", "Vanadium", 23), ("Cr", "Chromium", 24), ("Mn", "Manganese", 25), ("Fe", "Iron", 26),
    ("Ni", "Nickel", 28), ("Cu", "Copper", 29), ("Sr", "Strontium", 38),
)  # fmt: skip


class Trial:
    """A small map with 14 channels and one derived layer, held in memory.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns.
    copies : int
        Repeat the channels this often, to try a long list.
    """

    pixel_um = (20.0, 20.0)

    def __init__(self, shape: tuple[int, int] = (450, 1200), copies: int = 1) -> None:
        from scipy.ndimage import gaussian_filter

        random = np.random.default_rng(20)
        self.shape = shape
        rows, cols = np.mgrid[: shape[0], : shape[1]]
        wave = 0.04 * shape[0] * np.sin(cols / shape[1] * 9)
        unit = np.digitize(rows + wave, (0.38 * shape[0], 0.62 * shape[0]))
        grain = np.stack(
            [gaussian_filter(random.standard_normal(shape), 5.0) for _ in range(6)]
        ).argmax(axis=0)
        speck = gaussian_filter(random.standard_normal(shape), 2.0) > 0.36
        table = random.gamma(0.9, 90.0, (len(ELEMENTS), 3, 6)) + 4
        self._levels: dict[str, list[npt.NDArray[np.uint16]]] = {}
        entries = []
        for copy in range(copies):
            for index, (symbol, name, number) in enumerate(ELEMENTS):
                mean = table[index][unit, grain]
                if symbol in ("Cu", "Ni"):
                    mean = np.where(speck, 900.0, 3.0)
                if symbol == "V":
                    mean = np.full(shape, 2.0)
                counts = random.poisson(mean).astype(np.uint16)
                flags: tuple[Flag, ...] = ()
                if symbol == "V":
                    flags = (
                        Flag(
                            short="noise",
                            words="This channel holds little but counting noise.",
                        ),
                    )
                if symbol == "Fe":
                    counts = np.minimum(counts, 255)
                    counts[grain == 2] = 255
                    flags = (
                        Flag(
                            short="saturated",
                            words="17 % of the pixels are at the largest number the file can hold: "
                            "brighter ones cannot be told apart.",
                            severity="error",
                        ),
                    )
                layer_id = symbol if copy == 0 else f"{symbol}-{copy}"
                self._levels[layer_id] = _pyramid(counts)
                entries.append(_entry(layer_id, f"{symbol} Kα", symbol, name, number, counts, flags))
        ratio = self._levels["Mg"][0] / np.maximum(
            self._levels["Mg"][0].astype(float) + self._levels["Fe"][0], 1
        )
        codes = np.floor(ratio * 1000).astype(np.uint16)
        self._levels["mg-number"] = _pyramid(codes)
        entries.append(
            LayerEntry(
                id="mg-number",
                name="Mg number",
                kind="derived",
                dtype="float32",
                recipe="Mg / (Mg + Fe)",
                minimum=0.0,
                maximum=float(ratio.max()),
                mean=float(ratio.mean()),
                size=codes.size,
                structure=2.1,
            )
        )
        self.layers: tuple[LayerEntry, ...] = tuple(entries)
        self._stretches: dict[str, Stretch] = {}
        self._histograms: dict[str, Histogram] = {}
        self._luts: dict[str, npt.NDArray[np.uint8]] = {}

    @property
    def level_shapes(self) -> list[tuple[int, int]]:
        """Rows and columns of each level."""
        return [level.shape for level in self._levels["Mg"]]

    def coding(self, layer_id: str) -> Coding:
        """Which value each code stands for."""
        if layer_id == "mg-number":
            return Coding(kind="linear", scale=0.001, offset=0.0)
        return Coding()

    def load(self, layer_id: str, level: int, rows: slice, cols: slice) -> npt.NDArray[np.uint16]:
        """Codes of a window of a level."""
        return self._levels[layer_id][level][rows, cols]

    def lut(self, layer_id: str, level: int) -> npt.NDArray[np.uint8]:
        """Brightness of each code."""
        if layer_id not in self._luts:
            stretch = self._stretches.get(layer_id, Stretch())
            resolved = stretch.resolve(self.histogram(layer_id))
            table = lut(self.coding(layer_id).values(), resolved, depth=8)
            self._luts[layer_id] = np.asarray(table, dtype=np.uint8)
        return self._luts[layer_id]

    def values(self, layer_id: str, level: int) -> npt.NDArray[np.float64]:
        """Value of each code."""
        return self.coding(layer_id).values()

    def set_stretch(self, layer_id: str, stretch: Stretch) -> None:
        """Stretch of a layer from now on."""
        self._stretches[layer_id] = stretch
        self._luts.pop(layer_id, None)

    def histogram(self, layer_id: str) -> Histogram:
        """Of the whole map."""
        if layer_id not in self._histograms:
            self._histograms[layer_id] = self._count(self._levels[layer_id][0], layer_id)
        return self._histograms[layer_id]

    def view_histogram(self, layer_id: str, part: float = 0.4) -> Histogram:
        """Of the top left part of the map."""
        rows, cols = (int(n * part) for n in self.shape)
        return self._count(self._levels[layer_id][0][:rows, :cols], layer_id)

    def selected_histogram(self, layer_id: str) -> Histogram:
        """Of the pixels that are bright in magnesium."""
        bright = self._levels["Mg"][0] > 150
        return self._count(self._levels[layer_id][0][bright][None], layer_id)

    def write(self, path: Path) -> Path:
        """Write the measured channels as a project with one map, ``front``."""
        from viewer.science.progress import silent
        from viewer.store.layers import Flagged, LayerInfo, write_flags, write_layer
        from viewer.store.project import MapInfo, new_project, write_map

        with new_project(path) as file:
            info = MapInfo(id="front", name="Front face", shape=self.shape, pixel_um=self.pixel_um)
            parent = write_map(file, info)["channels"]
            for entry in self.layers:
                if entry.kind != "channel":
                    continue
                pixels = self._levels[entry.id][0]
                about = LayerInfo(
                    id=entry.id, name=entry.name, kind="channel", element=entry.element,
                    line=entry.line, source=entry.source, content=entry.id,
                )  # fmt: skip

                def rows(
                    start: int, stop: int, held: npt.NDArray[np.uint16] = pixels
                ) -> npt.NDArray[np.uint16]:
                    return held[start:stop]

                write_layer(parent, about, self.shape, pixels.dtype, rows, silent)
                found = tuple(
                    Flagged(
                        kind=flag.short,
                        severity=flag.severity,
                        message=flag.words,
                    )
                    for flag in entry.flags
                )
                write_flags(parent[entry.id], found)
        return path

    def _count(self, codes: npt.NDArray[np.uint16], layer_id: str) -> Histogram:
        codes = np.ascontiguousarray(codes)
        counts = histogram_codes(codes, 65536, None)
        return Histogram(counts, self.coding(layer_id).values(65536))


def _entry(
    layer_id: str,
    name: str,
    symbol: str,
    element: str,
    number: int,
    counts: npt.NDArray[np.uint16],
    flags: tuple[Flag, ...],
) -> LayerEntry:
    return LayerEntry(
        id=layer_id, name=name, element=symbol, element_name=element, line="Kα", number=number,
        unit="counts", dtype="uint16", source=f"run-{symbol}.tif", minimum=float(counts.min()),
        maximum=float(counts.max()), mean=float(counts.mean()), size=counts.size,
        structure=float(counts.std() / np.sqrt(counts.mean() + 1)), flags=flags,
    )  # fmt: skip


def _pyramid(codes: npt.NDArray[np.uint16]) -> list[npt.NDArray[np.uint16]]:
    levels = [codes]
    while max(levels[-1].shape) > 256:
        last = levels[-1].astype(np.float32)
        padded = np.pad(last, ((0, last.shape[0] % 2), (0, last.shape[1] % 2)), mode="edge")
        half = padded.reshape(padded.shape[0] // 2, 2, padded.shape[1] // 2, 2).mean(axis=(1, 3))
        levels.append(np.rint(half).astype(np.uint16))
    return levels


def show(build: Callable[[], QWidget]) -> None:
    """Open a window with one panel in it and run until it is closed."""
    app = QApplication(sys.argv)
    theme.apply(app)
    widget = build()
    widget.show()
    app.exec()
