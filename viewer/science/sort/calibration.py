"""From counts to weight per cent: a straight line through reference points.

Counts are taken as ``blank + sensitivity * weight per cent``; the points' errors are those of the mean
counts and of the known weight per cent, both (see `viewer.science.sort.line_fit`). The line is then
read the other way round: ``weight per cent = (counts - blank) / sensitivity``.

That leaves out what a matrix does to the counts (absorption, fluorescence, atomic number): a line is
good for phases like its standards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Literal

import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.sort.detection import Convention, Detection, detection
from viewer.science.sort.line_fit import LineFit, fit_line

Float = npt.NDArray[np.float64]

IMPROBABLE = 0.05
"""Share of chance below which the scatter about the line is called larger than the errors."""


class Standard(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A reference point: counts measured where the weight per cent is known.

    Attributes
    ----------
    label : str
        Where: a position, a phase.
    counts : float
        Mean over `pixels` pixels.
    counts_error : float
        Standard error of that mean. 0: not stated, and taken as Poisson's, ``sqrt(counts / pixels)``.
    pixels : int
    percent : float
        Known weight per cent, 0 to 100.
    percent_error : float
        Its standard error; 0 where it is not stated.
    used : bool
        False leaves the point out of the line; it is still shown.
    """

    label: Annotated[str, msgspec.Meta(max_length=200)] = ""
    counts: float
    counts_error: float = 0.0
    pixels: int = 1
    percent: float
    percent_error: float = 0.0
    used: bool = True

    def __post_init__(self) -> None:
        where = f"reference point «{self.label}»" if self.label else "reference point"
        if not math.isfinite(self.counts):
            raise InputError("The counts are not a number.", where=where)
        if not 0 <= self.percent <= 100:
            raise InputError("A weight per cent lies between 0 and 100.", where=where)
        for error in (self.counts_error, self.percent_error):
            if not (math.isfinite(error) and error >= 0):
                raise InputError("An error must be 0 or more.", where=where)
        if self.pixels < 1:
            raise InputError("The counts are a mean over 1 pixel or more.", where=where)

    @property
    def error(self) -> float:
        """Standard error of the mean counts: as stated, or Poisson's.

        No counts at all are known no better than one count would be.
        """
        if self.counts_error > 0:
            return self.counts_error
        return math.sqrt(max(self.counts, 1.0 / self.pixels) / self.pixels)


class Calibration(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A channel's reference points, and how the line is laid through them.

    Attributes
    ----------
    standards : tuple of Standard
    line : str
        Through ``zero``, or with a ``blank``.
    weights : str
        ``errors``: points weigh by their errors. ``equal``: all alike, and the line's errors follow
        from the scatter.
    convention : str
        Of the detection limit; see `viewer.science.sort.detection`.
    """

    standards: tuple[Standard, ...] = ()
    line: Literal["zero", "blank"] = "blank"
    weights: Literal["errors", "equal"] = "errors"
    convention: Convention = "paired"


@dataclass(frozen=True, eq=False)
class CalibrationLine:
    """A fitted calibration.

    Attributes
    ----------
    fit : LineFit
        Counts (y) against weight per cent (x).
    used : tuple of Standard
        The points that the line goes through, in the order of `fit.residuals`.
    convention : str
        Of the detection limit.
    widened : float
        Factor, 1 or more, on all standard errors: the square root of the reduced chi² where that is
        above 1, because the points then scatter more than their errors say.
    """

    fit: LineFit
    used: tuple[Standard, ...]
    convention: Convention
    widened: float

    @property
    def sensitivity(self) -> float:
        """Counts per weight per cent."""
        return self.fit.slope

    @property
    def sensitivity_error(self) -> float:
        """Standard error, widened."""
        return self.fit.slope_error * self.widened

    @property
    def blank(self) -> float:
        """Counts at 0 %."""
        return self.fit.intercept

    @property
    def blank_error(self) -> float:
        """Standard error, widened."""
        return self.fit.intercept_error * self.widened

    @property
    def covariance(self) -> float:
        """Of sensitivity and blank, widened."""
        return self.fit.covariance * self.widened**2

    @property
    def range(self) -> tuple[float, float]:
        """Least and greatest weight per cent of the points; outside, the line is extrapolated."""
        percents = [s.percent for s in self.used]
        return min(percents), max(percents)

    def counts(self, percent: npt.ArrayLike) -> Float:
        """Counts on the line."""
        return np.asarray(self.blank + self.sensitivity * np.asarray(percent, np.float64))

    def percent(self, counts: npt.ArrayLike) -> Float:
        """Weight per cent of counts; below 0 where there are fewer than the blank."""
        return np.asarray((np.asarray(counts, np.float64) - self.blank) / self.sensitivity)

    def percent_error(self, counts: npt.ArrayLike, counts_error: npt.ArrayLike = 0.0) -> Float:
        """Standard error of a weight per cent, from the counts' own and from the line's.

        To first order (GUM, JCGM 100:2008, 5.2), sensitivity and blank being correlated. The part of
        the line is common to all pixels and does not become smaller in a mean over them.
        """
        p = self.percent(counts)
        line = self.blank_error**2 + p**2 * self.sensitivity_error**2 + 2 * p * self.covariance
        own = np.asarray(counts_error, np.float64) ** 2
        return np.asarray(np.sqrt(np.maximum(line + own, 0.0)) / abs(self.sensitivity))

    def band(self, percent: npt.ArrayLike, confidence: float = 0.95) -> tuple[Float, Float]:
        """Interval of the line's counts at weight per cents.

        Student's t where the errors follow from the scatter of the points, else normal. NaN where
        there are no degrees of freedom to tell a scatter from.
        """
        from scipy import stats

        p = np.asarray(percent, np.float64)
        variance = self.blank_error**2 + p**2 * self.sensitivity_error**2 + 2 * p * self.covariance
        scattered = not self.fit.stated or self.widened > 1
        tail = 0.5 + confidence / 2
        k = stats.t.ppf(tail, self.fit.freedom) if scattered else stats.norm.ppf(tail)
        half = k * np.sqrt(np.maximum(variance, 0.0))
        return np.asarray(self.counts(p) - half), np.asarray(self.counts(p) + half)

    def detection(self, pixels: int = 1) -> Detection:
        """Limits in counts above the blank, per pixel; a blank below 0 counts as 0."""
        return detection(max(self.blank, 0.0), pixels, self.convention)

    def detection_percent(self, pixels: int = 1) -> float:
        """Detection limit L_D of a mean over some pixels, weight per cent."""
        return self.detection(pixels).limit / self.sensitivity

    def outside(self, percent: float) -> bool:
        """True where a weight per cent lies beyond the points, so that the line is extrapolated."""
        low, high = self.range
        # A line through zero is held at zero too.
        return percent > high or percent < (0.0 if self.blank == 0.0 else low)

    def cautions(self) -> tuple[str, ...]:
        """What should be known before the line is relied on, in words."""
        from scipy import stats

        found = []
        low, high = self.range
        if self.fit.freedom == 0:
            found.append("There are just as many points as the line needs: nothing checks its fit.")
        chi2 = self.fit.reduced_chi2
        if chi2 is not None and stats.chi2.sf(self.fit.chi2, self.fit.freedom) < IMPROBABLE:
            found.append(
                f"The points scatter more than their errors say (reduced chi² {chi2:.2g}); standard "
                f"errors are widened by {self.widened:.2g}."
            )
        if self.blank < -2 * self.blank_error:
            found.append("The blank is below 0 counts: a point is amiss, or the line is not straight.")
        if self.fit.intercept_error == 0 and any(s.percent == 0 and s.counts > 0 for s in self.used):
            found.append("A point of 0 % has counts: the line needs a blank.")
        if low > 0 and self.fit.intercept_error > 0:
            found.append(
                f"The points begin at {low:g} %: below, the line and its blank are extrapolated."
            )
        found.append(f"Above {high:g} % the line is extrapolated.")
        return tuple(found)


def calibrate(calibration: Calibration) -> CalibrationLine:
    """Lay a line through reference points.

    Raises
    ------
    InputError
        Too few points, or counts that do not rise with the weight per cent.
    """
    used = tuple(s for s in calibration.standards if s.used)
    zero = calibration.line == "zero"
    needed = 1 if zero else 2
    if len(used) < needed or (not zero and len({s.percent for s in used}) < 2):
        raise InputError(
            "A line with a blank needs two reference points of different weight per cent."
            if not zero
            else "A line through zero needs a reference point.",
            where="calibration",
            hint="Type a point, or read points from a CSV file.",
        )
    x = np.array([s.percent for s in used])
    y = np.array([s.counts for s in used])
    if calibration.weights == "errors":
        x_error = np.array([s.percent_error for s in used])
        y_error = np.array([s.error for s in used])
        fit = fit_line(x, y, x_error, y_error, through_zero=zero)
    else:
        fit = fit_line(x, y, through_zero=zero)
    if not fit.slope > 0:
        raise InputError(
            "Counts do not rise with the weight per cent.",
            where="calibration",
            hint="Check which point is which, or leave one out.",
        )
    chi2 = fit.reduced_chi2
    widened = max(1.0, math.sqrt(chi2)) if chi2 is not None else 1.0
    return CalibrationLine(fit, used, calibration.convention, widened)
