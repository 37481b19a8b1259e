"""A field for a length in µm that may be empty: it never makes up a number."""

from __future__ import annotations

import math

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QLineEdit, QWidget


def parse_length(text: str) -> float | None:
    """Read a number with a decimal point or comma; None where there is none.

    Examples
    --------
    >>> parse_length("12,5"), parse_length(" 20 µm"), parse_length("1,000.5"), parse_length("x")
    (12.5, 20.0, None, None)
    """
    bare = text.strip().removesuffix("m").rstrip("µμu").strip().replace(",", ".")
    try:
        value = float(bare)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def write_length(value: float | None) -> str:
    """Write a length so that it reads back as nearly the same number, without idle digits."""
    return "" if value is None else f"{value:.9g}"


class LengthEdit(QLineEdit):
    """Emits `value_edited` with a number or None as the user types."""

    value_edited = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setMaxLength(16)
        self.textEdited.connect(lambda text: self.value_edited.emit(parse_length(text)))

    @property
    def value(self) -> float | None:
        """The number in the field, None where there is none."""
        return parse_length(self.text())

    def show_value(self, value: float | None) -> None:
        """Show a number; a text that means the same already is left as it is typed."""
        if self.value != value:
            self.setText(write_length(value))
