"""Every shortcut on one sheet, read from the commands themselves."""

from __future__ import annotations

from collections.abc import Iterable

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QDialog, QGridLayout, QLabel, QScrollArea, QVBoxLayout, QWidget

from viewer.panels import theme

ON_THE_MAP = (
    ("Wheel", "Zoom at the pointer"),
    ("Middle button, Space + drag", "Move the map"),
    ("Arrow keys", "Move the map by steps"),
    ("+  −  0  1", "Zoom in, out, fit, pixel for pixel"),
    ("Shift while drawing", "Keep to 0, 45, 90°"),
    ("Enter, double click", "End a polyline, a contact, a traverse"),
    ("Ctrl + click", "Go straight where a line follows an edge; take out a point while editing"),
    ("[  ]", "Make the brush or the traverse smaller, larger"),
    ("Esc", "Give up what is being drawn; then put the tool down"),
    ("Delete", "Remove the selected mark or shape; while editing, the point under the pointer"),
    ("1  2  3, R  G  B", "On the light table: send the channel under the pointer to red, green, blue"),
)


class ShortcutSheet(QDialog):
    """A list of commands and keys."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("Keyboard shortcuts")
        self.resize(560, 640)
        self._scroll = QScrollArea()
        self._scroll.setWidgetResizable(True)
        self._scroll.setFrameShape(QScrollArea.Shape.NoFrame)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(self._scroll)

    def fill(self, *groups: Iterable[QAction]) -> None:
        """List the commands that have a shortcut, then what the map answers to."""
        tokens = theme.current()
        page = QWidget()
        grid = QGridLayout(page)
        grid.setContentsMargins(tokens.gap_4, tokens.gap_4, tokens.gap_4, tokens.gap_4)
        grid.setHorizontalSpacing(tokens.gap_6)
        grid.setVerticalSpacing(tokens.gap_1)
        rows = [
            (
                action.shortcut().toString(QKeySequence.SequenceFormat.NativeText),
                action.iconText(),
            )
            for group in groups
            for action in group
            if not action.shortcut().isEmpty()
        ]
        for keys, words in (*rows, ("", "On the map"), *ON_THE_MAP):
            at = grid.rowCount()
            left, right = QLabel(keys), QLabel(words)
            right.setWordWrap(True)
            if not keys:
                right.setProperty("tone", "title")
            left.setProperty("tone", "dim")
            left.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignTop)
            grid.addWidget(left, at, 0)
            grid.addWidget(right, at, 1)
        grid.setColumnStretch(1, 1)
        grid.setRowStretch(grid.rowCount(), 1)
        self._scroll.setWidget(page)
