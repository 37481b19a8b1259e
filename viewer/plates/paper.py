"""Paper and ink: the two grounds a plate is printed on, and colours that can be read on them."""

from __future__ import annotations

from typing import Literal, NamedTuple

RGB = tuple[int, int, int]
PaperName = Literal["light", "dark"]

READABLE = 4.5
"""Least contrast of small text with its ground: WCAG 2.2, success criterion 1.4.3 (level AA)."""


class Paper(NamedTuple):
    """A ground and the ink that is written on it."""

    ground: RGB
    ink: RGB


PAPERS: dict[PaperName, Paper] = {
    "light": Paper((255, 255, 255), (0, 0, 0)),
    "dark": Paper((18, 18, 18), (240, 240, 240)),
}


def luminance(colour: RGB) -> float:
    """Relative luminance of an sRGB colour, 0 (black) to 1 (white).

    WCAG 2.2, "relative luminance", with the transfer function of IEC 61966-2-1.
    """
    red, green, blue = (_linear(part / 255) for part in colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: RGB, other: RGB) -> float:
    """Contrast ratio of two colours, 1 (the same) to 21 (black on white); WCAG 2.2."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def readable(colour: RGB, paper: Paper, least: float = READABLE) -> RGB:
    """Nearest mixture of a colour with the ink that can be read as small text.

    Parameters
    ----------
    colour : (int, int, int)
        8-bit sRGB.
    paper : Paper
    least : float
        Contrast with the ground to reach; the ink itself is the most there is.
    """
    for step in range(256):
        mixed = _mix(colour, paper.ink, step / 255)
        if contrast(mixed, paper.ground) >= least:
            return mixed
    return paper.ink


def _mix(one: RGB, other: RGB, share: float) -> RGB:
    red, green, blue = (int(a + (b - a) * share + 0.5) for a, b in zip(one, other, strict=True))
    return red, green, blue


def _linear(part: float) -> float:
    return part / 12.92 if part <= 0.04045 else float(((part + 0.055) / 1.055) ** 2.4)
