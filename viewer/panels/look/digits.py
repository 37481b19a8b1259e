"""Numbers as text: as many digits as can be told apart, never more."""

from __future__ import annotations

import math

MINUS = "\u2212"


def decimals(span: float, *, whole: bool = False, steps: int = 1000) -> int:
    """Digits after the point that tell apart `steps` values spread over `span`."""
    if whole or not math.isfinite(span) or span <= 0:
        return 0 if whole else 3
    return min(12, max(0, math.ceil(math.log10(steps / span))))


def tidy(value: float, span: float, *, whole: bool = False) -> str:
    """Text of a value that lies in a range `span` wide.

    Parameters
    ----------
    value : float
        NaN and infinities are written in words.
    span : float
        Width of the range that the value is read against; sets the number of decimals.
    whole : bool
        True where the layer holds whole numbers: no decimals for a whole value.
    """
    if math.isnan(value):
        return "no value"
    if math.isinf(value):
        return "infinite"
    size = max(abs(value), span if math.isfinite(span) else 0.0)
    if whole and value == round(value) and size < 1e7:
        text = f"{value:.0f}"
    elif size >= 1e7 or 0 < size < 1e-4:
        text = f"{value:.3e}".replace("e+0", "e").replace("e+", "e").replace("e-0", "e-")
    else:
        places = 1 if whole else decimals(span)
        text = f"{value:.{places}f}"
    if float(text) == 0 and text.startswith("-"):
        text = text[1:]
    return text.replace("-", MINUS)


def lean(value: float, span: float, *, whole: bool = False) -> str:
    """Text as `tidy` writes it, without zeros that end it after the point: 87, not 87.00."""
    text = tidy(value, span, whole=whole)
    if "." not in text or not text[-1].isdigit() or "e" in text:
        return text
    return text.rstrip("0").rstrip(".")


def share(part: float, total: float) -> str:
    """A part of a total as percent, with small parts still visible as such."""
    if total <= 0:
        return "0 %"
    percent = 100.0 * part / total
    if percent == 0:
        return "0 %"
    if percent < 0.001:
        return "<0.001 %"
    if percent < 0.1:
        return f"{percent:.3f} %"
    if percent < 10:
        return f"{percent:.2f} %"
    return f"{percent:.1f} %"


def grouped(count: int) -> str:
    """A count with thin spaces between groups of three digits."""
    return f"{count:,}".replace(",", "\u2009")


def ticks(low: float, high: float, most: int) -> list[float]:
    """At most `most` + 1 round values (steps of 1, 2 or 5 times a power of ten) within a range."""
    span = high - low
    if not (math.isfinite(span) and span > 0) or most < 1:
        return []
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [index * step for index in range(first, last + 1)]
