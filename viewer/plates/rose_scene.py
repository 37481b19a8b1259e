"""Values by direction, as petals about a centre."""

from __future__ import annotations

import numpy as np

from viewer.plates.chart import Array, Rose
from viewer.plates.scene import CAP, PITCH, Area, Box, Item, Spots, Stroke, Style, Words
from viewer.plates.scene_scale import limits, number, reading, round_values

_PETAL = 0.4
_HOVERS = (0.3, 0.6, 1.0)


def petals(rose: Rose, body: Box, style: Style) -> tuple[list[Item], Box, Spots]:
    """Lay a rose out in a box.

    A petal reaches as far as its value is; 0 is the centre, unless the axis begins elsewhere.
    Directions without a value have a dashed arc at the rim.
    """
    size = style.size
    ends = [v for v in (rose.values, rose.low, rose.high) if v is not None]
    if rose.fit is not None:
        ends.append(rose.fit[:, 1])
    low, high = limits(rose.value, ends, zero=rose.value.low is None)
    low = max(low, 0.0) if rose.value.low is None else low
    aside = style.measure("270°", size, False) + 0.6 * size
    above = 2.6 * size
    foot = 1.4 * size + PITCH * size
    radius = max(2 * size, min(body.w / 2 - aside, (body.h - above - foot) / 2))
    centre = np.array([body.x + body.w / 2, body.y + above + radius])

    def at(degrees: Array, values: Array) -> Array:
        """Points [n, 2] of directions and values."""
        turn = np.deg2rad(degrees)
        away = np.clip((values - low) / (high - low), 0.0, None) * radius
        return np.column_stack([centre[0] + away * np.sin(turn), centre[1] - away * np.cos(turn)])

    out: list[Item] = []
    circle = np.linspace(0.0, 360.0, 145)
    rings = [v for v in round_values(low, high, max(2, int(radius / (2.2 * size)))) if v > low]
    for value in rings:
        out.append(Stroke(at(circle, np.full(145, value)), style.ink.grid, style.thin, closed=True))
    for degrees in range(0, 360, 45):
        spoke = at(np.full(2, float(degrees)), np.array([low, high]))
        out.append(Stroke(spoke, style.ink.grid, style.thin))
    out.append(Stroke(at(circle, np.full(145, high)), style.ink.frame, style.thin, closed=True))
    _petals(rose, at, low, high, style, out)
    if rose.fit is not None and len(rose.fit):
        curve = rose.fit[np.isfinite(rose.fit).all(axis=1)]
        points = at(curve[:, 0], curve[:, 1])
        whole = float(np.ptp(curve[:, 0])) >= 355.0 if len(curve) else False
        out.append(Stroke(points, style.ink.of("fit"), style.line, closed=whole))
    if rose.arrow_deg is not None and np.isfinite(rose.arrow_deg):
        _arrow(rose.arrow_deg, centre, radius, style, out)
    _words(rose, rings, at, centre, radius, style, out)
    frame = Box(float(centre[0]) - radius, float(centre[1]) - radius, 2 * radius, 2 * radius)
    return out, frame, _spots(rose, at, low, high)


def _petals(rose: Rose, at, low: float, high: float, style: Style, out: list[Item]) -> None:  # type: ignore[no-untyped-def]
    colour = style.ink.of("data")
    whiskers: list[Item] = []
    for index, value in enumerate(rose.values):
        first, last = float(rose.edges_deg[index]), float(rose.edges_deg[index + 1])
        arc = np.linspace(first, last, max(3, int(abs(last - first)) + 1))
        if not np.isfinite(value):
            rim = at(
                arc[1:-1] if len(arc) > 4 else arc,
                np.full(len(arc[1:-1] if len(arc) > 4 else arc), high),
            )
            out.append(Stroke(rim, style.ink.dim, 1.4 * style.line, dashed=True))
            continue
        outline = np.vstack([at(arc[:1], np.array([low])), at(arc, np.full(len(arc), value))])
        out.append(Area(outline, colour, _PETAL))
        out.append(Stroke(outline, colour, style.thin, closed=True))
        if rose.low is None or rose.high is None:
            continue
        ends = np.array([rose.low[index], rose.high[index]])
        if np.isfinite(ends).all():
            middle = (first + last) / 2
            whiskers.append(Stroke(at(np.full(2, middle), ends), style.ink.text, style.thin))
            half = 0.18 * abs(last - first)
            for end in ends:
                cap = at(np.linspace(middle - half, middle + half, 5), np.full(5, end))
                whiskers.append(Stroke(cap, style.ink.text, style.thin))
    out += whiskers


def _arrow(degrees: float, centre: Array, radius: float, style: Style, out: list[Item]) -> None:
    turn = np.deg2rad(degrees)
    along, aside = np.array([np.sin(turn), -np.cos(turn)]), np.array([np.cos(turn), np.sin(turn)])
    colour, head = style.ink.of("fit"), 0.9 * style.size
    tip = centre + along * (radius + 0.2 * head)
    out.append(Stroke(np.array([centre, tip - along * 0.8 * head]), colour, style.line))
    wings = [tip, tip - along * head + aside * 0.45 * head, tip - along * head - aside * 0.45 * head]
    out.append(Area(np.array(wings), colour))


def _words(rose: Rose, rings, at, centre: Array, radius: float, style: Style, out: list[Item]) -> None:  # type: ignore[no-untyped-def]
    size, ink = style.size, style.ink
    x, y = float(centre[0]), float(centre[1])
    base = y - radius - 1.0 * size
    wide = style.measure(rose.up_label, size, False)
    out.append(Words(x, base, rose.up_label, size, ink.text, "center"))
    tip, foot = base - 1.1 * size, base + 0.1 * size
    at_x = x - wide / 2 - 0.9 * size
    out.append(Stroke(np.array([[at_x, foot], [at_x, tip + 0.5 * size]]), ink.text, style.line))
    head = [[at_x, tip], [at_x - 0.3 * size, tip + 0.6 * size], [at_x + 0.3 * size, tip + 0.6 * size]]
    out.append(Area(np.array(head), ink.text))
    middle = y + CAP * size / 2
    out.append(Words(x + radius + 0.5 * size, middle, "90°", size, ink.dim, "left"))
    out.append(Words(x - radius - 0.5 * size, middle, "270°", size, ink.dim, "right"))
    out.append(Words(x, y + radius + (CAP + 0.5) * size, "180°", size, ink.dim, "center"))
    step = rings[1] - rings[0] if len(rings) > 1 else (rings[0] if rings else 1.0)
    small = 0.9 * size
    for value in rings:
        spot = at(np.array([112.5]), np.array([value]))[0]
        text = number(float(value), float(step))
        half = style.measure(text, small, False) / 2 + 0.2 * size
        box = np.array(
            [[-half, -0.6 * size], [half, -0.6 * size], [half, 0.6 * size], [-half, 0.6 * size]]
        )
        out.append(Area(spot + box, ink.ground, 0.75))
        out.append(
            Words(float(spot[0]), float(spot[1]) + CAP * small / 2, text, small, ink.dim, "center")
        )
    base = y + radius + (CAP + 0.5 + PITCH) * size
    out.append(Words(x, base, f"rings: {rose.value.words}", size, ink.text, "center"))


def _spots(rose: Rose, at, low: float, high: float) -> Spots:  # type: ignore[no-untyped-def]
    middle = (rose.edges_deg[:-1] + rose.edges_deg[1:]) / 2
    reach = np.where(np.isfinite(rose.values), rose.values, high)
    points = [at(middle, low + share * (reach - low)) for share in _HOVERS]

    def tell(index: int) -> str:
        number_ = index % len(middle)
        first, last = float(rose.edges_deg[number_]) % 360, float(rose.edges_deg[number_ + 1]) % 360
        lines = [f"{first:g}° to {last:g}° from {rose.up_label}"]
        value = float(rose.values[number_])
        if np.isfinite(value):
            text = f"{rose.value.label}: {reading(value, rose.value.unit)}"
            if rose.low is not None and rose.high is not None:
                ends = float(rose.low[number_]), float(rose.high[number_])
                if np.isfinite(ends).all():
                    text += f" ({reading(ends[0])} to {reading(ends[1])})"
            lines.append(text)
        else:
            lines.append("nothing measured")
        lines.append(f"n = {int(rose.counts[number_]):,}")
        return "\n".join(lines)

    return Spots(np.vstack(points), tell)
