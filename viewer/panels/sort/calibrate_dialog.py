"""Calibrate: counts to weight per cent by reference points, and ratios of cations in moles."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec
from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDoubleSpinBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSpinBox,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.desk import calibrating
from viewer.desk.desk import Desk
from viewer.errors import GrainlightError, InputError
from viewer.panels.latest import Latest
from viewer.panels.parts import inset
from viewer.panels.qt import set_property
from viewer.panels.sort.calibrate_plot import LinePlot
from viewer.panels.sort.calibrate_table import PointModel, PointTable
from viewer.panels.theme import current
from viewer.science.sort.calibration import Calibration, CalibrationLine, Standard, calibrate
from viewer.science.sort.detection import WORDS


class CalibrateDialog(QWidget):
    """A window of its own that stays open beside the map.

    Every change of the points is an undo step of the project; the layer that was made by them follows.

    Parameters
    ----------
    desk : Desk
    parent : QWidget, optional
    """

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent, Qt.WindowType.Tool)
        tokens = current()
        self.setWindowTitle("Calibrate")
        self._desk = desk
        self._map_id = ""
        self._open = True
        self._line: CalibrationLine | None = None
        self._latest = Latest(self)
        self._latest.failed.connect(lambda _, why: self._say(why, "error"))
        self.tabs = QTabWidget(self)
        self.tabs.setDocumentMode(True)
        self.tabs.addTab(self._line_page(), "Weight %")
        self.tabs.addTab(self._ratio_page(), "Ratios in moles")
        self.note = QLabel(self)
        self.note.setWordWrap(True)
        self.note.setTextFormat(Qt.TextFormat.PlainText)
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_3, tokens.gap_2, tokens.gap_3, tokens.gap_3)
        box.setSpacing(tokens.gap_2)
        box.addWidget(self.tabs, 1)
        box.addWidget(self.note)
        self.resize(self.sizeHint())
        desk.changed.connect(self._document_changed)
        desk.layers_changed.connect(self._layers_changed)

    def sizeHint(self) -> QSize:
        """Room for the table and both plots."""
        return QSize(640, 780)

    # -- building -------------------------------------------------------------------------------

    def _line_page(self) -> QWidget:
        tokens = current()
        page = QWidget(self)
        self.channel = QComboBox(page)
        self.channel.setToolTip("Channel to calibrate")
        self.course = QComboBox(page)
        self.course.addItem("With a blank", "blank")
        self.course.addItem("Through zero", "zero")
        self.course.setToolTip("Counts at 0 %: fitted, or taken as none")
        self.weights = QComboBox(page)
        self.weights.addItem("By their errors", "errors")
        self.weights.addItem("All alike", "equal")
        self.weights.setToolTip("How much each point counts for the line")
        self.convention = QComboBox(page)
        self.convention.addItem("Paired blank", "paired")
        self.convention.addItem("Well-known blank", "known")
        for index, words in enumerate(WORDS.values()):
            self.convention.setItemData(index, words, Qt.ItemDataRole.ToolTipRole)
        self.convention.setToolTip("Convention of the detection limit (Currie 1968)")
        self.model = PointModel()
        self.model.edited.connect(self._points_edited)
        self.model.refused.connect(lambda why: self._say(why, "error"))
        self.table = PointTable(self.model, page)
        self.table.setMinimumHeight(120)
        self.add = self._button("Add point", "Add a point to type into", self._add)
        self.remove = self._button(
            "Remove", "Take the chosen points away (Del)", self.table.remove_chosen
        )
        self.read = self._button(
            "Read CSV…", "Points with weight per cents: places (x_um, y_um) or phases", self._read
        )
        self.radius = inset(QDoubleSpinBox(page))
        self.radius.setRange(0.0, 100_000.0)
        self.radius.setDecimals(1)
        self.radius.setSuffix(" µm")
        self.radius.setValue(100.0)
        self.radius.setToolTip("Counts of a place are the mean over this radius")
        self.plot = LinePlot(page)
        self.result = QLabel(page)
        self.result.setWordWrap(True)
        self.result.setTextFormat(Qt.TextFormat.PlainText)
        self.result.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.cautions = QLabel(page)
        self.cautions.setWordWrap(True)
        self.cautions.setTextFormat(Qt.TextFormat.PlainText)
        set_property(self.cautions, "tone", "caution")
        self.pixels = inset(QSpinBox(page))
        self.pixels.setRange(1, 1_000_000)
        self.pixels.setValue(100)
        self.pixels.setToolTip("Pixels that a mean is taken over, for its detection limit")
        self.pixels.valueChanged.connect(self._tell)
        self.make = self._button(
            "Make layer", "Make the layer in weight %, or bring it up to date", self._make
        )
        self.make.setProperty("kind", "primary")

        top = QFormLayout()
        top.addRow("Channel", self.channel)
        choices = QHBoxLayout()
        choices.setSpacing(tokens.gap_2)
        for part in (self.course, self.weights, self.convention):
            choices.addWidget(part, 1)
            part.activated.connect(self._choice_edited)
        top.addRow("Line, weights, limit", choices)
        row = QHBoxLayout()
        row.setSpacing(tokens.gap_2)
        for button in (self.add, self.remove, self.read):
            row.addWidget(button)
        row.addStretch(1)
        row.addWidget(QLabel("Radius", page))
        row.addWidget(self.radius)
        foot = QHBoxLayout()
        foot.setSpacing(tokens.gap_2)
        foot.addWidget(QLabel("Limit for a mean of", page))
        foot.addWidget(self.pixels)
        foot.addWidget(QLabel("pixels", page))
        foot.addStretch(1)
        foot.addWidget(self.make)
        box = QVBoxLayout(page)
        box.setContentsMargins(0, tokens.gap_2, 0, 0)
        box.setSpacing(tokens.gap_2)
        box.addLayout(top)
        box.addWidget(self.table, 2)
        box.addLayout(row)
        box.addWidget(self.plot, 3)
        box.addWidget(self.result)
        box.addWidget(self.cautions)
        box.addLayout(foot)
        self.channel.activated.connect(self._show)
        return page

    def _ratio_page(self) -> QWidget:
        page = QWidget(self)
        self.above = QLineEdit("Mg", page)
        self.above.setToolTip("Elements above the line, with + between them")
        self.below = QLineEdit("Mg + Fe", page)
        self.below.setToolTip("Elements below the line, with + between them")
        self.ready = QLabel(page)
        self.ready.setTextFormat(Qt.TextFormat.PlainText)
        self.ready.setWordWrap(True)
        set_property(self.ready, "tone", "dim")
        self.make_ratio = self._button("Make layer", "Make the ratio as a layer", self._make_ratio)
        self.make_ratio.setProperty("kind", "primary")
        form = QFormLayout(page)
        form.setContentsMargins(0, current().gap_2, 0, 0)
        form.addRow("Above the line", self.above)
        form.addRow("Below the line", self.below)
        form.addRow(self.ready)
        row = QHBoxLayout()
        row.addStretch(1)
        row.addWidget(self.make_ratio)
        form.addRow(row)
        return page

    def _button(self, words: str, tip: str, act: Callable[[], None]) -> QPushButton:
        button = QPushButton(words, self)
        button.setToolTip(tip)
        button.clicked.connect(lambda: act())
        return button

    # -- what the bench asks for -----------------------------------------------------------------

    def show_map(self, map_id: str) -> None:
        """Calibrate a map, and come to the front."""
        self.set_map(map_id)
        self.show()
        self.raise_()
        self.activateWindow()

    def set_map(self, map_id: str) -> None:
        """Calibrate a map."""
        before = self.channel.currentData() if map_id == self._map_id else None
        self._map_id = map_id
        self.channel.clear()
        for layer in self._desk.maps[map_id].channels.values():
            self.channel.addItem(layer.name, layer.id)
        if before is not None:
            self.channel.setCurrentIndex(max(0, self.channel.findData(before)))
        self._say("", "dim")
        self._show()

    def close(self) -> bool:
        """Let the desk go; call before the desk is closed."""
        if self._open:
            self._open = False
            self._latest.stop()
            self._desk.changed.disconnect(self._document_changed, missing_ok=True)
            self._desk.layers_changed.disconnect(self._layers_changed, missing_ok=True)
        return super().close()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Escape puts the window away."""
        if event.key() == Qt.Key.Key_Escape:
            self.hide()
        else:
            super().keyPressEvent(event)

    def _document_changed(self, document: str) -> None:
        if document in ("calibrations", "derived") and self._map_id in self._desk.maps:
            self._show()

    def _layers_changed(self, map_id: str) -> None:
        if map_id == self._map_id and map_id in self._desk.maps:
            self.set_map(map_id)

    # -- what is shown --------------------------------------------------------------------------

    @property
    def layer(self) -> str:
        """Id of the channel; empty where there is none."""
        return self.channel.currentData() or ""

    def calibration(self) -> Calibration:
        """The calibration as the project has it."""
        if not self.layer:
            return Calibration()
        return calibrating.calibration_of(self._desk, self._map_id, self.layer)

    def _show(self) -> None:
        calibration = self.calibration()
        for box, value in (
            (self.course, calibration.line),
            (self.weights, calibration.weights),
            (self.convention, calibration.convention),
        ):
            box.setCurrentIndex(box.findData(value))
        why = ""
        try:
            self._line = calibrate(calibration)
        except InputError as error:
            self._line, why = None, f"{error.what} {error.hint or ''}".strip()
        self.model.show(calibration.standards, self._line)
        self.plot.show_line(calibration.standards, self._line)
        self.plot.setVisible(bool(calibration.standards))
        self.make.setEnabled(self._line is not None and self._desk.readonly is None)
        self.result.setText(why)
        self._tell()
        there = calibrating.calibrated(self._desk, self._map_id)
        self.ready.setText(
            "Calibrated: " + ", ".join(there) + "." if there
            else "No element is calibrated yet: make layers in weight % first."
        )
        self.make_ratio.setEnabled(bool(there) and self._desk.readonly is None)

    def _tell(self) -> None:
        line = self._line
        if line is None:
            self.cautions.setText("")
            self.cautions.hide()
            return
        n = self.pixels.value()
        one, mean = line.detection_percent(), line.detection_percent(n)
        chi2 = line.fit.reduced_chi2
        words = [
            f"Sensitivity {line.sensitivity:.4g} ± {line.sensitivity_error:.2g} counts per wt%"
            f" (standard errors); blank {line.blank:.4g} ± {line.blank_error:.2g} counts",
            f"Reduced chi² {chi2:.2g} with {line.fit.freedom} degrees of freedom"
            if chi2 is not None else f"{line.fit.freedom} degrees of freedom",
            f"Detection limit {one:.2g} wt% for a pixel, {mean:.2g} wt% for a mean of {n:,}"
            f" ({WORDS[line.convention]})",
        ]
        self.result.setText(".\n".join(words) + ".")
        self.cautions.setText(" ".join(line.cautions()))
        self.cautions.show()

    def _say(self, text: str, tone: str) -> None:
        self.note.setText(text)
        self.note.setVisible(bool(text))
        set_property(self.note, "tone", tone)

    # -- what the user does ----------------------------------------------------------------------

    def _points_edited(self, points: tuple[Standard, ...]) -> None:
        self._set(msgspec.structs.replace(self.calibration(), standards=points))

    def _choice_edited(self) -> None:
        self._set(
            msgspec.structs.replace(
                self.calibration(),
                line=self.course.currentData(),
                weights=self.weights.currentData(),
                convention=self.convention.currentData(),
            )
        )

    def _set(self, calibration: Calibration) -> None:
        if not self.layer:
            return
        self._say("", "dim")
        self._try(
            lambda: calibrating.set_calibration(self._desk, self._map_id, self.layer, calibration)
        )

    def _try(self, work: Callable[[], object]) -> bool:
        try:
            work()
        except GrainlightError as error:
            self._say(str(error), "error")
            return False
        return True

    def _add(self) -> None:
        self._points_edited((*self.calibration().standards, Standard(counts=0.0, percent=0.0)))
        index = self.model.index(self.model.rowCount() - 1, 1)
        self.table.setCurrentIndex(index)
        self.table.edit(index)

    def _read(self) -> None:
        path, _ = QFileDialog.getOpenFileName(
            self, "Reference points", "", "Tables (*.csv *.tsv *.txt);;All files (*)"
        )
        if path:
            self.read_file(Path(path))

    def read_file(self, path: Path) -> None:
        """Add the points of a CSV file, with the counts that the map has there."""
        if not self.layer:
            return
        map_id, layer, radius = self._map_id, self.layer, self.radius.value()
        try:
            points = calibrating.read_points(path)
        except InputError as error:
            self._say(str(error), "error")
            return
        if any(p.phase for p in points):
            self._desk.sorting.image(map_id)
        self._say("Reading counts…", "dim")

        def done(found: tuple[Standard, ...]) -> None:
            self._say(f"{len(found)} points read.", "dim")
            known = calibrating.calibration_of(self._desk, map_id, layer)
            fresh = msgspec.structs.replace(known, standards=(*known.standards, *found))
            self._try(lambda: calibrating.set_calibration(self._desk, map_id, layer, fresh))

        self._latest.ask(
            "points",
            lambda progress: calibrating.standards_of(
                self._desk, map_id, layer, points, radius, progress
            ),
            done,
        )

    def _make(self) -> None:
        self._try(lambda: calibrating.make_layer(self._desk, self._map_id, self.layer))

    def _make_ratio(self) -> None:
        def elements(edit: QLineEdit) -> list[str]:
            return [e.strip() for e in edit.text().replace(",", "+").split("+") if e.strip()]

        self._try(
            lambda: calibrating.make_ratio(
                self._desk, self._map_id, elements(self.above), elements(self.below)
            )
        )
