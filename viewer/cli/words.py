"""What the words of the command line mean: each parser turns one argument into a value."""

from __future__ import annotations

import argparse
import math


def pixel_size(text: str) -> tuple[float, float]:
    """``20`` or ``20x25`` (width x height), in µm."""
    try:
        parts = [float(p) for p in text.lower().replace("×", "x").split("x")]
    except ValueError:
        parts = []
    if len(parts) not in (1, 2):
        raise argparse.ArgumentTypeError(f"{text!r} is not a pixel size such as 20 or 20x25 (µm)")
    return parts[0], parts[-1]


def triple(text: str) -> tuple[str, str, str]:
    """``Fe,Cr,Al``: red, green, blue; an empty place or ``-`` leaves a colour out."""
    parts = [p.strip() for p in text.split(",")]
    if len(parts) != 3:
        raise argparse.ArgumentTypeError(f"{text!r} does not name three layers, such as Fe,Cr,Al")
    names = tuple("" if p == "-" else p for p in parts)
    if not any(names):
        raise argparse.ArgumentTypeError("at least one colour needs a layer")
    return names[0], names[1], names[2]


def percentiles(text: str) -> tuple[float, float]:
    """``1:99``: low and high percentile."""
    low, _, high = text.partition(":")
    try:
        return float(low), float(high)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not two percentiles such as 1:99") from None


def number(text: str) -> float:
    """A number; neither NaN nor an infinity is one."""
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number such as 12.5")
    return found


def degrees(text: str) -> float:
    """A direction."""
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise argparse.ArgumentTypeError(f"{text!r} is not a direction such as 90 (degrees)")
    return found


def dwells(text: str) -> tuple[float, float]:
    """``10:25``: dwell times of two runs, in ms."""
    first, _, second = text.partition(":")
    try:
        return float(first), float(second)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not two dwell times such as 10:25") from None


def point(text: str) -> tuple[float, float]:
    """``x,y`` in µm."""
    x, _, y = text.partition(",")
    try:
        at = float(x), float(y)
    except ValueError:
        at = (math.nan, math.nan)
    if not all(math.isfinite(v) for v in at):
        raise argparse.ArgumentTypeError(f"{text!r} is not a point such as 1200,340 (µm)")
    return at


def box(text: str) -> tuple[float, float, float, float]:
    """``x0,y0,x1,y1`` in µm."""
    try:
        parts = [float(p) for p in text.split(",")]
    except ValueError:
        parts = []
    if len(parts) != 4 or not all(math.isfinite(v) for v in parts):
        raise argparse.ArgumentTypeError(f"{text!r} is not a view such as 0,0,5000,3000 (µm)")
    return parts[0], parts[1], parts[2], parts[3]
