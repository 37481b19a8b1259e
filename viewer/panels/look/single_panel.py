"""The single-channel panel: one layer, a colour map, its stretch and its quality in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QSignalBlocker, QSize, Qt, Signal
from PySide6.QtGui import QAction, QIcon, QImage, QKeySequence, QPixmap
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from viewer.panels.look.layers import LayerEntry, details
from viewer.panels.look.parts import FlagList, LayerButton, tool_button
from viewer.panels.look.stretch_controls import StretchControls
from viewer.panels.parts import Line
from viewer.panels.theme import current
from viewer.science.look.histogram import Histogram
from viewer.science.look.stretch import Stretch

ColourMaps = Mapping[str, npt.NDArray[np.uint8]]
"""Colour maps by name, each ``uint8[256, 3]``, dark to bright."""

SWATCH = QSize(96, 14)


def swatch(colours: npt.NDArray[np.uint8]) -> QIcon:
    """A strip of a colour map."""
    line = np.ascontiguousarray(colours[:, :3])[None]
    image = QImage(line.tobytes(), len(colours), 1, 3 * len(colours), QImage.Format.Format_RGB888)
    return QIcon(QPixmap.fromImage(image.copy()).scaled(SWATCH))


class SinglePanel(QWidget):
    """Edits how one layer is shown alone.

    Signals
    -------
    layer_chosen(str)
    colours_chosen(str)
        Name of a colour map.
    stretch_changed(Stretch, bool)
        False while a drag goes on.
    automatic()
        The user asks for the suggested stretch.
    """

    layer_chosen = Signal(str)
    colours_chosen = Signal(str)
    stretch_changed = Signal(object, bool)
    automatic = Signal()

    def __init__(self, colour_maps: ColourMaps, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self._layers: tuple[LayerEntry, ...] = ()
        self._stepping = True
        self.layer = LayerButton(self)
        self.layer.setToolTip("Layer shown alone: choose from the menu, or drop a layer here")
        self.layer.setAccessibleName("Layer shown alone")
        self.previous = tool_button("chevron-left", "Previous", "Layer before this one (Page Up)", self)
        self.following = tool_button("chevron-right", "Next", "Layer after this one (Page Down)", self)
        self.previous_action = self._action("Previous layer", "PgUp", -1)
        self.next_action = self._action("Next layer", "PgDown", 1)
        self.previous.clicked.connect(lambda: self._step(-1))
        self.following.clicked.connect(lambda: self._step(1))
        self.colours = QComboBox(self)
        self.colours.setIconSize(SWATCH)
        self.colours.setToolTip(
            "Colours from dark to bright. All run evenly in lightness, so that equal steps of "
            "value look equally large"
        )
        self.colours.setAccessibleName("Colour map")
        for name, colours in colour_maps.items():
            self.colours.addItem(swatch(colours), name.capitalize(), name)
        self.controls = StretchControls(self, weight=False, expanded=True)
        self.flags = FlagList(self)
        self.facts = QLabel(self)
        self.facts.setTextFormat(Qt.TextFormat.RichText)
        self.facts.setWordWrap(True)
        self.facts.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.facts.setProperty("tone", "dim")

        head = QHBoxLayout()
        head.setContentsMargins(0, 0, 0, 0)
        head.setSpacing(tokens.gap_1)
        head.addWidget(self.layer, 1)
        head.addWidget(self.previous)
        head.addWidget(self.following)
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_3, tokens.gap_2, tokens.gap_3, tokens.gap_3)
        box.setSpacing(tokens.gap_2)
        box.addLayout(head)
        box.addWidget(self.colours)
        box.addWidget(self.controls)
        box.addWidget(Line(self))
        box.addWidget(self.flags)
        box.addWidget(self.facts)
        box.addStretch(1)
        self.layer.chosen.connect(self._choose)
        self.colours.activated.connect(
            lambda: self.colours_chosen.emit(str(self.colours.currentData()))
        )
        self.controls.stretch_changed.connect(self.stretch_changed)
        self.controls.automatic.connect(self.automatic)
        self.show_layer(None, Stretch(), None)

    def sizeHint(self) -> QSize:
        return QSize(320, super().sizeHint().height())

    def set_layers(self, layers: Iterable[LayerEntry]) -> None:
        """Set the layers to choose from, in the order that Page Down goes through them."""
        self._layers = tuple(layers)
        self.layer.set_layers(self._layers)
        self._describe()

    def set_stepping(self, on: bool) -> None:
        """Whether the page keys go through the layers: only while one is shown alone."""
        self._stepping = on
        self._describe()

    def show_layer(
        self,
        layer_id: str | None,
        stretch: Stretch,
        histogram: Histogram | None,
        colours: str | None = None,
    ) -> None:
        """Show a layer and how it is shown; says nothing back."""
        self.layer.set_layer(layer_id)
        entry = self.layer.entry()
        self.controls.setEnabled(entry is not None)
        self.controls.set_histogram(histogram, whole_numbers=entry is not None and entry.integer)
        self.controls.set_stretch(stretch)
        if colours is not None:
            with QSignalBlocker(self.colours):
                self.colours.setCurrentIndex(self.colours.findData(colours))
        self._describe()

    def _describe(self) -> None:
        entry = self.layer.entry()
        several = len(self._layers) > 1
        for button in (self.previous, self.following):
            button.setEnabled(several)
        for action in (self.previous_action, self.next_action):
            action.setEnabled(several and self._stepping)
        self.flags.set_entry(entry)
        self.facts.setText("" if entry is None else details(entry, flags=False))

    def _choose(self, layer_id: str) -> None:
        if layer_id and layer_id != self.layer.layer:
            self.layer_chosen.emit(layer_id)

    def _step(self, by: int) -> None:
        ids = [layer.id for layer in self._layers if layer.ready]
        if not ids:
            return
        at = ids.index(self.layer.layer) if self.layer.layer in ids else (-1 if by > 0 else 0)
        self.layer_chosen.emit(ids[(at + by) % len(ids)])

    def _action(self, text: str, key: str, by: int) -> QAction:
        action = QAction(text, self)
        action.setShortcut(QKeySequence(key))
        action.triggered.connect(lambda: self._step(by))
        self.addAction(action)
        return action


def main() -> None:
    """Show the panel with a made-up layer."""
    from viewer.panels.look.trial import Trial, show

    def build() -> QWidget:
        trial = Trial()
        grey = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 3, axis=1)
        panel = SinglePanel({"grey": grey, "inverse": grey[::-1]})
        panel.set_layers(trial.layers)
        panel.show_layer("Fe", Stretch(), trial.histogram("Fe"), "grey")
        panel.layer_chosen.connect(
            lambda layer: panel.show_layer(layer, Stretch(), trial.histogram(layer))
        )
        panel.resize(320, 600)
        return panel

    show(build)


if __name__ == "__main__":
    main()
