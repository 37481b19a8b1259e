"""A box for an area on the map, in µm² or mm² as it is large, with what that is in pixels."""

from __future__ import annotations

import math

from PySide6.QtGui import QValidator
from PySide6.QtWidgets import QAbstractSpinBox, QDoubleSpinBox, QWidget

from viewer.panels.look.digits import MINUS, grouped

MM2 = 1e6
"""µm² to a mm²."""

_UNITS = (("µm²", 1.0), ("μm²", 1.0), ("um²", 1.0), ("µm2", 1.0), ("um2", 1.0),
          ("mm²", MM2), ("mm2", MM2))  # fmt: skip


class AreaBox(QDoubleSpinBox):
    """An area in µm²; typed as a number of µm², or with its unit (0.02 mm²). 0 is «off»."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setRange(0.0, 1e12)
        self.setDecimals(6)
        self.setSpecialValueText("off")
        self.setKeyboardTracking(False)
        self.setStepType(QAbstractSpinBox.StepType.AdaptiveDecimalStepType)

    def textFromValue(self, value: float) -> str:
        return area_text(value)

    def valueFromText(self, text: str) -> float:
        found = area_of(text)
        return 0.0 if found is None else found

    def validate(self, text: str, pos: int) -> object:  # type: ignore[override]
        State = QValidator.State
        if text.strip().casefold() == "off" or area_of(text) is not None:
            return State.Acceptable, text, pos
        return State.Intermediate, text, pos

    def stepBy(self, steps: int) -> None:
        # The first step up goes to where cleaning begins to mean something, not to a millionth.
        if self.value() == 0.0 and steps > 0:
            self.setValue(self.singleStep())
        else:
            super().stepBy(steps)
            if 0 < self.value() < self.singleStep() and steps < 0:
                self.setValue(0.0)


def area_text(um2: float) -> str:
    """An area in µm², or in mm² from a tenth of one."""
    value, unit = (um2 / MM2, "mm²") if um2 >= MM2 / 10 else (um2, "µm²")
    return f"{float(f'{value:.6g}'):.10g} {unit}"


def area_of(text: str) -> float | None:
    """The area in µm² that was typed; None where it is none."""
    words = text.strip().replace(",", ".").replace("\u2009", "").replace(MINUS, "-")
    factor = 1.0
    for unit, size in _UNITS:
        if words.endswith(unit):
            words, factor = words.removesuffix(unit).strip(), size
            break
    if words.casefold() == "off":
        return 0.0
    try:
        found = float(words) * factor
    except ValueError:
        return None
    return found if math.isfinite(found) and found >= 0 else None


def area_note(um2: float, pixel_um: tuple[float, float]) -> str:
    """What an area is as a disk, and in pixels: «⌀ 22.6 µm, 4 px»; empty for none."""
    if um2 <= 0:
        return ""
    across = 2.0 * math.sqrt(um2 / math.pi)
    wide = f"{across / 1000:.3g} mm" if across >= 1000 else f"{across:.3g} µm"
    pixels = um2 / (pixel_um[0] * pixel_um[1])
    count = grouped(round(pixels)) if pixels >= 10 else f"{pixels:.2g}"
    return f"⌀ {wide}, {count} px"
