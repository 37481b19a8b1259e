"""The one typeface of all plates, and how wide its words are.

DejaVu Sans comes with matplotlib, so a plate looks the same on every machine, and it has the Greek
letters and superscripts that names of X-ray lines and units need.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

from viewer.plates.resolution import MM_PER_INCH, POINTS_PER_INCH

if TYPE_CHECKING:
    from matplotlib.font_manager import FontProperties

FAMILY = "DejaVu Sans"

BOX = "\N{WHITE SQUARE}"
"""Stands for a letter that the typeface does not have."""


@functools.lru_cache(maxsize=4)
def _font(bold: bool) -> FontProperties:
    from matplotlib.font_manager import FontProperties

    return FontProperties(family=FAMILY, size=100, weight="bold" if bold else "normal")


@functools.lru_cache(maxsize=4096)
def _advance(text: str, bold: bool) -> float:
    from matplotlib.textpath import text_to_path

    width, _, _ = text_to_path.get_text_width_height_descent(text, _font(bold), ismath=False)
    return float(width)


def text_width_mm(text: str, size_pt: float, bold: bool = False) -> float:
    """Width of a line of text in mm."""
    if not text:
        return 0.0
    return _advance(drawable(text), bold) * size_pt / 100 * MM_PER_INCH / POINTS_PER_INCH


def missing_letters(text: str) -> str:
    """The letters of `text` that the typeface cannot draw, once each."""
    known = _letters()
    return "".join(sorted({ch for ch in text if not ch.isspace() and ord(ch) not in known}))


def drawable(text: str) -> str:
    """`text` with a box for every letter that the typeface cannot draw."""
    missing = missing_letters(text)
    return text.translate(dict.fromkeys(map(ord, missing), BOX)) if missing else text


@functools.lru_cache(maxsize=1)
def _letters() -> frozenset[int]:
    from matplotlib.font_manager import findfont, get_font

    return frozenset(get_font(findfont(_font(False))).get_charmap())
