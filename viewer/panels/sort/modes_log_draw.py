"""Drawing a modal log: stacked bands in the key's colours beside a distance axis, up is up."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QPolygonF

from viewer.panels.sort.modes_chart import nice_step
from viewer.science.measure.modal_log import Band, ModalLog
from viewer.science.measure.mode import Mode

RGB = tuple[int, int, int]


@dataclass(frozen=True)
class Ink:
    """What a log is drawn with: colours as ``#rrggbb``."""

    text: str
    dim: str
    line: str
    ground: str


@dataclass(frozen=True)
class Frame:
    """Where the parts of a log lie, and what lies where.

    Attributes
    ----------
    bands : QRectF
        All bands, 0 to 100 % across.
    cover : QRectF
        How far each band is covered, right of them.
    low_um, high_um : float
        Distances at the lower and the upper side of `bands`.
    """

    bands: QRectF
    cover: QRectF
    low_um: float
    high_um: float

    def y(self, distance_um: float) -> float:
        """Height of a distance."""
        share = (distance_um - self.low_um) / (self.high_um - self.low_um)
        return self.bands.bottom() - share * self.bands.height()

    def at(self, log: ModalLog, point: QPointF) -> tuple[Band, Mode | None] | None:
        """The band at a point, and the phase in it; None beside the bands."""
        if not (self.bands.top() <= point.y() <= self.bands.bottom()):
            return None
        if not (self.bands.left() <= point.x() <= self.cover.right()):
            return None
        share = (self.bands.bottom() - point.y()) / self.bands.height()
        far = self.low_um + share * (self.high_um - self.low_um)
        band = next((b for b in log.bands if b.bottom_um <= far <= b.top_um), None)
        if band is None:
            return None
        across = 100.0 * (point.x() - self.bands.left()) / self.bands.width()
        total = 0.0
        for mode in band.modes.modes if band.modes is not None else ():
            total += mode.area
            if across <= total:
                return band, mode
        return band, None


def frame_of(log: ModalLog, area: QRectF, metrics: QFontMetricsF) -> Frame:
    """Lay a log out in an area."""
    label = metrics.horizontalAdvance("00.00")
    arrow = metrics.height()
    left = area.left() + arrow + label + 12
    bands = QRectF(
        left,
        area.top() + 6,
        max(10.0, area.right() - left - 26),
        max(10.0, area.height() - 2.0 * metrics.height() - 14),
    )
    cover = QRectF(bands.right() + 4, bands.top(), 8, bands.height())
    return Frame(bands, cover, log.bands[0].bottom_um, log.bands[-1].top_um)


def draw_log(
    painter: QPainter,
    area: QRectF,
    log: ModalLog,
    colours: Mapping[str, RGB],
    ink: Ink,
    lit: str = "",
) -> Frame:
    """Draw a log; gives where its parts lie.

    Parameters
    ----------
    lit : str
        The phase that is lifted out; empty for none.
    """
    metrics = QFontMetricsF(painter.font())
    frame = frame_of(log, area, metrics)
    for band in log.bands:
        _draw_band(painter, frame, band, colours, ink, lit)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(QPen(QColor(ink.line), 1))
    painter.drawRect(frame.bands)
    _draw_distance(painter, frame, area, metrics, ink)
    _draw_percent(painter, frame, metrics, ink)
    return frame


def _draw_band(
    painter: QPainter,
    frame: Frame,
    band: Band,
    colours: Mapping[str, RGB],
    ink: Ink,
    lit: str,
) -> None:
    top, bottom = frame.y(band.top_um), frame.y(band.bottom_um)
    row = QRectF(frame.bands.left(), top, frame.bands.width(), bottom - top)
    painter.setPen(Qt.PenStyle.NoPen)
    if band.modes is None:
        painter.fillRect(row, QColor(ink.ground))
        painter.setBrush(Qt.BrushStyle.BDiagPattern)
        painter.setPen(QPen(QColor(ink.line), 1))
        painter.fillRect(row, painter.brush())
        return
    x = row.left()
    for mode in band.modes.modes:
        width = mode.area / 100.0 * row.width()
        colour = QColor(*colours.get(mode.phase, (128, 128, 128)))
        if lit and lit != mode.phase:
            colour.setAlphaF(0.25)
        painter.fillRect(QRectF(x, top, width, bottom - top), colour)
        x += width
    painter.setPen(QPen(QColor(ink.ground), 0.75))
    painter.drawLine(row.topLeft(), row.topRight())
    full = QRectF(frame.cover.left(), top, frame.cover.width() * band.covered, bottom - top)
    painter.fillRect(full.adjusted(0, 0.5, 0, -0.5), QColor(ink.dim))


def _draw_distance(
    painter: QPainter, frame: Frame, area: QRectF, metrics: QFontMetricsF, ink: Ink
) -> None:
    """Axis in mm, with an arrow that tells that up is up."""
    high, low = frame.high_um / 1000.0, frame.low_um / 1000.0
    step = nice_step(high - low, max(2, int(frame.bands.height() / (2.2 * metrics.height()))))
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    x = frame.bands.left()
    for number in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1):
        y = frame.y(1000.0 * number * step)
        painter.setPen(QPen(QColor(ink.line), 1))
        painter.drawLine(QPointF(x - 5, y), QPointF(x, y))
        painter.setPen(QColor(ink.dim))
        text = f"{number * step:.{places}f}"
        y = min(max(y, frame.bands.top() + 0.25 * metrics.height()), frame.bands.bottom())
        at = QPointF(x - 8 - metrics.horizontalAdvance(text), y + 0.35 * metrics.ascent())
        painter.drawText(at, text)
    painter.setPen(QColor(ink.dim))
    painter.save()
    painter.translate(area.left() + 0.8 * metrics.ascent(), frame.bands.center().y())
    painter.rotate(-90)
    title = "distance along way-up (mm)"
    width = metrics.horizontalAdvance(title)
    painter.drawText(QPointF(-width / 2, 0), title)
    # The arrow follows the words, and points the way they run: up.
    tip = width / 2 + 18
    painter.setPen(QPen(QColor(ink.dim), 1.25))
    y = -0.35 * metrics.ascent()
    painter.drawLine(QPointF(width / 2 + 6, y), QPointF(tip - 3, y))
    painter.setBrush(QColor(ink.dim))
    painter.drawPolygon(
        QPolygonF([QPointF(tip, y), QPointF(tip - 5, y - 2.5), QPointF(tip - 5, y + 2.5)])
    )
    painter.restore()


def _draw_percent(painter: QPainter, frame: Frame, metrics: QFontMetricsF, ink: Ink) -> None:
    bottom = frame.bands.bottom()
    every = 20 if frame.bands.width() > 9 * metrics.horizontalAdvance("100") else 50
    for percent in range(0, 101, every):
        x = frame.bands.left() + percent / 100.0 * frame.bands.width()
        painter.setPen(QPen(QColor(ink.line), 1))
        painter.drawLine(QPointF(x, bottom), QPointF(x, bottom + 4))
        painter.setPen(QColor(ink.dim))
        text = f"{percent}"
        painter.drawText(
            QPointF(x - metrics.horizontalAdvance(text) / 2, bottom + 5 + metrics.ascent()), text
        )
    painter.setPen(QColor(ink.dim))
    title = "area % of sorted pixels"
    painter.drawText(
        QPointF(
            frame.bands.center().x() - metrics.horizontalAdvance(title) / 2,
            bottom + 5 + metrics.height() + metrics.ascent(),
        ),
        title,
    )
