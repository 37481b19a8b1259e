"""Axes of a drawing: their ends, their ticks, and where a value falls."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from viewer.plates.chart import Array, Axis

MINUS = "\N{MINUS SIGN}"
_PADDING = 0.04
_TURNS = (15.0, 30.0, 45.0, 90.0, 180.0, 360.0)
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


class Tick(NamedTuple):
    """A mark at a value; without words where it only helps to read the others."""

    at: float
    text: str


class Scale(NamedTuple):
    """Values from `low` to `high` laid out from `start` to `end` of the medium.

    `turn`: they are degrees, whose round numbers are parts of a turn.
    """

    low: float
    high: float
    log: bool
    start: float
    end: float
    turn: bool = False

    def place(self, values: Array) -> Array:
        """Where values fall; NaN for NaN, infinities, and what a logarithm does not have."""
        numbers = np.asarray(values, np.float64)
        low, high = self.low, self.high
        if self.log:
            numbers = np.log10(np.where(numbers > 0, numbers, np.nan))
            low, high = math.log10(low), math.log10(high)
        placed = self.start + (numbers - low) / (high - low) * (self.end - self.start)
        return np.where(np.isfinite(placed), placed, np.nan)

    def ticks(self, most: int) -> list[Tick]:
        """At most about `most` ticks with words."""
        if self.log and self.high / self.low >= 10:
            return _decades(self.low, self.high, most)
        values = round_values(self.low, self.high, most, turn=self.turn)
        step = values[1] - values[0] if len(values) > 1 else self.high - self.low
        return [Tick(value, number(value, step)) for value in values]


def limits(axis: Axis, data: Iterable[Array], *, zero: bool = False) -> tuple[float, float]:
    """Ends of an axis: those it states, else as the data ask for, with a little room.

    Parameters
    ----------
    data : iterable of ndarray
        What has to be in view; NaN and infinities ask for nothing.
    zero : bool
        Lengths from 0 are drawn, as of bars: 0 is in view and has no room beyond it.

    Returns
    -------
    (float, float)
        Ascending and apart; above 0 for a logarithmic axis.
    """
    values = np.concatenate([np.zeros(0), *(np.asarray(d, np.float64).ravel() for d in data)])
    values = values[np.isfinite(values) & ((values > 0) if axis.log else True)]
    if zero and not axis.log:
        values = np.append(values, 0.0)
    least, most = (float(values.min()), float(values.max())) if values.size else (1.0, 10.0)
    low = least if axis.low is None or (axis.log and axis.low <= 0) else axis.low
    high = most if axis.high is None or (axis.log and axis.high <= 0) else axis.high
    if axis.log:
        if not low < high:
            low, high = low / 2, low * 2
        room = (high / low) ** _PADDING
        return (low if low == axis.low else low / room, high if high == axis.high else high * room)
    if not low < high:
        half = 0.5 * abs(low) or 0.5
        low, high = (low, low + 2 * half) if low == axis.low or zero else (low - half, high + half)
    room = _PADDING * (high - low)
    # Where the data come down near 0 without crossing it, 0 is the end that tells most.
    near = 0.0 <= low < 0.25 * high and axis.low is None
    bottom = low if low == axis.low or (zero and low == 0.0) else 0.0 if near else low - room
    return bottom, high if high == axis.high or (zero and high == 0.0) else high + room


def round_values(low: float, high: float, most: int, *, turn: bool = False) -> list[float]:
    """At most `most` + 1 round values in a range.

    Their steps are 1, 2 or 5 times a power of ten; of degrees (`turn`), from 10 on, 15, 30, 45, 90, 180
    or whole turns.
    """
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return []
    raw = span / max(1, most)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * (1 - 1e-9))
    if turn and step > 10.0:
        step = next((s for s in _TURNS if s >= raw * (1 - 1e-9)), 360.0 * math.ceil(raw / 360.0))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [index * step for index in range(first, last + 1)]


def number(value: float, step: float) -> str:
    """A value among others `step` apart, with a thin space between thousands."""
    if abs(value) < 1e-9 * abs(step):
        return "0"
    size = abs(value)
    if size >= 1e6 or size < 1e-3:
        power = math.floor(math.log10(size) + 1e-12)
        digits = max(0, math.ceil(power - math.log10(abs(step)) - 1e-9))
        head = f"{value / 10.0**power:.{min(digits, 6)}f}"
        text = (
            f"10{str(power).translate(_RAISED)}"
            if head == "1"
            else (f"{head}×10{str(power).translate(_RAISED)}")
        )
    else:
        places = max(0, math.ceil(-math.log10(abs(step)) - 1e-9))
        text = f"{value:,.{min(places, 6)}f}".replace(",", "\N{THIN SPACE}")
    return text.replace("-", MINUS)


def reading(value: float, unit: str = "") -> str:
    """A value for a read-out, four digits long: ``1 234 µm``."""
    if not math.isfinite(value):
        return "no value"
    step = 10.0 ** (math.floor(math.log10(abs(value))) - 3) if value else 1.0
    text = number(value, step)
    if "." in text and "×" not in text:
        text = text.rstrip("0").rstrip(".")
    return f"{text} {unit}" if unit else text


def _decades(low: float, high: float, most: int) -> list[Tick]:
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    span = math.log10(high / low)
    every = max(1, math.ceil(span / max(1, most)))
    many = most >= 3 * span
    out = []
    for decade in range(first, last + 1):
        for digit in range(1, 10):
            value = digit * 10.0**decade
            if not low * (1 - 1e-9) <= value <= high * (1 + 1e-9):
                continue
            worded = (digit == 1 and decade % every == 0) or (many and digit in (2, 5))
            out.append(Tick(value, number(value, value) if worded else ""))
    return out
