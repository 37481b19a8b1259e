"""How far apart the key's colours are, for each kind of colour vision, and which two are closest."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent
from PySide6.QtWidgets import QGridLayout, QLabel, QSizePolicy, QWidget

from viewer.panels import icons, theme
from viewer.panels.qt import ElidedLabel, plain_tip, set_property
from viewer.science.look.vision import simulate
from viewer.science.sort.key import CAUTION, EYES, Pair, separation, to_rgb
from viewer.store.documents import KeyEntry

ROWS = {
    "none": "Everyone",
    "protan": "Protan",
    "deutan": "Deutan",
    "tritan": "Tritan",
    "grey": "In grey",
}
TIPS = {
    "none": "Normal colour vision",
    "protan": "Without the cones for red",
    "deutan": "Without the cones for green, the commonest",
    "tritan": "Without the cones for blue",
    "grey": "Printed in grey: lightness is all that is left, and many phases cannot stay apart in it",
}


class Distances(QWidget):
    """Smallest CIEDE2000 distance in each vision, with the two phases that it lies between."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(tokens.gap_2)
        grid.setVerticalSpacing(tokens.gap_1)
        grid.setColumnStretch(4, 1)
        self.numbers: dict[str, QLabel] = {}
        self.pairs: dict[str, ElidedLabel] = {}
        self._signs: dict[str, QLabel] = {}
        self._swatches: dict[str, _Swatches] = {}
        for row, (vision, words) in enumerate(ROWS.items()):
            name, number, sign = QLabel(words), QLabel(), QLabel()
            name.setProperty("tone", "dim")
            name.setToolTip(TIPS[vision])
            number.setFont(theme.figures(number.font()))
            number.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            number.setMinimumWidth(number.fontMetrics().horizontalAdvance("100.0"))
            sign.setFixedSize(tokens.icon_small, tokens.icon_small)
            pair = ElidedLabel()
            pair.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            swatches = _Swatches()
            for column, widget in enumerate((name, number, sign, swatches, pair)):
                grid.addWidget(widget, row, column)
            self.numbers[vision], self._signs[vision] = number, sign
            self.pairs[vision], self._swatches[vision] = pair, swatches

    def show_key(self, entries: Sequence[KeyEntry]) -> dict[str, Pair]:
        """Work them out for a key, and give them back; empty where there are not two phases."""
        colours = [e.colour for e in entries]
        found = separation(colours)
        rgb = to_rgb(colours)
        for vision in ROWS:
            pair = found.get(vision)
            number, words = self.numbers[vision], self.pairs[vision]
            if pair is None:
                number.setText("")
                words.setText("")
                self._signs[vision].clear()
                self._swatches[vision].show_colours(())
                continue
            close = vision in EYES and pair.distance < CAUTION
            number.setText(f"{pair.distance:.1f}")
            set_property(number, "tone", "caution" if close else "")
            names = f"{entries[pair.first].name} and {entries[pair.second].name}"
            words.setText(names)
            advice = f", below {CAUTION:g}: give one of them another colour" if close else ""
            tip = f"{names}: {pair.distance:.1f} apart (CIEDE2000){advice}"
            for widget in (number, words, self._signs[vision]):
                widget.setToolTip(plain_tip(tip))
            self._show_sign(vision, close)
            seen = simulate(rgb[[pair.first, pair.second]], vision)
            self._swatches[vision].show_colours([QColor(*(int(v) for v in one)) for one in seen])
        return found

    def _show_sign(self, vision: str, close: bool) -> None:
        tokens = theme.current()
        sign = self._signs[vision]
        if close:
            ratio = self.devicePixelRatioF()
            sign.setPixmap(icons.pixmap("warning", tokens.icon_small, tokens.caution, ratio))
        else:
            sign.clear()


class _Swatches(QWidget):
    """Two colours that touch, as the vision of the row sees them."""

    def __init__(self) -> None:
        super().__init__()
        self._colours: Sequence[QColor] = ()
        self.setFixedSize(self.sizeHint())
        self.setToolTip("The two colours as this vision sees them")

    def sizeHint(self) -> QSize:
        return QSize(28, 14)

    def show_colours(self, colours: Sequence[QColor]) -> None:
        """Show two colours, or nothing."""
        self._colours = colours
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        if not self._colours:
            return
        painter = QPainter(self)
        wide = self.width() / len(self._colours)
        for at, colour in enumerate(self._colours):
            painter.fillRect(QRectF(at * wide, 0, wide, self.height()), colour)
        painter.setPen(QColor(theme.current().edge))
        painter.drawRect(self.rect().adjusted(0, 0, -1, -1))
