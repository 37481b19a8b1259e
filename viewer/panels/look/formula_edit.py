"""A field for a formula over layers that says at once what is wrong, and where."""

from __future__ import annotations

from collections.abc import Iterable

from PySide6.QtCore import QSize, Qt, QTimer, Signal
from PySide6.QtGui import QColor, QFontDatabase, QTextCharFormat, QTextCursor
from PySide6.QtWidgets import QLabel, QPlainTextEdit, QTextEdit, QVBoxLayout, QWidget

from viewer.panels.qt import set_property
from viewer.panels.theme import current
from viewer.science.sort.expression import Expression, ExpressionError, parse, quote


class FormulaEdit(QWidget):
    """Formula with live check.

    Signals
    -------
    checked(object)
        The parsed `Expression`, or None where the formula cannot be read.
    """

    checked = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._names: tuple[str, ...] = ()
        self._parsed: Expression | None = None
        self.edit = _Field(self)
        self.edit.setPlaceholderText("Mg / (Mg + Fe)")
        self.edit.setToolTip(
            "A formula over layers. Double-click a layer or a function below to insert it"
        )
        self.edit.setAccessibleName("Formula")
        self.edit.setTabChangesFocus(True)
        self.edit.setFont(QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont))
        self.message = QLabel(self)
        self.message.setWordWrap(True)
        # Room for three lines is kept, so that nothing below jumps while a formula is typed.
        self.message.setMinimumHeight(3 * self.message.fontMetrics().height() + 2)
        self.message.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(current().gap_1)
        box.addWidget(self.edit)
        box.addWidget(self.message)
        self._wait = QTimer(self)
        self._wait.setSingleShot(True)
        self._wait.setInterval(150)
        self._wait.timeout.connect(self.check)
        self.edit.textChanged.connect(self._wait.start)
        self.setFocusProxy(self.edit)

    @property
    def expression(self) -> Expression | None:
        """The formula as read, None where it cannot be."""
        return self._parsed

    def text(self) -> str:
        """The formula as typed."""
        return self.edit.toPlainText()

    def set_text(self, text: str) -> None:
        """Type a formula."""
        self.edit.setPlainText(text)
        self.check()

    def set_names(self, names: Iterable[str]) -> None:
        """Set the names that a formula may use."""
        self._names = tuple(names)
        if self.text():
            self.check()

    def insert_name(self, name: str) -> None:
        """Write a layer's name where the cursor is, in brackets if it needs them."""
        self._insert(quote(name))

    def insert_function(self, function: str) -> None:
        """Write a function with its parentheses, the cursor between them."""
        cursor = self.edit.textCursor()
        chosen = cursor.selectedText()
        cursor.insertText(f"{function}({chosen})")
        if not chosen:
            cursor.movePosition(QTextCursor.MoveOperation.Left)
        self.edit.setTextCursor(cursor)
        self.edit.setFocus()

    def check(self) -> None:
        """Read the formula now."""
        self._wait.stop()
        text = self.text()
        self._parsed = None
        wrong: int | None = None
        if not text.strip():
            self._say("Type a formula, for example Mg / (Mg + Fe).", "dim")
        else:
            try:
                self._parsed = parse(text, self._names)
            except ExpressionError as error:
                wrong = error.position
                advice = f" {error.advice}" if error.advice else ""
                self._say(f"Character {error.position + 1}: {error.what}{advice}", "error")
            else:
                self._say(f"Reads: {self._parsed}", "dim")
        self._underline(wrong)
        self.checked.emit(self._parsed)

    def _say(self, text: str, tone: str) -> None:
        self.message.setText(text)
        set_property(self.message, "tone", tone)

    def _underline(self, at: int | None) -> None:
        marks = []
        if at is not None:
            text = self.text()
            start = min(at, max(0, len(text) - 1))
            end = start + 1
            while end < len(text) and (text[end].isalnum() or text[end] == "_"):
                end += 1
            cursor = self.edit.textCursor()
            cursor.setPosition(start)
            cursor.setPosition(end, QTextCursor.MoveMode.KeepAnchor)
            shape = QTextCharFormat()
            shape.setUnderlineStyle(QTextCharFormat.UnderlineStyle.WaveUnderline)
            shape.setUnderlineColor(QColor(current().error))
            mark = QTextEdit.ExtraSelection()
            mark.cursor = cursor
            mark.format = shape
            marks.append(mark)
        self.edit.setExtraSelections(marks)

    def _insert(self, text: str) -> None:
        cursor = self.edit.textCursor()
        before = self.text()[: cursor.selectionStart()]
        lead = " " if before and not before[-1].isspace() and before[-1] not in "([" else ""
        cursor.insertText(lead + text)
        self.edit.setFocus()


class _Field(QPlainTextEdit):
    def sizeHint(self) -> QSize:
        return QSize(240, 3 * self.fontMetrics().lineSpacing() + 14)

    def minimumSizeHint(self) -> QSize:
        return QSize(120, 2 * self.fontMetrics().lineSpacing() + 14)


def main() -> None:
    """Show the field alone."""
    from viewer.panels.look.trial import show

    def build() -> QWidget:
        field = FormulaEdit()
        field.set_names(["Mg", "Fe", "Fe Ka1"])
        field.set_text("Mg / (Mg + Fee)")
        return field

    show(build)


if __name__ == "__main__":
    main()
