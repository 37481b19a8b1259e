"""The cleaning of a phase: what is done to its pixels after sorting, and what that did."""

from __future__ import annotations

import math

from msgspec.structs import replace
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QDoubleSpinBox, QGridLayout, QLabel, QSpinBox, QWidget

from viewer.panels.look.digits import grouped
from viewer.panels.parts import inset
from viewer.panels.qt import ElidedLabel, silenced
from viewer.panels.sort.cleaning_area import AreaBox, area_note, area_text
from viewer.panels.theme import current
from viewer.science.sort.clean import CleaningReport
from viewer.science.sort.scheme import Cleaning

BOX = 88
"""Width of the boxes: «4000 µm²» and the arrows."""


def label_width(widget: QWidget) -> int:
    """Width of the labels of the forms, so that the boxes of all stand below each other."""
    return widget.fontMetrics().horizontalAdvance("Fill holes up to") + current().gap_1


class CleaningForm(QWidget):
    """Edits the cleaning of one phase; the steps stand in the order in which they are done.

    Signals
    -------
    cleaning_changed(object)
        The new cleaning.
    """

    cleaning_changed = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self._cleaning = Cleaning()
        self._pixel_um = (1.0, 1.0)
        self.majority = inset(_OddBox(self))
        self.majority.setToolTip(
            "Each pixel takes the phase that most pixels of a window around it have: smooths "
            "ragged edges and takes single pixels away"
        )
        self.opening = inset(QSpinBox(self))
        self.opening.setRange(0, 25)
        self.opening.setSpecialValueText("off")
        self.opening.setSuffix(" px")
        self.opening.setKeyboardTracking(False)
        self.opening.setToolTip("Threads and bridges thinner than twice this radius are taken off")
        self.holes = inset(AreaBox(self))
        self.holes.setToolTip("Holes in the phase up to this area are filled")
        self.least = inset(AreaBox(self))
        self.least.setToolTip("Grains smaller than this area are given up")
        self.notes: dict[str, ElidedLabel] = {}
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(tokens.gap_2)
        grid.setVerticalSpacing(tokens.gap_1)
        rows: tuple[tuple[str, str, QSpinBox | QDoubleSpinBox], ...] = (
            ("majority", "&Majority filter", self.majority),
            ("opening", "&Opening by", self.opening),
            ("holes", "&Fill holes up to", self.holes),
            ("least", "&Least grain", self.least),
        )
        for at, (name, text, box) in enumerate(rows):
            label = QLabel(text, self)
            label.setBuddy(box)
            note = ElidedLabel("", self)
            note.setProperty("tone", "dim")
            self.notes[name] = note
            grid.addWidget(label, at, 0)
            grid.addWidget(box, at, 1)
            grid.addWidget(note, at, 2)
            box.setFixedWidth(BOX)
            box.valueChanged.connect(self._edited)
        grid.setColumnMinimumWidth(0, label_width(self))
        grid.setColumnStretch(2, 1)
        self.report = QLabel(self)
        self.report.setWordWrap(True)
        self.report.setProperty("tone", "dim")
        self.report.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        grid.addWidget(self.report, 4, 0, 1, 3)
        self._describe()

    @property
    def cleaning(self) -> Cleaning:
        """The cleaning as shown."""
        return self._cleaning

    def show_cleaning(self, cleaning: Cleaning, pixel_um: tuple[float, float]) -> None:
        """Show a cleaning; says nothing back."""
        self._cleaning, self._pixel_um = cleaning, pixel_um
        area = pixel_um[0] * pixel_um[1]
        with silenced(self.majority, self.opening, self.holes, self.least):
            self.majority.setValue(cleaning.majority_px)
            self.opening.setValue(cleaning.opening_px)
            for box, value in ((self.holes, cleaning.holes_um2), (self.least, cleaning.least_um2)):
                box.setSingleStep(area)
                if box.value() != value:
                    box.setValue(value)
        self._describe()

    def show_report(self, report: CleaningReport | None, *, stale: bool = False) -> None:
        """Show what the cleaning did.

        Parameters
        ----------
        report : CleaningReport or None
            None before the map is sorted, and where nothing is cleaned.
        stale : bool
            The map is being sorted anew.
        """
        self.report.setText(report_text(report) + (" …" if stale and report else ""))
        self.report.setVisible(report is not None)

    def _edited(self) -> None:
        edited = replace(
            self._cleaning,
            majority_px=self.majority.value(),
            opening_px=self.opening.value(),
            holes_um2=self.holes.value(),
            least_um2=self.least.value(),
        )
        if edited != self._cleaning:
            self._cleaning = edited
            self._describe()
            self.cleaning_changed.emit(edited)

    def _describe(self) -> None:
        cleaning, pixel = self._cleaning, self._pixel_um
        self.notes["majority"].setText(
            _wide(cleaning.majority_px, pixel) if cleaning.majority_px else ""
        )
        self.notes["opening"].setText(
            f"under {_wide(2 * cleaning.opening_px + 1, pixel)}" if cleaning.opening_px else ""
        )
        self.notes["holes"].setText(area_note(cleaning.holes_um2, pixel))
        self.notes["least"].setText(area_note(cleaning.least_um2, pixel))


class _OddBox(QSpinBox):
    """Odd windows from 3 pixels, or none."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setRange(0, 51)
        self.setSpecialValueText("off")
        self.setSuffix(" px")
        self.setKeyboardTracking(False)
        self.valueChanged.connect(self._make_odd)

    def stepBy(self, steps: int) -> None:
        value = self.value() + 2 * steps
        self.setValue(0 if value < 2 else max(3, value | 1))

    def _make_odd(self, value: int) -> None:
        if value and (value < 3 or value % 2 == 0):
            self.setValue(max(3, value | 1))


def cleaning_words(cleaning: Cleaning) -> str:
    """A cleaning in a few words."""
    parts = []
    if cleaning.majority_px:
        parts.append(f"majority of {cleaning.majority_px} px")
    if cleaning.opening_px:
        parts.append(f"opening by {cleaning.opening_px} px")
    if cleaning.holes_um2:
        parts.append(f"holes to {area_text(cleaning.holes_um2)}")
    if cleaning.least_um2:
        parts.append(f"grains from {area_text(cleaning.least_um2)}")
    return ", ".join(parts) or "off"


def report_text(report: CleaningReport | None) -> str:
    """What a cleaning did, in a sentence."""
    if report is None:
        return ""
    text = f"{grouped(report.before)} px before, {grouped(report.after)} px after."
    did = []
    if report.grains_given_up:
        did.append(f"{_many(report.grains_given_up, 'grain')} given up")
    if report.holes_filled:
        did.append(f"{_many(report.holes_filled, 'hole')} filled")
    return f"{text} {' and '.join(did).capitalize()}." if did else text


def _many(count: int, what: str) -> str:
    return f"{grouped(count)} {what}{'s' if count != 1 else ''}"


def _wide(pixels: int, pixel_um: tuple[float, float]) -> str:
    return f"{pixels * math.sqrt(pixel_um[0] * pixel_um[1]):.3g} µm"
