"""The ruler's tools, and how its ends are placed."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QAction, QActionGroup, QKeySequence
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QHBoxLayout,
    QLabel,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.desk.measuring import HAND_PX
from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.parts import inset
from viewer.panels.qt import silenced
from viewer.science.measure.registry import KINDS

RULERS = {
    "distance": "D",
    "polyline": "L",
    "angle": "A",
    "perpendicular": "H",
    "thickness": "T",
}
"""Kinds that are drawn with a ruler, each with its key."""

HAND = "hand"
"""Name of the tool that draws nothing."""

_HOW = {
    "distance": "Click both ends.",
    "polyline": "Click point by point; double-click or Return ends the line.",
    "angle": "Click the end of one arm, the corner, the end of the other arm.",
    "perpendicular": "Click both ends of the line, then the point.",
    "thickness": "Draw one side, double-click or Return, then draw the other.",
}
SHORT = {
    "distance": "Distance",
    "polyline": "Line",
    "angle": "Angle",
    "perpendicular": "From line",
    "thickness": "Thickness",
}
"""What each kind is called where there is little room."""


class RulerTools(QWidget):
    """A button for each ruler, snapping to edges, and how well a hand places an end.

    Signals
    -------
    tool_chosen(str)
        Kind of mark to draw next, `HAND` when the ruler is put down.
    snap_changed(object)
        Id of the layer whose edges attract ends, None while snapping is off.
    hand_changed(float)
        Placement of ends by hand: pixels, one standard deviation.
    """

    tool_chosen = Signal(str)
    snap_changed = Signal(object)
    hand_changed = Signal(float)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.actions_by_kind: dict[str, QAction] = {}
        self._group = QActionGroup(self)
        self._group.setExclusionPolicy(QActionGroup.ExclusionPolicy.ExclusiveOptional)
        tools = QHBoxLayout()
        tools.setSpacing(theme.current().gap_1)
        for kind, key in RULERS.items():
            tools.addWidget(self._tool(kind, key))
        self._group.triggered.connect(lambda _action: self.tool_chosen.emit(self.tool))
        self.how = QLabel()
        self.how.setProperty("tone", "dim")
        self.how.setWordWrap(True)
        self.how.setMinimumHeight(2 * self.how.fontMetrics().lineSpacing())
        self.how.setAlignment(Qt.AlignmentFlag.AlignTop)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(theme.current().gap_2)
        column.addLayout(tools)
        column.addWidget(self.how)
        column.addLayout(self._snap_row())
        column.addLayout(self._hand_row())
        self._show_how()

    def _tool(self, kind: str, key: str) -> QToolButton:
        action = QAction(icon(f"ruler-{kind}"), SHORT[kind], self)
        action.setCheckable(True)
        action.setShortcut(QKeySequence(key))
        action.setData(kind)
        action.setToolTip(f"{KINDS[kind].question} {_HOW[kind]} ({key})")
        action.setStatusTip(_HOW[kind])
        action.toggled.connect(lambda _on: self._show_how())
        self._group.addAction(action)
        self.actions_by_kind[kind] = action
        self.addAction(action)
        button = QToolButton()
        button.setDefaultAction(action)
        button.setAccessibleName(KINDS[kind].title)
        button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextUnderIcon)
        button.setIconSize(QSize(theme.current().icon, theme.current().icon))
        button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        return button

    def _snap_row(self) -> QHBoxLayout:
        self.snap = QCheckBox("S&nap ends to the steepest edge in")
        self.snap.setToolTip("A placed end moves to where this channel changes most, close by")
        self.snap.toggled.connect(self._snap_edited)
        self.snap_layer_box = QComboBox()
        self.snap_layer_box.setToolTip("Channel whose edges attract the ends")
        self.snap_layer_box.setAccessibleName("Channel to snap to")
        self.snap_layer_box.currentIndexChanged.connect(self._snap_edited)
        self.snap_layer_box.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        row = QHBoxLayout()
        row.setSpacing(theme.current().gap_2)
        row.addWidget(self.snap)
        row.addWidget(self.snap_layer_box, 1)
        return row

    def _hand_row(self) -> QHBoxLayout:
        self.hand = inset(QDoubleSpinBox())
        self.hand.setRange(0.0, 20.0)
        self.hand.setSingleStep(0.1)
        self.hand.setDecimals(2)
        self.hand.setValue(HAND_PX)
        self.hand.setSuffix(" px")
        self.hand.setToolTip(
            "How far an end placed by hand lies off, one standard deviation along each axis; "
            "it widens the intervals of marks drawn from now on. Never taken for less than half a "
            "pixel of the screen: come closer for surer ends"
        )
        self.hand.valueChanged.connect(self.hand_changed)
        label = QLabel("Ends placed by hand to within")
        label.setBuddy(self.hand)
        row = QHBoxLayout()
        row.setSpacing(theme.current().gap_2)
        row.addWidget(label)
        row.addWidget(self.hand)
        row.addStretch(1)
        return row

    @property
    def tool(self) -> str:
        """Kind of mark to draw next, `HAND` where none is."""
        action = self._group.checkedAction()
        return str(action.data()) if action is not None else HAND

    def put_down(self) -> None:
        """Choose no tool."""
        if self.tool != HAND:
            self.show_tool(HAND)
            self.tool_chosen.emit(HAND)

    def show_tool(self, name: str) -> None:
        """Show which tool the map has in hand; any but a ruler counts as none."""
        for kind, action in self.actions_by_kind.items():
            if action.isChecked() != (kind == name):
                action.setChecked(kind == name)

    def show_hint(self, text: str) -> None:
        """Say what the tool in hand expects next."""
        if text and self.tool != HAND:
            self.how.setText(text)

    @property
    def snap_layer(self) -> str | None:
        """Id of the layer whose edges attract ends, None while snapping is off."""
        return self.snap_layer_box.currentData() if self.snap.isChecked() else None

    def show_layers(self, layers: Sequence[tuple[str, str]]) -> None:
        """Offer these layers, (id, name) each, to snap to; the one chosen stays if it can."""
        before = self.snap_layer
        chosen = self.snap_layer_box.currentData()
        with silenced(self.snap_layer_box):
            self.snap_layer_box.clear()
            for layer_id, name in layers:
                self.snap_layer_box.addItem(name, layer_id)
            at = self.snap_layer_box.findData(chosen)
            self.snap_layer_box.setCurrentIndex(max(at, 0) if layers else -1)
        self.snap.setEnabled(bool(layers))
        self._snap_enabled()
        if self.snap_layer != before:
            self.snap_changed.emit(self.snap_layer)

    def set_writable(self, why_not: str | None) -> None:
        """Allow drawing, or say why there is none."""
        for action in self.actions_by_kind.values():
            action.setEnabled(why_not is None)
        if why_not is not None:
            self.put_down()
            self.how.setText(f"Nothing can be drawn: {why_not}")

    def _snap_edited(self) -> None:
        self._snap_enabled()
        self.snap_changed.emit(self.snap_layer)

    def _snap_enabled(self) -> None:
        self.snap_layer_box.setEnabled(self.snap.isChecked() and self.snap_layer_box.count() > 0)

    def _show_how(self) -> None:
        self.how.setText(_HOW.get(self.tool, "Choose a tool, then click on the map."))
