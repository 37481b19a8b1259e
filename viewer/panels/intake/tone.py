"""Set the properties by which the style sheet colours words and fields."""

from __future__ import annotations

from PySide6.QtWidgets import QLabel, QLineEdit, QWidget


def set_tone(label: QLabel, tone: str) -> None:
    """Show a label's words as ``dim``, ``caution`` or ``error``."""
    _set(label, "tone", tone)


def set_wrong(edit: QLineEdit, wrong: bool) -> None:
    """Mark a field whose text cannot be used."""
    _set(edit, "wrong", wrong)


def _set(widget: QWidget, name: str, value: object) -> None:
    if widget.property(name) != value:
        widget.setProperty(name, value)
        # The style sheet is asked anew only when the widget is polished.
        widget.style().unpolish(widget)
        widget.style().polish(widget)
