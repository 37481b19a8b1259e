"""Ticks of an axis in values, whatever the scale that they are laid out on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from viewer.panels.look.digits import MINUS, ticks
from viewer.science.sort.axes import from_axis, to_axis
from viewer.science.sort.scheme import Scale


@dataclass(frozen=True)
class Tick:
    """A mark at an axis coordinate; without words where it only helps to read the others."""

    at: float
    text: str = ""


def axis_ticks(low: float, high: float, scale: Scale, most: int) -> list[Tick]:
    """At most about `most` ticks with words between two axis coordinates, ascending.

    Round values, evenly spread on the screen as far as round values allow.
    """
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low or most < 1:
        return []
    if scale == "linear":
        values = ticks(low, high, most)
        step = values[1] - values[0] if len(values) > 1 else (high - low)
        return [Tick(v, number(v, step)) for v in values]
    if scale == "log" and high - low >= 1.0:
        return _decades(low, high, most)
    return _spread(low, high, scale, most)


def number(value: float, step: float) -> str:
    """A value among others `step` apart, short: 12k for 12 000."""
    if abs(value) < 1e-9 * abs(step):
        return "0"
    size = abs(value)
    if size >= 1e9 or size < 1e-3:
        text = f"{value:.3g}".replace("e+0", "e").replace("e+", "e").replace("e-0", "e-")
    elif size >= 1e4:
        unit, letter = (1e6, "M") if size >= 1e6 else (1e3, "k")
        places = max(0, math.ceil(-math.log10(max(step, 1e-300) / unit) - 1e-9))
        text = f"{value / unit:.{min(places, 3)}f}{letter}"
    else:
        places = max(0, math.ceil(-math.log10(max(step, 1e-300)) - 1e-9))
        text = f"{value:.{min(places, 6)}f}"
    return text.replace("-", MINUS)


def _decades(low: float, high: float, most: int) -> list[Tick]:
    first, last = math.ceil(low - 1e-9), math.floor(high + 1e-9)
    step = max(1, math.ceil((last - first + 1) / most))
    many = most >= 2.5 * (high - low)
    out = []
    for decade in range(first - 1, last + 1):
        for digit in range(1, 10):
            at = decade + math.log10(digit)
            if not low <= at <= high:
                continue
            value = digit * 10.0**decade
            worded = (digit == 1 and (decade - first) % step == 0) or (many and digit in (2, 5))
            out.append(Tick(at, number(value, value) if worded else ""))
    return out


def _spread(low: float, high: float, scale: Scale, most: int) -> list[Tick]:
    """Values that are round for their distance to the next, on a scale that bends."""
    pitch = (high - low) / most
    spots = low + pitch * np.arange(most + 1)
    values = from_axis(spots, scale)
    chosen: list[Tick] = []
    if scale == "sqrt" and low <= 0.0 <= high:
        chosen.append(Tick(0.0, "0"))
    for index, value in enumerate(values.tolist()):
        near = min(index, most - 1)
        apart = float(values[near + 1] - values[near])
        if apart <= 0.0:
            continue
        power = 10.0 ** math.floor(math.log10(apart))
        step = max(m * power for m in (1, 2, 5) if m * power <= apart * (1 + 1e-9))
        rounded = round(value / step) * step
        at = float(to_axis(np.array([rounded]), scale)[0])
        if not (math.isfinite(at) and low <= at <= high):
            continue
        if all(abs(at - t.at) > 0.6 * pitch for t in chosen):
            chosen.append(Tick(at, number(rounded, step)))
    return sorted(chosen, key=lambda t: t.at)
