"""The tools that draw and edit units and lines, and how they draw."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QAction, QActionGroup, QColor, QKeySequence, QPixmap
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.desk.following import Followed
from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.parts import inset
from viewer.panels.qt import silenced

HAND = "hand"
"""Name of the tool that draws nothing."""

TOOLS = {
    "contact": ("C", "Contact", "Draw a contact", "Click along it."),
    "traverse": ("W", "Traverse", "Draw a traverse", "Click where it begins and where it ends."),
    "unit": ("U", "Unit", "Draw a rock unit", "Drag around it, or click its corners."),
    "band": ("B", "Band", "Draw a unit between two lines", "Draw one edge, then the other."),
    "split": ("X", "Split", "Split a unit along a line", "Draw the line across the unit."),
    "edit": ("E", "Edit", "Edit the points of a unit or a line", "Click it, then drag its points."),
}
"""Key, short name, what it is for and how it is used, by the map view's name of the tool."""

ALONG = ("contact", "band", "split")
"""Tools that can follow an edge."""

_IDLE = "Choose a tool, or click a unit or a line on the map to select it."


class DrawTools(QWidget):
    """A button for each tool, what drawn lines follow, and how wide traverses are.

    Signals
    -------
    tool_chosen(str)
        Tool of the map view to take up, `HAND` when it is put down.
    followed_changed(object)
        What lines follow between clicks (`Followed`), None for straight lines.
    width_edited(float)
        The user wants traverses of another full width (µm).
    """

    tool_chosen = Signal(str)
    followed_changed = Signal(object)
    width_edited = Signal(float)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self.actions_by_tool: dict[str, QAction] = {}
        self._group = QActionGroup(self)
        self._group.setExclusionPolicy(QActionGroup.ExclusionPolicy.ExclusiveOptional)
        self._group.triggered.connect(lambda _action: self.tool_chosen.emit(self.tool))
        tools = QHBoxLayout()
        tools.setSpacing(tokens.gap_1)
        for name in TOOLS:
            tools.addWidget(self._tool(name))
        self.how = QLabel(_IDLE)
        self.how.setProperty("tone", "dim")
        self.how.setWordWrap(True)
        self.how.setMinimumHeight(2 * self.how.fontMetrics().lineSpacing())
        self.how.setAlignment(Qt.AlignmentFlag.AlignTop)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(tokens.gap_2)
        column.addLayout(tools)
        column.addWidget(self.how)
        column.addLayout(self._build_options())

    def _tool(self, name: str) -> QToolButton:
        key, short, what, how = TOOLS[name]
        action = QAction(icon(f"draw-{name}"), short, self)
        action.setCheckable(True)
        action.setShortcut(QKeySequence(key))
        action.setData(name)
        action.setToolTip(f"{what}. {how} ({key})")
        action.setStatusTip(f"{what}. {how}")
        action.toggled.connect(lambda _on: self._show_how())
        self._group.addAction(action)
        self.actions_by_tool[name] = action
        self.addAction(action)
        button = QToolButton()
        button.setDefaultAction(action)
        button.setAccessibleName(what)
        button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextUnderIcon)
        button.setIconSize(QSize(theme.current().icon, theme.current().icon))
        button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        return button

    def _build_options(self) -> QGridLayout:
        tokens = theme.current()
        self.along = QComboBox()
        self.along.setAccessibleName("Edge that drawn lines follow")
        self.along.setToolTip(
            "Between two clicks, contacts, edges of bands and cuts run along the steepest edge of "
            "this layer, or along the edge of this phase; a Ctrl-click goes straight"
        )
        self.along.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.along.currentIndexChanged.connect(lambda _row: self._followed_edited())
        self.blur = inset(QDoubleSpinBox())
        self.blur.setRange(0.0, 100_000.0)
        self.blur.setDecimals(0)
        self.blur.setSuffix(" µm")
        self.blur.setSpecialValueText("as little as may be")
        self.blur.setToolTip(
            "Blur (standard deviation) of the layer or phase before its edge is followed. With about "
            "the size of a grain the line follows the contact as a whole; with little blur it goes "
            "around single grains"
        )
        self.blur.setKeyboardTracking(False)
        self.blur.valueChanged.connect(lambda _value: self._followed_edited())
        self.width_box = inset(QDoubleSpinBox())
        self.width_box.setRange(0.0, 1_000_000.0)
        self.width_box.setDecimals(0)
        self.width_box.setSuffix(" µm")
        self.width_box.setToolTip(
            "Full width that is averaged across a traverse: of the selected one, and of those that "
            "are drawn from now on ([ and ] while drawing)"
        )
        self.width_box.setKeyboardTracking(False)
        self.width_box.valueChanged.connect(self.width_edited)
        self.clear_of_others = QCheckBox("New units leave out what other &units have")
        self.clear_of_others.setChecked(True)
        self.clear_of_others.setToolTip(
            "Draw across a contact freely: the new unit ends where its neighbour begins, and they "
            "share that contact exactly"
        )
        grid = QGridLayout()
        grid.setHorizontalSpacing(tokens.gap_2)
        grid.setVerticalSpacing(tokens.gap_2)
        for row, (words, box) in enumerate(
            (
                ("Lines &follow", self.along),
                ("Edge &blurred by", self.blur),
                ("Traverse &width", self.width_box),
            )
        ):
            label = QLabel(words)
            label.setBuddy(box)
            grid.addWidget(label, row, 0)
            grid.addWidget(box, row, 1)
        grid.addWidget(self.clear_of_others, 3, 0, 1, 2)
        grid.setColumnStretch(1, 1)
        self.show_edges((), ())
        return grid

    # Tools -------------------------------------------------------------------------------------

    @property
    def tool(self) -> str:
        """The tool in hand, `HAND` where none is."""
        action = self._group.checkedAction()
        return str(action.data()) if action is not None else HAND

    def put_down(self) -> None:
        """Choose no tool."""
        if self.tool != HAND:
            self.show_tool(HAND)
            self.tool_chosen.emit(HAND)

    def show_tool(self, name: str) -> None:
        """Show which tool the map has in hand; any of another panel counts as none."""
        for tool, action in self.actions_by_tool.items():
            if action.isChecked() != (tool == name):
                action.setChecked(tool == name)

    def show_hint(self, text: str) -> None:
        """Say what the tool in hand expects next."""
        if text and self.tool != HAND:
            self.how.setText(text)

    def set_writable(self, why_not: str | None) -> None:
        """Allow drawing, or say why there is none."""
        for action in self.actions_by_tool.values():
            action.setEnabled(why_not is None)
        if why_not is not None:
            self.put_down()
            self.how.setText(f"Nothing can be drawn: {why_not}")

    def _show_how(self) -> None:
        known = TOOLS.get(self.tool)
        self.how.setText(_IDLE if known is None else f"{known[2]}. {known[3]}")

    # How they draw -----------------------------------------------------------------------------

    @property
    def followed(self) -> Followed | None:
        """What lines follow between clicks; None: they go straight."""
        chosen = self.along.currentData()
        if chosen is None:
            return None
        kind, name = chosen
        blur = self.blur.value() or None
        if kind == "phase":
            return Followed(phase=name, blur_um=blur)
        return Followed(layer=name, blur_um=blur)

    def show_edges(
        self,
        phases: Sequence[tuple[str, tuple[int, int, int] | None]],
        layers: Sequence[tuple[str, str]],
    ) -> None:
        """Offer edges to follow: phases by name with their colour, layers by id with their name.

        What was chosen stays so where it is still there.
        """
        before = self.followed
        chosen = self.along.currentData()
        with silenced(self.along):
            self.along.clear()
            self.along.addItem("nothing: they go straight", None)
            for name, colour in phases:
                self.along.addItem(f"the edge of {name}", ("phase", name))
                if colour is not None:
                    swatch = QPixmap(theme.current().icon_small, theme.current().icon_small)
                    swatch.fill(QColor(*colour))
                    self.along.setItemIcon(self.along.count() - 1, swatch)
            for layer_id, name in layers:
                self.along.addItem(f"the steepest edge in {name}", ("layer", layer_id))
            rows = [self.along.itemData(row) for row in range(self.along.count())]
            kept = tuple(chosen) if chosen is not None else None
            at = next((n for n, r in enumerate(rows) if r and tuple(r) == kept), 0)
            self.along.setCurrentIndex(at)
        self.along.setEnabled(self.along.count() > 1)
        self.blur.setEnabled(self.followed is not None)
        if self.followed != before:
            self.followed_changed.emit(self.followed)

    def show_width(self, width_um: float) -> None:
        """Show the width of traverses; says no signal."""
        with silenced(self.width_box):
            self.width_box.setValue(width_um)

    def show_pixel(self, um: float) -> None:
        """Let lengths go in steps of a few pixels of the map, and widths begin at one."""
        with silenced(self.blur, self.width_box):
            for box in (self.blur, self.width_box):
                box.setSingleStep(5.0 * um)
                box.setDecimals(0 if um >= 1.0 else 2)
            self.width_box.setMinimum(um)

    def _followed_edited(self) -> None:
        self.blur.setEnabled(self.followed is not None)
        self.followed_changed.emit(self.followed)
