"""Resolution tags: how a picture file says how large its pixels are.

TIFF 6.0 (1992), fields XResolution, YResolution and ResolutionUnit: two unsigned 32-bit integers
whose ratio is pixels per unit; unit 3 is the centimetre. PNG (ISO/IEC 15948), chunk pHYs: whole
pixels per metre.
"""

from __future__ import annotations

from fractions import Fraction

from viewer.errors import InputError

MM_PER_INCH = 25.4
"""Exact since the international yard and pound agreement of 1959."""

POINTS_PER_INCH = 72
"""Of the PDF and SVG point."""

UM_PER_CM = 10_000
_LARGEST = 2**32 - 1


def per_cm(pixel_um: float) -> tuple[int, int]:
    """Pixels per centimetre of a pixel's side in µm, as the ratio that a TIFF stores.

    Parameters
    ----------
    pixel_um : float
        Side of a pixel in µm.

    Returns
    -------
    (int, int)
        Numerator and denominator, each below 2**32. Exact where the decimal number `pixel_um` allows
        it, else to better than one part in 10**9.

    Raises
    ------
    InputError
        `pixel_um` is not positive, or beyond what the tag can hold.
    """
    if not 1e-4 <= pixel_um <= 1e9:
        raise InputError(
            f"A pixel of {pixel_um:g} µm cannot be written as a TIFF resolution.",
            where="pixel size",
            hint="It must lie between 0.0001 µm and 1 km.",
        )
    # The shortest decimal that reads as this float is what the user typed: 0.1 means one tenth.
    exact = UM_PER_CM / Fraction(repr(float(pixel_um)))
    if max(exact.numerator, exact.denominator) > _LARGEST:
        if exact >= 1:
            exact = exact.limit_denominator(int(_LARGEST / (exact + 1)))
        else:
            exact = 1 / (1 / exact).limit_denominator(int(_LARGEST / (1 / exact + 1)))
    return exact.numerator, exact.denominator


def per_metre(per_mm: float) -> int:
    """Whole pixels per metre, as a PNG stores them.

    Parameters
    ----------
    per_mm : float
        Pixels per millimetre.
    """
    return int(per_mm * 1000 + 0.5)
