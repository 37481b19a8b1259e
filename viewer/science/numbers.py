"""Numbers in words: as many digits as they are worth, and no powers of ten where a person reads."""

from __future__ import annotations

import math

PLAIN = (-5, 9)
"""Powers of ten, the least and the first too large, between which a number is written out."""


def significant(value: float, digits: int = 3) -> str:
    """A number to so many significant digits, written out.

    Zeros at the end of a fraction are left out; thousands are parted by commas.

    Parameters
    ----------
    value : float
    digits : int
        One or more.

    Examples
    --------
    >>> significant(1143.11), significant(0.04127), significant(12000.0), significant(1e-12)
    ('1,140', '0.0413', '12,000', '1e-12')
    """
    if not math.isfinite(value):
        return f"{value}"
    if value == 0:
        return "0"
    # By way of the printed form, so that 9.996 is 10.0 and not three digits of another power.
    power = int(f"{value:.{digits - 1}e}".partition("e")[2])
    if not PLAIN[0] <= power < PLAIN[1]:
        return f"{value:.{digits}g}"
    places = digits - 1 - power
    text = f"{round(value, places):,.{max(0, places)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
