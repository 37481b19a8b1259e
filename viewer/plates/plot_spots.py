"""What a plot tells the pointer: the numbers of each point and each bar."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from viewer.plates.chart import Array, Bars, Curve
from viewer.plates.plot import Plot, placed
from viewer.plates.scene import Box, Spots
from viewer.plates.scene_scale import Scale, reading


def spots_of(plot: Plot, x: Scale, y: Scale, frame: Box) -> Spots:
    """Every point and bar in the frame."""
    at: list[Array] = []
    tells: list[tuple[int, Callable[[int], str]]] = []

    def add(points: Array, tell: Callable[[int], str]) -> None:
        at.append(points)
        tells.append((len(points), tell))

    for curve in plot.curves:
        if curve.style == "steps":
            middle = (curve.x[:-1] + curve.x[1:]) / 2
            add(placed(middle, curve.y[:-1], x, y), partial(_point_words, plot, curve))
        else:
            add(placed(curve.x, curve.y, x, y), partial(_point_words, plot, curve))
    for bars in plot.bars:
        middle = (bars.edges[:-1] + bars.edges[1:]) / 2
        add(placed(middle, bars.heights, x, y), partial(_bar_words, plot, bars))
    points = np.vstack(at) if at else np.zeros((0, 2))
    starts = np.cumsum([0, *(count for count, _ in tells)])
    inside = (
        (points[:, 0] >= frame.x - 0.5) & (points[:, 0] <= frame.right + 0.5)
        & (points[:, 1] >= frame.y - 0.5) & (points[:, 1] <= frame.bottom + 0.5)
    )  # fmt: skip
    kept = np.flatnonzero(inside)

    def tell(index: int) -> str:
        number = int(kept[index])
        series = int(np.searchsorted(starts, number, side="right")) - 1
        # A series without a point has the same start as the next.
        return tells[series][1](number - int(starts[series]))

    return Spots(points[kept], tell)


def _point_words(plot: Plot, curve: Curve, index: int) -> str:
    lines = [curve.label] if curve.label else []
    where = reading(float(curve.x[index]), plot.x.unit)
    if curve.style == "steps":
        where = f"{reading(float(curve.x[index]))} to {reading(float(curve.x[index + 1]), plot.x.unit)}"
    lines.append(f"{plot.x.label}: {where}")
    text = f"{plot.y.label}: {reading(float(curve.y[index]), plot.y.unit)}"
    if curve.low is not None and curve.high is not None:
        low, high = float(curve.low[index]), float(curve.high[index])
        if np.isfinite([low, high]).all():
            text += f" ({reading(low)} to {reading(high)})"
    return "\n".join([*lines, text])


def _bar_words(plot: Plot, bars: Bars, index: int) -> str:
    low, high = float(bars.edges[index]), float(bars.edges[index + 1])
    lines = [bars.label] if bars.label else []
    unit = plot.x.unit
    lines.append(f"{plot.x.label}: {reading(low)} to {reading(high, unit)}")
    lines.append(f"{plot.y.label}: {reading(float(bars.heights[index]), plot.y.unit)}")
    return "\n".join(lines)
