"""The empty preview: where to drop files, and what can be dropped."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QMimeData, QRect, Qt, Signal
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from viewer.panels import theme


def dropped_paths(mime: QMimeData) -> list[str]:
    """Local files and folders in what is being dropped."""
    return [url.toLocalFile() for url in mime.urls() if url.isLocalFile()]


class DropPage(QWidget):
    """Says what to do; lights its edge while files hang over it.

    Signals
    -------
    folder_wanted(), files_wanted()
        The user would rather pick them from a list.
    """

    folder_wanted = Signal()
    files_wanted = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._lit = False
        tokens = theme.current()
        title = QLabel("Drop a folder or files here")
        title.setProperty("tone", "title")
        kinds = QLabel(
            "One file a channel, or many channels in a file: TIFF, OME-TIFF, PNG, text grids,\n"
            "NumPy arrays, HDF5 and NeXus, spectrum cubes. Nothing is written before you say so."
        )
        kinds.setProperty("tone", "dim")
        for label in (title, kinds):
            label.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.folder_button = QPushButton("Choose folder…")
        self.folder_button.setToolTip("Gather every image in a folder")
        self.folder_button.clicked.connect(self.folder_wanted)
        self.files_button = QPushButton("Choose files…")
        self.files_button.setToolTip("Gather single files")
        self.files_button.clicked.connect(self.files_wanted)
        buttons = QHBoxLayout()
        buttons.setSpacing(tokens.gap_2)
        buttons.addStretch(1)
        buttons.addWidget(self.folder_button)
        buttons.addWidget(self.files_button)
        buttons.addStretch(1)
        column = QVBoxLayout(self)
        column.setSpacing(tokens.gap_3)
        column.addStretch(1)
        column.addWidget(title)
        column.addWidget(kinds)
        column.addLayout(buttons)
        column.addStretch(1)

    def set_lit(self, lit: bool) -> None:
        """Show that what hangs over the window can be dropped."""
        if lit != self._lit:
            self._lit = lit
            self.update()

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange:
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        tokens = theme.current()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        pen = QPen(QColor(tokens.accent if self._lit else tokens.edge))
        pen.setStyle(Qt.PenStyle.SolidLine if self._lit else Qt.PenStyle.DashLine)
        painter.setPen(pen)
        painter.setBrush(QColor(tokens.sunken))
        rect = QRect(self.rect()).adjusted(1, 1, -1, -1)
        painter.drawRoundedRect(rect, tokens.radius, tokens.radius)
