"""The window without a project: what to do first."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt, Signal, SignalInstance
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.qt import ElidedLabel

COLUMN = 520


class Welcome(QWidget):
    """Three ways to begin, and the projects opened last.

    Signals
    -------
    gather_wanted(), open_wanted(), demo_wanted()
    recent_wanted(str)
        Path of a project.
    """

    gather_wanted = Signal()
    open_wanted = Signal()
    demo_wanted = Signal()
    recent_wanted = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        title = QLabel("Gather element maps to begin")
        title.setProperty("tone", "title")
        words = QLabel(
            "Drop a folder of maps here: one file per element, or one file with all of them. "
            "TIFF, OME-TIFF, PNG, text grids, NumPy, HDF5 and ISO 5820 are read. "
            "Nothing is written before you have seen what was recognised."
        )
        words.setWordWrap(True)
        words.setProperty("tone", "dim")
        self.gather = QPushButton("Gather maps…")
        self.gather.setDefault(True)
        self.gather.setToolTip("Choose files or a folder of element maps (Ctrl+G)")
        self.open = QPushButton("Open project…")
        self.open.setToolTip("Open a .maps.h5 project (Ctrl+O)")
        self.demo = QPushButton("Make the demo slab…")
        self.demo.setToolTip("Make the maps of an invented sill and open them; takes a minute")
        buttons = QHBoxLayout()
        buttons.setSpacing(tokens.gap_2)
        for button, name, signal in (
            (self.gather, "gather", self.gather_wanted),
            (self.open, "open", self.open_wanted),
            (self.demo, "look", self.demo_wanted),
        ):
            button.setIcon(icon(name))
            button.clicked.connect(signal)
            buttons.addWidget(button)
        buttons.addStretch(1)
        self.opening = QLabel()
        self.opening.setTextFormat(Qt.TextFormat.PlainText)
        self._recent_title = QLabel("Recent projects")
        self._recent_title.setProperty("tone", "title")
        self._recent = QVBoxLayout()
        self._recent.setSpacing(0)
        self._entries: list[_Entry] = []
        column = QWidget()
        column.setFixedWidth(COLUMN)
        inside = QVBoxLayout(column)
        inside.setSpacing(tokens.gap_2)
        inside.addWidget(title)
        inside.addWidget(words)
        inside.addSpacing(tokens.gap_2)
        inside.addLayout(buttons)
        inside.addWidget(self.opening)
        inside.addSpacing(tokens.gap_3)
        inside.addWidget(self._recent_title)
        inside.addLayout(self._recent)
        # Stretches and no alignment: an aligned widget is not given the height of wrapped text.
        middle = QHBoxLayout()
        middle.addStretch(1)
        middle.addWidget(column)
        middle.addStretch(1)
        outer = QVBoxLayout(self)
        outer.addStretch(2)
        outer.addLayout(middle)
        outer.addStretch(3)
        self.set_recent([])

    def set_opening(self, text: str) -> None:
        """Say which project is being opened; empty for none."""
        self.opening.setText(text)

    def set_recent(self, paths: list[str]) -> None:
        """List the projects opened last."""
        for entry in self._entries:
            entry.deleteLater()
        self._entries = [_Entry(path, self.recent_wanted) for path in paths]
        self._recent_title.setVisible(bool(paths))
        for entry in self._entries:
            self._recent.addWidget(entry)


class _Entry(QWidget):
    """A project's name as a button, and its folder."""

    def __init__(self, path: str, wanted: SignalInstance) -> None:
        super().__init__()
        tokens = theme.current()
        name = QPushButton(Path(path).name.removesuffix(".maps.h5"))
        name.setFlat(True)
        name.setCursor(Qt.CursorShape.PointingHandCursor)
        name.setToolTip(f"Open {path}")
        name.clicked.connect(lambda: wanted.emit(path))
        folder = ElidedLabel(str(Path(path).parent), mode=Qt.TextElideMode.ElideMiddle)
        folder.setProperty("tone", "dim")
        line = QHBoxLayout(self)
        line.setContentsMargins(0, 0, 0, 0)
        line.setSpacing(tokens.gap_2)
        line.addWidget(name)
        line.addWidget(folder, 1)
