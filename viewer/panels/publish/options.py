"""The right side of the export page: what, as which kind of file, how large, and what is written."""

from __future__ import annotations

from typing import Literal

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QButtonGroup,
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLayout,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QRadioButton,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from viewer.panels import theme
from viewer.panels.parts import inset
from viewer.panels.publish.choice import KIND_TIPS, KIND_WORDS, Choice
from viewer.panels.qt import silenced
from viewer.plates.source import Rectangle

WIDTHS: tuple[tuple[str, float | None], ...] = (
    ("One column", 85.0),
    ("One and a half", 120.0),
    ("Two columns", 180.0),
    ("Other width", None),
)
"""Common practice of journals; each has its own to the millimetre."""


Place = Literal["part", "size"]
"""Where a fault is shown: at what is exported, or at its size."""


class Options(QWidget):
    """Asks for a `Choice`.

    Signals
    -------
    changed()
        `choice` is another one.
    described()
        The user asked for a caption from what is shown.
    """

    changed = Signal()
    described = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._view_um: Rectangle | None = None
        self._way_up: float | None = None
        self._phases = False
        self._page_labels: list[QLabel] = []
        self._build()
        self.show_fault(None, "")
        self.set_phases(False)

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        tokens = theme.current()
        self.form = QFormLayout(self)
        self.form.setContentsMargins(0, 0, 0, 0)
        self.form.setHorizontalSpacing(tokens.gap_3)
        self.form.setVerticalSpacing(tokens.gap_2)
        self.form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        self.form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.DontWrapRows)
        self._build_what()
        self._build_size()
        self._build_words()

    def _build_what(self) -> None:
        self.whole = QRadioButton("Whole map")
        self.whole.setChecked(True)
        self.view_only = QRadioButton("View only")
        self._part = _group(self, self.whole, self.view_only)
        self.part_fault = _fault()
        self.kind = QComboBox()
        for at, (kind, words) in enumerate(KIND_WORDS.items()):
            self.kind.addItem(words, kind)
            self.kind.setItemData(at, KIND_TIPS[kind], int(Qt.ItemDataRole.ToolTipRole))
        self.kind.insertSeparator(4)
        self.kind_words = QLabel()
        self.kind_words.setWordWrap(True)
        self.kind_words.setAlignment(Qt.AlignmentFlag.AlignTop)
        # Room for two lines at all times, so that nothing below jumps.
        self.kind_words.setMinimumHeight(2 * self.fontMetrics().lineSpacing())
        self.kind_words.setProperty("tone", "dim")
        self.form.addRow("What", _row(self.whole, self.view_only, gap=theme.current().gap_4))
        self.form.addRow("", self.part_fault)
        self.form.addRow("Kind", self.kind)
        self.form.addRow("", self.kind_words)
        self._part.buttonToggled.connect(self._edited)
        self.kind.currentIndexChanged.connect(self._edited)

    def _build_size(self) -> None:
        self.width_preset = QComboBox()
        for words, width in WIDTHS:
            self.width_preset.addItem(words, width)
            tip = "Any width" if width is None else f"{width:g} mm"
            at = self.width_preset.count() - 1
            self.width_preset.setItemData(at, tip, int(Qt.ItemDataRole.ToolTipRole))
        self.width_preset.setToolTip("Widths that most journals print at")
        self.width_mm = inset(QDoubleSpinBox())
        self.width_mm.setRange(20.0, 2000.0)
        self.width_mm.setDecimals(1)
        self.width_mm.setSuffix(" mm")
        self.width_mm.setValue(180.0)
        self.width_mm.setToolTip("Width of the page, margins included")
        self.width_mm.setAccessibleName("Width of the page")
        self.width_preset.setCurrentIndex(self._preset_of(180.0))
        self.tallest = inset(QDoubleSpinBox())
        # The least value stands for no limit.
        self.tallest.setRange(19.0, 2000.0)
        self.tallest.setDecimals(0)
        self.tallest.setPrefix("at most ")
        self.tallest.setSuffix(" mm")
        self.tallest.setSpecialValueText("as it comes")
        self.tallest.setValue(19.0)
        self.tallest.setAccessibleName("Largest height of the page")
        self.tallest.setToolTip("The map is drawn smaller where the page would become taller than this")
        self.dpi = inset(QSpinBox())
        self.dpi.setRange(50, 2400)
        self.dpi.setSingleStep(50)
        self.dpi.setValue(300)
        self.dpi.setSuffix(" dpi")
        self.dpi.setToolTip("Pixels an inch; most journals ask for 300 or more")
        self.size_fault = _fault()
        self.light = QRadioButton("Light")
        self.light.setChecked(True)
        self.dark = QRadioButton("Dark")
        self._paper = _group(self, self.light, self.dark)
        self._page_row("Width", _row(self.width_preset, self.width_mm))
        self._page_row("Height", _row(self.tallest))
        self._page_row("Resolution", _row(self.dpi))
        self.form.addRow("", self.size_fault)
        self._page_row("Paper", _row(self.light, self.dark, gap=theme.current().gap_4))
        self.width_preset.activated.connect(self._pick_width)
        self.width_mm.valueChanged.connect(self._width_edited)
        self.tallest.valueChanged.connect(self._edited)
        self.dpi.valueChanged.connect(self._edited)
        self._paper.buttonToggled.connect(self._edited)

    def _build_words(self) -> None:
        self.title = QLineEdit()
        self.title.setMaxLength(200)
        self.title.setPlaceholderText("none")
        self.caption = QPlainTextEdit()
        self.caption.setTabChangesFocus(True)
        self.caption.setPlaceholderText("none")
        self.caption.setFixedHeight(4 * self.fontMetrics().lineSpacing())
        self.describe = QPushButton("Describe what is shown")
        self.describe.setAutoDefault(False)
        self.bar = QCheckBox("Scale bar")
        self.names = QCheckBox("Names of the layers in their colours")
        self.areas = QCheckBox("Area % of each phase")
        self.areas.setToolTip(
            "Say in the key which part of the area shown each phase takes up, unsorted pixels included"
        )
        self.arrow = QCheckBox("Way-up arrow")
        boxes = QVBoxLayout()
        boxes.setSpacing(theme.current().gap_1)
        for box in (self.bar, self.names, self.areas, self.arrow):
            box.setChecked(box in (self.bar, self.names))
            box.toggled.connect(self._edited)
            boxes.addWidget(box)
        self._page_row("Draw", boxes)
        self._page_row("Title", self.title)
        self._page_row("Caption", self.caption)
        self.form.addRow("", _row(self.describe))
        self.title.textChanged.connect(self._edited)
        self.caption.textChanged.connect(self._edited)
        self.describe.clicked.connect(self.described)
        self._page_only: tuple[QWidget, ...] = (
            self.width_preset, self.width_mm, self.tallest, self.dpi, self.light, self.dark,
            self.title, self.caption, self.describe, self.bar, self.names,
        )  # fmt: skip

    def _page_row(self, words: str, field: QWidget | QLayout) -> None:
        """Add a row that is about the page, which a map-size TIFF has not."""
        label = QLabel(words)
        if isinstance(field, QWidget):
            label.setBuddy(field)
        self._page_labels.append(label)
        if isinstance(field, QWidget):
            self.form.addRow(label, field)
        else:
            self.form.addRow(label, field)

    # -- what is chosen -------------------------------------------------------------------------

    @property
    def choice(self) -> Choice:
        """All that is asked for."""
        tallest = self.tallest.value()
        return Choice(
            kind=self.kind.currentData(),
            window_um=self._view_um if self.view_only.isChecked() else None,
            width_mm=self.width_mm.value(),
            dpi=float(self.dpi.value()),
            max_height_mm=None if tallest <= self.tallest.minimum() else tallest,
            paper="dark" if self.dark.isChecked() else "light",
            title=self.title.text(),
            caption=self.caption.toPlainText(),
            names=self.names.isChecked(),
            bar=self.bar.isChecked(),
            arrow=self.arrow.isChecked(),
            areas=self._phases and self.areas.isChecked(),
        )

    def set_view(self, view_um: Rectangle | None, map_um: tuple[float, float]) -> None:
        """Say what is in view, in µm on the stored map, and how large the map is."""
        if view_um is not None and (view_um[0] >= view_um[2] or view_um[1] >= view_um[3]):
            view_um = None
        whole = view_um is not None and (
            view_um[0] <= 0 and view_um[1] <= 0 and view_um[2] >= map_um[0] and view_um[3] >= map_um[1]
        )
        self._view_um = view_um
        can = view_um is not None and not whole
        self.view_only.setEnabled(can)
        if view_um is None:
            tip = "The map is not in view"
        elif whole:
            tip = "The whole map is in view; zoom in on it to export a part"
        else:
            tip = (
                f"The part in view: {(view_um[2] - view_um[0]) / 1e3:.4g} × "
                f"{(view_um[3] - view_um[1]) / 1e3:.4g} mm of the stored map"
            )
        self.view_only.setToolTip(tip)
        if not can:
            with silenced(self._part):
                self.whole.setChecked(True)

    def set_way_up(self, degrees: float | None) -> None:
        """Say which way is up, or that nobody has."""
        # The tick goes with the way-up: a ticked box that draws nothing would be a lie.
        if (degrees is None) != (self._way_up is None):
            with silenced(self.arrow):
                self.arrow.setChecked(degrees is not None)
        self._way_up = degrees
        self.arrow.setText(f"Way-up arrow{'' if degrees is not None else ' (way-up is not set)'}")
        self.arrow.setToolTip(
            "Draw which way is stratigraphically up"
            if degrees is not None
            else "Set the way-up on the map first: Map, Set way-up"
        )
        self._refresh()

    def set_phases(self, phases: bool) -> None:
        """Say whether a phase map is shown: it has a key instead of names in their colours."""
        self._phases = phases
        self.names.setText("Key of the phases" if phases else "Names of the layers in their colours")
        shown = "phases" if phases else "channels, stretches"
        self.describe.setToolTip(f"Write {shown}, pixel size and way-up into the caption")
        self._refresh()

    def set_caption(self, text: str) -> None:
        """Put words into the caption, as one step that the field's own undo takes back."""
        self.caption.selectAll()
        self.caption.insertPlainText(text)

    def show_fault(self, place: Place | None, text: str) -> None:
        """Say what is wrong beside what it concerns, and nothing at the other places."""
        for label, here in ((self.part_fault, "part"), (self.size_fault, "size")):
            label.setText(text if here == place else "")
            self.form.setRowVisible(label, here == place and bool(text))

    # -- following ------------------------------------------------------------------------------

    def _edited(self, *_: object) -> None:
        self._refresh()
        self.changed.emit()

    def _pick_width(self) -> None:
        width = self.width_preset.currentData()
        if width is None:
            self.width_mm.setFocus()
            self.width_mm.selectAll()
        else:
            self.width_mm.setValue(width)

    def _width_edited(self, width: float) -> None:
        self.width_preset.setCurrentIndex(self._preset_of(width))
        self._edited()

    def _preset_of(self, width: float) -> int:
        return next((i for i, (_, w) in enumerate(WIDTHS) if w == width), len(WIDTHS) - 1)

    def _refresh(self) -> None:
        kind = self.kind.currentData()
        self.kind_words.setText(KIND_TIPS[kind] + ".")
        paged = not kind.startswith("map-")
        for widget in self._page_only:
            widget.setEnabled(paged)
        for label in self._page_labels:
            label.setEnabled(paged)
            label.setToolTip("" if paged else "A map-size TIFF is the map alone: there is no page")
        self.arrow.setEnabled(paged and self._way_up is not None)
        self.areas.setVisible(self._phases)
        self.areas.setEnabled(paged and self.names.isChecked())


def _group(parent: QWidget, *buttons: QRadioButton) -> QButtonGroup:
    group = QButtonGroup(parent)
    for button in buttons:
        group.addButton(button)
    return group


def _row(*widgets: QWidget, gap: int | None = None) -> QLayout:
    line = QHBoxLayout()
    line.setSpacing(theme.current().gap_2 if gap is None else gap)
    for widget in widgets:
        line.addWidget(widget)
    line.addStretch(1)
    return line


def _fault() -> QLabel:
    label = QLabel()
    label.setWordWrap(True)
    label.setProperty("tone", "error")
    return label
