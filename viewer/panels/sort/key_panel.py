"""The key: one colour a phase for the whole project, and how well its colours stay apart."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QEvent, QModelIndex, QSize, Qt, Signal
from PySide6.QtGui import QColor, QKeyEvent, QPainter, QResizeEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QColorDialog,
    QComboBox,
    QCompleter,
    QFileDialog,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QPushButton,
    QStackedWidget,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.desk import keying
from viewer.desk.desk import Desk
from viewer.errors import GrainlightError
from viewer.panels import icons, theme
from viewer.panels.parts import Line
from viewer.panels.qt import is_edit_key, keep_edit_key, silenced
from viewer.panels.sort import key_model
from viewer.panels.sort.key_distances import Distances
from viewer.panels.sort.key_model import Index, KeyModel
from viewer.science.sort.key import CAUTION, EYES

VISIONS = {
    "none": "Everyone",
    "protan": "Protan: no cones for red",
    "deutan": "Deutan: no cones for green",
    "tritan": "Tritan: no cones for blue",
    "grey": "In grey",
}
_FILES = "Key (*.key.json)"
_SUFFIX = ".key.json"


class KeyPanel(QWidget):
    """Shows and edits the key of a project.

    Parameters
    ----------
    desk : Desk
    parent : QWidget, optional

    Signals
    -------
    phase_hovered(str)
        Name of the phase under the pointer, empty where there is none: it is to glow.
    """

    phase_hovered = Signal(str)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self._dialog: QColorDialog | None = None
        self.model = KeyModel(desk)
        self._build()
        desk.changed.connect(self._desk_changed)
        desk.vision_changed.connect(self._vision_changed)
        self._refresh()
        self._vision_changed(desk.vision)

    def close(self) -> bool:
        """Let the desk go."""
        self._desk.changed.disconnect(self._desk_changed, missing_ok=True)
        self._desk.vision_changed.disconnect(self._vision_changed, missing_ok=True)
        if self._dialog is not None:
            self._dialog.close()
        return super().close()

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        tokens = theme.current()
        self.view = KeyView(self.model)
        self.view.hovered.connect(self._hover)
        self.view.colour_wanted.connect(self.choose_colour)
        empty = QLabel("No phases yet. Name a population, or apply a scheme: each phase gets a colour.")
        empty.setWordWrap(True)
        empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        empty.setProperty("tone", "dim")
        empty.setContentsMargins(tokens.gap_4, tokens.gap_4, tokens.gap_4, tokens.gap_4)
        self.pages = QStackedWidget()
        self.pages.addWidget(empty)
        self.pages.addWidget(self.view)
        self.status = QLabel()
        self.status.setWordWrap(True)
        self.status.setTextFormat(Qt.TextFormat.PlainText)
        self.status.setProperty("tone", "error")
        self.status.hide()
        self.model.refused.connect(self._refuse)
        title = QLabel("Smallest distance between colours")
        title.setToolTip(
            f"CIEDE2000: 1 is just seen between patches that touch; below {CAUTION:g} phases are "
            "easily taken for each other"
        )
        self.distances = Distances()
        self.verdict = QLabel()
        self.verdict.setWordWrap(True)
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_3, tokens.gap_3, tokens.gap_3, tokens.gap_3)
        box.setSpacing(tokens.gap_2)
        box.addWidget(self.pages, 1)
        box.addWidget(self.status)
        box.addLayout(self._build_buttons())
        box.addWidget(Line())
        box.addWidget(title)
        box.addWidget(self.distances)
        box.addWidget(self.verdict)
        box.addWidget(Line())
        box.addLayout(self._build_vision())

    def _build_buttons(self) -> QHBoxLayout:
        tokens = theme.current()
        self.spread_button = _button("Spread colours", "suggest", self._spread)
        self.spread_button.setToolTip(
            "Give all phases the default colours, which stay apart in every kind of colour vision"
        )
        self.unused_button = _button("Remove unused", "trash", self._drop)
        self.import_button = _tool("Import key…", "open", self._import)
        self.import_button.setToolTip(
            "Import key…: take over the colours of a file; phases are matched by name"
        )
        self.export_button = _tool("Export key…", "export", self._export)
        self.export_button.setToolTip("Export key…: write it as a file, for other projects")
        row = QHBoxLayout()
        row.setSpacing(tokens.gap_1)
        row.addWidget(self.spread_button)
        row.addWidget(self.unused_button)
        row.addStretch(1)
        row.addWidget(self.import_button)
        row.addWidget(self.export_button)
        return row

    def _build_vision(self) -> QHBoxLayout:
        self.vision = QComboBox()
        for name, words in VISIONS.items():
            self.vision.addItem(words, name)
        self.vision.setToolTip("Show maps as such a person sees them; what is exported stays as it is")
        self.vision.activated.connect(lambda: self._desk.set_vision(self.vision.currentData()))
        label = QLabel("Show maps as seen by")
        label.setBuddy(self.vision)
        row = QHBoxLayout()
        row.setSpacing(theme.current().gap_2)
        row.addWidget(label)
        row.addWidget(self.vision, 1)
        return row

    # -- following ------------------------------------------------------------------------------

    def _desk_changed(self, document: str) -> None:
        if document in ("key", "schemes"):
            self._refresh()

    def _vision_changed(self, vision: str) -> None:
        with silenced(self.vision):
            self.vision.setCurrentIndex(self.vision.findData(vision))

    def _refresh(self) -> None:
        self.model.refresh()
        entries = self._desk.sorting.key.entries
        self.pages.setCurrentIndex(1 if entries else 0)
        unused = keying.unused(self._desk)
        found = self.distances.show_key([e for e in entries if e not in unused])
        close = [v for v in EYES if v in found and found[v].distance < CAUTION]
        if not found:
            self.verdict.setText("With two phases on maps, or more, their distances stand here.")
        elif close:
            self.verdict.setText(f"Below {CAUTION:g}, phases are easily taken for each other.")
        else:
            self.verdict.setText("All phases stay apart in every kind of colour vision.")
        self.verdict.setProperty("tone", "caution" if close else "dim")
        self.verdict.style().polish(self.verdict)
        writable = self._desk.readonly is None
        self.spread_button.setEnabled(bool(entries) and writable)
        self.unused_button.setVisible(bool(unused))
        self.unused_button.setEnabled(writable)
        self.unused_button.setToolTip(
            "Take phases out of the key that no map has: " + ", ".join(e.name for e in unused)
        )
        self.import_button.setEnabled(writable)
        self.export_button.setEnabled(bool(entries))

    def _hover(self, row: int) -> None:
        self.phase_hovered.emit(self.model.entry(row).name if row >= 0 else "")

    # -- editing --------------------------------------------------------------------------------

    def choose_colour(self, row: int) -> None:
        """Ask for the colour of a phase; maps follow while it is being chosen."""
        if self._desk.readonly is not None:
            return
        entry = self.model.entry(row)
        if self._dialog is not None:
            self._dialog.close()
        dialog = QColorDialog(QColor(entry.colour), self)
        dialog.setWindowTitle(f"Colour of {entry.name}")
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setModal(False)
        step = f"colour of {entry.name}"
        dialog.currentColorChanged.connect(
            lambda colour: self._try(
                keying.edit_entry,
                self._desk,
                f"Change the colour of {entry.name}",
                entry.name,
                merge=step,
                colour=colour.name(),
            )
        )
        dialog.rejected.connect(
            lambda: self._try(
                keying.edit_entry,
                self._desk,
                f"Change the colour of {entry.name}",
                entry.name,
                merge=step,
                colour=entry.colour,
            )
        )
        dialog.finished.connect(lambda _: self._chosen(dialog))
        self._dialog = dialog
        dialog.show()

    def _chosen(self, dialog: QColorDialog) -> None:
        self._desk.end_merge()
        if self._dialog is dialog:
            self._dialog = None

    def _spread(self) -> None:
        self._try(keying.spread, self._desk)

    def _drop(self) -> None:
        self._try(keying.drop, self._desk, keying.unused(self._desk))

    def _import(self) -> None:
        folder = str(self._desk.path.parent)
        name, _ = QFileDialog.getOpenFileName(self, "Import key", folder, f"{_FILES};;JSON (*.json)")
        if name:
            self._try(keying.import_key, self._desk, Path(name))

    def _export(self) -> None:
        start = str(self._desk.path.parent / f"{self._desk.path.name.split('.')[0]}{_SUFFIX}")
        name, _ = QFileDialog.getSaveFileName(self, "Export key", start, _FILES)
        if not name:
            return
        chosen = Path(name)
        path = chosen if chosen.suffix == ".json" else chosen.with_name(chosen.name + _SUFFIX)
        # The file dialog asked about the name as it was typed, and about no other.
        self._try(keying.export_key, self._desk, path, overwrite=path == chosen)

    def _try(self, change: Callable[..., object], *args: object, **words: object) -> None:
        try:
            change(*args, **words)
        except GrainlightError as error:
            self._refuse(str(error))
        else:
            self.status.hide()

    def _refuse(self, text: str) -> None:
        self.status.setText(text)
        self.status.show()

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange:
            self._refresh()  # signs are painted in the theme's colours


class KeyView(QTableView):
    """The table of a `KeyModel`.

    Signals
    -------
    hovered(int)
        Row under the pointer, -1 where there is none.
    colour_wanted(int)
        The swatch of a row was double-clicked, or its key pressed.
    """

    hovered = Signal(int)
    colour_wanted = Signal(int)

    def __init__(self, model: KeyModel) -> None:
        super().__init__()
        tokens = theme.current()
        self._key = model
        self._under = -1
        self.setModel(model)
        self.setAccessibleName("Key")
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setMouseTracking(True)
        self.setTabKeyNavigation(False)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setEditTriggers(
            QAbstractItemView.EditTrigger.DoubleClicked | QAbstractItemView.EditTrigger.EditKeyPressed
        )
        keep_edit_key(self)
        self.setItemDelegateForColumn(key_model.COLOUR, _SwatchDelegate(self))
        self.setItemDelegateForColumn(key_model.MINERAL, _MineralDelegate(self))
        self.setFont(theme.figures(self.font()))
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(tokens.row + tokens.gap_1)
        head = self.horizontalHeader()
        head.setHighlightSections(False)
        head.setSectionsClickable(False)
        head.setMinimumSectionSize(tokens.gap_6)
        fixed = QHeaderView.ResizeMode.Fixed
        head.setSectionResizeMode(key_model.COLOUR, fixed)
        head.setSectionResizeMode(key_model.NAME, fixed)
        head.setSectionResizeMode(key_model.MINERAL, QHeaderView.ResizeMode.Stretch)
        head.setSectionResizeMode(key_model.DENSITY, fixed)
        head.setSectionResizeMode(key_model.USED, fixed)
        metrics = self.fontMetrics()
        self.setColumnWidth(key_model.DENSITY, metrics.horizontalAdvance("g/cm³") + tokens.gap_4)
        self.setColumnWidth(key_model.USED, metrics.horizontalAdvance("Maps") + tokens.gap_4)
        self.setColumnWidth(key_model.COLOUR, 36)
        self.entered.connect(lambda index: self._point(index.row()))
        self.viewportEntered.connect(lambda: self._point(-1))
        self.doubleClicked.connect(self._double)
        model.modelReset.connect(self._fit)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        """Give names what they need; minerals have the rest, and never less than a word's room."""
        others = (key_model.COLOUR, key_model.DENSITY, key_model.USED)
        most = self.viewport().width() - sum(map(self.columnWidth, others)) - _LEAST_MINERAL
        most = max(most, 60)
        wanted = self.sizeHintForColumn(key_model.NAME) + theme.current().gap_2
        self.setColumnWidth(key_model.NAME, min(max(wanted, 60), most))

    def _double(self, index: QModelIndex) -> None:
        if index.column() == key_model.COLOUR:
            self.colour_wanted.emit(index.row())

    def event(self, event: QEvent) -> bool:
        if (
            event.type() == QEvent.Type.ShortcutOverride
            and is_edit_key(event)
            and self.currentIndex().column() == key_model.COLOUR
        ):
            # The window would take the key for itself.
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        index = self.currentIndex()
        if index.isValid() and index.column() == key_model.COLOUR and event.key() in _EDIT_KEYS:
            self.colour_wanted.emit(index.row())
            return
        super().keyPressEvent(event)

    def leaveEvent(self, event: QEvent) -> None:
        super().leaveEvent(event)
        self._point(-1)

    def _point(self, row: int) -> None:
        if row != self._under:
            self._under = row
            self.hovered.emit(row)


_LEAST_MINERAL = 88  # px

_EDIT_KEYS = (Qt.Key.Key_F2, Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Space)


class _SwatchDelegate(QStyledItemDelegate):
    """The colour of a phase, exactly as on the map."""

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        bare = QStyleOptionViewItem(option)
        self.initStyleOption(bare, index)
        bare.features &= ~QStyleOptionViewItem.ViewItemFeature.HasDecoration
        style = option.widget.style()
        style.drawPrimitive(style.PrimitiveElement.PE_PanelItemViewItem, bare, painter, option.widget)
        box = option.rect.adjusted(8, 6, -8, -6)
        painter.fillRect(box, index.data(Qt.ItemDataRole.DecorationRole))
        painter.setPen(QColor(theme.current().edge))
        painter.drawRect(box.adjusted(0, 0, -1, -1))

    def sizeHint(self, option: QStyleOptionViewItem, index: Index) -> QSize:
        return QSize(36, theme.current().row)


class _MineralDelegate(QStyledItemDelegate):
    """A line of text that offers the minerals of the table."""

    def createEditor(self, parent: QWidget, option: QStyleOptionViewItem, index: Index) -> QWidget:
        editor = QLineEdit(parent)
        completer = QCompleter(_mineral_names(), editor)
        completer.setCaseSensitivity(Qt.CaseSensitivity.CaseInsensitive)
        completer.setFilterMode(Qt.MatchFlag.MatchContains)
        editor.setCompleter(completer)
        # The open list keeps Return from the table, which would need it a second time.
        completer.activated.connect(lambda: self._finish(editor), Qt.ConnectionType.QueuedConnection)
        editor.returnPressed.connect(lambda: self._finish(editor), Qt.ConnectionType.QueuedConnection)
        return editor

    def _finish(self, editor: QLineEdit) -> None:
        if editor.isVisible():
            self.commitData.emit(editor)
            self.closeEditor.emit(editor)


@functools.cache
def _mineral_names() -> list[str]:
    from viewer.science.sort.minerals import minerals

    return sorted(m.name for m in minerals())


def _tool(words: str, sign: str, act: Callable[[], None]) -> QToolButton:
    button = QToolButton()
    button.setIcon(icons.icon(sign))
    button.setIconSize(QSize(theme.current().icon, theme.current().icon))
    button.setText(words)
    button.setAccessibleName(words)
    button.clicked.connect(lambda: act())
    return button


def _button(words: str, sign: str, act: Callable[[], None]) -> QPushButton:
    button = QPushButton(icons.icon(sign), words)
    button.setAutoDefault(False)
    button.clicked.connect(lambda: act())
    return button
