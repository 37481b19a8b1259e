"""Maps and, below them, the layers of the map in view."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from PySide6.QtCore import (
    QAbstractListModel,
    QEvent,
    QMimeData,
    QModelIndex,
    QPersistentModelIndex,
    QPoint,
    QPointF,
    QRect,
    QRectF,
    QSignalBlocker,
    QSize,
    QSortFilterProxyModel,
    Qt,
    Signal,
)
from PySide6.QtGui import QFont, QFontMetricsF, QKeyEvent, QMouseEvent, QPainter, QPixmap
from PySide6.QtWidgets import (
    QAbstractItemView,
    QLabel,
    QLineEdit,
    QListView,
    QListWidget,
    QListWidgetItem,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QVBoxLayout,
    QWidget,
)

from viewer.panels import icons
from viewer.panels.look.ink import CHANNELS, Ink
from viewer.panels.look.layers import MIME, LayerEntry, details, mime
from viewer.panels.look.menus import cell_menu
from viewer.panels.look.parts import paint_badge, paint_flag
from viewer.panels.theme import current, figures

Index = QModelIndex | QPersistentModelIndex
ENTRY = int(Qt.ItemDataRole.UserRole)
SWATCH = ENTRY + 1
SLOTS_ROLE = ENTRY + 2

_EYE = 22

NARROWEST = 180
"""Width at which a swatch, a badge and a name of usual length still stand side by side."""


@dataclass(frozen=True)
class MapEntry:
    """A map, as the list shows it."""

    id: str
    name: str
    note: str = ""


class LayerModel(QAbstractListModel):
    """The layers of a map, with their swatches and the slots they are in."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._entries: list[LayerEntry] = []
        self._swatches: dict[str, QPixmap] = {}
        self._slots: tuple[str | None, ...] = (None, None, None)

    def set_entries(self, entries: Iterable[LayerEntry]) -> None:
        """Show these layers."""
        self.beginResetModel()
        self._entries = list(entries)
        self.endResetModel()

    def set_swatch(self, layer_id: str, picture: QPixmap) -> None:
        """Small picture of a layer."""
        self._swatches[layer_id] = picture
        self._tell(SWATCH)

    def set_slots(self, slots: tuple[str | None, ...]) -> None:
        """Which layers are red, green and blue."""
        if slots != self._slots:
            self._slots = slots
            self._tell(SLOTS_ROLE)

    def row_of(self, layer_id: str | None) -> int | None:
        """Row of a layer."""
        return next((i for i, e in enumerate(self._entries) if e.id == layer_id), None)

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self._entries)

    def data(self, index: Index, role: int = int(Qt.ItemDataRole.DisplayRole)) -> Any:
        if not index.isValid():
            return None
        entry = self._entries[index.row()]
        if role == Qt.ItemDataRole.DisplayRole:
            return entry.name
        if role == Qt.ItemDataRole.ToolTipRole:
            return details(entry)
        if role == Qt.ItemDataRole.AccessibleTextRole:
            flagged = "".join(f", {flag.words}" for flag in entry.flags)
            return f"{entry.name}, {entry.range_text}{flagged}"
        if role == ENTRY:
            return entry
        if role == SWATCH:
            return self._swatches.get(entry.id)
        if role == SLOTS_ROLE:
            return tuple(i for i, slot in enumerate(self._slots) if slot == entry.id)
        return None

    def flags(self, index: Index) -> Qt.ItemFlag:
        return super().flags(index) | Qt.ItemFlag.ItemIsDragEnabled

    def mimeTypes(self) -> list[str]:
        return [MIME]

    def mimeData(self, indexes: Any) -> QMimeData:
        return mime(self._entries[indexes[0].row()].id)

    def _tell(self, role: int) -> None:
        if self._entries:
            self.dataChanged.emit(self.index(0), self.index(len(self._entries) - 1), [role])


class _Filter(QSortFilterProxyModel):
    """Keeps the layers whose name, element, line or flags hold every word that was typed."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._words: list[str] = []

    def set_text(self, text: str) -> None:
        self._words = text.casefold().split()
        self.invalidate()

    def filterAcceptsRow(self, row: int, parent: Index) -> bool:
        model = self.sourceModel()
        entry: LayerEntry = model.data(model.index(row, 0, parent), ENTRY)
        held = " ".join(
            (entry.name, entry.element, entry.element_name, entry.line,
             *(flag.short for flag in entry.flags))
        ).casefold()  # fmt: skip
        return all(word in held for word in self._words)


class _Row(QStyledItemDelegate):
    """Paints one layer: swatch, slots, name, element, range, flag; an eye under the mouse."""

    def sizeHint(self, option: QStyleOptionViewItem, index: Index) -> QSize:
        return QSize(160, current().row + 4)

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        entry: LayerEntry = index.data(ENTRY)
        ink, tokens = Ink.now(), current()
        box = QRectF(option.rect)
        chosen = bool(option.state & QStyle.StateFlag.State_Selected)
        hovered = bool(option.state & QStyle.StateFlag.State_MouseOver)
        painter.save()
        if chosen:
            painter.fillRect(box, ink.select)
        elif hovered:
            painter.fillRect(box, tokens.hover)
        swatch = QRectF(box.left() + 6, box.center().y() - 9, 30, 18)
        picture: QPixmap | None = index.data(SWATCH)
        painter.fillRect(swatch, ink.map_ground)
        if picture is not None:
            painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
            painter.drawPixmap(swatch, picture, QRectF(picture.rect()))
        left, right = swatch.right() + 7, box.right() - 8
        small = figures(option.font)
        small.setPointSizeF(tokens.type_small)
        bold = QFont(small)
        bold.setBold(True)
        metrics, small_metrics = QFontMetricsF(option.font), QFontMetricsF(small)
        name_wide = metrics.horizontalAdvance(entry.name)
        slots = index.data(SLOTS_ROLE)
        taken = 18 if entry.warned else 0
        # Where room is short the badges lie on the swatch: the name is what a layer is known by.
        beside = right - taken - left >= name_wide + 17 * len(slots)
        at = left if beside else swatch.left()
        for slot in slots:
            badge = QRectF(at, box.center().y() - 7, 14, 14)
            paint_badge(painter, badge, CHANNELS[slot], "RGB"[slot], bold)
            at += 17 if beside else 8
        if beside:
            left = at
        if hovered:
            side, ratio = tokens.icon_small, painter.device().devicePixelRatio()
            eye = QRectF(eye_rect(option.rect)).center() - QPointF(side / 2, side / 2)
            painter.drawPixmap(eye, _eye_picture(tokens.text, side, ratio))
            right -= _EYE - 2
        if entry.warned:
            paint_flag(
                painter,
                QRectF(right - 15, box.center().y() - 8, 16, 16),
                grave=entry.grave,
            )
            right -= 18
        name_font = QFont(option.font)
        held = entry.range_text
        wide = small_metrics.horizontalAdvance(held)
        element = entry.element_name
        words = name_wide
        if element:
            words += 6 + small_metrics.horizontalAdvance(element)
        # Name, then element, then range: what does not fit is left out from the end.
        if right - left >= words + wide + 10:
            painter.setFont(small)
            painter.setPen(ink.dim)
            painter.drawText(
                QRectF(right - wide, box.top(), wide + 1, box.height()),
                Qt.AlignmentFlag.AlignVCenter, held,
            )  # fmt: skip
            right -= wide + 8
        room = right - left
        painter.setFont(name_font)
        painter.setPen(ink.text if entry.ready else ink.dim)
        name: str = metrics.elidedText(entry.name, Qt.TextElideMode.ElideRight, room)
        painter.drawText(
            QRectF(left, box.top(), room, box.height()), Qt.AlignmentFlag.AlignVCenter, name
        )
        left += metrics.horizontalAdvance(name) + 6
        if element and right - left >= small_metrics.horizontalAdvance(element):
            painter.setFont(small)
            painter.setPen(ink.dim)
            painter.drawText(
                QRectF(left, box.top(), right - left, box.height()),
                Qt.AlignmentFlag.AlignVCenter, element,
            )  # fmt: skip
        painter.restore()


@lru_cache(maxsize=16)
def _eye_picture(colour: str, side: int, ratio: float) -> QPixmap:
    return icons.pixmap("eye", side, colour, ratio)


def eye_rect(row: QRect) -> QRect:
    """Where the eye of a row is."""
    return QRect(row.right() - _EYE - 4, row.top(), _EYE, row.height())


class _View(QListView):
    """The list of layers; keys 1, 2 and 3 send the current one to a colour."""

    slot_requested = Signal(str, int)
    opened = Signal(str)
    hovered = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setMouseTracking(True)
        self.setUniformItemSizes(True)
        self.setDragEnabled(True)
        self.setDragDropMode(QAbstractItemView.DragDropMode.DragOnly)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        self.setItemDelegate(_Row(self))
        self._at: str | None = None

    def entry_at(self, index: Index) -> LayerEntry | None:
        """The layer of a row."""
        return index.data(ENTRY) if index.isValid() else None

    def keyPressEvent(self, event: QKeyEvent) -> None:
        entry = self.entry_at(self.currentIndex())
        slots = {Qt.Key.Key_1: 0, Qt.Key.Key_2: 1, Qt.Key.Key_3: 2}
        if entry is not None and event.key() in slots:
            self.slot_requested.emit(entry.id, slots[Qt.Key(event.key())])
        elif entry is not None and event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.opened.emit(entry.id)
        else:
            super().keyPressEvent(event)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        index = self.indexAt(event.position().toPoint())
        entry = self.entry_at(index)
        if (
            entry is not None
            and event.button() == Qt.MouseButton.LeftButton
            and eye_rect(self.visualRect(index)).contains(event.position().toPoint())
        ):
            self.setCurrentIndex(index)
            self.opened.emit(entry.id)
            event.accept()
            return
        super().mousePressEvent(event)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        super().mouseMoveEvent(event)
        self._hover(self.entry_at(self.indexAt(event.position().toPoint())))

    def leaveEvent(self, event: QEvent) -> None:
        super().leaveEvent(event)
        self._hover(None)

    def _hover(self, entry: LayerEntry | None) -> None:
        layer_id = None if entry is None else entry.id
        if layer_id != self._at:
            self._at = layer_id
            self.hovered.emit(layer_id)


class ChannelList(QWidget):
    """Left side of the window.

    Signals
    -------
    map_chosen(str), layer_chosen(str)
        A row was clicked or reached with the arrow keys.
    layer_opened(str)
        To be shown alone: double click, Enter, or the eye.
    slot_requested(str, int)
        To be red (0), green (1) or blue (2).
    hovered(object)
        Id of the layer under the mouse, or None.
    remove_requested(str)
        A derived layer is to be removed.
    """

    map_chosen = Signal(str)
    layer_chosen = Signal(str)
    layer_opened = Signal(str)
    slot_requested = Signal(str, int)
    hovered = Signal(object)
    remove_requested = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self.maps = QListWidget(self)
        self.maps.setAccessibleName("Maps")
        self.maps.setToolTip("Maps of this project; click one to look at it")
        self.maps.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.maps.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.filter = QLineEdit(self)
        self.filter.setPlaceholderText("Filter by name, element or flag")
        self.filter.setClearButtonEnabled(True)
        self.filter.setToolTip("Show only layers whose name, element or flag holds these words")
        self.model = LayerModel(self)
        self._filter = _Filter(self)
        self._filter.setSourceModel(self.model)
        self.view = _View(self)
        self.view.setAccessibleName("Channels and derived layers")
        self.view.setModel(self._filter)
        self.note = QLabel(self.view)
        self.note.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.note.setWordWrap(True)
        self.note.setProperty("tone", "dim")
        cover = QVBoxLayout(self.view)
        cover.addWidget(self.note)
        self.note.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)

        box = QVBoxLayout(self)
        box.setContentsMargins(0, tokens.gap_2, 0, 0)
        box.setSpacing(tokens.gap_1)
        for text, part in (("Maps", self.maps), ("Channels", self.filter)):
            label = QLabel(text, self)
            label.setProperty("tone", "title")
            label.setContentsMargins(tokens.gap_2, tokens.gap_1, 0, 0)
            label.setBuddy(part)
            box.addWidget(label)
            if part is self.filter:
                holder = QVBoxLayout()
                holder.setContentsMargins(tokens.gap_2, 0, tokens.gap_2, 0)
                holder.addWidget(part)
                box.addLayout(holder)
            else:
                box.addWidget(part)
        box.addWidget(self.view, 1)

        self.maps.currentItemChanged.connect(self._choose_map)
        self.filter.textChanged.connect(self._filter.set_text)
        self.filter.textChanged.connect(lambda: self._note())
        self.view.selectionModel().currentChanged.connect(self._choose_layer)
        self.view.doubleClicked.connect(lambda index: self.layer_opened.emit(index.data(ENTRY).id))
        self.view.opened.connect(self.layer_opened)
        self.view.slot_requested.connect(self.slot_requested)
        self.view.hovered.connect(self.hovered)
        self.view.customContextMenuRequested.connect(self._menu)
        self._quiet = False
        self.setMinimumWidth(NARROWEST)
        self.set_maps((), None)
        self.set_layers(())

    def sizeHint(self) -> QSize:
        return QSize(260, 600)

    def set_maps(self, maps: Iterable[MapEntry], chosen: str | None) -> None:
        """Show the maps of the project; says nothing back."""
        with QSignalBlocker(self.maps):
            self.maps.clear()
            for entry in maps:
                item = QListWidgetItem(entry.name)
                item.setData(ENTRY, entry.id)
                item.setToolTip(f"{entry.name}\n{entry.note}" if entry.note else entry.name)
                self.maps.addItem(item)
                if entry.id == chosen:
                    self.maps.setCurrentItem(item)
        rows = min(max(1, self.maps.count()), 5)
        self.maps.setFixedHeight(rows * current().row + 4)
        self._note()

    def set_layers(self, layers: Iterable[LayerEntry]) -> None:
        """Show the layers of the map; the chosen one stays chosen."""
        before = self.current_layer()
        self._quiet = True
        self.model.set_entries(layers)
        self.set_current(before)
        self._quiet = False
        self._note()

    def set_slots(self, slots: tuple[str | None, str | None, str | None]) -> None:
        """Mark which layers are red, green and blue."""
        self.model.set_slots(slots)

    def set_swatch(self, layer_id: str, picture: QPixmap) -> None:
        """Small picture of a layer."""
        self.model.set_swatch(layer_id, picture)

    def set_current(self, layer_id: str | None) -> None:
        """Mark a layer; says nothing back."""
        row = self.model.row_of(layer_id)
        quiet, self._quiet = self._quiet, True
        index = self._filter.mapFromSource(self.model.index(row)) if row is not None else None
        self.view.setCurrentIndex(index if index is not None else QModelIndex())
        self._quiet = quiet

    def current_layer(self) -> str | None:
        """Id of the layer that is marked."""
        entry = self.view.entry_at(self.view.currentIndex())
        return None if entry is None else entry.id

    def row_rect(self, layer_id: str) -> QRect:
        """A layer's row in the view's viewport."""
        row = self.model.row_of(layer_id)
        assert row is not None
        return self.view.visualRect(self._filter.mapFromSource(self.model.index(row)))

    def _note(self) -> None:
        if not self.maps.count() and not self.model.rowCount():
            text = "No maps yet. Gather element maps to begin."
        elif self.model.rowCount() and not self._filter.rowCount():
            text = "No layer holds these words."
        else:
            text = ""
        self.note.setText(text)
        self.note.setVisible(bool(text))

    def _choose_map(self, item: QListWidgetItem | None) -> None:
        if item is not None:
            self.map_chosen.emit(item.data(ENTRY))

    def _choose_layer(self, index: QModelIndex) -> None:
        entry = self.view.entry_at(index)
        if entry is not None and not self._quiet:
            self.layer_chosen.emit(entry.id)

    def _menu(self, pos: QPoint) -> None:
        entry = self.view.entry_at(self.view.indexAt(pos))
        if entry is None:
            return
        menu = cell_menu(
            entry,
            self,
            alone=lambda: self.layer_opened.emit(entry.id),
            slot=lambda n: self.slot_requested.emit(entry.id, n),
            remove=lambda: self.remove_requested.emit(entry.id),
        )
        menu.popup(self.view.viewport().mapToGlobal(pos))


def main() -> None:
    """Show the list with made-up layers."""
    from viewer.panels.look.trial import Trial, show

    def build() -> QWidget:
        trial = Trial()
        panel = ChannelList()
        panel.set_maps([MapEntry("front", "Front face"), MapEntry("back", "Back face")], "front")
        panel.set_layers(trial.layers)
        panel.set_slots(("Fe", "Mg", "Ca"))
        panel.resize(260, 620)
        return panel

    show(build)


if __name__ == "__main__":
    main()
