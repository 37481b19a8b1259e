"""A drawing as plain shapes and words, laid out but not yet drawn.

A figure is laid out once (`viewer.plates.figure_scene`), in whatever the medium counts in: points on
a page, pixels on a screen. Two small painters then draw the same shapes, so that what is seen in the
window is what is printed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from viewer.plates.chart import Array, Role

Align = Literal["left", "center", "right"]
Measure = Callable[[str, float, bool], float]
"""Width of a line of text of a size, bold or not, in the medium's unit."""

CAP = 0.73
"""Height of a capital in ems of the typefaces that are used."""

PITCH = 1.3
"""Distance of lines in ems."""

BAND, BAR = 0.22, 0.55
"""Opacity of a band around a line, and of a bar."""


class Box(NamedTuple):
    """A rectangle: left, top, width, height; y down."""

    x: float
    y: float
    w: float
    h: float

    @property
    def right(self) -> float:
        """Its right edge."""
        return self.x + self.w

    @property
    def bottom(self) -> float:
        """Its lower edge."""
        return self.y + self.h


@dataclass(frozen=True)
class Stroke:
    """A line through points [n, 2]; a row of NaN breaks it.

    `clip`: only what lies in the scene's frame shows.
    """

    points: Array
    colour: str
    width: float
    dashed: bool = False
    closed: bool = False
    clip: bool = False


@dataclass(frozen=True)
class Segments:
    """Straight lines, each between two points: [n, 2, 2]. Thousands are one thing to draw."""

    ends: Array
    colour: str
    width: float
    clip: bool = False


@dataclass(frozen=True)
class Area:
    """A filled polygon of corners [n, 2], without an edge; a row of NaN begins another."""

    points: Array
    colour: str
    opacity: float = 1.0
    clip: bool = False


@dataclass(frozen=True)
class Dots:
    """Discs, or rings where `hollow`, about points [n, 2]."""

    points: Array
    colour: str
    radius: float
    hollow: bool = False
    clip: bool = False


@dataclass(frozen=True)
class Words:
    """A line of text: where it is aligned to, and its baseline.

    `turned`: it reads upwards.
    """

    x: float
    y: float
    text: str
    size: float
    colour: str
    align: Align = "left"
    bold: bool = False
    turned: bool = False


@dataclass(frozen=True)
class Picture:
    """Pixels [rows, columns, 4] of red, green, blue and alpha over a box; row 0 is at its top."""

    box: Box
    pixels: npt.NDArray[np.uint8]


Item = Stroke | Segments | Area | Dots | Words | Picture


@dataclass(frozen=True)
class Spots:
    """Places that have something to say when the pointer is near.

    Attributes
    ----------
    at : ndarray of float64 [n, 2]
    tell : callable
        Words of a spot by its number.
    """

    at: Array
    tell: Callable[[int], str]


@dataclass(frozen=True)
class Scene:
    """A drawing: its size, what clips, and what is drawn in order."""

    width: float
    height: float
    ground: str
    frame: Box
    items: Sequence[Item]
    spots: Spots


@dataclass(frozen=True)
class Ink:
    """Colours of a drawing, each ``#rrggbb``.

    Attributes
    ----------
    ground : str
        Under everything.
    text, dim : str
        Words; words of less weight.
    grid, frame : str
        Lines that help to read values; axes.
    roles : mapping
        What data are drawn in.
    """

    ground: str
    text: str
    dim: str
    grid: str
    frame: str
    roles: Mapping[Role, str]

    def of(self, role: Role, colour: str | None = None) -> str:
        """Colour of a role, or the one that stands in its place."""
        return self.roles[role] if colour is None else colour


@dataclass(frozen=True)
class Style:
    """Sizes of a drawing in the medium's unit, its ink, and how wide its words come out.

    Attributes
    ----------
    size : float
        Of plain text; the title is a seventh larger.
    line, thin : float
        Widths of lines of data, and of axes and grid.
    dot : float
        Radius.
    gap : float
        Between things that stand apart.
    corner : float
        Width at the top right that the title leaves free.
    """

    ink: Ink
    measure: Measure
    size: float
    line: float
    thin: float
    dot: float
    gap: float
    corner: float = 0.0


PAPER_INK = Ink(
    ground="#ffffff",
    text="#000000",
    dim="#404040",
    grid="#e2e2e2",
    frame="#404040",
    # The second and the third keep apart from each other and from the fit for every common
    # deficiency of colour vision: M. Okabe and K. Ito, "Color Universal Design" (2008).
    roles={
        "data": "#1a1a1a",
        "fit": "#0072b2",
        "second": "#d55e00",
        "third": "#00805f",
        "faint": "#a6a6a6",
        "caution": "#b3261e",
    },
)
"""Black on white, for print."""

OVER_PICTURE: Mapping[Role, str] = {
    "data": "#ffb000",
    "fit": "#56c8ff",
    "second": "#ff7a45",
    "third": "#3ddbaa",
    "faint": "#e6e6e6",
    "caution": "#ff6f8d",
}
"""Roles over a grey picture, on paper and on the screen; each is drawn with a dark rim."""

PICTURE_RIM = "#101010"


def turned_lines(
    text: str, x: float, middle: float, room: float, size: float, colour: str, measure: Measure
) -> list[Words]:
    """A text that reads upwards about a height, broken where there is no room; `x`: its left edge."""
    return [
        Words(x + (0.95 + n * PITCH) * size, middle, line, size, colour, "center", turned=True)
        for n, line in enumerate(wrapped(text, room, size, measure))
    ]


def runs(points: Array) -> list[Array]:
    """Rows of an array [n, m] without NaN, as they follow one another."""
    good = np.isfinite(points).all(axis=1)
    cuts = np.flatnonzero(np.diff(good.astype(np.int8))) + 1
    return [part for part in np.split(points, cuts) if len(part) and np.isfinite(part[0]).all()]


def joined(parts: Sequence[Array]) -> Array:
    """Runs as one array, with a row of NaN between them."""
    gap = np.full((1, 2), np.nan)
    return np.vstack([row for part in parts for row in (part, gap)][:-1])


def wrapped(text: str, room: float, size: float, measure: Measure, bold: bool = False) -> list[str]:
    """Break a text into lines no wider than `room`; a longer word has a line of its own."""
    lines: list[str] = []
    for paragraph in text.splitlines():
        line = ""
        for word in paragraph.split():
            longer = f"{line} {word}" if line else word
            if line and measure(longer, size, bold) > room:
                lines.append(line)
                line = word
            else:
                line = longer
        if line:
            lines.append(line)
    return lines
