"""The populations of a scheme: what each looks at, how many pixels it holds, which phases use it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from PySide6.QtCore import QMimeData, QPoint, QRect, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPixmap
from PySide6.QtWidgets import QStyle, QStyleOptionViewItem, QWidget

from viewer.panels import icons
from viewer.panels.look.digits import grouped
from viewer.panels.sort.phase_rows import ROW, Index, RowDelegate, RowList
from viewer.panels.theme import current, figures

MIME = "application/x-grainlight-population"

TOOLS = ("invert", "edit", "eye")
"""Signs at the end of a row, from the left."""

_TEXT = 32
_SIGN = 22


@dataclass(frozen=True)
class PopulationRow:
    """A population as the list shows it.

    Attributes
    ----------
    icon : str
        Name of the icon of its kind.
    axes, about : str
        What it looks at, short; and in a sentence.
    pixels : int or None
        Pixels that it holds; None before they are counted.
    shown : bool
        It is kept lit on the map.
    edited : bool
        Its outline has handles in the plot.
    colours : tuple of (int, int, int)
        Of the phases that use it.
    users : str
        Their names.
    trouble : str
        Why it means nothing on this map; empty where it does.
    """

    id: str
    name: str
    icon: str
    axes: str
    about: str
    pixels: int | None = None
    inverted: bool = False
    shown: bool = False
    edited: bool = False
    colours: tuple[tuple[int, int, int], ...] = ()
    users: str = ""
    trouble: str = ""

    @property
    def fixed(self) -> bool:
        """Never: all populations can be renamed."""
        return False

    @property
    def counted(self) -> str:
        """How many pixels it holds, as text."""
        if self.trouble:
            return "—"
        return "…" if self.pixels is None else f"{grouped(self.pixels)} px"

    @property
    def empty(self) -> bool:
        """It holds no pixel."""
        return self.pixels == 0 and not self.trouble

    @property
    def spoken(self) -> str:
        """For a screen reader."""
        state = ", inverted" if self.inverted else ""
        return f"{self.name}, {self.axes}{state}, {self.counted}"

    @property
    def tip(self) -> str:
        """For the tooltip."""
        lines = [self.name, self.about]
        if self.inverted:
            lines.append("Inverted: the pixels that the outline leaves out")
        if self.trouble:
            lines.append(self.trouble)
        elif self.empty:
            lines.append("It holds no pixel of this map")
        lines.append(f"Used by {self.users}" if self.users else "No phase uses it yet")
        lines.append("Drag it into a rule; double-click to rename")
        return "\n".join(lines)


class _Delegate(RowDelegate):
    """Two lines: name and count; axes and the colours of the phases that use it."""

    height = 42

    def name_rect(self, rect: QRect, index: Index) -> QRect:
        return QRect(rect.left() + _TEXT - 5, rect.top() + 1, rect.width() - _TEXT - 2, 24)

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        row: PopulationRow = index.data(ROW)
        tokens = current()
        painter.save()
        self.ground(painter, option)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        rect = option.rect
        ratio = painter.device().devicePixelRatio()
        side = tokens.icon_small
        at = QPoint(rect.left() + 9, rect.top() + 5)
        painter.drawPixmap(at, _sign(row.icon, tokens.text_dim, side, ratio))
        small = figures(option.font)
        small.setPointSizeF(tokens.type_small)
        left, right = float(rect.left() + _TEXT), float(rect.right() - tokens.gap_2)
        upper = QRectF(left, rect.top() + 3, right - left, 20)
        lower = QRectF(left, rect.top() + 21, right - left, 18)
        metrics = QFontMetricsF(figures(option.font))
        wide = metrics.horizontalAdvance(row.counted) + 2
        painter.setFont(figures(option.font))
        painter.setPen(QColor(tokens.caution if row.empty or row.trouble else tokens.text))
        right_side = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight
        painter.drawText(upper, right_side, row.counted)
        painter.setFont(option.font)
        painter.setPen(QColor(tokens.text))
        name = QFontMetricsF(option.font).elidedText(
            row.name, Qt.TextElideMode.ElideRight, upper.width() - wide - tokens.gap_2
        )
        painter.drawText(upper, Qt.AlignmentFlag.AlignVCenter, name)
        states = QStyle.StateFlag.State_MouseOver | QStyle.StateFlag.State_Selected
        active = bool(option.state & states)
        for tool in TOOLS:
            on = _is_on(row, tool)
            if active or on:
                box = sign_rect(rect, tool)
                colour = tokens.accent if on else tokens.text_dim
                place = box.center() - QPoint(side // 2 - 1, side // 2 - 1)
                painter.drawPixmap(place, _sign(_ICON[tool], colour, side, ratio))
        room = lower.width() - (len(TOOLS) * _SIGN if active else _kept(row) * _SIGN) - tokens.gap_1
        painter.setFont(small)
        if row.trouble:
            painter.setPen(QColor(tokens.caution))
            words = row.trouble
        else:
            painter.setPen(QColor(tokens.text_dim))
            words = f"not in {row.axes}" if row.inverted else row.axes
        x = left
        for dot in row.colours[:6]:
            painter.save()
            painter.setPen(QColor(tokens.edge))
            painter.setBrush(QColor(*dot))
            painter.drawEllipse(QRectF(x + 0.5, lower.center().y() - 4, 8, 8))
            painter.restore()
            x += 11
        if row.colours:
            x += 3
        fits = max(0.0, room - (x - left))
        words = QFontMetricsF(small).elidedText(words, Qt.TextElideMode.ElideRight, fits)
        at_middle = Qt.AlignmentFlag.AlignVCenter
        painter.drawText(QRectF(x, lower.top(), fits, lower.height()), at_middle, words)
        painter.restore()


_ICON = {"invert": "invert", "edit": "edit", "eye": "eye"}


def _is_on(row: PopulationRow, tool: str) -> bool:
    return {"invert": row.inverted, "edit": row.edited, "eye": row.shown}[tool]


def _kept(row: PopulationRow) -> int:
    """Signs that room is kept for: those from the first that is on."""
    on = [i for i, tool in enumerate(TOOLS) if _is_on(row, tool)]
    return len(TOOLS) - min(on) if on else 0


@lru_cache(maxsize=64)
def _sign(name: str, colour: str, side: int, ratio: float) -> QPixmap:
    return icons.pixmap(name, side, colour, ratio)


def sign_rect(row: QRect, tool: str) -> QRect:
    """Where a sign of a row is."""
    from_right = len(TOOLS) - TOOLS.index(tool)
    return QRect(row.right() - current().gap_1 - from_right * _SIGN, row.top() + 21, _SIGN, 20)


class PopulationList(RowList):
    """The populations of a scheme.

    Signals
    -------
    tool_pressed(str, str)
        Id of the population, and which of `TOOLS` was pressed in its row.
    """

    tool_pressed = Signal(str, str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(_Delegate(), parent, carried=carry)
        self.setAccessibleName("Populations")
        self.setMinimumHeight(_Delegate.height + 2)

    def sign(self, row_id: str, tool: str) -> QPoint:
        """Middle of a sign, in the viewport."""
        return sign_rect(self.row_rect(row_id), tool).center()

    def pressed_tool(self, row: PopulationRow, point: QPoint) -> bool:
        for tool in TOOLS:
            if sign_rect(self.row_rect(row.id), tool).contains(point):
                self.setCurrentIndex(self.indexAt(point))
                self.tool_pressed.emit(row.id, tool)
                return True
        return False


def carry(population_id: str) -> QMimeData:
    """A population on its way into a rule."""
    data = QMimeData()
    data.setData(MIME, population_id.encode())
    return data


def carried(data: QMimeData) -> str | None:
    """Id of the population that is being dragged."""
    return bytes(data.data(MIME).data()).decode() if data.hasFormat(MIME) else None
