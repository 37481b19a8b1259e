"""The numbers that a figure draws, as a table: one row a point, whatever the figure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from viewer.plates.chart import Array, Axis, Bars, Chart, Curve, Figure, Rose, Strip
from viewer.plates.strip_scene import ends
from viewer.plates.tables import Cell, unit_name


class FigureTable(NamedTuple):
    """A header with units in the names, and rows as long as it."""

    header: list[str]
    rows: list[list[Cell]]


def figure_table(figure: Figure) -> FigureTable:
    """Everything that a figure draws, as numbers.

    Parameters
    ----------
    figure : Chart, Rose or Strip

    Returns
    -------
    FigureTable
        Of charts and strips: ``series, x, x_to, y, y_low, y_high``, the axes' own words in place of x
        and y; bars have their edges in x and x_to. A strip's pixels follow as ``picture``, one row a
        pixel, with the value in the last column. Of roses: the class's two directions, value, low,
        high and n. What was not measured is empty.
    """
    if isinstance(figure, Rose):
        return _rose(figure)
    x, y = column(figure.x), column(figure.y)
    header = ["series", x, f"{x}_to", y, f"{y}_low", f"{y}_high"]
    bars: Sequence[Bars] = figure.bars if isinstance(figure, Chart) else ()
    rows: list[list[Cell]] = []
    for number, one in enumerate(bars, start=1):
        rows += [
            [one.label or f"bars {number}", a, b, height, None, None]
            for a, b, height in zip(
                _cells(one.edges[:-1]), _cells(one.edges[1:]), _cells(one.heights), strict=True
            )
        ]
    for number, curve in enumerate(figure.curves, start=1):
        rows += _curve(curve, curve.label or f"series {number}")
    if isinstance(figure, Strip):
        header.append(column(figure.value))
        rows = [[*row, None] for row in rows] + _pixels(figure)
    return FigureTable(header, rows)


def column(axis: Axis) -> str:
    """Name of an axis's column: its label, and its unit where it has one."""
    words = "_".join("".join(c if c.isalnum() else " " for c in axis.label.casefold()).split())
    unit = unit_name(axis.unit)
    return (words or "value") + ("" if unit == "none" else f"_{unit}")


def _rose(rose: Rose) -> FigureTable:
    value = column(rose.value)
    header = ["from_deg", "to_deg", value, f"{value}_low", f"{value}_high", "n"]
    blank = np.full(len(rose.values), np.nan)
    parts = (
        rose.edges_deg[:-1],
        rose.edges_deg[1:],
        rose.values,
        blank if rose.low is None else rose.low,
        blank if rose.high is None else rose.high,
    )
    cells = zip(*(_cells(part) for part in parts), strict=True)
    return FigureTable(header, [[*row, int(n)] for row, n in zip(cells, rose.counts, strict=True)])


def _curve(curve: Curve, name: str) -> list[list[Cell]]:
    blank = np.full(len(curve.y), np.nan)
    low = blank if curve.low is None else curve.low
    high = blank if curve.high is None else curve.high
    parts = (curve.x, curve.y, low, high)
    return [
        [name, x, None, y, a, b] for x, y, a, b in zip(*(_cells(part) for part in parts), strict=True)
    ]


def _pixels(strip: Strip) -> list[list[Cell]]:
    rows, columns = strip.pixels.shape
    across, up = _middles(strip.x, columns), _middles(strip.y, rows)
    return [
        ["picture", x, None, y, None, None, value]
        for y, line in zip(up, strip.pixels, strict=True)
        for x, value in zip(across, _cells(line), strict=True)
    ]


def _middles(axis: Axis, count: int) -> list[float]:
    low, high = ends(axis, count)
    return (low + (np.arange(count) + 0.5) * (high - low) / count).tolist()


def _cells(values: Array | np.ndarray) -> list[float | None]:
    numbers = np.asarray(values, np.float64)
    return [v if ok else None for v, ok in zip(numbers.tolist(), np.isfinite(numbers), strict=True)]
