"""What the board says while it shows no plot."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from viewer.panels import theme


class EmptyBoard(QWidget):
    """One line of advice, and the two ways to go on.

    Signals
    -------
    suggest(), add()
    """

    suggest = Signal()
    add = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self.words = QLabel()
        self.words.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.words.setWordWrap(True)
        self.words.setProperty("tone", "dim")
        self.suggest_button = QPushButton("Suggest plots")
        self.suggest_button.setProperty("kind", "primary")
        self.suggest_button.setToolTip("Open the two pairs of channels that tell most together")
        self.suggest_button.clicked.connect(self.suggest)
        self.add_button = QPushButton("Choose layers…")
        self.add_button.clicked.connect(self.add)
        row = QHBoxLayout()
        row.setSpacing(tokens.gap_2)
        row.addStretch(1)
        row.addWidget(self.suggest_button)
        row.addWidget(self.add_button)
        row.addStretch(1)
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_6, tokens.gap_4, tokens.gap_6, tokens.gap_4)
        box.setSpacing(tokens.gap_3)
        box.addStretch(1)
        box.addWidget(self.words)
        box.addLayout(row)
        box.addStretch(1)

    def set_state(self, *, layers: int, working: bool) -> None:
        """Say what to do where there are this many layers; `working`: plots are being chosen."""
        if layers < 2:
            self.words.setText("A scatterplot needs two layers. Gather maps, or make a layer, first.")
        elif working:
            self.words.setText("Looking for the layers that tell most together…")
        else:
            self.words.setText(
                "Plot one layer against another, and draw around a cloud of points: "
                "its pixels light up on the map."
            )
        for button in (self.suggest_button, self.add_button):
            button.setVisible(layers >= 2 and not working)
