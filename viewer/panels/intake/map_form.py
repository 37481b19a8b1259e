"""Name and pixel size of the map to be made."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QCheckBox, QGridLayout, QHBoxLayout, QLabel, QLineEdit, QWidget

from viewer.panels import theme
from viewer.panels.intake.draft import Draft, pixel_caution, pixel_problem, stated_pixel, why_nothing
from viewer.panels.intake.length_edit import LengthEdit
from viewer.panels.qt import set_property, silenced

_FIELD = 88

LABELS = 128
"""Width of the labels before the fields, here and below the table."""


class MapForm(QWidget):
    """Fields for the name and the pixel size, with a line that says where the size comes from.

    Signals
    -------
    name_edited(str)
    pixel_edited(object, object)
        Width and height of a pixel (µm), None where the field holds no number.
    insist_toggled(bool)
        The user says that an absurd pixel size is meant.
    """

    name_edited = Signal(str)
    pixel_edited = Signal(object, object)
    insist_toggled = Signal(bool)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self.name_edit = QLineEdit()
        self.name_edit.setMaxLength(200)
        self.name_edit.setToolTip("What the map is called in the project")
        self.name_edit.textEdited.connect(self.name_edited)
        self.pixel_x, self.pixel_y = LengthEdit(), LengthEdit()
        for edit, side in ((self.pixel_x, "Width"), (self.pixel_y, "Height")):
            edit.setFixedWidth(_FIELD)
            edit.setToolTip(f"{side} of a pixel in µm")
            edit.setAccessibleName(f"{side} of a pixel in µm")
            edit.value_edited.connect(self._edited)
        self.square = QCheckBox("Square")
        self.square.setChecked(True)
        self.square.setToolTip("Pixels are as high as they are wide")
        self.square.toggled.connect(self._square_toggled)
        self.hint = QLabel()
        self.insist = QCheckBox("It is meant")
        self.insist.setToolTip("Gather with this pixel size all the same")
        self.insist.clicked.connect(self.insist_toggled)

        name_label, pixel_label = QLabel("Map &name"), QLabel("&Pixel size")
        name_label.setBuddy(self.name_edit)
        pixel_label.setBuddy(self.pixel_x)
        pixel_row = QHBoxLayout()
        pixel_row.setSpacing(tokens.gap_2)
        for item in (self.pixel_x, QLabel("×"), self.pixel_y, QLabel("µm"), self.square):
            pixel_row.addWidget(item)
        pixel_row.addSpacing(tokens.gap_2)
        pixel_row.addWidget(self.hint)
        pixel_row.addWidget(self.insist)
        pixel_row.addStretch(1)
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(tokens.gap_3)
        grid.setVerticalSpacing(tokens.gap_2)
        grid.addWidget(name_label, 0, 0)
        grid.addWidget(self.name_edit, 0, 1)
        grid.addWidget(pixel_label, 1, 0)
        grid.addLayout(pixel_row, 1, 1)
        grid.setColumnMinimumWidth(0, LABELS)
        grid.setColumnStretch(1, 1)

    def clear(self) -> None:
        """Empty all fields, whatever was typed in them."""
        for edit in (self.name_edit, self.pixel_x, self.pixel_y):
            edit.clear()

    def show_draft(self, draft: Draft, *, own_pixel: bool) -> None:
        """Show a draft.

        Parameters
        ----------
        own_pixel : bool
            The pixel size was given here, and no longer follows the files.
        """
        if self.name_edit.text() != draft.map_name:
            self.name_edit.setText(draft.map_name)
        if not own_pixel:
            with silenced(self.square):
                self.square.setChecked(draft.pixel_x == draft.pixel_y)
        self.pixel_x.show_value(draft.pixel_x)
        self.pixel_y.show_value(draft.pixel_y)
        self.pixel_y.setEnabled(not self.square.isChecked())
        # With files of several sizes the size to gather is asked for first.
        asked = own_pixel or draft.shape is not None
        for edit, value in ((self.pixel_x, draft.pixel_x), (self.pixel_y, draft.pixel_y)):
            set_property(edit, "wrong", asked and bool(pixel_problem(value)))
        self.insist.setVisible(bool(pixel_caution(draft.pixel_x, draft.pixel_y)))
        self.insist.setChecked(draft.insist)
        text, tone = pixel_words(draft, own_pixel=own_pixel)
        self.hint.setText(text)
        set_property(self.hint, "tone", tone)

    def _edited(self) -> None:
        x = self.pixel_x.value
        self.pixel_edited.emit(x, x if self.square.isChecked() else self.pixel_y.value)

    def _square_toggled(self, on: bool) -> None:
        self.pixel_y.setEnabled(not on)
        if on:
            self._edited()


def pixel_words(draft: Draft, *, own_pixel: bool) -> tuple[str, str]:
    """Say where the pixel size comes from or what is wrong with it, and in which tone."""
    wrong = pixel_problem(draft.pixel_x) or pixel_problem(draft.pixel_y)
    if own_pixel and wrong:
        return wrong, "error"
    if caution := pixel_caution(draft.pixel_x, draft.pixel_y):
        return caution, "caution"
    if not own_pixel and draft.lines and (why := why_nothing(draft)):
        return why, "caution"
    if draft.shape is None and not own_pixel:
        return "Choose first which size to gather.", "caution"
    stated, words = stated_pixel(draft)
    if not own_pixel:
        return words, "caution" if wrong else "dim"
    if stated is None or stated == (draft.pixel_x, draft.pixel_y):
        return "As given here.", "dim"
    said = f"{stated.x:.6g}" if stated.x == stated.y else f"{stated.x:.6g} × {stated.y:.6g}"
    return f"As given here; the files say {said} µm.", "caution"
