"""Colours for painted widgets: the theme's, as Qt colours, and the signs of the three slots."""

from __future__ import annotations

from dataclasses import dataclass

from PySide6.QtGui import QColor

from viewer.panels.theme import current

CHANNELS = (QColor(233, 84, 78), QColor(72, 178, 92), QColor(88, 138, 246))
"""Signs for the red, green and blue slots: readable on dark and on light grounds."""


@dataclass(frozen=True)
class Ink:
    """The few colours a plot or a list is painted with."""

    text: QColor
    dim: QColor
    line: QColor
    fill: QColor
    ground: QColor
    panel: QColor
    map_ground: QColor
    accent: QColor
    on_accent: QColor
    select: QColor
    caution: QColor
    error: QColor

    @classmethod
    def now(cls) -> Ink:
        """Colours of the scheme that is on."""
        tokens = current()
        text, ground = QColor(tokens.text), QColor(tokens.sunken)
        return cls(
            text=text,
            dim=QColor(tokens.text_dim),
            line=QColor(tokens.edge),
            fill=mixed(text, ground, 0.34),
            ground=ground,
            panel=QColor(tokens.window),
            map_ground=QColor(tokens.map_ground),
            accent=QColor(tokens.accent),
            on_accent=QColor(tokens.on_accent),
            select=QColor(tokens.select),
            caution=QColor(tokens.caution),
            error=QColor(tokens.error),
        )


def mixed(front: QColor, back: QColor, part: float) -> QColor:
    """`part` of the front colour, the rest of the back."""
    return QColor.fromRgbF(
        front.redF() * part + back.redF() * (1 - part),
        front.greenF() * part + back.greenF() * (1 - part),
        front.blueF() * part + back.blueF() * (1 - part),
    )


def see_through(colour: QColor, alpha: float) -> QColor:
    """The colour with an alpha from 0 to 1."""
    out = QColor(colour)
    out.setAlphaF(alpha)
    return out
