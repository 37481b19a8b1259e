"""Curves, bars and rules between two axes, as shapes: what charts and pictures with axes share."""

from __future__ import annotations

import numpy as np

from viewer.plates.chart import Array, Bars, Curve
from viewer.plates.plot import Plot, placed
from viewer.plates.plot_rules import ruled, tinted
from viewer.plates.plot_spots import spots_of
from viewer.plates.scene import (
    BAND,
    BAR,
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
from viewer.plates.scene_scale import Scale, Tick

_TICK = 0.45


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
    tinted(plot, x, y, frame, style, under)
    _across(plot, x, frame, body, style, under)
    _upwards(plot, y, numbers, frame, body.x, style, under)
    for bars in plot.bars:
        _bars(bars, x, y, style, over)
    for curve in sorted(plot.curves, key=lambda c: c.role != "faint"):
        _curve(curve, x, y, style, over, plot.halo)
    ruled(plot, x, y, frame, style, over)
    return under, over, frame, spots_of(plot, x, y, frame)


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
            out.append(Area(corners, colour, BAR, clip=True))
            out.append(Stroke(corners, colour, style.thin, clip=True))


def _curve(curve: Curve, x: Scale, y: Scale, style: Style, out: list[Item], halo: bool) -> None:
    colour = style.ink.of(curve.role, curve.colour)
    points = placed(curve.x, curve.y, x, y, steps=curve.style == "steps")
    if curve.low is not None and curve.high is not None:
        low = placed(curve.x, curve.low, x, y, steps=curve.style == "steps")
        high = placed(curve.x, curve.high, x, y, steps=curve.style == "steps")
        if curve.style == "points":
            _whiskers(low, high, colour, style, out)
        else:
            bands = runs(np.column_stack([low, high]))
            rings = [np.vstack([band[:, :2], band[::-1, 2:]]) for band in bands if len(band) > 1]
            if rings:
                out.append(Area(joined(rings), colour, BAND, clip=True))
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
