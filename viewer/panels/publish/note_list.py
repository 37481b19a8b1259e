"""What the author of a picture should know, one line each."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QEvent, Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QVBoxLayout, QWidget

from viewer.panels import icons, theme
from viewer.plates.written import Note


class NoteList(QWidget):
    """Cautions with a sign first, then how the picture is made."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._notes: tuple[Note, ...] = ()
        self._lines: list[QWidget] = []
        self._box = QVBoxLayout(self)
        self._box.setContentsMargins(0, 0, 0, 0)
        self._box.setSpacing(theme.current().gap_2)

    @property
    def notes(self) -> tuple[Note, ...]:
        """What is shown, in this order."""
        return self._notes

    def set_notes(self, notes: Sequence[Note]) -> None:
        """Show notes in place of those before."""
        ordered = tuple(sorted(notes, key=lambda note: note.level != "caution"))
        if ordered != self._notes:
            self._notes = ordered
            self._fill()

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange and self._notes:
            self._fill()

    def _fill(self) -> None:
        for line in self._lines:
            self._box.removeWidget(line)
            line.hide()
            line.deleteLater()
        self._lines = [self._line(note) for note in self._notes]
        for line in self._lines:
            self._box.addWidget(line)

    def _line(self, note: Note) -> QWidget:
        tokens = theme.current()
        caution = note.level == "caution"
        line = QWidget(self)
        row = QHBoxLayout(line)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(tokens.gap_2)
        sign, colour = ("warning", tokens.caution) if caution else ("info", tokens.text_dim)
        picture = QLabel(line)
        ratio = self.devicePixelRatioF()
        picture.setPixmap(icons.pixmap(sign, tokens.icon_small, colour, ratio))
        words = QLabel(note.text, line)
        words.setTextFormat(Qt.TextFormat.PlainText)
        words.setWordWrap(True)
        words.setProperty("tone", "caution" if caution else "dim")
        words.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        row.addWidget(picture, 0, Qt.AlignmentFlag.AlignTop)
        row.addWidget(words, 1)
        return line
