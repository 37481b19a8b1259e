"""Rock units on the map: outlines in colours of their own, names, and which the pointer is on."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPainterPath

from viewer.panels import theme
from viewer.panels.map import halo
from viewer.panels.map.lens import Lens
from viewer.panels.map.thin import ThinPaths, distance
from viewer.science.look.colour import lab_to_srgb
from viewer.store.documents import Unit

LIGHTNESS, CHROMA = 82.0, 42.0
"""Of every unit's colour (CIELAB): light enough for any map, one not louder than another."""

GOLDEN = 137.508
"""Degrees of hue from one unit to the next: however many there are, neighbours differ."""

NAMED = 60.0
"""Units smaller than this on the screen have no name in them until they are pointed at."""

COVER = 46
"""How far a selected unit's ground is covered (0 to 255)."""


@lru_cache(maxsize=512)
def unit_colour(index: int) -> str:
    """Colour of the n-th unit of a map, ``#rrggbb``."""
    hue = np.radians(75.0 + GOLDEN * index)
    lab = np.array([LIGHTNESS, CHROMA * np.cos(hue), CHROMA * np.sin(hue)])
    r, g, b = np.clip(lab_to_srgb(lab) * 255.0, 0, 255).round().astype(int).tolist()
    return f"#{r:02x}{g:02x}{b:02x}"


class UnitsItem:
    """Draws units."""

    def __init__(self) -> None:
        self.units: tuple[Unit, ...] = ()
        self._paths = ThinPaths()
        self._rings: dict[str, list[npt.NDArray[np.float64]]] = {}
        self._middles: dict[str, tuple[float, float] | None] = {}
        self._labels: list[tuple[str, QRectF]] = []

    @property
    def labels(self) -> list[QRectF]:
        """Rooms that the names took when they were last drawn."""
        return [box for _, box in self._labels]

    def set_units(self, units: Sequence[Unit]) -> None:
        """Draw these from now on."""
        self.units = tuple(units)
        self._paths.clear()
        self._rings = {u.id: [np.array((*r, r[0])) for r in u.polygons if r] for u in self.units}
        self._middles = {}
        self._labels = []

    def hit(self, lens: Lens, at: QPointF) -> tuple[float, str] | None:
        """Distance in logical pixels and id of the unit whose edge or name the pointer is on.

        Not of the one that it is merely inside: units cover the map, and the hand pans on it.
        """
        for unit_id, box in self._labels:
            if box.contains(at):
                return (0.0, unit_id)
        x, y = lens.to_map(at)
        reach = 0.7 * theme.current().pick
        best: tuple[float, str] | None = None
        for unit in self.units:
            for ring in self._rings.get(unit.id, ()):
                away = distance(ring, x, y) / lens.um_per_px
                if away <= reach and (best is None or away < best[0]):
                    best = (away, unit.id)
        return best

    def paint(
        self,
        painter: QPainter,
        lens: Lens,
        font: QFont,
        *,
        selected: Collection[str],
        glowing: str,
        hidden: str,
    ) -> None:
        """Draw every unit but the `hidden` one, which its tool draws."""
        accent = QColor(theme.current().overlay_accent)
        self._labels = []
        order = sorted(enumerate(self.units), key=lambda u: (u[1].id in selected, u[1].id == glowing))
        for index, unit in order:
            if unit.id == hidden:
                continue
            on, glows = unit.id in selected, unit.id == glowing
            colour = QColor(unit_colour(index))
            whole = QPainterPath()
            whole.setFillRule(Qt.FillRule.OddEvenFill)
            for ring in unit.polygons:
                whole.addPath(self._paths.path(lens, ring, closed=True))
            if on or glows:
                fill = QColor(accent if on else colour)
                fill.setAlpha(COVER)
                painter.fillPath(whole, fill)
            halo.stroke(painter, whole, colour, glow=accent if on or glows else None)
            self._name(painter, lens, font, unit, whole, colour, busy=on or glows)

    def _name(
        self,
        painter: QPainter,
        lens: Lens,
        font: QFont,
        unit: Unit,
        whole: QPainterPath,
        colour: QColor,
        *,
        busy: bool,
    ) -> None:
        box = whole.boundingRect()
        frame = QRectF(0, 0, *lens.size_px)
        seen = box.intersected(frame)
        room = halo.text_size(unit.name, font)
        small = box.width() < NAMED or box.height() < room.height() + 8
        if seen.isEmpty() or (small and not busy):
            return
        middle = self._middle(unit)
        at = lens.to_view(*middle) if middle is not None else seen.center()
        # Where the middle is out of view the name stands in what is seen of the unit.
        if not frame.contains(at) and whole.contains(seen.center()):
            at = seen.center()
        placed = halo.text(painter, at, unit.name, font, colour=colour)
        self._labels.append((unit.id, placed))

    def _middle(self, unit: Unit) -> tuple[float, float] | None:
        """A place well inside a unit, for its name."""
        if unit.id not in self._middles:
            from viewer.science.measure.region import geometry

            area = geometry(unit.polygons)
            centre = None if area.is_empty else area.centroid
            if centre is not None and not area.intersects(centre):
                centre = area.representative_point()
            self._middles[unit.id] = None if centre is None else (centre.x, centre.y)
        return self._middles[unit.id]
