"""Lines and spans across a whole plot, and the words beside them."""

from __future__ import annotations

import numpy as np

from viewer.plates.chart import Array, Rule
from viewer.plates.plot import Plot, placed
from viewer.plates.scene import CAP, PICTURE_RIM, PITCH, Area, Box, Item, Stroke, Style, Words
from viewer.plates.scene_scale import Scale

_TINT = 0.16


def tinted(plot: Plot, x: Scale, y: Scale, frame: Box, style: Style, out: list[Item]) -> None:
    """Spans, which lie under everything."""
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


def ruled(plot: Plot, x: Scale, y: Scale, frame: Box, style: Style, out: list[Item]) -> None:
    """Rules and their words, which lie where least is drawn and never on one another."""
    taken: list[Box] = []
    drawn = np.vstack([np.zeros((0, 2)), *(placed(c.x, c.y, x, y) for c in plot.curves)])
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
            _label(rule, ends, frame, drawn, style, taken, out)


def _label(
    rule: Rule, ends: Array, frame: Box, drawn: Array, style: Style, taken: list[Box], out: list[Item]
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

    def hidden(box: Box) -> int:
        x, y = drawn.T
        return int(((x > box.x) & (x < box.right) & (y > box.y) & (y < box.bottom)).sum())

    box = (
        min(free, key=hidden)
        if free
        else spots[0]._replace(x=max(frame.x, min(spots[0].x, frame.right - wide)))
    )
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
