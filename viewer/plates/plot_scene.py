"""Curves, bars and rules between two axes, as shapes.

`Plot` is the part that charts and pictures with axes share.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from viewer.plates.chart import Array, Axis, Bars, Curve, Rule
from viewer.plates.scene import (
    CAP,
    PICTURE_RIM,
    PITCH,
    Area,
    Box,
    Dots,
    Item,
    Segments,
    Spots,
    Stroke,
    Style,
    Words,
    joined,
    runs,
    turned_lines,
    wrapped,
)
from viewer.plates.scene_scale import Scale, Tick, limits, reading

_BAND = 0.22
_BAR = 0.55
_TINT = 0.16
_TICK = 0.45


@dataclass(frozen=True)
class Plot:
    """What is plotted, before it has a size.

    Attributes
    ----------
    halo : bool
        It lies over a picture: lines have a dark rim, and there is no grid.
    """

    x: Axis
    y: Axis
    curves: Sequence[Curve] = ()
    bars: Sequence[Bars] = ()
    rules: Sequence[Rule] = ()
    halo: bool = False

    def ends(self, row: float) -> tuple[tuple[float, float], tuple[float, float]]:
        """Limits of x and of y.

        Parameters
        ----------
        row : float
            Share of the height that a line of words takes.
        """
        across = [c.x for c in self.curves] + [b.edges for b in self.bars]
        up = [v for c in self.curves for v in (c.y, c.low, c.high) if v is not None]
        up += [b.heights for b in self.bars]
        for rule in self.rules:
            at = np.array([rule.at] + ([] if rule.to is None else [rule.to]))
            (across if rule.axis == "x" else up).append(at)
        low, high = limits(self.y, up, zero=bool(self.bars))
        labelled = sum(rule.axis == "x" and bool(rule.label) for rule in self.rules)
        if self.y.high is None and labelled:
            # Words of upright rules stand above the data.
            head = 1 / (1 - min(0.4, row * min(labelled, 2))) - 1
            high = high * (high / low) ** head if self.y.log else high + head * (high - low)
        return limits(self.x, across), (low, high)


def plotted(plot: Plot, body: Box, style: Style) -> tuple[list[Item], list[Item], Box, Spots]:
    """Lay a plot out in a box, its axes' words included.

    Returns
    -------
    under, over : list of Item
        Axes and what lies behind the data; the data.
    frame : Box
        Between the axes.
    spots : Spots
    """
    size, tick = style.size, _TICK * style.size
    # The words below may need a second line, and those beside it too.
    words = len(wrapped(plot.x.words, body.w, size, style.measure))
    below = tick + (2 * CAP + PITCH * max(1, words)) * size
    height = max(size, body.h - below - 0.4 * size)
    (x0, x1), (y0, y1) = plot.ends(PITCH * size / height)
    top = body.y + 0.4 * size
    y = Scale(y0, y1, plot.y.log, top + height, top, plot.y.unit == "°")
    numbers = y.ticks(max(2, int(height / (3.2 * size))))
    widest = max((style.measure(t.text, size, False) for t in numbers), default=0.0)
    lines = max(1, len(wrapped(plot.y.words, height, size, style.measure)))
    # The words of the axis, the widest number, the tick.
    left = (PITCH * lines + 0.7) * size + widest + tick
    frame = Box(body.x + left, y.end, max(size, body.w - left - 0.8 * size), height)
    x = Scale(x0, x1, plot.x.log, frame.x, frame.right, plot.x.unit == "°")
    under: list[Item] = []
    over: list[Item] = []
    _tint(plot, x, y, frame, style, under)
    _across(plot, x, frame, body, style, under)
    _upwards(plot, y, numbers, frame, body.x, style, under)
    for bars in plot.bars:
        _bars(bars, x, y, style, over)
    for curve in sorted(plot.curves, key=lambda c: c.role != "faint"):
        _curve(curve, x, y, style, over, plot.halo)
    _lines(plot, x, y, frame, style, over)
    return under, over, frame, _spots(plot, x, y, frame)


def _across(plot: Plot, x: Scale, frame: Box, body: Box, style: Style, out: list[Item]) -> None:
    """The lower axis, its grid, numbers and words."""
    ink, size, tick = style.ink, style.size, _TICK * style.size
    # Numbers stand as close as their own width allows.
    first = x.ticks(max(2, int(frame.w / (5 * size))))
    wide = max((style.measure(t.text, size, False) for t in first), default=size)
    last = -np.inf
    for at, text in x.ticks(max(2, int(frame.w / max(4.5 * size, 1.5 * wide)))):
        at_x = float(x.place(np.array([at]))[0])
        if text and not plot.halo:
            out.append(_line(at_x, frame.y, at_x, frame.bottom, ink.grid, style.thin))
        length = tick if text else 0.5 * tick
        out.append(_line(at_x, frame.bottom, at_x, frame.bottom + length, ink.frame, style.thin))
        half = style.measure(text, size, False) / 2
        if text and at_x - half > last:
            base = frame.bottom + tick + (CAP + 0.35) * size
            out.append(Words(at_x, base, text, size, ink.dim, "center"))
            last = at_x + half + 0.5 * size
    out.append(_line(frame.x, frame.bottom, frame.right, frame.bottom, ink.frame, style.thin))
    base = frame.bottom + tick + (CAP + PITCH + 0.6) * size
    for line in wrapped(plot.x.words, body.w, size, style.measure):
        # Under the middle of the axis, unless it would run off the sheet there.
        half = style.measure(line, size, False) / 2
        middle = min(max(frame.x + frame.w / 2, body.x + half), body.right - half)
        out.append(Words(middle, base, line, size, ink.text, "center"))
        base += PITCH * size


def _upwards(
    plot: Plot, y: Scale, numbers: list[Tick], frame: Box, left: float, style: Style, out: list[Item]
) -> None:
    """The left axis; its words end at `left`."""
    ink, size, tick = style.ink, style.size, _TICK * style.size
    for at, text in numbers:
        at_y = float(y.place(np.array([at]))[0])
        if text and not plot.halo:
            out.append(_line(frame.x, at_y, frame.right, at_y, ink.grid, style.thin))
        length = tick if text else 0.5 * tick
        out.append(_line(frame.x - length, at_y, frame.x, at_y, ink.frame, style.thin))
        if text:
            base = at_y + CAP * size / 2
            out.append(Words(frame.x - tick - 0.3 * size, base, text, size, ink.dim, "right"))
    out.append(_line(frame.x, frame.y, frame.x, frame.bottom, ink.frame, style.thin))
    middle = frame.y + frame.h / 2
    out += turned_lines(plot.y.words, left, middle, frame.h, size, ink.text, style.measure)


def _line(x0: float, y0: float, x1: float, y1: float, colour: str, width: float) -> Stroke:
    return Stroke(np.array([[x0, y0], [x1, y1]]), colour, width)


def _bars(bars: Bars, x: Scale, y: Scale, style: Style, out: list[Item]) -> None:
    colour = style.ink.of(bars.role, bars.colour)
    base = y.low if y.log else min(max(0.0, y.low), y.high)
    foot = float(y.place(np.array([base]))[0])
    edges, tops = x.place(bars.edges), y.place(bars.heights)
    for left, right, top in zip(edges[:-1], edges[1:], tops, strict=True):
        if np.isfinite([left, right, top]).all() and top != foot:
            corners = np.array([[left, foot], [left, top], [right, top], [right, foot]])
            out.append(Area(corners, colour, _BAR, clip=True))
            out.append(Stroke(corners, colour, style.thin, clip=True))


def _curve(curve: Curve, x: Scale, y: Scale, style: Style, out: list[Item], halo: bool) -> None:
    colour = style.ink.of(curve.role, curve.colour)
    points = _placed(curve.x, curve.y, x, y, steps=curve.style == "steps")
    if curve.low is not None and curve.high is not None:
        low = _placed(curve.x, curve.low, x, y, steps=curve.style == "steps")
        high = _placed(curve.x, curve.high, x, y, steps=curve.style == "steps")
        if curve.style == "points":
            _whiskers(low, high, colour, style, out)
        else:
            bands = runs(np.column_stack([low, high]))
            rings = [np.vstack([band[:, :2], band[::-1, 2:]]) for band in bands if len(band) > 1]
            if rings:
                out.append(Area(joined(rings), colour, _BAND, clip=True))
    if curve.style == "points":
        found = points[np.isfinite(points).all(axis=1)]
        if len(found):
            small = curve.role == "faint" or len(found) > 150
            radius = style.dot * (0.65 if small else 1.0)
            if halo:
                out.append(Dots(found, PICTURE_RIM, radius + style.thin, clip=True))
            out.append(Dots(found, colour, radius, clip=True))
        return
    width = style.line * (0.7 if curve.role == "faint" else 1.0)
    parts = runs(points)
    alone = [part for part in parts if len(part) == 1]
    lines = [part for part in parts if len(part) > 1]
    if alone:
        out.append(Dots(np.vstack(alone), colour, width, clip=True))
    if lines:
        if halo:
            out.append(Stroke(joined(lines), PICTURE_RIM, width + 2 * style.thin, clip=True))
        out.append(Stroke(joined(lines), colour, width, curve.style == "dashed", clip=True))


def _placed(xs: Array, ys: Array, x: Scale, y: Scale, *, steps: bool = False) -> Array:
    if steps:
        xs, ys = np.repeat(xs, 2)[1:], np.repeat(ys, 2)[:-1]
    return np.column_stack([x.place(xs), y.place(ys)])


def _whiskers(low: Array, high: Array, colour: str, style: Style, out: list[Item]) -> None:
    both = np.hstack([low, high])
    x, y0, _, y1 = both[np.isfinite(both).all(axis=1)].T
    if not x.size:
        return
    cap = 0.9 * style.dot
    stems = np.stack([np.column_stack([x, y0]), np.column_stack([x, y1])], axis=1)
    caps = [
        np.stack([np.column_stack([x - cap, y]), np.column_stack([x + cap, y])], axis=1)
        for y in (y0, y1)
    ]
    out.append(Segments(np.concatenate([stems, *caps]), colour, style.thin, clip=True))


def _tint(plot: Plot, x: Scale, y: Scale, frame: Box, style: Style, out: list[Item]) -> None:
    for rule in plot.rules:
        if rule.to is None:
            continue
        scale = x if rule.axis == "x" else y
        a, b = scale.place(np.array([rule.at, rule.to]))
        if np.isfinite([a, b]).all():
            if rule.axis == "x":
                corners = [[a, frame.y], [b, frame.y], [b, frame.bottom], [a, frame.bottom]]
            else:
                corners = [[frame.x, a], [frame.x, b], [frame.right, b], [frame.right, a]]
            out.append(Area(np.array(corners), style.ink.of(rule.role), _TINT, clip=True))


def _lines(plot: Plot, x: Scale, y: Scale, frame: Box, style: Style, out: list[Item]) -> None:
    """Rules and their words, which lie on a ground of their own and never on one another."""
    taken: list[Box] = []
    for rule in plot.rules:
        scale = x if rule.axis == "x" else y
        ends = scale.place(np.array([rule.at, rule.at if rule.to is None else rule.to]))
        if not np.isfinite(ends).all():
            continue
        colour = style.ink.of(rule.role) if rule.role != "faint" else style.ink.dim
        if rule.to is None:
            at = float(ends[0])
            if rule.axis == "x":
                points = np.array([[at, frame.y], [at, frame.bottom]])
            else:
                points = np.array([[frame.x, at], [frame.right, at]])
            if plot.halo:
                colour = style.ink.of(rule.role)
                out.append(Stroke(points, PICTURE_RIM, 3 * style.thin, clip=True))
            out.append(Stroke(points, colour, style.thin, dashed=True, clip=True))
        if rule.label:
            _label(rule, ends, frame, style, taken, out)


def _label(
    rule: Rule, ends: Array, frame: Box, style: Style, taken: list[Box], out: list[Item]
) -> None:
    size = 0.93 * style.size
    wide, high = style.measure(rule.label, size, False), PITCH * size
    pad = 0.3 * size
    low, most = float(ends.min()), float(ends.max())
    if rule.axis == "x":
        inside = not (most < frame.x or low > frame.right)
        # A span's words stand over its middle, a line's beside it.
        middle = (low + most) / 2 - wide / 2 - pad
        beside = (most + pad, low - pad - wide - 2 * pad)
        spots = [
            Box(x, frame.y + pad + row * high, wide + 2 * pad, high)
            for row in range(6)
            for x in (beside if rule.to is None else (middle, *beside))
        ]
    else:
        inside = not (most < frame.y or low > frame.bottom)
        spots = [
            Box(x, y, wide + 2 * pad, high)
            for x in (frame.right - wide - 3 * pad, frame.x + pad)
            for y in (low - high - 0.2 * pad, most + 0.2 * pad)
        ]
    if not inside:
        return
    free = [
        box
        for box in spots
        if box.x >= frame.x - 1 and box.right <= frame.right + 1
        and box.y >= frame.y - 1 and box.bottom <= frame.bottom + 1
        and not any(_overlap(box, other) for other in taken)
    ]  # fmt: skip
    box = free[0] if free else spots[0]._replace(x=max(frame.x, min(spots[0].x, frame.right - wide)))
    taken.append(box)
    corners = [[box.x, box.y], [box.right, box.y], [box.right, box.bottom], [box.x, box.bottom]]
    out.append(Area(np.array(corners), style.ink.ground, 0.78))
    base = box.y + (box.h + CAP * size) / 2
    out.append(Words(box.x + pad, base, rule.label, size, style.ink.dim))


def _overlap(one: Box, other: Box) -> bool:
    return (
        one.x < other.right and other.x < one.right
        and one.y < other.bottom and other.y < one.bottom
    )  # fmt: skip


def _spots(plot: Plot, x: Scale, y: Scale, frame: Box) -> Spots:
    at: list[Array] = []
    tells: list[tuple[int, Callable[[int], str]]] = []

    def add(points: Array, tell: Callable[[int], str]) -> None:
        at.append(points)
        tells.append((len(points), tell))

    for curve in plot.curves:
        add(_placed(curve.x, curve.y, x, y), lambda i, c=curve: _point_words(plot, c, i))  # type: ignore[misc]
    for bars in plot.bars:
        middle = (bars.edges[:-1] + bars.edges[1:]) / 2
        add(_placed(middle, bars.heights, x, y), lambda i, b=bars: _bar_words(plot, b, i))  # type: ignore[misc]
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
    lines.append(f"{plot.x.label}: {reading(float(curve.x[index]), plot.x.unit)}")
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
