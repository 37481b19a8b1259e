"""The phases in their order, each with its colour and its share of the map; what is left comes last."""

from __future__ import annotations

from dataclasses import dataclass

from PySide6.QtCore import QPoint, QRect, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QMouseEvent, QPainter
from PySide6.QtWidgets import QStyleOptionViewItem, QWidget

from viewer.panels.look.digits import grouped, share
from viewer.panels.sort.phase_rows import ROW, Index, RowDelegate, RowList
from viewer.panels.theme import current, figures

UNSORTED = ""
"""Id of the row of pixels that no phase has."""


@dataclass(frozen=True)
class PhaseRow:
    """A phase as the list shows it.

    Attributes
    ----------
    colour : (int, int, int)
        Red, green, blue of the key.
    pixels, of : int or None
        Pixels that the phase has, and pixels inside the outline; None before the map is sorted.
    stale : bool
        The counts are of an earlier scheme: the map is being sorted anew.
    note : str
        Said in place of the counts: «no rule».
    """

    id: str
    name: str
    colour: tuple[int, int, int]
    pixels: int | None = None
    of: int = 0
    stale: bool = False
    note: str = ""
    rule: str = ""

    @property
    def fixed(self) -> bool:
        """True of the row of what is left."""
        return self.id == UNSORTED

    @property
    def part(self) -> str:
        """Its share of the map, as text."""
        return "" if self.pixels is None else share(self.pixels, self.of)

    @property
    def spoken(self) -> str:
        """For a screen reader."""
        if self.note:
            return f"{self.name}, {self.note}"
        if self.pixels is None:
            return f"{self.name}, not counted yet"
        return f"{self.name}, {self.part}, {grouped(self.pixels)} pixels"

    @property
    def tip(self) -> str:
        """For the tooltip."""
        lines = [self.name]
        if self.pixels is not None:
            lines.append(f"{grouped(self.pixels)} pixels, {self.part} of what counts")
            if self.stale:
                lines.append("The map is being sorted anew")
        if self.rule:
            lines.append(self.rule)
        if not self.fixed:
            lines.append("Double-click the name to change it, the swatch for its colour")
            lines.append("Drag, or Alt+Up and Alt+Down, to change the order")
        return "\n".join(lines)


class _Delegate(RowDelegate):
    """Swatch, name, pixels, share; a thin bar below shows the share."""

    height = 30

    def name_rect(self, rect: QRect, index: Index) -> QRect:
        return rect.adjusted(_TEXT - 5, 2, -current().gap_2, -2)

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        row: PhaseRow = index.data(ROW)
        tokens = current()
        painter.save()
        self.ground(painter, option)
        box = QRectF(option.rect)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QColor(tokens.edge))
        painter.setBrush(QColor(*row.colour))
        painter.drawRoundedRect(QRectF(swatch_rect(option.rect)).adjusted(0.5, 0.5, -0.5, -0.5), 2, 2)
        numbers = figures(option.font)
        small = figures(option.font)
        small.setPointSizeF(tokens.type_small)
        quiet = QColor(tokens.text_off if row.stale else tokens.text_dim)
        left, right = box.left() + _TEXT, box.right() - tokens.gap_2
        name_wide = QFontMetricsF(option.font).horizontalAdvance(row.name)
        aligned = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight
        if row.note or row.pixels is None:
            words = row.note or "…"
            wide = QFontMetricsF(small).horizontalAdvance(words) + 2
            painter.setFont(small)
            painter.setPen(QColor(tokens.text_dim))
            painter.drawText(QRectF(right - wide, box.top(), wide, box.height()), aligned, words)
            right -= wide + tokens.gap_2
        else:
            metrics = QFontMetricsF(numbers)
            column = metrics.horizontalAdvance("<0.001 %")
            painter.setFont(numbers)
            painter.setPen(quiet if row.stale else QColor(tokens.text))
            painter.drawText(QRectF(right - column, box.top(), column, box.height()), aligned, row.part)
            right -= column + tokens.gap_2
            words = grouped(row.pixels)
            wide = QFontMetricsF(small).horizontalAdvance(words) + 2
            # The count gives way to the name; the share does not.
            if right - wide - tokens.gap_2 - left >= name_wide:
                painter.setFont(small)
                painter.setPen(quiet)
                painter.drawText(QRectF(right - wide, box.top(), wide, box.height()), aligned, words)
                right -= wide + tokens.gap_2
            painter.setPen(Qt.PenStyle.NoPen)
            whole = box.width() - _TEXT - tokens.gap_2
            bar = whole * row.pixels / row.of if row.of else 0.0
            painter.setBrush(QColor(tokens.mark if row.fixed else QColor(*row.colour)))
            painter.setOpacity(0.4 if row.stale else 1.0)
            if bar >= _LEAST_BAR:
                painter.drawRect(QRectF(box.left() + _TEXT, box.bottom() - 2, bar, 2))
            painter.setOpacity(1.0)
        painter.setFont(option.font)
        painter.setPen(QColor(tokens.text_dim if row.fixed else tokens.text))
        painter.drawText(
            QRectF(left, box.top(), right - left, box.height()),
            Qt.AlignmentFlag.AlignVCenter,
            QFontMetricsF(option.font).elidedText(row.name, Qt.TextElideMode.ElideRight, right - left),
        )
        painter.restore()


_TEXT = 32
"""Where names begin."""

_LEAST_BAR = 3.0
"""A shorter bar would look like dirt."""


def swatch_rect(row: QRect) -> QRect:
    """Where the swatch of a row is."""
    return QRect(row.left() + 10, row.center().y() - 6, 14, 14)


class PhaseList(RowList):
    """The phases of a scheme.

    Signals
    -------
    colour_wanted(str)
        The swatch of a phase was double-clicked.
    """

    colour_wanted = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(_Delegate(), parent, movable=True)
        self.setAccessibleName("Phases in their order")
        self.setMinimumHeight(2 * _Delegate.height)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        point = event.position().toPoint()
        row = self.row_at(point)
        if row is not None and not row.fixed and swatch_rect(self.row_rect(row.id)).contains(point):
            self.colour_wanted.emit(row.id)
            event.accept()
            return
        super().mouseDoubleClickEvent(event)

    def swatch(self, row_id: str) -> QPoint:
        """Middle of a row's swatch, in the viewport."""
        return swatch_rect(self.row_rect(row_id)).center()
