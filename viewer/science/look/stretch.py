"""Stretches: which brightness a channel value is shown at.

A stretch cuts a channel between two values, bends what is left with a curve and a gamma, and turns
it over or weakens it where asked. Every step is monotone: a brighter pixel never holds less.
The screen, the exported picture and the light table all go through `lut`, so that they agree to the
last digit.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

if TYPE_CHECKING:
    from viewer.science.look.histogram import Histogram

Curve = Literal["linear", "log", "asinh", "sqrt"]

CURVES: tuple[Curve, ...] = ("linear", "log", "asinh", "sqrt")

ASINH_KNEE = 0.1
"""Part of the range below which the asinh curve is close to linear; above it is logarithmic."""

LOG_STEEPNESS = 1000.0
"""How much steeper the log curve starts than a line through the same logarithm's ends."""

GAMMA_RANGE = (0.05, 20.0)
WEIGHT_RANGE = (0.0, 10.0)


class Stretch(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How values become brightness.

    With ``x = (value - low) / (high - low)`` cut to [0, 1], the brightness is
    ``y = curve(x) ** (1 / gamma)``; ``y = 1 - y`` where `invert`; ``min(1, weight * y)`` at last.

    Attributes
    ----------
    low, high : float
        Ends of the range: percentiles (0 to 100) or channel values; ``low < high``.
    by : {"percentile", "value"}
        What `low` and `high` are.
    curve : {"linear", "log", "asinh", "sqrt"}
        ``linear``: x. ``sqrt``: square root of x. ``log``: log(1 + 1000 x) / log(1001).
        ``asinh``: asinh(x / 0.1) / asinh(1 / 0.1): linear for the lowest tenth of the range and
        logarithmic above [1]_.
    gamma : float
        Above 1 brightens the middle, below 1 darkens it.
    invert : bool
        High values dark.
    weight : float
        Multiplies the brightness: 0 takes the channel out of a composite.

    Raises
    ------
    InputError
        A field is not finite or out of its range, or ``low >= high``.

    References
    ----------
    .. [1] Lupton, R. et al. (2004) Preparing red-green-blue images from CCD data. Publications of
       the Astronomical Society of the Pacific 116, 133-137. doi:10.1086/382245
    """

    low: float = 1.0
    high: float = 99.0
    by: Literal["percentile", "value"] = "percentile"
    curve: Curve = "linear"
    gamma: float = 1.0
    invert: bool = False
    weight: float = 1.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high)):
            raise InputError("The ends of a stretch are finite numbers.", where="stretch")
        if self.low >= self.high:
            raise InputError(
                f"The low end of a stretch ({self.low:g}) lies below its high end ({self.high:g}).",
                where="stretch",
                hint="Move one of the two ends.",
            )
        if self.by == "percentile" and not (self.low >= 0 and self.high <= 100):
            raise InputError("Percentiles lie between 0 and 100.", where="stretch")
        for name, value, (least, most) in (
            ("gamma", self.gamma, GAMMA_RANGE),
            ("weight", self.weight, WEIGHT_RANGE),
        ):
            if not least <= value <= most:
                raise InputError(
                    f"The {name} of a stretch lies between {least:g} and {most:g}, not {value:g}.",
                    where="stretch",
                )

    def resolve(self, histogram: Histogram) -> Stretch:
        """The same stretch with its ends as channel values.

        Parameters
        ----------
        histogram : Histogram
            Of the pixels that the percentiles refer to.

        Returns
        -------
        Stretch
            ``by="value"``. Where both percentiles fall on one value, the range is opened to the
            greatest value, else down to the least, else (one value only) by one unit upwards. With
            no pixels: 0 to 1.
        """
        if self.by == "value":
            return self
        low, high = (float(v) for v in histogram.percentiles((self.low, self.high)))
        if histogram.total == 0:
            low, high = 0.0, 1.0
        elif not low < high:
            low, high = _opened(low, high, *histogram.span)
        return msgspec.structs.replace(self, low=low, high=high, by="value")

    @property
    def midpoint(self) -> float:
        """Value shown at half brightness (before weighting).

        Raises
        ------
        InputError
            The ends are percentiles: `resolve` first.
        """
        self._needs_values()
        x = _uncurved(0.5**self.gamma, self.curve)
        return self.low + x * (self.high - self.low)

    def with_midpoint(self, value: float) -> Stretch:
        """The stretch whose gamma shows a value at half brightness.

        Parameters
        ----------
        value : float
            Wanted midpoint; gamma stops at the ends of `GAMMA_RANGE` where it lies too near (or
            beyond) an end of the stretch.

        Raises
        ------
        InputError
            The ends are percentiles (`resolve` first), or `value` is not finite.
        """
        self._needs_values()
        if not math.isfinite(value):
            raise InputError("The mid-point of a stretch is a finite number.", where="stretch")
        plain = Stretch(low=self.low, high=self.high, by="value", curve=self.curve)
        y = float(apply(np.array([value]), plain)[0])
        least, most = GAMMA_RANGE
        if y <= 0.0:
            gamma = most
        elif y >= 1.0:
            gamma = least
        else:
            gamma = min(max(math.log(y) / math.log(0.5), least), most)
        return msgspec.structs.replace(self, gamma=gamma)

    def _needs_values(self) -> None:
        if self.by != "value":
            raise InputError(
                "The mid-point is known only once the stretch's ends are values.", where="stretch"
            )


def apply(values: npt.NDArray[Any], stretch: Stretch) -> npt.NDArray[np.float64]:
    """Brightness of values.

    Parameters
    ----------
    values : ndarray, any shape
        Channel values; infinities take the end they lie beyond.
    stretch : Stretch
        With ``by="value"``.

    Returns
    -------
    ndarray of float64, same shape
        In [0, 1]; NaN where the value is NaN.

    Raises
    ------
    InputError
        The stretch's ends are percentiles.
    """
    if stretch.by != "value":
        raise InputError("A stretch by percentile has to be resolved first.", where="stretch")
    v = np.asarray(values, dtype=np.float64)
    # Halves, so that the span of two huge ends of opposite sign stays finite.
    span = 0.5 * stretch.high - 0.5 * stretch.low
    if span == 0.0:  # two neighbouring subnormal numbers
        x = np.where(v >= stretch.high, 1.0, 0.0)
        x = np.where(np.isnan(v), np.nan, x)
    else:
        with np.errstate(over="ignore"):
            x = np.clip((0.5 * v - 0.5 * stretch.low) / span, 0.0, 1.0)
    y = _curved(x, stretch.curve)
    if stretch.gamma != 1.0:
        y = y ** (1.0 / stretch.gamma)
    if stretch.invert:
        y = 1.0 - y
    if stretch.weight != 1.0:
        y = np.minimum(y * stretch.weight, 1.0)
    return y


def lut(
    values: npt.NDArray[np.float64], stretch: Stretch, depth: Literal[8, 16] = 8
) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    """Look-up table from screen code to brightness.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Value of each code (``Coding.values()``).
    stretch : Stretch
        With ``by="value"``.
    depth : {8, 16}
        Bits of the result.

    Returns
    -------
    ndarray of uint8 or uint16, shape (n,)
        ``floor(brightness * (2**depth - 1) + 0.5)``; 0 for codes that stand for no value.

    Raises
    ------
    InputError
        The stretch's ends are percentiles.
    """
    top = float(2**depth - 1)
    y = np.nan_to_num(apply(values, stretch), nan=0.0)
    level = np.floor(y * top + 0.5)
    return level.astype(np.uint8) if depth == 8 else level.astype(np.uint16)


def _curved(x: npt.NDArray[np.float64], curve: Curve) -> npt.NDArray[np.float64]:
    if curve == "log":
        return np.log1p(LOG_STEEPNESS * x) / math.log1p(LOG_STEEPNESS)
    if curve == "asinh":
        return np.arcsinh(x / ASINH_KNEE) / math.asinh(1.0 / ASINH_KNEE)
    if curve == "sqrt":
        return np.sqrt(x)
    return x


def _uncurved(y: float, curve: Curve) -> float:
    if curve == "log":
        return math.expm1(y * math.log1p(LOG_STEEPNESS)) / LOG_STEEPNESS
    if curve == "asinh":
        return math.sinh(y * math.asinh(1.0 / ASINH_KNEE)) * ASINH_KNEE
    if curve == "sqrt":
        return y * y
    return y


def _opened(low: float, high: float, least: float, most: float) -> tuple[float, float]:
    """A range that holds more than one value, from two ends that coincide."""
    if most > low:
        return low, most
    if least < high:
        return least, high
    # The spacing of huge numbers may be wider than one unit.
    return low, max(low + 1.0, float(np.nextafter(low, np.inf)))
