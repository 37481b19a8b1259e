"""Outlines of the populations on a plot, in the colours of the phases that use them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPainterPath, QPainterPathStroker
from PySide6.QtWidgets import QApplication

from viewer.panels import theme
from viewer.panels.map import halo
from viewer.panels.sort.plot_lens import PlotLens
from viewer.panels.sort.plot_overlay import Overlay
from viewer.panels.sort.plot_shape import Seen, seen
from viewer.science.sort.scheme import Gate, Plot

REACH = 4.0
"""Pixels from an outline within which the pointer is on it."""


@dataclass(frozen=True)
class Outlined:
    """A population as plots show it.

    Attributes
    ----------
    colour : (int, int, int) or None
        Of the phase that uses it; None where none does.
    """

    id: str
    name: str
    gate: Gate
    inverted: bool = False
    colour: tuple[int, int, int] | None = None


class OutlinesItem(Overlay):
    """All populations that lie on the axes of a plot, each with its name."""

    def __init__(self) -> None:
        super().__init__()
        self._shown: list[tuple[Outlined, Seen]] = []
        self._glowing: frozenset[str] = frozenset()
        self._hidden: str | None = None
        self._labels: dict[str, QRectF] = {}

    def set_populations(self, populations: Iterable[Outlined], plot: Plot) -> None:
        """Show those that the plot can show."""
        self._shown = []
        for population in populations:
            shape = seen(population.gate, plot)
            if shape is not None:
                self._shown.append((population, shape))
        self._labels.clear()
        self.update()

    def set_glowing(self, ids: Iterable[str]) -> None:
        """Make populations stand out."""
        glowing = frozenset(ids)
        if glowing != self._glowing:
            self._glowing = glowing
            self.update()

    def set_hidden(self, population_id: str | None) -> None:
        """Leave one out: it is drawn with its handles."""
        if population_id != self._hidden:
            self._hidden = population_id
            self.update()

    @property
    def ids(self) -> list[str]:
        """Ids of the populations that the plot shows."""
        return [p.id for p, _ in self._shown]

    @property
    def glowing(self) -> frozenset[str]:
        """Ids of those that stand out."""
        return self._glowing

    def find(self, population_id: str) -> tuple[Outlined, Seen] | None:
        """A population as it is shown; None where it is not."""
        return next(((p, s) for p, s in self._shown if p.id == population_id), None)

    def hit(self, at: QPointF) -> str:
        """Id of the population whose outline or name is at a position; empty for none."""
        if self.lens is None or not self.lens.rect.contains(at):
            return ""
        for population, shape in reversed(self._shown):
            if population.id == self._hidden:
                continue
            label = self._labels.get(population.id)
            if label is not None and label.contains(at):
                return population.id
            stroker = QPainterPathStroker()
            stroker.setWidth(2 * REACH)
            if stroker.createStroke(path_of(shape, self.lens)).contains(at):
                return population.id
        return ""

    def draw(self, painter: QPainter, lens: PlotLens) -> None:
        font = label_font()
        taken: list[QRectF] = []
        self._labels.clear()
        # What glows comes last, over the others.
        for population, shape in sorted(self._shown, key=lambda s: s[0].id in self._glowing):
            if population.id == self._hidden:
                continue
            glowing = population.id in self._glowing
            path = path_of(shape, lens)
            colour = colour_of(population)
            dashed = population.inverted or shape.band is not None
            if glowing:
                path.setFillRule(Qt.FillRule.OddEvenFill)
                veil = QColor(colour)
                veil.setAlpha(46)
                painter.fillPath(fill_of(shape, lens), veil)
            halo.stroke(
                painter,
                path,
                colour,
                dashed=dashed,
                glow=QColor(theme.current().overlay_accent) if glowing else None,
            )
            box = path.boundingRect().intersected(lens.rect)
            if box.isEmpty() and shape.band is None:
                continue
            at = QPointF(box.center().x(), box.top() - 2.0)
            align = (0.5, 1.0)
            if shape.band is not None:
                # A range is named at its upper or its right end, inside the plot.
                at = QPointF(box.center().x(), lens.rect.top() + 3.0)
                align = (0.5, 0.0)
                if shape.band == "y":
                    at = QPointF(lens.rect.right() - 4.0, box.center().y())
                    align = (1.0, 0.5)
            room = halo.text_size(population.name, font)
            spot = _free(QRectF(at.x() - align[0] * room.width(), at.y() - align[1] * room.height(),
                                room.width(), room.height()), taken)  # fmt: skip
            drawn = halo.text(
                painter,
                spot.topLeft(),
                population.name,
                font,
                align=(0.0, 0.0),
                colour=colour,
                keep_in=lens.rect.adjusted(3, 2, -3, -2),
            )
            taken.append(drawn)
            self._labels[population.id] = drawn


def path_of(shape: Seen, lens: PlotLens) -> QPainterPath:
    """The outline of a gate in pixels: closed, or the two ends of a range."""
    if shape.band is None:
        return lens.path(shape.points)
    out = QPainterPath()
    reach = lens.rect.adjusted(-4, -4, 4, 4)
    for value in (shape.low, shape.high):
        if shape.band == "x":
            x = lens.to_view(value, lens.y[0]).x()
            if reach.left() <= x <= reach.right():
                out.moveTo(x, lens.rect.top())
                out.lineTo(x, lens.rect.bottom())
        else:
            y = lens.to_view(lens.x[0], value).y()
            if reach.top() <= y <= reach.bottom():
                out.moveTo(lens.rect.left(), y)
                out.lineTo(lens.rect.right(), y)
    return out


def fill_of(shape: Seen, lens: PlotLens) -> QPainterPath:
    """What a gate covers of a plot, by the even-odd rule."""
    if shape.band is None:
        out = lens.path(shape.points)
        out.setFillRule(Qt.FillRule.OddEvenFill)
        return out
    r = lens.rect
    out = QPainterPath()
    if shape.band == "x":
        low, high = (
            min(max(lens.to_view(v, lens.y[0]).x(), r.left()), r.right())
            for v in (shape.low, shape.high)
        )
        out.addRect(QRectF(low, r.top(), high - low, r.height()))
    else:
        low, high = (
            min(max(lens.to_view(lens.x[0], v).y(), r.top()), r.bottom())
            for v in (shape.low, shape.high)
        )
        out.addRect(QRectF(r.left(), high, r.width(), low - high))
    return out


def colour_of(population: Outlined) -> QColor:
    """Colour of the phase; white where no phase uses the population."""
    if population.colour is None:
        return QColor(theme.current().overlay_ink)
    return QColor(*population.colour)


def label_font() -> QFont:
    """Of names on a plot."""
    font = QApplication.font()
    font.setPointSizeF(theme.current().type_small)
    font.setWeight(QFont.Weight.DemiBold)
    return font


def _free(box: QRectF, taken: list[QRectF]) -> QRectF:
    """The box, moved down until it covers no name."""
    box = QRectF(box)
    for _ in range(6):
        clash = next((t for t in taken if t.intersects(box)), None)
        if clash is None:
            break
        box.moveTop(clash.bottom() + 1.0)
    return box
