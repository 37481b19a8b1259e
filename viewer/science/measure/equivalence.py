"""Is there no change that matters: two one-sided tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Equivalence:
    """Whether a difference lies within a bound.

    Attributes
    ----------
    estimate, bound : float
    low, high : float
        90 % interval: it lies within the bound where both one-sided tests reject at 5 %.
    p : float
        The larger of the two one-sided p: of a true difference as large as the bound.
    holds : bool
        p is below 5 %: no difference as large as the bound.
    least : float
        Smallest bound that the values would bear out; the claim that can be made.
    """

    estimate: float
    bound: float
    low: float
    high: float
    p: float
    holds: bool
    least: float


def two_one_sided(estimate: float, deviations: Array, bound: float) -> Equivalence:
    """Test that a difference is smaller than a bound.

    Parameters
    ----------
    estimate : float
    deviations : ndarray of float64 [m]
        Of estimates from the true value, as resamples or a distribution have them.
    bound : float
        Above 0: the smallest difference that would matter.

    Raises
    ------
    ValueError
        The bound is not above 0, or there are no deviations.

    Notes
    -----
    Schuirmann 1987, A comparison of the two one-sided tests procedure and the power approach for
    assessing the equivalence of average bioavailability, doi:10.1007/BF01068419. p takes a resample
    more than there are into account, so that it is never 0.
    """
    if not bound > 0 or not len(deviations):
        raise ValueError("the bound must be above 0, and there must be deviations")
    low, high = (float(v) for v in estimate - np.quantile(deviations, [0.95, 0.05]))
    count = len(deviations) + 1
    # As far below the upper bound, and as far above the lower one, as was found or farther.
    below = 1 + np.count_nonzero(deviations <= estimate - bound)
    above = 1 + np.count_nonzero(deviations >= estimate + bound)
    p = float(max(below, above)) / count
    return Equivalence(
        estimate=estimate,
        bound=bound,
        low=low,
        high=high,
        p=min(p, 1.0),
        holds=-bound < low and high < bound,
        least=least_bound(estimate, deviations),
    )


def least_bound(estimate: float, deviations: Array) -> float:
    """Smallest bound that two one-sided tests at 5 % bear out; see `two_one_sided`."""
    low, high = estimate - np.quantile(deviations, [0.95, 0.05])
    return max(abs(float(low)), abs(float(high)))
