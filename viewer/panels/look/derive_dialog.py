"""New layer: a formula, a smoothing, a sum or a principal component of layers."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QSize, Qt, QTimer, Signal
from PySide6.QtGui import QFocusEvent, QImage, QKeyEvent, QMouseEvent, QPixmap, QResizeEvent, QShowEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDoubleSpinBox,
    QFormLayout,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QSpinBox,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.errors import InputError
from viewer.panels.look.formula_edit import FormulaEdit
from viewer.panels.look.layers import LayerEntry, ordered
from viewer.panels.parts import inset
from viewer.panels.qt import set_property
from viewer.panels.theme import current
from viewer.science.sort.expression import FUNCTIONS
from viewer.science.sort.recipe import (
    Component,
    EdgePreserving,
    Formula,
    Gaussian,
    Median,
    Recipe,
    Total,
)

NAME = int(Qt.ItemDataRole.UserRole)


@dataclass(frozen=True, eq=False)
class Preview:
    """A small picture of a layer that is not made yet.

    Attributes
    ----------
    grey : ndarray of uint8 [rows, columns]
    note : str
        For example how many pixels have no value.
    """

    grey: npt.NDArray[np.uint8]
    note: str = ""


Previewer = Callable[[Recipe, Callable[[Preview | str], None]], None]
"""``previewer(recipe, done)`` works a preview out and hands it, or why there is none, to `done`."""


class _Name(QLineEdit):
    """A name that fills itself in; typing replaces what nobody has typed.

    Attributes
    ----------
    automatic : bool
        True until the user types a name.
    """

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.automatic = True
        self._entered = False

    def focusInEvent(self, event: QFocusEvent) -> None:
        super().focusInEvent(event)
        if self.automatic:
            self.selectAll()
            self._entered = event.reason() == Qt.FocusReason.MouseFocusReason

    def mousePressEvent(self, event: QMouseEvent) -> None:
        super().mousePressEvent(event)
        if self._entered:
            # The press that brought the focus would put the cursor into the text.
            self._entered = False
            self.selectAll()


class _Picture(QLabel):
    """The preview, as large as there is room."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.setWordWrap(True)
        self.setMinimumWidth(160)
        # One height on every page: a picture that jumps cannot be compared.
        self.setFixedHeight(150)
        self.setProperty("tone", "dim")
        self._image: QImage | None = None

    def sizeHint(self) -> QSize:
        return QSize(300, 150)

    def set_grey(self, grey: npt.NDArray[np.uint8]) -> None:
        held = np.ascontiguousarray(grey)
        rows, columns = held.shape
        self._image = QImage(
            held.tobytes(), columns, rows, columns, QImage.Format.Format_Grayscale8
        ).copy()
        self._fit()

    def set_words(self, text: str) -> None:
        self._image = None
        self.setPixmap(QPixmap())
        self.setText(text)

    def _fit(self) -> None:
        if self._image is not None:
            ratio = self.devicePixelRatioF()
            picture = QPixmap.fromImage(self._image).scaled(
                self.size() * ratio,
                Qt.AspectRatioMode.KeepAspectRatio,
                Qt.TransformationMode.SmoothTransformation,
            )
            picture.setDevicePixelRatio(ratio)
            self.setPixmap(picture)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()


class _LayerChecks(QListWidget):
    """Layers to tick."""

    changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.itemChanged.connect(lambda: self.changed.emit())

    def set_entries(self, entries: Iterable[LayerEntry]) -> None:
        before = set(self.names())
        fresh = self.count() == 0
        self.blockSignals(True)
        self.clear()
        for entry in entries:
            item = QListWidgetItem(entry.name, self)
            item.setData(NAME, entry.name)
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            # Measured channels to begin with: derived layers are made from them already.
            on = entry.name in before or (fresh and entry.kind == "channel")
            item.setCheckState(Qt.CheckState.Checked if on else Qt.CheckState.Unchecked)
        self.blockSignals(False)
        self.changed.emit()

    def tick_all(self, on: bool) -> None:
        state = Qt.CheckState.Checked if on else Qt.CheckState.Unchecked
        self.blockSignals(True)
        for row in range(self.count()):
            self.item(row).setCheckState(state)
        self.blockSignals(False)
        self.changed.emit()

    def names(self) -> tuple[str, ...]:
        return tuple(
            self.item(row).data(NAME)
            for row in range(self.count())
            if self.item(row).checkState() == Qt.CheckState.Checked
        )


class DeriveDialog(QWidget):
    """Non-modal panel that describes a new layer.

    Parameters
    ----------
    previewer : Previewer

    Signals
    -------
    recipe_ready(str, Recipe)
        Name and recipe of the layer that is to be made.
    closed()
    """

    recipe_ready = Signal(str, object)
    closed = Signal()

    def __init__(self, previewer: Previewer, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self.setWindowTitle("New layer")
        self._previewer = previewer
        self._layers: tuple[LayerEntry, ...] = ()
        self._recipe: Recipe | None = None
        self._asked = 0
        self._typed = False

        self.name = _Name(self)
        self.name.setMaxLength(200)
        self.name.setPlaceholderText("Name of the new layer")
        self.name.setToolTip("Name by which the layer is listed and used in formulas")
        self.name.textEdited.connect(self._name_edited)

        self.tabs = QTabWidget(self)
        self.tabs.setDocumentMode(True)
        self.tabs.addTab(self._formula_page(), "Formula")
        self.tabs.addTab(self._smooth_page(), "Smoothing")
        self.tabs.addTab(self._many_page(), "Sum")
        self.tabs.addTab(self._component_page(), "Principal component")
        for index, tip in enumerate(
            (
                "Ratios and other formulas over layers",
                "Less noise: median, Gaussian or edge-preserving",
                "Sum of several layers",
                "What several layers vary in together, strongest first",
            )
        ):
            self.tabs.setTabToolTip(index, tip)

        self.picture = _Picture(self)
        self.note = QLabel(self)
        self.note.setWordWrap(True)
        self.note.setMinimumHeight(self.note.fontMetrics().height())
        self.make = QPushButton("Make layer", self)
        self.make.setProperty("kind", "primary")
        self.make.setToolTip("Work the layer out over the whole map, in the background (Ctrl+Enter)")
        self.shut = QPushButton("Close", self)
        self.shut.setToolTip("Close without making a layer (Esc)")

        head = QFormLayout()
        head.setContentsMargins(0, 0, 0, 0)
        head.addRow("Name", self.name)
        foot = QHBoxLayout()
        foot.setSpacing(tokens.gap_2)
        foot.addStretch(1)
        foot.addWidget(self.shut)
        foot.addWidget(self.make)
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_3, tokens.gap_3, tokens.gap_3, tokens.gap_3)
        box.setSpacing(tokens.gap_2)
        box.addLayout(head)
        box.addWidget(self.tabs, 1)
        box.addWidget(self.picture)
        box.addWidget(self.note)
        box.addLayout(foot)

        self._wait = QTimer(self)
        self._wait.setSingleShot(True)
        self._wait.setInterval(250)
        self._wait.timeout.connect(self._preview)
        self.tabs.currentChanged.connect(self._changed)
        self.make.clicked.connect(self._make)
        self.shut.clicked.connect(self._close)
        self.setFocusProxy(self.formula)
        self._changed()

    def sizeHint(self) -> QSize:
        return QSize(480, 620)

    # -- pages -----------------------------------------------------------------------------------

    def _formula_page(self) -> QWidget:
        page = QWidget(self)
        self.formula = FormulaEdit(page)
        self.names = QListWidget(page)
        self.names.setToolTip("Double-click, or press Enter, to write a layer into the formula")
        self.names.setAccessibleName("Layers to insert")
        self.functions = QListWidget(page)
        self.functions.setToolTip("Double-click, or press Enter, to write a function")
        self.functions.setAccessibleName("Functions to insert")
        for listed in (self.names, self.functions):
            listed.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
            listed.setTextElideMode(Qt.TextElideMode.ElideRight)
        for function, words in FUNCTIONS.items():
            item = QListWidgetItem(words, self.functions)
            item.setData(NAME, function)
            item.setToolTip(words)
        for text in ("+ − * / ^  and  < <= > >= == !=", "and, or, not"):
            item = QListWidgetItem(text, self.functions)
            item.setFlags(Qt.ItemFlag.NoItemFlags)
        grid = QGridLayout(page)
        grid.setContentsMargins(0, current().gap_2, 0, 0)
        grid.setSpacing(current().gap_2)
        grid.addWidget(self.formula, 0, 0, 1, 2)
        grid.addWidget(self.names, 1, 0)
        grid.addWidget(self.functions, 1, 1)
        grid.setColumnStretch(0, 1)
        grid.setColumnStretch(1, 2)
        grid.setRowStretch(1, 1)
        self.formula.checked.connect(self._changed)
        self.names.itemActivated.connect(lambda item: self.formula.insert_name(item.data(NAME)))
        self.functions.itemActivated.connect(lambda item: self.formula.insert_function(item.data(NAME)))
        return page

    def _smooth_page(self) -> QWidget:
        page = QWidget(self)
        self.source = QComboBox(page)
        self.source.setToolTip("Layer to smooth")
        self.kind = QComboBox(page)
        self.kind.addItems(["Median", "Gaussian", "Edge-preserving"])
        self.kind.setToolTip(
            "Median takes away single bright or dark pixels; Gaussian blurs evenly; "
            "edge-preserving blurs inside grains and leaves their edges"
        )
        self.side = inset(QSpinBox(page))
        self.side.setRange(3, 31)
        self.side.setSingleStep(2)
        self.side.setSuffix(" pixels")
        self.side.setToolTip("Side of the window, an odd number of pixels")
        self.sigma = inset(QDoubleSpinBox(page))
        self.sigma.setRange(0.3, 50.0)
        self.sigma.setSingleStep(0.5)
        self.sigma.setValue(1.0)
        self.sigma.setSuffix(" pixels")
        self.sigma.setToolTip("Standard deviation of the Gaussian")
        self.radius = inset(QSpinBox(page))
        self.radius.setRange(1, 20)
        self.radius.setValue(2)
        self.radius.setSuffix(" pixels")
        self.radius.setToolTip("Pixels on each side that are averaged over")
        self.keep = inset(QDoubleSpinBox(page))
        self.keep.setRange(0.5, 20.0)
        self.keep.setSingleStep(0.5)
        self.keep.setValue(3.0)
        self.keep.setSuffix(" × noise")
        self.keep.setToolTip("Steps larger than this many times the noise are kept as edges")
        self.amounts = QStackedWidget(page)
        for rows in (
            (("Window", self.side),),
            (("Sigma", self.sigma),),
            (("Radius", self.radius), ("Keep edges above", self.keep)),
        ):
            holder = QWidget(page)
            form = QFormLayout(holder)
            form.setContentsMargins(0, 0, 0, 0)
            for text, part in rows:
                form.addRow(text, part)
            self.amounts.addWidget(holder)
        form = QFormLayout(page)
        form.setContentsMargins(0, current().gap_2, 0, 0)
        form.addRow("Layer", self.source)
        form.addRow("Smoothing", self.kind)
        form.addRow(self.amounts)
        self.kind.currentIndexChanged.connect(self.amounts.setCurrentIndex)
        for signal in (
            self.source.currentIndexChanged,
            self.kind.currentIndexChanged,
            self.side.valueChanged,
            self.sigma.valueChanged,
            self.radius.valueChanged,
            self.keep.valueChanged,
        ):
            signal.connect(self._changed)
        return page

    def _many_page(self) -> QWidget:
        page = QWidget(self)
        self.summed = _LayerChecks(page)
        self.summed.setToolTip("Layers to add up; a pixel without a value in one has no sum")
        box = self._checks_layout(page, self.summed)
        self.summed.changed.connect(self._changed)
        page.setLayout(box)
        return page

    def _component_page(self) -> QWidget:
        page = QWidget(self)
        self.compared = _LayerChecks(page)
        self.compared.setToolTip("Layers that the components are worked out from")
        self.index = inset(QSpinBox(page))
        self.index.setRange(1, 200)
        self.index.setToolTip("1 is the component with the most variance")
        self.scaling = QComboBox(page)
        self.scaling.addItem("Counts", "counts")
        self.scaling.addItem("Standardised", "standardised")
        self.scaling.addItem("Plain values", "plain")
        self.scaling.setToolTip(
            "Counts: square roots, so that noise weighs alike in all channels. Standardised: every "
            "layer to standard deviation 1. Plain: as they are"
        )
        form = QFormLayout()
        form.addRow("Component", self.index)
        form.addRow("Scaling", self.scaling)
        box = self._checks_layout(page, self.compared)
        box.addLayout(form)
        page.setLayout(box)
        self.compared.changed.connect(self._changed)
        self.index.valueChanged.connect(self._changed)
        self.scaling.currentIndexChanged.connect(self._changed)
        return page

    def _checks_layout(self, page: QWidget, checks: _LayerChecks) -> QVBoxLayout:
        box = QVBoxLayout()
        box.setContentsMargins(0, current().gap_2, 0, 0)
        row = QHBoxLayout()
        for text, on in (("Tick all", True), ("Tick none", False)):
            button = QPushButton(text, page)
            button.setProperty("kind", "flat")
            button.clicked.connect(lambda _=False, x=on: checks.tick_all(x))
            row.addWidget(button)
        row.addStretch(1)
        box.addLayout(row)
        box.addWidget(checks, 1)
        return box

    # -- what is described -----------------------------------------------------------------------

    def set_layers(self, layers: Iterable[LayerEntry]) -> None:
        """Set the layers to make new ones from."""
        self._layers = tuple(ordered([x for x in layers if x.ready], "name"))
        names = [layer.name for layer in self._layers]
        self.names.clear()
        for layer in self._layers:
            item = QListWidgetItem(layer.name, self.names)
            item.setData(NAME, layer.name)
            item.setToolTip(layer.caption)
        before = self.source.currentText()
        self.source.blockSignals(True)
        self.source.clear()
        self.source.addItems(names)
        self.source.setCurrentIndex(max(0, self.source.findText(before)))
        self.source.blockSignals(False)
        self.formula.set_names(names)
        self.summed.set_entries(self._layers)
        self.compared.set_entries(self._layers)
        self._changed()

    @property
    def recipe(self) -> Recipe | None:
        """The recipe as described, None where something is wrong or missing."""
        return self._recipe

    def _described(self) -> Recipe | None:
        """Build the recipe.

        Raises
        ------
        InputError
            A parameter is out of range.
        """
        page = self.tabs.currentIndex()
        if page == 0:
            read = self.formula.expression
            return Formula(expression=self.formula.text().strip()) if read is not None else None
        if page == 1:
            source = self.source.currentText()
            if not source:
                return None
            return (
                Median(input=source, size=self.side.value() | 1),
                Gaussian(input=source, sigma_px=self.sigma.value()),
                EdgePreserving(input=source, radius=self.radius.value(), keep=self.keep.value()),
            )[self.kind.currentIndex()]
        checks = self.summed if page == 2 else self.compared
        names = checks.names()
        if len(names) < 2:
            raise InputError("Tick at least two layers.")
        if page == 2:
            return Total(inputs=names)
        return Component(inputs=names, index=self.index.value() - 1, scaling=self.scaling.currentData())

    def _changed(self) -> None:
        if not hasattr(self, "_wait"):
            return
        before = self._recipe
        try:
            self._recipe = self._described()
        except InputError as error:
            self._recipe = None
            self._say(str(error), "error")
        else:
            self._say("", "dim")
        if self._recipe is not None and self.name.automatic:
            self.name.setText(self._recipe.title()[:200])
        self._allow()
        if self._recipe is None:
            self._asked += 1
            self._wait.stop()
            self.picture.set_words("A preview shows here once the layer is described.")
        elif self._recipe != before:
            self._wait.start()

    def _say(self, text: str, tone: str) -> None:
        self.note.setText(text)
        set_property(self.note, "tone", tone)

    def _name_edited(self, text: str) -> None:
        self.name.automatic = not text.strip()
        self._allow()

    def _allow(self) -> None:
        name = self.name.text().strip().casefold()
        taken = any(layer.name.casefold() == name for layer in self._layers)
        if taken and self._recipe is not None:
            self._say("There is a layer of this name already. Choose another name.", "error")
        self.make.setEnabled(self._recipe is not None and bool(name) and not taken)

    def _preview(self) -> None:
        if self._recipe is None:
            return
        self._asked += 1
        asked = self._asked

        def done(result: Preview | str) -> None:
            # An answer to an earlier question is dropped.
            if asked != self._asked:
                return
            if isinstance(result, str):
                self.picture.set_words(result)
            else:
                self.picture.set_grey(result.grey)
                if self.make.isEnabled():
                    self._say(result.note, "dim")

        self._previewer(self._recipe, done)

    def _make(self) -> None:
        if self.make.isEnabled() and self._recipe is not None:
            self._typed, self.name.automatic = not self.name.automatic, True
            self.recipe_ready.emit(self.name.text().strip(), self._recipe)

    def refuse(self, text: str) -> None:
        """Say here why the layer was not made; what was described stays to be mended."""
        self._say(text, "error")
        self.name.automatic = not self._typed

    def _close(self) -> None:
        self.closed.emit()
        self.close()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        # Rows that were measured before the style sheet was read are measured again.
        for listed in (self.names, self.functions):
            listed.doItemsLayout()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        control = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        if event.key() == Qt.Key.Key_Escape:
            self._close()
        elif control and event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self._make()
        else:
            super().keyPressEvent(event)


def main() -> None:
    """Show the panel with made-up layers."""
    from viewer.panels.look.trial import Trial, show

    def build() -> QWidget:
        trial = Trial()

        def preview(recipe: Recipe, done: Callable[[Preview | str], None]) -> None:
            codes = trial.load("Mg", 1, slice(0, 200), slice(0, 400))
            done(Preview(trial.lut("Mg", 1)[codes], recipe.title()))

        panel = DeriveDialog(preview)
        panel.set_layers(trial.layers)
        panel.formula.set_text("[Mg Kα] / ([Mg Kα] + [Fe Kα])")
        return panel

    show(build)


if __name__ == "__main__":
    main()
