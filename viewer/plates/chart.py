"""What a figure of a measurement shows, said once: the window and the page both draw it.

A figure is data and words, no drawing: `viewer.plates.chart_page` draws it as PDF, SVG or PNG, and
`viewer.panels.measure.chart_view` on the screen. Both colour by the role of what is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Role = Literal["data", "fit", "second", "third", "faint", "caution"]
"""``data``: what was measured; ``fit``: a model of it; ``second``, ``third``: further data; ``faint``:
what stands behind the data, such as single grains."""


@dataclass(frozen=True)
class Axis:
    """An axis.

    Attributes
    ----------
    label : str
        Without its unit.
    unit : str
        As it is printed; empty for a number without one.
    low, high : float or None
        Ends; None: as the data ask for.
    log : bool
    """

    label: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    log: bool = False

    @property
    def words(self) -> str:
        """Label and unit: ``distance (mm)``."""
        return f"{self.label} ({self.unit})" if self.unit else self.label


@dataclass(frozen=True)
class Curve:
    """One series of a chart. NaN breaks a line.

    Attributes
    ----------
    x, y : ndarray of float64 [n]
    label : str
        For the legend; empty: not in it.
    low, high : ndarray of float64 [n] or None
        Interval of y: a band around a line, bars at points.
    style : {"line", "dashed", "points", "steps"}
        ``steps``: a value holds from one x to the next; the last x ends the last step.
    role : str
    colour : str or None
        ``#rrggbb`` in place of the role's, as for a phase in the key's colour.
    """

    x: Array
    y: Array
    label: str = ""
    low: Array | None = None
    high: Array | None = None
    style: Literal["line", "dashed", "points", "steps"] = "line"
    role: Role = "data"
    colour: str | None = None


@dataclass(frozen=True)
class Bars:
    """A histogram: one bar between each pair of edges.

    Attributes
    ----------
    edges : ndarray of float64 [n + 1]
    heights : ndarray of float64 [n]
    """

    edges: Array
    heights: Array
    label: str = ""
    role: Role = "data"
    colour: str | None = None


@dataclass(frozen=True)
class Rule:
    """A straight line across the whole chart, or a span of it.

    Attributes
    ----------
    at : float
    to : float or None
        Other end of a span that is tinted.
    axis : {"x", "y"}
        Which axis `at` lies on.
    label : str
    """

    at: float
    to: float | None = None
    axis: Literal["x", "y"] = "x"
    label: str = ""
    role: Role = "faint"


@dataclass(frozen=True)
class Chart:
    """Curves or bars over two axes.

    Attributes
    ----------
    name : str
        Short, unique in a result; part of the file's name: lower-case words joined by ``-``.
    title : str
    note : str
        One line under it: number, interval, what the band is.
    """

    name: str
    title: str
    x: Axis
    y: Axis
    curves: Sequence[Curve] = ()
    bars: Sequence[Bars] = ()
    rules: Sequence[Rule] = ()
    note: str = ""


@dataclass(frozen=True)
class Rose:
    """Values by direction.

    Directions are degrees clockwise from `up_label`, which is at the top.

    Attributes
    ----------
    edges_deg : ndarray of float64 [n + 1]
        Of the classes, ascending; the first and last may lie outside [0, 360).
    values : ndarray of float64 [n]
        Length of each petal; NaN: nothing was measured there.
    low, high : ndarray of float64 [n] or None
        Intervals.
    counts : ndarray of int64 [n]
        What each petal rests on.
    fit : ndarray of float64 [m, 2] or None
        Direction and value of a curve over the petals.
    arrow_deg : float or None
        A direction to point at, such as that of the first harmonic.
    """

    name: str
    title: str
    value: Axis
    edges_deg: Array
    values: Array
    counts: npt.NDArray[np.int64]
    low: Array | None = None
    high: Array | None = None
    fit: Array | None = None
    arrow_deg: float | None = None
    up_label: str = "way-up"
    note: str = ""


@dataclass(frozen=True)
class Strip:
    """A picture with two axes and curves over it: a straightened contact, a layer along its length.

    Attributes
    ----------
    pixels : ndarray of float32 [rows, columns]
        Row 0 at the lowest y; NaN: nothing there.
    x, y : Axis
        With `low` and `high` set: where the picture's outer edges lie.
    value : Axis
        What the grey stands for, with `low` and `high`.
    """

    name: str
    title: str
    x: Axis
    y: Axis
    value: Axis
    pixels: npt.NDArray[np.float32]
    curves: Sequence[Curve] = ()
    rules: Sequence[Rule] = ()
    note: str = ""


Figure = Chart | Rose | Strip
