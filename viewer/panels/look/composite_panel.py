"""The composite panel: three layers as red, green and blue, each with its own stretch."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import msgspec
from PySide6.QtCore import QRectF, QSize, Qt, Signal
from PySide6.QtGui import QAction, QColor, QKeySequence, QPainter, QPaintEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QMenu,
    QPushButton,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels import icons
from viewer.panels.look.ink import CHANNELS
from viewer.panels.look.layers import SLOTS, LayerEntry
from viewer.panels.look.parts import LayerButton, tool_button
from viewer.panels.look.stretch_controls import StretchControls
from viewer.panels.parts import Line
from viewer.panels.theme import current
from viewer.science.look.histogram import Histogram
from viewer.science.look.stretch import Stretch
from viewer.store.documents import Composite, Panel

Suggest = Callable[[str], Stretch]
"""First stretch of a layer that is put into a slot."""

Histograms = Callable[[str], Histogram | None]
"""Histogram of a layer inside the outline, None where it is not known yet."""


class _Sign(QWidget):
    """Letter of a slot on its colour."""

    def __init__(self, index: int, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._index = index
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)

    def sizeHint(self) -> QSize:
        return QSize(22, 26)

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(CHANNELS[self._index])
        painter.drawRoundedRect(QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5), 3, 3)
        font = self.font()
        font.setBold(True)
        painter.setFont(font)
        painter.setPen(QColor(0, 0, 0))
        painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, "RGB"[self._index])


class Slot(QWidget):
    """One colour of the composite.

    Signals
    -------
    panel_changed(object, str, bool)
        New `Panel` or None; what the user did; False while a drag goes on.
    automatic()
        The user asks for the suggested stretch.
    """

    panel_changed = Signal(object, str, bool)
    automatic = Signal()

    def __init__(self, index: int, suggested: Suggest, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.index = index
        self._suggested = suggested
        self._panel: Panel | None = None
        colour = SLOTS[index]
        self.layer = LayerButton(self, empty=f"No {colour}")
        self.layer.setToolTip(
            f"Layer shown as {colour}: choose from the menu, or drop a layer here "
            f"(key {index + 1} or {colour[0].upper()} over the light table)"
        )
        self.layer.setAccessibleName(f"Layer shown as {colour}")
        self.clear = tool_button("close", "Remove", f"Leave {colour} out of the composite", self)
        self.controls = StretchControls(self)
        head = QHBoxLayout()
        head.setContentsMargins(0, 0, 0, 0)
        head.setSpacing(current().gap_1)
        head.addWidget(_Sign(index, self))
        head.addWidget(self.layer, 1)
        head.addWidget(self.clear)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(current().gap_1)
        box.addLayout(head)
        box.addWidget(self.controls)
        self.layer.chosen.connect(self.choose)
        self.clear.clicked.connect(lambda: self.choose(""))
        self.controls.stretch_changed.connect(self._stretched)
        self.controls.automatic.connect(self.automatic)
        self.set_panel(None, None)

    @property
    def panel(self) -> Panel | None:
        """The layer and its stretch, None where this colour is left out."""
        return self._panel

    def set_panel(self, panel: Panel | None, histogram: Histogram | None) -> None:
        """Show a layer and its stretch; says nothing back."""
        self._panel = panel
        self.layer.set_layer(None if panel is None else panel.layer)
        self.clear.setEnabled(panel is not None)
        self.controls.setEnabled(panel is not None)
        entry = self.layer.entry()
        self.controls.set_histogram(histogram, whole_numbers=entry is not None and entry.integer)
        self.controls.set_stretch(Stretch() if panel is None else panel.stretch)

    def choose(self, layer_id: str) -> None:
        """Take a layer (the empty string: none) as a choice in the menu does."""
        colour = SLOTS[self.index]
        if not layer_id:
            if self._panel is not None:
                self.panel_changed.emit(None, f"Clear {colour}", True)
            return
        if self._panel is not None and self._panel.layer == layer_id:
            return
        panel = Panel(layer=layer_id, stretch=self._suggested(layer_id))
        self.panel_changed.emit(panel, f"Choose {colour}", True)

    def _stretched(self, stretch: Stretch, finished: bool) -> None:
        if self._panel is not None:
            panel = msgspec.structs.replace(self._panel, stretch=stretch)
            self._panel = panel
            self.panel_changed.emit(panel, f"Stretch {SLOTS[self.index]}", finished)


class CompositePanel(QWidget):
    """Edits a composite.

    Parameters
    ----------
    histogram : callable (layer id) -> Histogram or None
    suggested : callable (layer id) -> Stretch
        First stretch of a layer that is put into a slot.

    Signals
    -------
    composite_changed(Composite, str, bool)
        The new composite; what the user did, for the undo menu; False while a drag goes on.
    suggest()
        The user asks for a good triple; answer with `set_reason` and a new composite.
    automatic(int)
        The user asks for the suggested stretch of a slot.
    save(Composite)
        Keep the composite under its name.
    chosen(Composite)
        A saved composite is to be shown.
    delete(str)
        Forget the saved composite of this name.
    """

    composite_changed = Signal(object, str, bool)
    suggest = Signal()
    automatic = Signal(int)
    save = Signal(object)
    chosen = Signal(object)
    delete = Signal(str)

    def __init__(
        self,
        histogram: Histograms,
        suggested: Suggest = lambda _: Stretch(),
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._histogram = histogram
        self._composite = Composite()
        self._saved: tuple[Composite, ...] = ()
        tokens = current()

        self.suggest_button = QPushButton("Suggest", self)
        self.suggest_button.setIcon(icons.icon("suggest"))
        self.suggest_button.setToolTip(
            "Choose three layers that show the most structure and repeat each other least"
        )
        self.cycle = self._action(
            "Cycle colours", "X", "Red becomes green, green blue, blue red (X)", self._cycle
        )
        self.cycle_back = self._action(
            "Cycle colours back", "Shift+X", "Red becomes blue (Shift+X)",
            lambda: self._permute((1, 2, 0), "Cycle colours back"),
        )  # fmt: skip
        self.swap_rg = self._action(
            "Swap red and green", "Alt+1", "Exchange red and green (Alt+1)",
            lambda: self._permute((1, 0, 2), "Swap red and green"),
        )  # fmt: skip
        self.swap_gb = self._action(
            "Swap green and blue", "Alt+2", "Exchange green and blue (Alt+2)",
            lambda: self._permute((0, 2, 1), "Swap green and blue"),
        )  # fmt: skip
        self.swap_rb = self._action(
            "Swap red and blue", "Alt+3", "Exchange red and blue (Alt+3)",
            lambda: self._permute((2, 1, 0), "Swap red and blue"),
        )  # fmt: skip

        top = QHBoxLayout()
        top.setContentsMargins(0, 0, 0, 0)
        top.setSpacing(tokens.gap_1)
        top.addWidget(self.suggest_button)
        top.addStretch(1)
        for action, text in (
            (self.swap_rg, "R ⇄ G"),
            (self.swap_gb, "G ⇄ B"),
            (self.cycle, "Cycle"),
        ):
            button = QToolButton(self)
            button.setDefaultAction(action)
            button.setText(text)
            button.setAutoRaise(True)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            action.changed.connect(lambda b=button, t=text: b.setText(t))
            top.addWidget(button)

        self.reason = QLabel(self)
        self.reason.setProperty("tone", "dim")
        self.reason.setWordWrap(True)
        self.reason.hide()

        self.slots = tuple(Slot(index, suggested, self) for index in range(3))

        self.name = QLineEdit(self)
        self.name.setPlaceholderText("Name of this composite")
        self.name.setMaxLength(200)
        self.name.setToolTip("Type a name and press Enter to save these layers and stretches")
        self.save_button = QPushButton("Save", self)
        self.save_button.setToolTip("Save layers and stretches under this name")
        self.save_button.setEnabled(False)
        self.saved = QToolButton(self)
        self.saved.setText("Saved")
        self.saved.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self.saved.setToolTip("Choose one of the saved composites")
        self.saved.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        bottom = QHBoxLayout()
        bottom.setContentsMargins(0, 0, 0, 0)
        bottom.setSpacing(tokens.gap_1)
        bottom.addWidget(self.name, 1)
        bottom.addWidget(self.save_button)
        bottom.addWidget(self.saved)

        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_3, tokens.gap_2, tokens.gap_3, tokens.gap_3)
        box.setSpacing(tokens.gap_2)
        box.addLayout(top)
        box.addWidget(self.reason)
        for slot in self.slots:
            box.addWidget(Line(self))
            box.addWidget(slot)
        box.addWidget(Line(self))
        box.addLayout(bottom)
        box.addStretch(1)

        self.suggest_button.clicked.connect(self.suggest)
        for slot in self.slots:
            slot.panel_changed.connect(
                lambda panel, label, finished, n=slot.index: self._set_slot(n, panel, label, finished)
            )
            slot.automatic.connect(lambda n=slot.index: self.automatic.emit(n))
        self.name.textChanged.connect(self._allow_save)
        self.name.returnPressed.connect(self._save)
        self.save_button.clicked.connect(self._save)
        self.set_saved(())

    def sizeHint(self) -> QSize:
        return QSize(320, super().sizeHint().height())

    @property
    def composite(self) -> Composite:
        """The composite as shown."""
        return self._composite

    def set_layers(self, layers: Iterable[LayerEntry]) -> None:
        """Set the layers to choose from."""
        layers = tuple(layers)
        for slot in self.slots:
            slot.layer.set_layers(layers)
        self.suggest_button.setEnabled(len(layers) >= 3)
        self.set_composite(self._composite)

    def set_composite(self, composite: Composite) -> None:
        """Show a composite; says nothing back."""
        named = composite.name != self._composite.name
        self._composite = composite
        for slot, panel in zip(self.slots, composite.panels, strict=True):
            histogram = None if panel is None else self._histogram(panel.layer)
            slot.set_panel(panel, histogram)
        if named or not self.name.hasFocus():
            self.name.setText(composite.name)
        self._allow_save()
        for action in (
            self.cycle, self.cycle_back, self.swap_rg, self.swap_gb, self.swap_rb,
        ):  # fmt: skip
            action.setEnabled(any(composite.panels))

    def set_saved(self, composites: Iterable[Composite]) -> None:
        """Set the composites to choose from by name."""
        composites = tuple(composites)
        if composites == self._saved and self.saved.menu() is not None:
            return
        self._saved = composites
        menu = QMenu(self)
        for composite in self._saved:
            action = menu.addAction(composite.name.replace("&", "&&"))
            action.triggered.connect(lambda _=False, c=composite: self.chosen.emit(c))
        if self._saved:
            menu.addSeparator()
            away = menu.addMenu("Delete")
            for composite in self._saved:
                action = away.addAction(composite.name.replace("&", "&&"))
                action.triggered.connect(lambda _=False, n=composite.name: self.delete.emit(n))
        old = self.saved.menu()
        self.saved.setMenu(menu)
        if old is not None:
            old.deleteLater()
        self.saved.setEnabled(bool(self._saved))

    def set_reason(self, text: str) -> None:
        """Say why a triple was suggested; empty for nothing."""
        self.reason.setText(text)
        self.reason.setVisible(bool(text))

    def send(self, layer_id: str, index: int) -> None:
        """Put a layer into a slot, as a drop on it does."""
        self.slots[index].choose(layer_id)

    def _action(self, text: str, key: str, tip: str, work: Callable[[], None]) -> QAction:
        action = QAction(text, self)
        action.setShortcut(QKeySequence(key))
        action.setToolTip(tip)
        action.triggered.connect(lambda: work())
        self.addAction(action)
        return action

    def _cycle(self) -> None:
        self._permute((2, 0, 1), "Cycle colours")

    def _permute(self, order: tuple[int, int, int], label: str) -> None:
        panels = self._composite.panels
        if any(panels):
            red, green, blue = (panels[i] for i in order)
            self._emit(
                msgspec.structs.replace(self._composite, red=red, green=green, blue=blue),
                label,
                True,
            )

    def _set_slot(self, index: int, panel: Panel | None, label: str, finished: bool) -> None:
        changed = msgspec.structs.replace(self._composite, **{SLOTS[index]: panel})
        self._emit(changed, label, finished)

    def _emit(self, composite: Composite, label: str, finished: bool) -> None:
        self.set_composite(composite)
        self.composite_changed.emit(composite, label, finished)

    def _allow_save(self) -> None:
        named = bool(self.name.text().strip())
        self.save_button.setEnabled(named and any(self._composite.panels))

    def _save(self) -> None:
        if self.save_button.isEnabled():
            named = msgspec.structs.replace(self._composite, name=self.name.text().strip())
            self._composite = named
            self.save.emit(named)


def main() -> None:
    """Show the panel with made-up layers."""
    from viewer.panels.look.trial import Trial, show

    def build() -> QWidget:
        trial = Trial()
        panel = CompositePanel(trial.histogram)
        panel.set_layers(trial.layers)
        panel.set_composite(
            Composite(red=Panel(layer="Fe"), green=Panel(layer="Mg"), blue=Panel(layer="Ca"))
        )
        panel.resize(320, 700)
        return panel

    show(build)


if __name__ == "__main__":
    main()
