"""Draws a candidate's cell: a line of text and, where there is one, a quieter line under it."""

from __future__ import annotations

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QRect, QSize, Qt
from PySide6.QtGui import QColor, QFontMetrics, QPainter
from PySide6.QtWidgets import QApplication, QStyle, QStyledItemDelegate, QStyleOptionViewItem

from viewer.panels import theme
from viewer.panels.intake.table import NAME, SECOND_ROLE, THUMB, TONE_ROLE

Index = QModelIndex | QPersistentModelIndex


class CandidateDelegate(QStyledItemDelegate):
    """Lets the style draw background, check box and thumbnail, and sets the text itself."""

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        self.initStyleOption(option, index)
        text, second = option.text, index.data(SECOND_ROLE) or ""
        option.text = ""
        # Every name starts at the same place, whether its thumbnail is there yet or not.
        if index.column() == NAME:
            option.decorationSize = QSize(*THUMB)
            option.features |= QStyleOptionViewItem.ViewItemFeature.HasDecoration
        widget = option.widget
        style = widget.style() if widget is not None else QApplication.style()
        where = self._text_rect(style, option, index)
        style.drawControl(QStyle.ControlElement.CE_ItemViewItem, option, painter, widget)
        painter.save()
        painter.setFont(option.font)
        painter.setPen(_ink(index.data(TONE_ROLE)))
        metrics = QFontMetrics(option.font)
        if second:
            upper = QRect(where.left(), where.center().y() - metrics.height(), where.width(), 0)
            upper.setHeight(metrics.height())
            _line(painter, metrics, upper, text)
            lower = upper.translated(0, metrics.height())
            painter.setPen(_ink("quiet"))
            _line(painter, metrics, lower, second)
        else:
            _wrapped(painter, metrics, where, text)
        painter.restore()

    def _text_rect(self, style: QStyle, option: QStyleOptionViewItem, index: Index) -> QRect:
        rect = QRect(option.rect)
        margin = theme.current().gap_2
        if index.column() == NAME:
            box = style.pixelMetric(QStyle.PixelMetric.PM_IndicatorWidth)
            rect.setLeft(rect.left() + box + THUMB[0] + 2 * margin + margin // 2)
        else:
            rect.setLeft(rect.left() + margin)
        rect.setRight(rect.right() - margin // 2)
        return rect

    def sizeHint(self, option: QStyleOptionViewItem, index: Index) -> QSize:
        hint = super().sizeHint(option, index)
        return QSize(hint.width(), THUMB[1] + theme.current().gap_2)


def _ink(tone: str | None) -> QColor:
    tokens = theme.current()
    inks = {"quiet": tokens.text_dim, "caution": tokens.caution, "error": tokens.error}
    return QColor(inks.get(tone or "plain", tokens.text))


def _line(painter: QPainter, metrics: QFontMetrics, rect: QRect, text: str) -> None:
    cut = metrics.elidedText(text, Qt.TextElideMode.ElideRight, rect.width())
    painter.drawText(rect, int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter), cut)


def _wrapped(painter: QPainter, metrics: QFontMetrics, rect: QRect, text: str) -> None:
    """Set text on one line, or on two where it is long; what does not fit is cut with dots."""
    if metrics.horizontalAdvance(text) <= rect.width():
        _line(painter, metrics, rect, text)
        return
    first = ""
    rest = text.split(" ")
    while rest and metrics.horizontalAdvance(f"{first} {rest[0]}".strip()) <= rect.width():
        first = f"{first} {rest.pop(0)}".strip()
    if not first:
        _line(painter, metrics, rect, text)
        return
    height = metrics.height()
    upper = QRect(rect.left(), rect.center().y() - height, rect.width(), height)
    _line(painter, metrics, upper, first)
    _line(painter, metrics, upper.translated(0, height), " ".join(rest))
