"""Suggest: thresholds, clusters and a trained forest, offered as populations and phases to accept."""

from __future__ import annotations

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QHideEvent, QKeyEvent
from PySide6.QtWidgets import QTabWidget, QVBoxLayout, QWidget

from viewer.desk.desk import Desk
from viewer.panels.sort.suggest_clusters import ClustersPage
from viewer.panels.sort.suggest_seeds import SeedsPage
from viewer.panels.sort.suggest_thresholds import ThresholdsPage
from viewer.panels.theme import current


class SuggestDialog(QWidget):
    """A window of its own that stays open beside the map.

    Parameters
    ----------
    desk : Desk
    parent : QWidget, optional
        The window stays in front of that of its parent.

    Signals
    -------
    tool_wanted(str)
        The map is to take up this tool (``paint``).
    """

    tool_wanted = Signal(str)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent, Qt.WindowType.Tool)
        tokens = current()
        self.setWindowTitle("Suggest")
        self._desk = desk
        self._map_id: str | None = None
        self._open = True
        self.thresholds = ThresholdsPage(desk, self)
        self.clusters = ClustersPage(desk, self)
        self.seeds = SeedsPage(desk, self)
        self.tabs = QTabWidget(self)
        self.tabs.setDocumentMode(True)
        for page, words, tip in (
            (self.clusters, "Clusters", "Groups of pixels that are alike in many channels"),
            (self.thresholds, "Thresholds", "Classes of one channel"),
            (self.seeds, "Painted seeds", "What a forest learns from strokes on the map"),
        ):
            self.tabs.addTab(page, words)
            self.tabs.setTabToolTip(self.tabs.count() - 1, tip)
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_3, tokens.gap_2, tokens.gap_3, tokens.gap_3)
        box.addWidget(self.tabs)
        self.seeds.paint_wanted.connect(lambda: self.tool_wanted.emit("paint"))
        desk.changed.connect(self._document_changed)
        desk.layers_changed.connect(self._layers_changed)

    def sizeHint(self) -> QSize:
        """Tall enough for a picture and a table."""
        return QSize(560, 780)

    def show_map(self, map_id: str) -> None:
        """Suggest for a map, and come to the front."""
        self.set_map(map_id)
        self.show()
        self.raise_()
        self.activateWindow()

    def set_map(self, map_id: str) -> None:
        """Suggest for a map."""
        self._map_id = map_id
        for page in (self.thresholds, self.clusters, self.seeds):
            page.set_map(map_id)

    def close(self) -> bool:
        """Stop all work and let the desk go; call before the desk is closed."""
        if self._open:
            self._open = False
            self._desk.changed.disconnect(self._document_changed, missing_ok=True)
            self._desk.layers_changed.disconnect(self._layers_changed, missing_ok=True)
            self.clusters.stop()
            self.seeds.stop()
        return super().close()

    def hideEvent(self, event: QHideEvent) -> None:
        """Put away, however that was done, it leaves nothing lit."""
        if self._map_id is not None and self._map_id in self._desk.maps and self._open:
            self._desk.douse(self._map_id)
        super().hideEvent(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Escape puts the window away."""
        if event.key() == Qt.Key.Key_Escape:
            self.hide()
        else:
            super().keyPressEvent(event)

    def _document_changed(self, document: str) -> None:
        if document in ("schemes", "key"):
            self.seeds.show_seeds()

    def _layers_changed(self, map_id: str) -> None:
        if map_id == self._map_id:
            self.set_map(map_id)
