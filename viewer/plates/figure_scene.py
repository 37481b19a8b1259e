"""A figure laid out: its title, its legend, what it shows, and its note."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from viewer.plates.chart import Bars, Chart, Curve, Figure, Rose, Strip
from viewer.plates.plot import Plot
from viewer.plates.plot_scene import plotted
from viewer.plates.rose_scene import petals
from viewer.plates.scene import (
    BAND,
    BAR,
    CAP,
    OVER_PICTURE,
    PICTURE_RIM,
    PITCH,
    Area,
    Box,
    Dots,
    Item,
    Picture,
    Scene,
    Stroke,
    Style,
    Words,
    wrapped,
)
from viewer.plates.strip_scene import grey, hatched, key, key_width, plot_of

_TITLE = 8 / 7


def lay_out_figure(figure: Figure, width: float, height: float, style: Style) -> Scene:
    """Lay a figure out over a whole scene of a size.

    Parameters
    ----------
    width, height : float
        In the unit that `style` counts in.
    """
    items: list[Item] = []
    body = _surround(figure, width, height, style, items)
    if isinstance(figure, Rose):
        drawn, frame, spots = petals(figure, body, style)
        return Scene(width, height, style.ink.ground, frame, (*items, *drawn), spots)
    if isinstance(figure, Chart):
        plot = Plot(figure.x, figure.y, figure.curves, figure.bars, figure.rules)
        under, over, frame, spots = plotted(plot, body, style)
        return Scene(width, height, style.ink.ground, frame, (*items, *under, *over), spots)
    # The key takes width, so that the words below the picture may need another line.
    tall = plotted(plot_of(figure), body, style)[2].h - PITCH * style.size
    room = key_width(figure, tall, style)
    over_picture = replace(style, ink=replace(style.ink, roles=OVER_PICTURE))
    narrow = body._replace(w=max(style.size, body.w - room))
    under, over, frame, spots = plotted(plot_of(figure), narrow, over_picture)
    items += [*hatched(figure, frame, style), Picture(frame, grey(figure)), *under, *over]
    items += key(figure, frame, frame.right, style)
    return Scene(width, height, style.ink.ground, frame, tuple(items), spots)


def natural_height(figure: Figure, width: float, style: Style) -> float:
    """Height at which a figure of a width looks as it should."""
    surround = 1000.0 - _surround(figure, width, 1000.0, style, []).h
    if isinstance(figure, Rose):
        return surround + min(width, 48 * style.size)
    return surround + (0.42 if isinstance(figure, Strip) else 0.58) * width


def _surround(figure: Figure, width: float, height: float, style: Style, out: list[Item]) -> Box:
    """Title and legend above, note below: gives what is left between them."""
    size, ink, pad = style.size, style.ink, style.gap
    inner = width - 2 * pad
    y = pad
    for line in wrapped(figure.title, inner - style.corner, _TITLE * size, style.measure, bold=True):
        out.append(Words(pad, y + CAP * _TITLE * size, line, _TITLE * size, ink.text, bold=True))
        y += PITCH * _TITLE * size
    entries = [] if isinstance(figure, Rose) else _entries(figure, style)
    y = _legend(entries, pad, y, inner, style, out)
    y += 0.4 * size
    note = wrapped(figure.note, inner, size, style.measure)
    bottom = height - pad - ((len(note) * PITCH + 0.6) * size if note else 0.0)
    for number, line in enumerate(note):
        base = bottom + (number * PITCH + CAP + 0.8) * size
        out.append(Words(pad, base, line, size, ink.dim))
    return Box(pad, y, inner, max(4 * size, bottom - y))


class _Entry(NamedTuple):
    text: str
    series: Curve | Bars
    colour: str
    rim: bool


def _entries(figure: Chart | Strip, style: Style) -> list[_Entry]:
    bars: Sequence[Bars] = figure.bars if isinstance(figure, Chart) else ()
    rim = isinstance(figure, Strip)
    roles = OVER_PICTURE if rim else style.ink.roles
    found: list[Curve | Bars] = [*bars, *figure.curves]
    return [
        _Entry(series.label, series, series.colour or roles[series.role], rim)
        for series in found
        if series.label
    ]


def _legend(
    entries: list[_Entry], left: float, top: float, inner: float, style: Style, out: list[Item]
) -> float:
    """Entries side by side in as many rows as they need; gives where the next thing begins."""
    size = style.size
    sign, apart = 2.2 * size, 1.6 * size
    indent = sign + 0.5 * size
    x, y = left, top + 0.2 * size
    for entry in entries:
        lines = wrapped(entry.text, inner - indent, size, style.measure)
        wide = indent + max((style.measure(line, size, False) for line in lines), default=0.0)
        if x > left and x + wide > left + inner:
            x, y = left, y + PITCH * size
        out += _sign(entry, x, y + (CAP / 2 + 0.1) * size, sign, style)
        for number, line in enumerate(lines):
            base = y + (number * PITCH + CAP + 0.1) * size
            out.append(Words(x + indent, base, line, size, style.ink.text))
        # Only an entry that fills a whole row has several lines, and the next begins below them.
        y += PITCH * size * max(0, len(lines) - 1)
        x += wide + apart
    return y + PITCH * size if entries else top


def _sign(entry: _Entry, x: float, middle: float, wide: float, style: Style) -> list[Item]:
    """What stands for a series: as it is drawn, in small."""
    series, colour = entry.series, entry.colour
    half = 0.35 * style.size
    line = np.array([[x, middle], [x + wide, middle]])
    band = np.array(
        [[x, middle - half], [x + wide, middle - half], [x + wide, middle + half], [x, middle + half]]
    )
    if isinstance(series, Bars):
        return [Area(band, colour, BAR), Stroke(band, colour, style.thin, closed=True)]
    interval = series.low is not None and series.high is not None
    if series.style == "points":
        centre = np.array([[x + wide / 2, middle]])
        signs: list[Item] = [Dots(centre, colour, style.dot)]
        if interval:
            upright = np.array([[x + wide / 2, middle - half], [x + wide / 2, middle + half]])
            signs.append(Stroke(upright, colour, style.thin))
        return signs
    out: list[Item] = [Area(band, colour, BAND)] if interval else []
    if entry.rim:
        out.append(Stroke(line, PICTURE_RIM, style.line + 2 * style.thin))
    return [*out, Stroke(line, colour, style.line, dashed=series.style == "dashed")]
