"""Icons: our own drawings on a 20-px grid, coloured when they are loaded.

Each is an SVG in ``resources/icons`` drawn with 1.5-px strokes in ``currentColor``. The colours of
the states (at rest, disabled, switched on) come from the tokens of the scheme that is on at the
moment of drawing, so that icons follow a change of scheme by themselves.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

from PySide6.QtCore import QByteArray, QPoint, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QIcon, QIconEngine, QPainter, QPixmap
from PySide6.QtSvg import QSvgRenderer

from viewer.panels import theme

GRID = 20
"""Side of the grid that the icons are drawn on."""


@lru_cache(maxsize=1)
def names() -> tuple[str, ...]:
    """Every icon that there is."""
    folder = files("resources") / "icons"
    return tuple(
        sorted(entry.name[:-4] for entry in folder.iterdir() if entry.name.endswith(".svg"))
    )


@lru_cache(maxsize=256)
def _source(name: str) -> str:
    try:
        return (files("resources") / "icons" / f"{name}.svg").read_text(encoding="utf-8")
    except FileNotFoundError:
        raise KeyError(f"no icon is called {name!r}") from None


@lru_cache(maxsize=512)
def _renderer(name: str, colour: str) -> QSvgRenderer:
    drawn = _source(name).replace("currentColor", colour)
    return QSvgRenderer(QByteArray(drawn.encode()))


class _Engine(QIconEngine):
    """Draws an icon sharp at any size and in the colours of the scheme that is on."""

    def __init__(self, name: str, colour: str | None) -> None:
        super().__init__()
        self._icon = name
        self._fixed = colour

    def _colour(self, mode: QIcon.Mode, state: QIcon.State) -> str:
        tokens = theme.current()
        if mode == QIcon.Mode.Disabled:
            return tokens.text_off
        if self._fixed is not None:
            return self._fixed
        return tokens.accent if state == QIcon.State.On else tokens.text

    def paint(self, painter: QPainter, rect: QRect, mode: QIcon.Mode, state: QIcon.State) -> None:
        """Draw into a rectangle, in the middle where it is not square."""
        side = min(rect.width(), rect.height())
        box = QRectF(0, 0, side, side)
        box.moveCenter(QRectF(rect).center())
        _renderer(self._icon, self._colour(mode, state)).render(painter, box)

    def pixmap(self, size: QSize, mode: QIcon.Mode, state: QIcon.State) -> QPixmap:
        """Draw on a see-through ground."""
        out = QPixmap(size)
        out.fill(Qt.GlobalColor.transparent)
        painter = QPainter(out)
        self.paint(painter, QRect(QPoint(0, 0), size), mode, state)
        painter.end()
        return out

    def clone(self) -> QIconEngine:
        """Another of the same."""
        return _Engine(self._icon, self._fixed)


def icon(name: str, colour: str | None = None) -> QIcon:
    """An icon by name.

    Parameters
    ----------
    name : str
        Name of a file in ``resources/icons``, without ``.svg``.
    colour : str, optional
        ``#rrggbb`` for an icon that stands for a message; else the colours of the scheme.

    Raises
    ------
    KeyError
        There is no icon of that name.
    """
    _source(name)
    return QIcon(_Engine(name, colour))


def pixmap(name: str, side: int, colour: str | None = None, ratio: float = 1.0) -> QPixmap:
    """An icon as pixels, for labels and painted widgets.

    Parameters
    ----------
    side : int
        Logical pixels.
    ratio : float
        Device pixels to a logical pixel.
    """
    out = QPixmap(round(side * ratio), round(side * ratio))
    out.fill(Qt.GlobalColor.transparent)
    painter = QPainter(out)
    box = QRectF(0, 0, out.width(), out.height())
    _renderer(name, colour or theme.current().text).render(painter, box)
    painter.end()
    out.setDevicePixelRatio(ratio)
    return out
