"""A grey picture between two axes, with its scale of values beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from viewer.plates.chart import Axis, Strip
from viewer.plates.plot import Plot
from viewer.plates.scene import (
    CAP,
    PITCH,
    Box,
    Item,
    Picture,
    Stroke,
    Style,
    Words,
    turned_lines,
    wrapped,
)
from viewer.plates.scene_scale import Scale

_STEPS = 128


def grey_limits(strip: Strip) -> tuple[float, float]:
    """Values that are black and white: as stated, else the percentiles 1 and 99."""
    finite = strip.pixels[np.isfinite(strip.pixels)]
    least, most = (0.0, 1.0) if not finite.size else (float(v) for v in np.percentile(finite, (1, 99)))
    low = least if strip.value.low is None else strip.value.low
    high = most if strip.value.high is None else strip.value.high
    return (low, high) if low < high else (low, low + (abs(low) or 1.0))


def grey(strip: Strip) -> npt.NDArray[np.uint8]:
    """The picture as [rows, columns, 4], highest y at the top; see-through where nothing is."""
    low, high = grey_limits(strip)
    found = np.isfinite(strip.pixels)
    share = (np.where(found, strip.pixels, low) - low) / (high - low)
    out = np.empty((*strip.pixels.shape, 4), np.uint8)
    out[..., :3] = np.clip(share * 255 + 0.5, 0, 255).astype(np.uint8)[..., None]
    out[..., 3] = np.where(found, 255, 0)
    return np.ascontiguousarray(out[::-1])


def ends(axis: Axis, count: int) -> tuple[float, float]:
    """Where the picture's outer edges lie on an axis; by pixels where it does not say."""
    low = 0.0 if axis.low is None else axis.low
    return low, low + count if axis.high is None else axis.high


def plot_of(strip: Strip) -> Plot:
    """What is drawn over the picture, between axes that end where it ends."""
    rows, columns = strip.pixels.shape
    return Plot(
        _ended(strip.x, columns), _ended(strip.y, rows), strip.curves, (), strip.rules, halo=True
    )


def _ended(axis: Axis, count: int) -> Axis:
    low, high = ends(axis, count)
    return replace(axis, low=low, high=high, log=False)


def hatched(strip: Strip, frame: Box, style: Style) -> list[Item]:
    """Slanted lines that show through where the picture has nothing, which no grey can be taken for."""
    if np.isfinite(strip.pixels).all():
        return []
    apart = 0.8 * style.size
    starts = np.arange(frame.x - frame.h, frame.right, apart)
    return [
        Stroke(
            np.array([[x, frame.bottom], [x + frame.h, frame.y]]), style.ink.dim, style.thin, clip=True
        )
        for x in starts
    ]


def key_width(strip: Strip, height: float, style: Style) -> float:
    """Room for the scale of values beside a picture of about a height."""
    ticks = Scale(*grey_limits(strip), False, 0, 1).ticks(4)
    widest = max((style.measure(t.text, style.size, False) for t in ticks), default=0.0)
    lines = len(wrapped(strip.value.words, height, style.size, style.measure))
    return (1.2 + 0.9 + 0.5 + PITCH * max(1, lines) + 0.8) * style.size + widest


def key(strip: Strip, frame: Box, left: float, style: Style) -> list[Item]:
    """The scale of values: a bar of greys from `left` on, as tall as the frame."""
    low, high = grey_limits(strip)
    size = style.size
    box = Box(left + 1.2 * size, frame.y, 0.9 * size, frame.h)
    ramp = np.empty((_STEPS, 1, 4), np.uint8)
    ramp[..., :3] = np.linspace(255, 0, _STEPS).astype(np.uint8)[:, None, None]
    ramp[..., 3] = 255
    edge = np.array([[box.x, box.y], [box.right, box.y], [box.right, box.bottom], [box.x, box.bottom]])
    out: list[Item] = [
        Picture(box, ramp),
        Stroke(edge, style.ink.frame, style.thin, closed=True),
    ]
    scale = Scale(low, high, False, box.bottom, box.y)
    widest = 0.0
    for at, text in scale.ticks(max(2, min(5, int(frame.h / (2.5 * size))))):
        y = float(scale.place(np.array([at]))[0])
        line = np.array([[box.right, y], [box.right + 0.3 * size, y]])
        out.append(Stroke(line, style.ink.frame, style.thin))
        out.append(Words(box.right + 0.5 * size, y + CAP * size / 2, text, size, style.ink.dim))
        widest = max(widest, style.measure(text, size, False))
    away, middle = box.right + 0.8 * size + widest, frame.y + frame.h / 2
    out += turned_lines(strip.value.words, away, middle, frame.h, size, style.ink.text, style.measure)
    return out
