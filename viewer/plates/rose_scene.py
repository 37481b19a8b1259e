"""Values by direction, as petals about a centre."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from viewer.plates.chart import Array, Rose
from viewer.plates.scene import (
    CAP,
    PITCH,
    Area,
    Box,
    Item,
    Segments,
    Spots,
    Stroke,
    Style,
    Words,
)
from viewer.plates.scene_scale import limits, number, reading, round_values

_PETAL = 0.4
_CAP_SHARE = 0.36
"""Of a class's width: how wide the ends of its interval are drawn."""
_HOVERS = (0.3, 0.6, 1.0)
_RING_WORDS_DEG = 112.5
_ROUND = np.linspace(0.0, 360.0, 145)


@dataclass(frozen=True)
class _Polar:
    """Where directions (degrees clockwise from the top) and values fall."""

    centre: Array
    radius: float
    low: float
    high: float

    def at(self, degrees: Array, values: Array | float) -> Array:
        """Points [n, 2]; what lies below `low` falls on the centre."""
        turn = np.deg2rad(degrees)
        away = np.clip((values - self.low) / (self.high - self.low), 0.0, None) * self.radius
        return np.column_stack(
            [self.centre[0] + away * np.sin(turn), self.centre[1] - away * np.cos(turn)]
        )


def petals(rose: Rose, body: Box, style: Style) -> tuple[list[Item], Box, Spots]:
    """Lay a rose out in a box.

    A petal reaches as far as its value is; 0 is the centre, unless the axis begins elsewhere.
    Directions without a value have a dashed arc at the rim.

    Returns
    -------
    items : list of Item
    frame : Box
        About the outer ring.
    spots : Spots
    """
    size = style.size
    ends = [v for v in (rose.values, rose.low, rose.high) if v is not None]
    if rose.fit is not None:
        ends.append(rose.fit[:, 1])
    low, high = limits(rose.value, ends, zero=True)
    aside = style.measure("270°", size, False) + 0.6 * size
    above, below = 2.6 * size, (CAP + 0.9 + PITCH) * size
    radius = max(2 * size, min(body.w / 2 - aside, (body.h - above - below) / 2))
    centre = np.array([body.x + body.w / 2, body.y + above + radius])
    # Lengths from 0 are compared: nothing lies beyond the centre.
    polar = _Polar(centre, radius, low if rose.value.low is not None else max(low, 0.0), high)
    rings = [
        value
        for value in round_values(polar.low, high, max(2, int(radius / (2.2 * size))))
        if value > polar.low
    ]
    out: list[Item] = [
        Stroke(polar.at(_ROUND, value), style.ink.grid, style.thin, closed=True) for value in rings
    ]
    spokes = np.arange(0.0, 360.0, 45.0)
    inner, outer = polar.at(spokes, polar.low), polar.at(spokes, high)
    out.append(Segments(np.stack([inner, outer], axis=1), style.ink.grid, style.thin))
    out.append(Stroke(polar.at(_ROUND, high), style.ink.frame, style.thin, closed=True))
    _petals(rose, polar, style, out)
    _fit(rose, polar, style, out)
    _arrow(rose, polar, style, out)
    _ring_words(rings, polar, style, out)
    _words(rose, polar, style, out)
    x, y = float(centre[0]), float(centre[1])
    return out, Box(x - radius, y - radius, 2 * radius, 2 * radius), _spots(rose, polar)


def _petals(rose: Rose, polar: _Polar, style: Style, out: list[Item]) -> None:
    colour = style.ink.of("data")
    whiskers: list[Array] = []
    for index, value in enumerate(rose.values):
        first, last = float(rose.edges_deg[index]), float(rose.edges_deg[index + 1])
        arc = np.linspace(first, last, max(3, int(abs(last - first)) + 1))
        if not np.isfinite(value):
            rim = Stroke(polar.at(arc, polar.high), style.ink.dim, 1.4 * style.line, dashed=True)
            out.append(rim)
            continue
        outline = np.vstack([polar.at(arc[:1], polar.low), polar.at(arc, value)])
        out.append(Area(outline, colour, _PETAL))
        out.append(Stroke(outline, colour, style.thin, closed=True))
        if rose.low is None or rose.high is None:
            continue
        ends = np.array([rose.low[index], rose.high[index]])
        if np.isfinite(ends).all():
            middle, half = (first + last) / 2, _CAP_SHARE / 2 * abs(last - first)
            whiskers.append(polar.at(np.full(2, middle), ends))
            sides = np.array([middle - half, middle + half])
            whiskers += [polar.at(sides, end) for end in ends]
    if whiskers:
        out.append(Segments(np.stack(whiskers), style.ink.text, style.thin))


def _fit(rose: Rose, polar: _Polar, style: Style, out: list[Item]) -> None:
    if rose.fit is None:
        return
    curve = rose.fit[np.isfinite(rose.fit).all(axis=1)]
    if len(curve) > 1:
        whole = float(np.ptp(curve[:, 0])) >= 355.0
        points = polar.at(curve[:, 0], curve[:, 1])
        out.append(Stroke(points, style.ink.of("fit"), style.line, closed=whole))


def _arrow(rose: Rose, polar: _Polar, style: Style, out: list[Item]) -> None:
    if rose.arrow_deg is None or not np.isfinite(rose.arrow_deg):
        return
    turn = np.deg2rad(rose.arrow_deg)
    along, aside = np.array([np.sin(turn), -np.cos(turn)]), np.array([np.cos(turn), np.sin(turn)])
    colour, head = style.ink.of("fit"), 0.9 * style.size
    tip = polar.centre + along * (polar.radius + 0.2 * head)
    back = tip - along * head
    out.append(Stroke(np.array([polar.centre, tip - along * 0.8 * head]), colour, style.line))
    out.append(Area(np.array([tip, back + aside * 0.45 * head, back - aside * 0.45 * head]), colour))


def _ring_words(rings: Sequence[float], polar: _Polar, style: Style, out: list[Item]) -> None:
    """Values of the rings, each on a ground of its own, between two of the main directions."""
    step = rings[1] - rings[0] if len(rings) > 1 else (rings[0] if rings else 1.0)
    size = 0.9 * style.size
    high = 0.62 * style.size
    for value in rings:
        x, y = polar.at(np.array([_RING_WORDS_DEG]), value)[0].tolist()
        text = number(value, step)
        half = style.measure(text, size, False) / 2 + 0.2 * size
        corners = [
            [x - half, y - high],
            [x + half, y - high],
            [x + half, y + high],
            [x - half, y + high],
        ]
        out.append(Area(np.array(corners), style.ink.ground, 0.75))
        out.append(Words(x, y + CAP * size / 2, text, size, style.ink.dim, "center"))


def _words(rose: Rose, polar: _Polar, style: Style, out: list[Item]) -> None:
    size, ink, radius = style.size, style.ink, polar.radius
    x, y = polar.centre.tolist()
    base = y - radius - 1.0 * size
    out.append(Words(x, base, rose.up_label, size, ink.text, "center"))
    tip, foot = base - 1.1 * size, base + 0.1 * size
    at_x = x - style.measure(rose.up_label, size, False) / 2 - 0.9 * size
    out.append(Stroke(np.array([[at_x, foot], [at_x, tip + 0.5 * size]]), ink.text, style.line))
    head = [[at_x, tip], [at_x - 0.3 * size, tip + 0.6 * size], [at_x + 0.3 * size, tip + 0.6 * size]]
    out.append(Area(np.array(head), ink.text))
    middle = y + CAP * size / 2
    out.append(Words(x + radius + 0.5 * size, middle, "90°", size, ink.dim, "left"))
    out.append(Words(x - radius - 0.5 * size, middle, "270°", size, ink.dim, "right"))
    under = y + radius + (CAP + 0.5) * size
    out.append(Words(x, under, "180°", size, ink.dim, "center"))
    words = f"rings: {rose.value.words}"
    out.append(Words(x, under + PITCH * size, words, size, ink.text, "center"))


def _spots(rose: Rose, polar: _Polar) -> Spots:
    middle = (rose.edges_deg[:-1] + rose.edges_deg[1:]) / 2
    reach = np.where(np.isfinite(rose.values), rose.values, polar.high)
    points = [polar.at(middle, polar.low + share * (reach - polar.low)) for share in _HOVERS]
    return Spots(np.vstack(points), lambda index: _class_words(rose, index % len(middle)))


def _class_words(rose: Rose, index: int) -> str:
    first, last = (float(rose.edges_deg[i]) % 360 for i in (index, index + 1))
    value = float(rose.values[index])
    text = "nothing measured"
    if np.isfinite(value):
        text = f"{rose.value.label}: {reading(value, rose.value.unit)}"
        if rose.low is not None and rose.high is not None:
            low, high = float(rose.low[index]), float(rose.high[index])
            if np.isfinite([low, high]).all():
                text += f" ({reading(low)} to {reading(high)})"
    count = f"n = {int(rose.counts[index]):,}"
    return f"{first:g}° to {last:g}° from {rose.up_label}\n{text}\n{count}"
