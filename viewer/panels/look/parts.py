"""Small parts that several panels of the look bench share."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QDragEnterEvent,
    QDragLeaveEvent,
    QDropEvent,
    QFont,
    QFontMetricsF,
    QKeyEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
)
from PySide6.QtWidgets import (
    QLabel,
    QMenu,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels import icons
from viewer.panels.look.ink import Ink
from viewer.panels.look.layers import LayerEntry, details, dragged, ordered
from viewer.panels.theme import current


def tool_button(
    icon: str,
    text: str,
    tip: str,
    parent: QWidget,
    *,
    checkable: bool = False,
) -> QToolButton:
    """Make a flat button with a tooltip.

    Parameters
    ----------
    icon : str
        Name of an icon that stands in place of the text; empty for the text.
    """
    button = QToolButton(parent)
    button.setText(text)
    if icon:
        button.setIcon(icons.icon(icon))
        button.setIconSize(QSize(current().icon_small, current().icon_small))
    button.setToolTip(tip)
    button.setAccessibleName(tip.split(" (")[0])
    button.setCheckable(checkable)
    button.setAutoRaise(True)
    button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    return button


class Title(QWidget):
    """A name with a chip of its colour; cut short with an ellipsis where room is short."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._text = ""
        self._colour: QColor | None = None
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)

    @property
    def text(self) -> str:
        """The name in full."""
        return self._text

    def set(self, text: str, colour: QColor | None = None) -> None:
        """Show a name, with a chip where a colour is given."""
        if (text, colour) == (self._text, self._colour):
            return
        self._text, self._colour = text, colour
        self.setToolTip(text)
        self.setAccessibleName(text)
        self.update()

    def sizeHint(self) -> QSize:
        return QSize(60, 20)

    def minimumSizeHint(self) -> QSize:
        return QSize(30, 20)

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        x = 0
        if self._colour is not None:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(self._colour)
            painter.drawRoundedRect(QRectF(0, self.height() / 2 - 5, 10, 10), 2, 2)
            x = 15
        font = self.font()
        font.setBold(True)
        painter.setFont(font)
        painter.setPen(Ink.now().text)
        room = self.width() - x
        text = QFontMetricsF(font).elidedText(self._text, Qt.TextElideMode.ElideRight, room)
        painter.drawText(QRectF(x, 0, room, self.height()), Qt.AlignmentFlag.AlignVCenter, text)


def layer_menu(
    layers: Iterable[LayerEntry],
    chosen: str | None,
    parent: QWidget,
    *,
    empty: str = "",
) -> QMenu:
    """Menu of layers by name, channels first; each action's data is the layer's id.

    Parameters
    ----------
    empty : str
        Text of a last entry whose data is the empty string; no such entry where this is empty.
    """
    menu = QMenu(parent)
    menu.setToolTipsVisible(True)
    kind = None
    for layer in ordered(layers, "name"):
        if kind is not None and layer.kind != kind:
            menu.addSeparator()
        kind = layer.kind
        sign = "  (flagged)" if layer.warned else ""
        action = menu.addAction(f"{layer.name}{sign}".replace("&", "&&"))
        action.setData(layer.id)
        action.setCheckable(True)
        action.setChecked(layer.id == chosen)
        action.setEnabled(layer.ready)
        action.setToolTip(details(layer))
    if menu.isEmpty():
        menu.addAction("No layers yet: gather maps first").setEnabled(False)
    if empty:
        menu.addSeparator()
        action = menu.addAction(empty)
        action.setData("")
        action.setEnabled(chosen is not None)
    return menu


class LayerButton(QToolButton):
    """Shows a layer, offers the others in a menu, and takes a layer that is dropped on it.

    Signals
    -------
    chosen(str)
        Id of the layer chosen; the empty string for none.
    """

    chosen = Signal(str)

    def __init__(self, parent: QWidget | None = None, *, empty: str = "") -> None:
        super().__init__(parent)
        self._layers: tuple[LayerEntry, ...] = ()
        self._layer: str | None = None
        self._empty = empty
        self._hot = False
        self.setAcceptDrops(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.clicked.connect(self.open_menu)

    @property
    def layer(self) -> str | None:
        """Id of the layer shown."""
        return self._layer

    def set_layers(self, layers: Iterable[LayerEntry]) -> None:
        """Set what the menu offers."""
        self._layers = tuple(layers)
        self.update()

    def set_layer(self, layer_id: str | None) -> None:
        """Show a layer; says nothing back."""
        self._layer = layer_id or None
        self.update()

    def entry(self) -> LayerEntry | None:
        """The layer shown, as listed."""
        return next((x for x in self._layers if x.id == self._layer), None)

    def open_menu(self) -> None:
        """Offer the layers below the button."""
        menu = layer_menu(self._layers, self._layer, self, empty=self._empty)
        menu.triggered.connect(lambda action: self.chosen.emit(str(action.data() or "")))
        menu.popup(self.mapToGlobal(self.rect().bottomLeft()))

    def sizeHint(self) -> QSize:
        return QSize(120, 26)

    def minimumSizeHint(self) -> QSize:
        return QSize(60, 26)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Down, Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.open_menu()
        else:
            super().keyPressEvent(event)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if dragged(event.mimeData()) is not None:
            self._hot = True
            self.update()
            event.acceptProposedAction()

    def dragLeaveEvent(self, event: QDragLeaveEvent) -> None:
        self._hot = False
        self.update()

    def dropEvent(self, event: QDropEvent) -> None:
        self._hot = False
        self.update()
        layer_id = dragged(event.mimeData())
        if layer_id is not None:
            event.acceptProposedAction()
            self.chosen.emit(layer_id)

    def paintEvent(self, event: QPaintEvent) -> None:
        ink = Ink.now()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        box = QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5)
        lit = self._hot or self.hasFocus() or self.underMouse()
        style = Qt.PenStyle.SolidLine if self._layer or self._hot else Qt.PenStyle.DashLine
        painter.setPen(QPen(ink.accent if self._hot or self.hasFocus() else ink.line, 1.0, style))
        painter.setBrush(ink.ground)
        painter.drawRoundedRect(box, 3, 3)
        entry = self.entry()
        arrow = 16
        room = box.adjusted(8, 0, -arrow - 4, 0)
        painter.setPen(ink.text if entry is not None else ink.dim)
        metrics = QFontMetricsF(self.font())
        text = entry.name if entry is not None else "Drop or choose a layer"
        side = ""
        if entry is not None and entry.element_name not in ("", entry.name):
            side = entry.element_name
        elif self._layer is not None and entry is None:
            text = "Layer is gone"
        name = metrics.elidedText(text, Qt.TextElideMode.ElideRight, room.width())
        painter.drawText(room, Qt.AlignmentFlag.AlignVCenter, name)
        used = metrics.horizontalAdvance(name) + 8
        if side and used + metrics.horizontalAdvance(side) <= room.width():
            painter.setPen(ink.dim)
            painter.drawText(room.adjusted(used, 0, 0, 0), Qt.AlignmentFlag.AlignVCenter, side)
        pen = QPen(ink.text if lit else ink.dim, 1.4)
        painter.setPen(pen)
        x, y = box.right() - arrow / 2 - 3, box.center().y()
        painter.drawPolyline([QPointF(x - 3.5, y - 2), QPointF(x, y + 1.8), QPointF(x + 3.5, y - 2)])


class FlagList(QWidget):
    """What the quality checks found in a layer, in words."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._box = QVBoxLayout(self)
        self._box.setContentsMargins(0, 0, 0, 0)
        self._box.setSpacing(current().gap_1)
        self._labels: list[QLabel] = []

    def texts(self) -> list[str]:
        """The sentences shown."""
        return [label.text() for label in self._labels]

    def set_entry(self, entry: LayerEntry | None) -> None:
        """Show the flags of a layer."""
        for label in self._labels:
            self._box.removeWidget(label)
            label.hide()
            label.deleteLater()
        self._labels = []
        if entry is None:
            return
        if not entry.flags:
            self._add("No faults were found in this layer.", "dim")
        for flag in entry.flags:
            self._add(flag.words, {"info": "dim"}.get(flag.severity, flag.severity))

    def _add(self, text: str, tone: str) -> None:
        label = QLabel(text, self)
        label.setWordWrap(True)
        label.setProperty("tone", tone)
        label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self._box.addWidget(label)
        self._labels.append(label)


def paint_flag(painter: QPainter, box: QRectF, *, grave: bool) -> None:
    """Draw the warning triangle of a flagged layer."""
    tokens = current()
    colour = tokens.error if grave else tokens.caution
    ratio = painter.device().devicePixelRatio()
    painter.drawPixmap(box.topLeft(), _flag_picture(colour, round(box.width()), ratio))


@lru_cache(maxsize=16)
def _flag_picture(colour: str, side: int, ratio: float) -> QPixmap:
    return icons.pixmap("warning", side, colour, ratio)


def paint_badge(painter: QPainter, box: QRectF, colour: QColor, text: str, font: QFont) -> None:
    """Draw a letter on its slot's colour."""
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    painter.drawRoundedRect(box, 2, 2)
    painter.setFont(font)
    painter.setPen(QColor(0, 0, 0))
    painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
    painter.restore()
