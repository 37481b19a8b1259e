"""The scale bar: a round length and its label."""

from __future__ import annotations

import math

from viewer.errors import InputError

_UNITS = ((1e6, "m"), (1e4, "cm"), (1e3, "mm"))


def nice_length(view_width_um: float, fraction: float = 0.2) -> tuple[float, str]:
    """Length of the scale bar for a view.

    Parameters
    ----------
    view_width_um : float
        Width of what is shown (µm).
    fraction : float
        Part of the width that the bar may take at most.

    Returns
    -------
    length_um : float
        1, 2 or 5 times a power of ten: the greatest that is no longer than the part allowed.
    label : str
        The length in µm, mm, cm or m, whichever gives a number below 1000 and not below 1 (lengths
        below 1 µm stay in µm).

    Raises
    ------
    InputError
        The width or the fraction is not a positive finite number.

    Examples
    --------
    >>> nice_length(2600.0)
    (500.0, '500 µm')
    >>> nice_length(260_000.0)
    (50000.0, '5 cm')
    """
    room = view_width_um * fraction
    if not (view_width_um > 0 and fraction > 0 and 0 < room < math.inf):
        raise InputError("A scale bar needs a view with a width.", where="scale bar")
    power = math.floor(math.log10(room))
    # The logarithm of a power of ten may fall a hair to either side: look one decade around.
    lengths = [
        _scaled(digit, exponent) for exponent in (power - 1, power, power + 1) for digit in (1, 2, 5)
    ]
    length = max(x for x in lengths if x <= room * (1 + 1e-12))
    return length, label(length)


def label(length_um: float) -> str:
    """A length in µm, mm, cm or m, with no more digits than it needs (at most six).

    Lengths of 1 cm and more are given in cm, of 1 m and more in m: as rulers are read.
    """
    for size, unit in _UNITS:
        if length_um >= size:
            return f"{length_um / size:.6g} {unit}"
    return f"{length_um:.6g} µm"


def _scaled(digit: int, exponent: int) -> float:
    # Dividing by a whole power of ten rounds once; multiplying by 0.1 would round twice.
    return float(digit * 10**exponent) if exponent >= 0 else digit / 10 ** (-exponent)
