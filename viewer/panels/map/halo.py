"""Lines and letters that stay legible on any picture: light, with a dark rim."""

from __future__ import annotations

from functools import lru_cache

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPainterPath, QPen

from viewer.panels import theme


def _pen(colour: QColor, width: float) -> QPen:
    return QPen(
        colour, width, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin
    )


def rim() -> QColor:
    """Colour of the rim, a little see-through."""
    colour = QColor(theme.current().overlay_halo)
    colour.setAlpha(190)
    return colour


def ink() -> QColor:
    """Colour of lines and letters."""
    return QColor(theme.current().overlay_ink)


def stroke(
    painter: QPainter,
    path: QPainterPath,
    colour: QColor | None = None,
    *,
    dashed: bool = False,
    glow: QColor | None = None,
) -> None:
    """Draw a line with its rim.

    Parameters
    ----------
    painter : QPainter
        In logical pixels of the view.
    path : QPainterPath
    colour : QColor, optional
        Of the line; white where left out.
    dashed : bool
        For lines that only help to read another.
    glow : QColor, optional
        A wide soft band underneath.
    """
    tokens = theme.current()
    painter.setBrush(Qt.BrushStyle.NoBrush)
    if glow is not None:
        for width, alpha in ((12.0, 60), (8.0, 90)):
            soft = QColor(glow)
            soft.setAlpha(alpha)
            painter.strokePath(path, _pen(soft, width))
    painter.strokePath(path, _pen(rim(), tokens.overlay_stroke + 2 * tokens.overlay_rim))
    pen = _pen(colour or ink(), tokens.overlay_stroke)
    if dashed:
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        pen.setDashPattern([3.0, 3.0])
    painter.strokePath(path, pen)


def handle(
    painter: QPainter, at: QPointF, colour: QColor | None = None, *, held: bool = False
) -> None:
    """A round handle; filled where it is held or under the pointer."""
    tokens = theme.current()
    half = tokens.overlay_handle / 2 + (1 if held else 0)
    painter.setPen(_pen(rim(), tokens.overlay_stroke + 2 * tokens.overlay_rim))
    painter.setBrush(rim())
    painter.drawEllipse(at, half, half)
    painter.setPen(_pen(colour or ink(), tokens.overlay_stroke))
    painter.setBrush((colour or ink()) if held else Qt.BrushStyle.NoBrush)
    painter.drawEllipse(at, half, half)


@lru_cache(maxsize=512)
def _letters(words: str, key: str) -> tuple[QPainterPath, QRectF]:
    font = QFont()
    font.fromString(key)
    path = QPainterPath()
    metrics = QFontMetricsF(font)
    for index, line in enumerate(words.split("\n")):
        path.addText(0.0, metrics.ascent() + index * metrics.lineSpacing(), font, line)
    width = max(metrics.horizontalAdvance(line) for line in words.split("\n"))
    lines = words.count("\n")
    return path, QRectF(0, 0, width, metrics.height() + lines * metrics.lineSpacing())


def text_size(words: str, font: QFont) -> QRectF:
    """Room that the words take, from (0, 0)."""
    return _letters(words, font.toString())[1]


def text(
    painter: QPainter,
    at: QPointF,
    words: str,
    font: QFont,
    *,
    align: tuple[float, float] = (0.5, 0.5),
    colour: QColor | None = None,
    keep_in: QRectF | None = None,
) -> QRectF:
    """Write words with a rim.

    Parameters
    ----------
    at : QPointF
        Where the point `align` of the words' box comes to lie; (0, 0) is its top left corner.
    keep_in : QRectF, optional
        The box is moved to lie within.

    Returns
    -------
    QRectF
        Room taken.
    """
    path, room = _letters(words, font.toString())
    x = at.x() - align[0] * room.width()
    y = at.y() - align[1] * room.height()
    if keep_in is not None:
        x = min(max(x, keep_in.left()), max(keep_in.right() - room.width(), keep_in.left()))
        y = min(max(y, keep_in.top()), max(keep_in.bottom() - room.height(), keep_in.top()))
    # Whole pixels: letters keep the same shape while the map moves.
    x, y = round(x), round(y)
    painter.translate(x, y)
    painter.strokePath(path, _pen(rim(), 2 * theme.current().overlay_rim + 1.0))
    painter.fillPath(path, colour or ink())
    painter.translate(-x, -y)
    return room.translated(x, y)
