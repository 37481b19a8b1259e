"""Smoothing of one layer: median, Gaussian, and edge-preserving.

Every filter is a small frozen object with a `halo`: the number of pixels beyond a block that its
results depend on. Called with a block it returns a block of the same shape; what lies beyond the
block counts as missing. So a block that carries a halo on every side that is not the map's own edge,
cut back to its core, holds exactly the numbers that filtering the whole map at once would give.

Pixels that are NaN or infinite are left out of every window (a window's weights are divided by the
weight that was present: normalised convolution, Knutsson and Westin 1993,
doi:10.1109/CVPR.1993.341081) and have no result themselves: smoothing invents no pixels.

Sizes are in pixels, along rows and columns alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

MAX_MEDIAN = 31
MAX_SIGMA = 50.0
MAX_RADIUS = 32

_TRUNCATE = 4.0
"""Standard deviations at which a Gaussian is cut off."""

_GATHERED = 1 << 22
"""Most numbers gathered at once for medians of windows with missing pixels."""


class Filter(Protocol):
    """A smoothing that works block by block."""

    @property
    def halo(self) -> int:
        """Pixels beyond a block that its results depend on."""
        ...

    def __call__(self, block: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
        """Smooth a block ``[row, column]``; the result has its shape."""
        ...


@dataclass(frozen=True, slots=True)
class MedianFilter:
    """Median of a square window. Removes single hot and dead pixels and keeps straight edges.

    Parameters
    ----------
    size : int
        Side of the window in pixels, odd, 3 to `MAX_MEDIAN`.

    Raises
    ------
    InputError
        The size is not one of these.
    """

    size: int

    def __post_init__(self) -> None:
        if not (3 <= self.size <= MAX_MEDIAN and self.size % 2 == 1):
            raise InputError(
                f"A median's window is an odd number of pixels from 3 to {MAX_MEDIAN}.",
                where=f"median of size {self.size}",
            )

    @property
    def halo(self) -> int:
        """Half the window."""
        return self.size // 2

    def __call__(self, block: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
        """Smooth a block; of an even number of pixels the median is the mean of the middle two."""
        from scipy import ndimage

        values = _values(block)
        missing = np.isnan(values)
        result: npt.NDArray[np.float64] = ndimage.median_filter(
            np.where(missing, 0.0, values), size=self.size, mode="nearest"
        )
        # Windows that hold a missing pixel or reach past the block are done again, one by one.
        padded = np.pad(values, self.halo, constant_values=np.nan)
        lacking = ndimage.maximum_filter(missing, size=self.size, mode="constant", cval=True)
        rows, columns = np.nonzero(lacking & ~missing)
        windows = np.lib.stride_tricks.sliding_window_view(padded, (self.size, self.size))
        step = max(1, _GATHERED // self.size**2)
        for i in range(0, len(rows), step):
            r, c = rows[i : i + step], columns[i : i + step]
            result[r, c] = np.nanmedian(windows[r, c].reshape(len(r), -1), axis=1)
        result[missing] = np.nan
        return _stored(result)


@dataclass(frozen=True, slots=True)
class GaussianFilter:
    """Mean weighted by a Gaussian, cut off at 4 standard deviations.

    Parameters
    ----------
    sigma_px : float
        Standard deviation in pixels, above 0 and at most `MAX_SIGMA`.

    Raises
    ------
    InputError
        Sigma is outside that range.
    """

    sigma_px: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.sigma_px) and 0 < self.sigma_px <= MAX_SIGMA):
            raise InputError(
                f"A Gaussian's sigma is above 0 and at most {MAX_SIGMA:g} pixels.",
                where=f"Gaussian of sigma {self.sigma_px:g}",
            )

    @property
    def halo(self) -> int:
        """Pixels to the cut-off."""
        return int(_TRUNCATE * self.sigma_px + 0.5)

    def __call__(self, block: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
        """Smooth a block."""
        values = _values(block)
        x = np.arange(-self.halo, self.halo + 1)
        kernel = np.exp(-0.5 * (x / self.sigma_px) ** 2)
        return _stored(_WindowMean(values, kernel / kernel.sum()).of(values))


@dataclass(frozen=True, slots=True)
class GuidedFilter:
    """Edge-preserving smoothing: a mean where the window is flat, the pixel itself at an edge.

    The guided filter with the layer as its own guide (He, Sun and Tang 2013,
    doi:10.1109/TPAMI.2012.213). In every window of side ``2 radius + 1`` the layer is fitted by
    ``a * pixel + b`` with ``a = variance / (variance + (keep * noise)**2)``; a pixel's result is
    the mean over the windows that hold it. Where the spread in the window is well above
    ``keep * noise`` the pixel is kept, where it is well below it is averaged.

    Parameters
    ----------
    radius : int
        Half-width of the window in pixels, 1 to `MAX_RADIUS`.
    keep : float
        Noise standard deviations from which a spread counts as structure, above 0.
    noise : float or None
        Standard deviation of a pixel's noise, in the layer's units. None: the layer holds counts,
        so that the noise of each window is the square root of its mean (Poisson), and at least 1.

    Raises
    ------
    InputError
        A parameter is outside its range.
    """

    radius: int = 2
    keep: float = 3.0
    noise: float | None = None

    def __post_init__(self) -> None:
        where = "edge-preserving smoothing"
        if not 1 <= self.radius <= MAX_RADIUS:
            raise InputError(f"The radius is 1 to {MAX_RADIUS} pixels.", where=where)
        if not (math.isfinite(self.keep) and self.keep > 0):
            raise InputError("The spread to keep is above 0 noise deviations.", where=where)
        if self.noise is not None and not (math.isfinite(self.noise) and self.noise > 0):
            raise InputError("The noise is above 0, or left out for counts.", where=where)

    @property
    def halo(self) -> int:
        """Two windows deep: the fits around a pixel, and what each of them is fitted to."""
        return 2 * self.radius

    def __call__(self, block: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
        """Smooth a block."""
        values = _values(block)
        mean_of = _WindowMean(values, np.ones(2 * self.radius + 1))
        mean = mean_of.of(values)
        # Squares of differences from a number near the values would lose fewer digits, but that
        # number would differ from block to block; float64 has digits to spare.
        with np.errstate(over="ignore", invalid="ignore"):
            variance = np.maximum(mean_of.of(values * values) - mean * mean, 0.0)
        if self.noise is None:
            threshold = self.keep**2 * np.maximum(mean, 1.0)
        else:
            threshold = np.full_like(mean, (self.keep * self.noise) ** 2)
        a = variance / (variance + threshold)
        b = (1.0 - a) * mean
        return _stored(mean_of.of(a) * values + mean_of.of(b))


class _WindowMean:
    """Means over the present pixels of a window, weighted by the same kernel along both axes."""

    def __init__(self, values: npt.NDArray[np.float64], kernel: npt.NDArray[np.float64]) -> None:
        self.kernel = kernel
        self.missing = np.isnan(values)
        weight = self._sum((~self.missing).astype(np.float64))
        self.weight = np.where(self.missing, 1.0, weight)

    def _sum(self, image: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        # Plain correlation adds each window up by itself, always in the same order, so that blocks
        # agree to the last bit; running sums would not.
        from scipy import ndimage

        rows = ndimage.correlate1d(image, self.kernel, axis=0, mode="constant", cval=0.0)
        both: npt.NDArray[np.float64] = ndimage.correlate1d(
            rows, self.kernel, axis=1, mode="constant", cval=0.0
        )
        return both

    def of(self, image: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Mean of `image` in each window; NaN where the filtered layer is missing."""
        total = self._sum(np.where(self.missing, 0.0, image))
        return np.where(self.missing, np.nan, total / self.weight)


def _stored(result: npt.NDArray[np.float64]) -> npt.NDArray[np.float32]:
    """A result as it is stored; NaN where it is too large for float32."""
    with np.errstate(over="ignore"):
        stored = result.astype(np.float32)
    stored[np.isinf(stored)] = np.nan
    return stored


def _values(block: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    """A block as float64 with NaN for every pixel that has no finite value."""
    if block.ndim != 2:
        raise InputError("A block to smooth has rows and columns.", where="smoothing")
    values = block.astype(np.float64)
    values[~np.isfinite(values)] = np.nan
    return values
