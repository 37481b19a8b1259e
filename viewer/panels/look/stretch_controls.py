"""The numbers of one stretch: ends, curve, gamma, weight, invert."""

from __future__ import annotations

import math

import msgspec
from PySide6.QtCore import QSignalBlocker, Qt, Signal
from PySide6.QtGui import QValidator, QWheelEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QSizePolicy,
    QSlider,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels.look.digits import MINUS, decimals, tidy
from viewer.panels.look.parts import tool_button
from viewer.panels.parts import inset
from viewer.panels.theme import current, figures
from viewer.science.look.histogram import Histogram
from viewer.science.look.stretch import CURVES, GAMMA_RANGE, WEIGHT_RANGE, Curve, Stretch

CURVE_NAMES: dict[Curve, str] = {
    "linear": "Linear",
    "sqrt": "Square root",
    "asinh": "asinh",
    "log": "Logarithm",
}

_MOST_WEIGHT = 4.0
"""Right end of the weight's slider; larger weights are typed."""


class ValueSpin(QDoubleSpinBox):
    """A spin box whose decimals and steps suit the range of the values."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        inset(self)
        self._span = 100.0
        self._whole = False
        self.setFont(figures(self.font()))
        self.setKeyboardTracking(False)
        # Enough for any unit; what is written is decided by `textFromValue`.
        self.setDecimals(30)
        self.setRange(-1e300, 1e300)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setMinimumWidth(72)

    def set_span(self, span: float, *, whole: bool = False) -> None:
        """Suit a range `span` wide: a step is about a two-hundredth of it."""
        self._span = span if math.isfinite(span) and span > 0 else 1.0
        self._whole = whole
        step = 10.0 ** math.floor(math.log10(self._span / 100.0))
        self.setSingleStep(max(step, 1.0) if whole else step)

    def textFromValue(self, value: float) -> str:
        return tidy(value, self._span, whole=self._whole)

    def valueFromText(self, text: str) -> float:
        return float(text.replace(MINUS, "-").replace(",", "."))

    def validate(self, text: str, pos: int) -> tuple[QValidator.State, str, int]:
        plain = text.replace(MINUS, "-").replace(",", ".").strip()
        try:
            number = float(plain)
        except ValueError:
            half = plain in ("", "-", "+", ".", "-.") or plain[-1:] in "eE+-"
            state = QValidator.State.Intermediate if half else QValidator.State.Invalid
            return (state, text, pos)
        good = math.isfinite(number) and self.minimum() <= number <= self.maximum()
        return (
            QValidator.State.Acceptable if good else QValidator.State.Intermediate,
            text,
            pos,
        )

    def wheelEvent(self, event: QWheelEvent) -> None:
        # A wheel over a panel scrolls the panel, unless the box is being edited.
        if self.hasFocus():
            super().wheelEvent(event)
        else:
            event.ignore()


class StretchControls(QWidget):
    """Edits one stretch.

    Signals
    -------
    stretch_changed(Stretch, bool)
        The new stretch; False while a slider is being dragged, else True.
    automatic()
        The user asks for the suggested stretch of the layer.
    """

    stretch_changed = Signal(object, bool)
    automatic = Signal()

    def __init__(
        self, parent: QWidget | None = None, *, weight: bool = True, expanded: bool = False
    ) -> None:
        super().__init__(parent)
        self._stretch = Stretch()
        self._histogram: Histogram | None = None
        self._whole = False
        gap = current().gap_1

        self.by = QComboBox(self)
        self.by.addItem("%", "percentile")
        self.by.addItem("Value", "value")
        self.by.setToolTip(
            "What the two ends are: percentiles of the pixels inside the outline, or channel values"
        )
        self.by.setAccessibleName("Ends by percentile or by value")
        self.by.setFixedWidth(66)
        self.low = ValueSpin(self)
        self.low.setToolTip("Darkest value: everything below is shown black")
        self.low.setAccessibleName("Low end")
        self.high = ValueSpin(self)
        self.high.setToolTip("Brightest value: everything above is shown at full brightness")
        self.high.setAccessibleName("High end")
        self.auto = tool_button("", "Auto", "Ends suggested from what this layer holds", self)
        self.reset = tool_button(
            "", "Reset", "Back to the 1st and 99th percentile, linear, gamma 1", self
        )
        self.more = QToolButton(self)
        self.more.setAutoRaise(True)
        self.more.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.more.setArrowType(Qt.ArrowType.RightArrow)
        self.more.setToolTip("Show or hide curve, gamma, weight and invert")
        self.more.setFocusPolicy(Qt.FocusPolicy.TabFocus)

        ends = QHBoxLayout()
        ends.setContentsMargins(0, 0, 0, 0)
        ends.setSpacing(gap)
        ends.addWidget(self.by)
        ends.addWidget(self.low, 1)
        ends.addWidget(QLabel("–", self))
        ends.addWidget(self.high, 1)

        tail = QHBoxLayout()
        tail.setContentsMargins(0, 0, 0, 0)
        tail.setSpacing(gap)
        tail.addWidget(self.more)
        tail.addStretch(1)
        tail.addWidget(self.auto)
        tail.addWidget(self.reset)

        self.curve = QComboBox(self)
        for curve in sorted(CURVES, key=list(CURVE_NAMES).index):
            self.curve.addItem(CURVE_NAMES[curve], curve)
        self.curve.setToolTip(
            "How brightness rises between the ends. Square root, asinh and logarithm show the "
            "weak parts of a layer that has a few strong ones"
        )
        self.curve.setAccessibleName("Curve")
        self.invert = QCheckBox("Invert", self)
        self.invert.setToolTip("Show high values dark and low values bright")
        self.gamma = ValueSpin(self)
        self.gamma.set_span(10.0)
        self.gamma.setRange(*GAMMA_RANGE)
        self.gamma.setSingleStep(0.1)
        self.gamma.setToolTip("Above 1 brightens the middle values, below 1 darkens them")
        self.gamma.setAccessibleName("Gamma")
        self.gamma_slider = QSlider(Qt.Orientation.Horizontal, self)
        self.gamma_slider.setRange(-100, 100)
        self.gamma_slider.setToolTip(self.gamma.toolTip())
        self.gamma_slider.setAccessibleName("Gamma")
        self.weight = ValueSpin(self)
        self.weight.set_span(10.0)
        self.weight.setRange(*WEIGHT_RANGE)
        self.weight.setSingleStep(0.1)
        self.weight.setToolTip("Multiplies this colour's brightness; 0 takes it out of the picture")
        self.weight.setAccessibleName("Weight")
        self.weight_slider = QSlider(Qt.Orientation.Horizontal, self)
        self.weight_slider.setRange(0, 100)
        self.weight_slider.setToolTip(self.weight.toolTip())
        self.weight_slider.setAccessibleName("Weight")

        self.details = QWidget(self)
        grid = QGridLayout(self.details)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(current().gap_2)
        grid.setVerticalSpacing(gap)
        grid.setColumnStretch(1, 1)
        for spin in (self.gamma, self.weight):
            spin.setMinimumWidth(64)
            spin.setMaximumWidth(72)
        grid.addWidget(self._name("Curve", self.curve), 0, 0)
        grid.addWidget(self.curve, 0, 1)
        grid.addWidget(self.invert, 0, 2)
        grid.addWidget(self._name("Gamma", self.gamma), 1, 0)
        grid.addWidget(self.gamma_slider, 1, 1)
        grid.addWidget(self.gamma, 1, 2)
        if weight:
            grid.addWidget(self._name("Weight", self.weight), 2, 0)
            grid.addWidget(self.weight_slider, 2, 1)
            grid.addWidget(self.weight, 2, 2)
        else:
            self.weight.hide()
            self.weight_slider.hide()

        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(gap)
        box.addLayout(ends)
        box.addLayout(tail)
        box.addWidget(self.details)
        for first, second in zip(
            (self.by, self.low, self.high, self.more, self.auto, self.reset, self.curve,
             self.invert, self.gamma_slider, self.gamma, self.weight_slider),
            (self.low, self.high, self.more, self.auto, self.reset, self.curve,
             self.invert, self.gamma_slider, self.gamma, self.weight_slider, self.weight),
            strict=True,
        ):  # fmt: skip
            QWidget.setTabOrder(first, second)

        self.by.currentIndexChanged.connect(self._change_by)
        self.low.valueChanged.connect(self._change_ends)
        self.high.valueChanged.connect(self._change_ends)
        self.curve.currentIndexChanged.connect(lambda: self._emit(curve=self.curve.currentData()))
        self.invert.toggled.connect(lambda on: self._emit(invert=on))
        self.gamma.valueChanged.connect(lambda value: self._emit(gamma=value))
        self.weight.valueChanged.connect(lambda value: self._emit(weight=value))
        for slider, change in (
            (self.gamma_slider, self._slide_gamma),
            (self.weight_slider, self._slide_weight),
        ):
            slider.valueChanged.connect(lambda _, c=change, s=slider: c(not s.isSliderDown()))
            slider.sliderReleased.connect(lambda c=change: c(True))
        self.reset.clicked.connect(self._reset)
        self.auto.clicked.connect(self.automatic)
        self.more.clicked.connect(lambda: self.set_expanded(self.details.isHidden()))
        self.set_expanded(expanded)
        self._show()

    @property
    def stretch(self) -> Stretch:
        """The stretch as shown."""
        return self._stretch

    def set_stretch(self, stretch: Stretch) -> None:
        """Show a stretch; says nothing back."""
        if stretch != self._stretch:
            self._stretch = stretch
            self._show()

    def set_histogram(self, histogram: Histogram | None, *, whole_numbers: bool = False) -> None:
        """Set the pixels that percentiles refer to; without them only percentiles can be set."""
        if histogram is not self._histogram or whole_numbers != self._whole:
            self._histogram = histogram
            self._whole = whole_numbers
            self._show()

    def _name(self, text: str, buddy: QWidget) -> QLabel:
        label = QLabel(text, self)
        label.setProperty("tone", "dim")
        label.setBuddy(buddy)
        return label

    def _show(self) -> None:
        shown = self._stretch
        blockers = [
            QSignalBlocker(w)
            for w in (
                self.by, self.low, self.high, self.curve, self.invert, self.gamma,
                self.gamma_slider, self.weight, self.weight_slider,
            )
        ]  # fmt: skip
        self.by.setCurrentIndex(self.by.findData(shown.by))
        has_values = self._histogram is not None and self._histogram.total > 0
        self.by.setEnabled(has_values)
        if shown.by == "percentile":
            for box in (self.low, self.high):
                box.set_span(100.0)
                box.setRange(0.0, 100.0)
                box.setSingleStep(0.5)
        else:
            span = shown.high - shown.low
            if has_values and self._histogram is not None:
                low, high = self._histogram.span
                span = max(high - low, span)
            for box in (self.low, self.high):
                box.set_span(span, whole=self._whole)
                box.setRange(-1e300, 1e300)
        self.low.setValue(shown.low)
        self.high.setValue(shown.high)
        self._mark_wrong(False)
        self.curve.setCurrentIndex(self.curve.findData(shown.curve))
        self.invert.setChecked(shown.invert)
        self.gamma.setValue(shown.gamma)
        if not self.gamma_slider.isSliderDown():
            self.gamma_slider.setValue(round(100 * math.log10(shown.gamma)))
        self.weight.setValue(shown.weight)
        if not self.weight_slider.isSliderDown():
            self.weight_slider.setValue(round(100 * min(shown.weight / _MOST_WEIGHT, 1.0)))
        del blockers
        self._label_more()

    def _label_more(self) -> None:
        """Say in the folded line what differs from plain."""
        s = self._stretch
        parts = [CURVE_NAMES[s.curve]]
        if s.gamma != 1.0:
            parts.append(f"γ {s.gamma:.2f}")
        if s.weight != 1.0 and not self.weight.isHidden():
            parts.append(f"× {s.weight:.2f}")
        if s.invert:
            parts.append("inverted")
        self.more.setText(", ".join(parts))

    def set_expanded(self, on: bool) -> None:
        """Show curve, gamma, weight and invert, or fold them away."""
        self.more.setArrowType(Qt.ArrowType.DownArrow if on else Qt.ArrowType.RightArrow)
        self.details.setVisible(on)

    def _change_by(self) -> None:
        by = self.by.currentData()
        if self._histogram is None or by == self._stretch.by:
            return
        if by == "value":
            s = self._stretch.resolve(self._histogram)
            span = self._histogram.span
            places = decimals(span[1] - span[0])
            low, high = round(s.low, places), round(s.high, places)
            self._emit(by="value", low=low, high=high if high > low else s.high)
            return
        low = round(self._histogram.rank(self._stretch.low), 2)
        high = round(self._histogram.rank(self._stretch.high), 2)
        if not low < high:
            low, high = 1.0, 99.0
        self._emit(by="percentile", low=low, high=high)

    def _change_ends(self) -> None:
        low, high = self.low.value(), self.high.value()
        wrong = low >= high
        self._mark_wrong(wrong)
        if not wrong:
            self._emit(low=low, high=high)

    def _mark_wrong(self, wrong: bool) -> None:
        for box in (self.low, self.high):
            if bool(box.property("wrong")) != wrong:
                box.setProperty("wrong", wrong)
                box.style().unpolish(box)
                box.style().polish(box)

    def _slide_gamma(self, finished: bool) -> None:
        gamma = 10.0 ** (self.gamma_slider.value() / 100.0)
        # A narrow notch at 1, which is hard to hit by eye.
        self._emit(finished, gamma=1.0 if abs(gamma - 1.0) < 0.03 else round(gamma, 2))

    def _slide_weight(self, finished: bool) -> None:
        self._emit(finished, weight=round(self.weight_slider.value() / 100.0 * _MOST_WEIGHT, 2))

    def _reset(self) -> None:
        self._stretch = Stretch()
        self._show()
        self.stretch_changed.emit(self._stretch, True)

    def _emit(self, finished: bool = True, **changes: object) -> None:
        self._stretch = msgspec.structs.replace(self._stretch, **changes)
        self._show()
        self.stretch_changed.emit(self._stretch, finished)


def main() -> None:
    """Show the controls alone."""
    from viewer.panels.look.trial import Trial, show

    def build() -> QWidget:
        trial = Trial()
        controls = StretchControls(expanded=True)
        controls.set_histogram(trial.histogram("Fe"), whole_numbers=True)
        return controls

    show(build)


if __name__ == "__main__":
    main()
