"""How far the pixels of a region know of each other, and what that does to a proportion.

A proportion over a region is a ratio of two sums over small cells: the phase's pixels, and all pixels
that count. Partly covered cells, holes and odd outlines need no further thought, as everything rests on

* the covariogram of the region, g(h): pairs of pixels that lie h apart, and
* the residuals of the ratio, z = number - ratio * whole of each cell, and their products
  R(h) = sum of z(c) z(c + h).

For a stationary arrangement with covariance C(h) the proportion p over N pixels has the variance
``sum over h of C(h) g(h) / N**2``. R(h) measures C(h) g(h). Summed over all h it is zero, whatever the
rock, because the residuals sum to zero; so the sum is taken over the distances at which pixels do know
of each other, with weights w(h) that are 1 up to the reach and fall to 0 at twice the reach:

    variance = sum of w R / (N**2 - sum of w g)

The second term of the denominator makes good that residuals from the measured proportion, instead
of the true one, are too small. Blocks of pixels resampled at random (Künsch 1989,
doi:10.1214/aos/1176347265) lead to the same sum with weights that fall from 1 at once, and so leave
out part of the covariance, the more the smaller the blocks are. Weights that stay at 1 leave out
nothing within the reach (Politis and Romano 1995, doi:10.1111/j.1467-9892.1995.tb00223.x). The
reach is where the autocorrelation stays within its noise (Politis and White 2004,
doi:10.1081/ETC-120028836, here over rings of a plane). Variance of a mean over a region from
covariance and covariogram: Matheron 1971, The theory of regionalized variables and its
applications, chapter 2 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float = npt.NDArray[np.float64]

NOISE = 2.0
"""Standard errors within which an autocorrelation counts as none."""

LEAST = 0.02
"""Autocorrelation that counts as none however well it is known."""

QUIET = 5
"""Fewest rings one after the other that must show none."""

MARGIN = 1.25
"""How much farther than the first quiet ring the reach is set: covariance fades into noise before
it ends."""

WIDEST = 0.5
"""Largest share of all pairs of pixels that the weights may take in: beyond it too little is left to
compare with."""


@dataclass(frozen=True, eq=False)
class Spread:
    """A proportion and how sure it is.

    Attributes
    ----------
    ratio : float
        Sum of the number over the sum of the whole.
    variance : float
        Of the ratio; 0 where every cell has the same ratio (the phase is absent, or alone).
    freedom : float
        Degrees of freedom of `variance`: how many regions of the reach's size there are.
    reach_um : float
        Distance from which on pixels do not know of each other (µm).
    limited : bool
        The autocorrelation does not die away within the region: the variance is a lower limit.
    distance_um, correlation : ndarray of float64 [rings]
        The autocorrelation by distance, and at distance 0 that of a cell with itself.
    """

    ratio: float
    variance: float
    freedom: float
    reach_um: float
    limited: bool
    distance_um: Float
    correlation: Float


class Region:
    """The cells of a region, and its covariogram, from which proportions of it are judged.

    Parameters
    ----------
    whole : ndarray [rows, columns]
        What the proportion is a part of, by cell: pixels that count, or their weight.
    cell_um : (float, float)
        Width and height of a cell (µm).

    Attributes
    ----------
    cells : float
        Number of cells; those that are only partly covered, or weigh less, count less.

    Raises
    ------
    ValueError
        The whole is empty.
    """

    def __init__(self, whole: npt.NDArray[np.generic], cell_um: tuple[float, float]) -> None:
        from scipy import fft

        self.whole = np.asarray(whole, dtype=np.float64)
        self.total = float(self.whole.sum())
        if not self.total > 0:
            raise ValueError("the region is empty")
        rows, columns = self.whole.shape
        self._shape = (fft.next_fast_len(2 * rows), fft.next_fast_len(2 * columns, real=True))
        self._pairs = self._products(self.whole)
        across, down = cell_um
        far = np.hypot(
            _lags(self._shape[0])[:, None] * down, _lags(self._shape[1])[None, :] * across
        )
        self._far = far
        self.ring_um = max(across, down)
        # Beyond half of the longer side there are too few pairs to tell anything.
        rings = max(2, int(0.5 * max(rows * down, columns * across) / self.ring_um))
        ring = np.rint(far / self.ring_um).astype(np.int64)
        ring[ring > rings] = rings
        self._ring = ring.ravel()
        # The last holds what lies beyond and is left out.
        self._lags_in = np.bincount(self._ring, minlength=rings + 1)[:-1]
        self._pairs_in = np.bincount(self._ring, self._pairs.ravel(), rings + 1)[:-1]
        self.cells = self.total**2 / float(self._pairs[0, 0])
        self._widest = self._find_widest()

    def spread(self, number: npt.NDArray[np.generic]) -> Spread:
        """Judge a proportion.

        Parameters
        ----------
        number : ndarray [rows, columns]
            By cell, the part of the whole that is meant.
        """
        part = np.asarray(number, dtype=np.float64)
        ratio = float(part.sum()) / self.total
        residual = part - ratio * self.whole
        products = self._products(residual)
        distance = self.ring_um * np.arange(len(self._lags_in), dtype=np.float64)
        scale = float(np.abs(part).sum()) / self.total
        if float(products[0, 0]) <= 1e-18 * scale * float(self._pairs[0, 0]):
            none = np.zeros_like(distance)
            return Spread(ratio, 0.0, math.inf, self.ring_um, False, distance, none)
        sums = np.bincount(self._ring, products.ravel(), len(distance) + 1)[:-1]
        with np.errstate(invalid="ignore", divide="ignore"):
            correlation = np.where(self._pairs_in > 0.5, sums / self._pairs_in, 0.0)
        correlation *= float(self._pairs[0, 0]) / float(products[0, 0])
        ring, limited = self._reach(correlation)
        reach = ring * self.ring_um
        weights = np.clip(2.0 - self._far / reach, 0.0, 1.0)
        variance = self._weighted(weights, products)
        # Random grains never come out surer than plain blocks have it, whose variance cannot be
        # negative.
        variance = max(variance, self._weighted(self._blocks(2.0 * reach), products))
        freedom = self.total**2 / float((weights**2 * self._pairs).sum())
        return Spread(ratio, variance, freedom, reach, limited, distance, correlation)

    def _reach(self, correlation: Float) -> tuple[int, bool]:
        """First ring from which on the autocorrelation is noise, and whether none was found."""
        ring = 3
        last = min(self._widest, len(correlation) - 1)
        found = False
        for _ in range(5):
            inside = slice(0, ring + 1)
            # Bartlett's formula: noise of one lag, less where a ring holds several independent ones.
            square = float((correlation[inside] ** 2 * self._lags_in[inside]).sum())
            noise = np.sqrt(
                2.0 * square / self.cells * np.minimum(1.0, square / np.maximum(self._lags_in, 1))
            )
            loud = np.abs(correlation) >= np.maximum(NOISE * noise, LEAST)
            new, found = _first_quiet(loud, last)
            if new == ring:
                break
            ring = new
        return min(max(ring + 1, round(MARGIN * ring)), max(last, 1)), not found

    def _find_widest(self) -> int:
        """Largest reach, in rings, whose weights take in no more than `WIDEST` of all pairs."""
        low, high = 1, len(self._lags_in)
        while high - low > 1:
            middle = (low + high) // 2
            weights = np.clip(2.0 - self._far / (middle * self.ring_um), 0.0, 1.0)
            taken = float((weights * self._pairs).sum()) / self.total**2
            low, high = (middle, high) if taken <= WIDEST else (low, middle)
        return low

    def _weighted(self, weights: Float, products: Float) -> float:
        taken = float((weights * self._pairs).sum())
        # A region of few cells: all pairs may be taken in even at the least reach.
        left = max(self.total**2 - taken, (1.0 - WIDEST) * self.total**2)
        return float((weights * products).sum()) / left

    def _blocks(self, side_um: float) -> Float:
        """Weights that square blocks of a side give to the pairs within them."""
        down = self._far[:, 0] / side_um
        across = self._far[0, :] / side_um
        weights: Float = np.clip(1.0 - down, 0.0, None)[:, None] * np.clip(1.0 - across, 0.0, None)
        return weights

    def _products(self, cells: Float) -> Float:
        """Sum over all cells of the product of a cell and the one that lies a lag away."""
        from scipy import fft

        spectrum = fft.rfft2(cells, self._shape)
        power = spectrum.real**2 + spectrum.imag**2
        products: Float = fft.irfft2(power, self._shape)
        return products


def _lags(size: int) -> Float:
    """Lag of each element of a circular correlation, whatever its sign."""
    lags = np.arange(size, dtype=np.float64)
    return np.minimum(lags, size - lags)


def _first_quiet(loud: npt.NDArray[np.bool_], last: int) -> tuple[int, bool]:
    """First ring after which none is loud for a while; `last` and False where there is none."""
    for ring in range(1, last):
        if not loud[ring : ring + max(QUIET, ring // 2)].any():
            return ring, True
    return max(last, 1), False
