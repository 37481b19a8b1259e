"""The list of what can be measured: a question each."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QPoint, QRect, QSize, Qt, Signal
from PySide6.QtGui import QColor, QEnterEvent, QFont, QKeyEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QAbstractButton, QFrame, QLabel, QScrollArea, QVBoxLayout, QWidget

from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.measure.forms import GROUPS
from viewer.panels.qt import plain_tip
from viewer.science.measure.kind import Kind
from viewer.science.measure.registry import KINDS


class KindsList(QScrollArea):
    """Lists kinds of measurement by group.

    Signals
    -------
    chosen(str)
        Kind that the user wants to measure.
    """

    chosen = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.rows: dict[str, KindRow] = {}
        body = QWidget()
        column = QVBoxLayout(body)
        column.setContentsMargins(0, 0, tokens.gap_1, 0)
        column.setSpacing(0)
        for group, kinds in GROUPS:
            column.addSpacing(tokens.gap_2 if column.count() else 0)
            if len(kinds) > 1:  # one alone says by itself what it is
                title = QLabel(group)
                title.setProperty("tone", "dim")
                column.addWidget(title)
            for name in kinds:
                row = self.rows[name] = KindRow(KINDS[name])
                row.clicked.connect(lambda _on=False, n=name: self.chosen.emit(n))
                column.addWidget(row)
        column.addStretch(1)
        self.setWidget(body)


class KindRow(QAbstractButton):
    """One kind: its icon, its name and the question that it answers."""

    def __init__(self, kind: Kind) -> None:
        super().__init__()
        self.kind = kind
        self.setText(kind.title)
        self.setIcon(icon(f"measure-{kind.name}"))
        self.setAccessibleName(kind.title)
        self.setAccessibleDescription(kind.question)
        shows = f"\n\nShows: {kind.figure}." if kind.figure else ""
        self.setToolTip(plain_tip(f"{kind.question}\n\n{kind.method}{shows}"))
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setCursor(Qt.CursorShape.PointingHandCursor)

    def sizeHint(self) -> QSize:
        tokens = theme.current()
        return QSize(280, 2 * self.fontMetrics().lineSpacing() + 2 * tokens.gap_1)

    def minimumSizeHint(self) -> QSize:
        return QSize(160, self.sizeHint().height())

    def paintEvent(self, event: QPaintEvent) -> None:
        tokens = theme.current()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        box = self.rect().adjusted(0, 0, -1, -1)
        ground = tokens.pressed if self.isDown() else tokens.hover if self.underMouse() else ""
        if ground:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(ground))
            painter.drawRoundedRect(box, tokens.radius, tokens.radius)
        if self.hasFocus():
            painter.setPen(QColor(tokens.accent))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRoundedRect(box, tokens.radius, tokens.radius)
        side = tokens.icon
        at = QRect(QPoint(tokens.gap_2, (self.height() - side) // 2), QSize(side, side))
        self.icon().paint(painter, at)
        arrow = tokens.icon_small
        end = self.width() - tokens.gap_1 - arrow
        icon("chevron-right").paint(
            painter, QRect(QPoint(end, (self.height() - arrow) // 2), QSize(arrow, arrow))
        )
        left = at.right() + tokens.gap_3
        line = self.fontMetrics().lineSpacing()
        upper = (self.height() - 2 * line) // 2
        room = end - left - tokens.gap_1
        bold = QFont(self.font())
        bold.setWeight(QFont.Weight.DemiBold)
        for words, colour, font, top in (
            (self.kind.title, tokens.text, bold, upper),
            (self.kind.question, tokens.text_dim, self.font(), upper + line),
        ):
            painter.setFont(font)
            painter.setPen(QColor(colour))
            cut = painter.fontMetrics().elidedText(words, Qt.TextElideMode.ElideRight, room)
            painter.drawText(QRect(left, top, room, line), int(Qt.AlignmentFlag.AlignVCenter), cut)

    def enterEvent(self, event: QEnterEvent) -> None:
        super().enterEvent(event)
        self.update()

    def leaveEvent(self, event: QEvent) -> None:
        super().leaveEvent(event)
        self.update()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.click()
        else:
            super().keyPressEvent(event)
