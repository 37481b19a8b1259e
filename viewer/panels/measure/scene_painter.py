"""Draws a laid-out scene with Qt: on the screen, and as a picture to paste elsewhere."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QImage, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QApplication

from viewer.panels import theme
from viewer.panels.tokens import Tokens
from viewer.plates.chart import Array, Figure
from viewer.plates.figure_scene import lay_out_figure
from viewer.plates.scene import (
    PAPER_INK,
    Area,
    Dots,
    Ink,
    Item,
    Picture,
    Scene,
    Segments,
    Stroke,
    Style,
    Words,
    runs,
)

_DASH = (4.0, 2.5)
_COPY_SCALE = 3.0
"""Pixels of a copied picture to one of the screen: fine enough for a slide."""

_SECOND = {"dark": "#ff9d5c", "light": "#b84a00"}
_FAINT = {"dark": "#7c7c7c", "light": "#a2a2a2"}
_THIRD = {"dark": "#4fc9a4", "light": "#00704f"}


def screen_ink(tokens: Tokens) -> Ink:
    """Colours of the scheme that is on. The roles keep apart as those on paper do."""
    return Ink(
        ground=tokens.sunken,
        text=tokens.text,
        dim=tokens.text_dim,
        grid=tokens.hover if tokens.scheme == "dark" else tokens.window,
        frame=tokens.mark,
        roles={
            "data": tokens.text,
            "fit": tokens.accent,
            "second": _SECOND[tokens.scheme],
            "third": _THIRD[tokens.scheme],
            "faint": _FAINT[tokens.scheme],
            "caution": tokens.caution,
        },
    )


def screen_style(ink: Ink, corner: float = 0.0) -> Style:
    """How figures look on the screen; counts in logical pixels.

    Parameters
    ----------
    corner : float
        Width at the top right that a button takes.
    """
    size = float(QFontMetricsF(_font_of_points(theme.current().type_small)).height()) / 1.2
    return Style(
        ink=ink,
        measure=_measure,
        size=round(size),
        line=1.6,
        thin=1.0,
        dot=3.0,
        gap=10.0,
        corner=corner,
    )


def lay_out_for_screen(figure: Figure, width: float, height: float, corner: float = 0.0) -> Scene:
    """A figure laid out in logical pixels, in the colours of the scheme that is on."""
    return lay_out_figure(figure, width, height, screen_style(screen_ink(theme.current()), corner))


def paint(painter: QPainter, scene: Scene) -> None:
    """Draw a scene."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.fillRect(QRectF(0, 0, scene.width, scene.height), QColor(scene.ground))
    frame = QRectF(*scene.frame)
    for item in scene.items:
        clipped = isinstance(item, Stroke | Segments | Area | Dots) and item.clip
        if clipped:
            painter.save()
            painter.setClipRect(frame, Qt.ClipOperation.IntersectClip)
        _paint(painter, item)
        if clipped:
            painter.restore()


def picture(figure: Figure, width: float, height: float) -> QImage:
    """A figure in black on white, for the clipboard."""
    scene = lay_out_figure(figure, width, height, screen_style(PAPER_INK))
    image = QImage(round(width * _COPY_SCALE), round(height * _COPY_SCALE), QImage.Format.Format_RGB32)
    painter = QPainter(image)
    painter.scale(_COPY_SCALE, _COPY_SCALE)
    paint(painter, scene)
    painter.end()
    return image


def _paint(painter: QPainter, item: Item) -> None:
    if isinstance(item, Stroke):
        _stroke(painter, item)
    elif isinstance(item, Segments):
        pen = QPen(QColor(item.colour), item.width)
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        painter.setPen(pen)
        painter.drawLines([QLineF(*ends) for ends in item.ends.reshape(-1, 4).tolist()])
    elif isinstance(item, Area):
        colour = QColor(item.colour)
        colour.setAlphaF(item.opacity)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(colour)
        for ring in runs(item.points):
            painter.drawPolygon(_polygon(ring))
    elif isinstance(item, Dots):
        colour = QColor(item.colour)
        painter.setPen(QPen(colour, item.radius * 0.4) if item.hollow else Qt.PenStyle.NoPen)
        painter.setBrush(Qt.BrushStyle.NoBrush if item.hollow else colour)
        for x, y in item.points.tolist():
            painter.drawEllipse(QPointF(x, y), item.radius, item.radius)
    elif isinstance(item, Picture):
        _picture(painter, item)
    else:
        _words(painter, item)


def _stroke(painter: QPainter, item: Stroke) -> None:
    pen = QPen(QColor(item.colour), item.width)
    pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    if item.dashed:
        pen.setDashPattern(list(_DASH))
    painter.setPen(pen)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    points = item.points
    if len(points) == 2 and item.width <= 1.0 and (points[0] == points[1]).any():
        # Upright and level hairlines fall on whole pixels, so that they are drawn sharp.
        points = np.floor(points) + 0.5
    # Part by part: Qt takes much longer over one path of many.
    for part in runs(points):
        if item.closed:
            painter.drawPolygon(_polygon(part))
        else:
            painter.drawPolyline(_polygon(part))


def _polygon(points: Array) -> QPolygonF:
    return QPolygonF([QPointF(x, y) for x, y in points.tolist()])


def _picture(painter: QPainter, item: Picture) -> None:
    rows, columns = item.pixels.shape[:2]
    image = QImage(item.pixels.data, columns, rows, 4 * columns, QImage.Format.Format_RGBA8888)
    target = QRectF(*item.box)
    # Pixels stay pixels where they are enlarged; where they are many, none is dropped.
    smaller = columns > target.width() or rows > target.height()
    painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, smaller)
    if smaller:
        ratio = painter.device().devicePixelRatioF()
        image = image.scaled(
            min(columns, max(1, round(target.width() * ratio))),
            min(rows, max(1, round(target.height() * ratio))),
            Qt.AspectRatioMode.IgnoreAspectRatio,
            Qt.TransformationMode.SmoothTransformation,
        )
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, False)
    painter.drawImage(target, image)


def _words(painter: QPainter, item: Words) -> None:
    painter.setPen(QColor(item.colour))
    painter.setFont(_font(item.size, item.bold))
    shift = {"left": 0.0, "center": 0.5, "right": 1.0}[item.align]
    back = shift * _measure(item.text, item.size, item.bold)
    if not item.turned:
        painter.drawText(QPointF(item.x - back, item.y), item.text)
        return
    painter.save()
    painter.translate(item.x, item.y)
    painter.rotate(-90.0)
    painter.drawText(QPointF(-back, 0.0), item.text)
    painter.restore()


def _measure(text: str, size: float, bold: bool) -> float:
    return float(QFontMetricsF(_font(size, bold)).horizontalAdvance(text))


def _font(size: float, bold: bool) -> QFont:
    return _sized(QApplication.font().family(), size, bold)


@lru_cache(maxsize=32)
def _sized(family: str, size: float, bold: bool) -> QFont:
    font = theme.figures(QFont(family))
    font.setPixelSize(max(1, round(size)))
    font.setWeight(QFont.Weight.DemiBold if bold else QFont.Weight.Normal)
    return font


def _font_of_points(points: float) -> QFont:
    font = QFont(QApplication.font())
    font.setPointSizeF(points)
    return font
