"""Mixed edge pixels: those whose values are a mixture of two neighbouring phases.

A beam that is wider than a pixel, and grains that end within one, give the pixels along every boundary
values between those of the two sides. Where a third phase lies between the two in a scatterplot, such
pixels pass for it, and a rim appears that is not there.

A pixel is a mixture where, in all channels together, it lies nearer to the line between the means of
two phases within three pixels of it than to the mean of its own phase, and not too far from that line.
The spread along the line is that of counts: the variance of a mixture is the mixture of the variances.
The linear model of mixing is that of Adams, Smith and Johnson (1986, Spectral mixture modeling,
doi:10.1029/JB091iB08p08098), with two end members taken from the neighbourhood: phases that have the
inside of a grain there.

A thin third phase between the two is told from a mixture by its values alone: where they lie on the
line between its neighbours', no method can tell the two apart, and they are taken for a mixture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from viewer.science.kernels.mixed import REACH, explain
from viewer.science.sort.classify import OUTSIDE, UNSORTED
from viewer.science.sort.scheme import Mixed

Labels = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]

HALO = REACH + 1
"""Rows beyond a band that `find_mixed` looks at."""

LEAST_PIXELS = 30
"""Pixels inside grains that a phase's mean and spread need; with fewer it is no end member."""


@dataclass(frozen=True, eq=False)
class PhaseStatistics:
    """Mean and variance of the channels inside the grains of each phase; two bands' add up.

    Attributes
    ----------
    counts : ndarray of int64 [256]
        Pixels of each label all of whose eight neighbours have it too.
    sums, squares : ndarray of float64 [256, channels]
        Sums of their values, and of the squares.
    """

    counts: npt.NDArray[np.int64]
    sums: Floats
    squares: Floats

    @classmethod
    def of(cls, labels: Labels, values: Floats, core: slice | None = None) -> PhaseStatistics:
        """Count one band.

        Parameters
        ----------
        labels : ndarray of uint8 [rows, columns]
        values : ndarray of float64 [channels, rows, columns]
        core : slice, optional
            Rows to be counted; one row on each side of them is enough to know their neighbours.
        """
        inner = interior(labels)
        rows = core or slice(0, labels.shape[0])
        chosen = inner[rows] & np.isfinite(values[:, rows]).all(axis=0)
        which = labels[rows][chosen]
        held = values[:, rows][:, chosen]
        return cls(
            np.bincount(which, minlength=256).astype(np.int64),
            np.stack([np.bincount(which, v, 256) for v in held], axis=1),
            np.stack([np.bincount(which, v * v, 256) for v in held], axis=1),
        )

    def __add__(self, other: PhaseStatistics) -> PhaseStatistics:
        return PhaseStatistics(
            self.counts + other.counts, self.sums + other.sums, self.squares + other.squares
        )

    @property
    def known(self) -> npt.NDArray[np.bool_]:
        """Labels of phases with enough pixels inside grains, bool [256]."""
        known = self.counts >= LEAST_PIXELS
        known[[UNSORTED, OUTSIDE]] = False
        return known

    @property
    def means(self) -> Floats:
        """Of each label, float64 [256, channels]; 0 where it has no pixels."""
        return self.sums / np.maximum(self.counts, 1)[:, None]

    @property
    def variances(self) -> Floats:
        """Of each label, float64 [256, channels]; never quite 0, so that it can be divided by."""
        n = np.maximum(self.counts, 1)[:, None]
        found = (self.squares / n - self.means**2) * n / np.maximum(n - 1, 1)
        # A channel of which a phase holds nothing still has counts of a background.
        floor = 1e-6 * np.maximum(np.abs(self.means), 1.0) ** 2
        varied: Floats = np.maximum(found, floor)
        return varied


@dataclass(frozen=True, eq=False)
class MixedPixels:
    """Mixed pixels of a band.

    Attributes
    ----------
    first, second : ndarray of uint8 [rows, columns]
        Labels of the two phases that a pixel is a mixture of; 0 where it is none.
    share : ndarray of float32 [rows, columns]
        Share of the first.
    """

    first: Labels
    second: Labels
    share: npt.NDArray[np.float32]

    @property
    def mask(self) -> npt.NDArray[np.bool_]:
        """Which pixels are mixtures."""
        found: npt.NDArray[np.bool_] = self.first != UNSORTED
        return found

    @property
    def count(self) -> int:
        """How many pixels are mixtures."""
        return int(np.count_nonzero(self.first))


def find_mixed(
    labels: Labels,
    values: Floats,
    statistics: PhaseStatistics,
    settings: Mixed,
    core: slice | None = None,
) -> MixedPixels:
    """Find mixed pixels.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
        As sorted; a band with `HALO` rows on each side, as far as the map goes.
    values : ndarray of float64 [channels, rows, columns]
        NaN where a pixel has no value: it is no mixture then.
    statistics : PhaseStatistics
        Of the whole map.
    settings : Mixed
    core : slice, optional
        Rows of the band that are asked about; all by default.

    Returns
    -------
    MixedPixels
        Of the rows of `core`.

    Raises
    ------
    ValueError
        Arrays that do not go together.
    """
    if values.ndim != 3 or values.shape[1:] != labels.shape:
        raise ValueError("values have channels, and the rows and columns of the labels")
    rows = core or slice(0, labels.shape[0])
    shape = (rows.stop - rows.start, labels.shape[1])
    first, second = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    share = np.zeros(shape, np.float32)
    explain(
        np.ascontiguousarray(labels),
        interior(labels),
        np.ascontiguousarray(values, np.float64),
        statistics.means,
        statistics.variances,
        statistics.known,
        float(settings.tolerance),
        (rows.start, rows.stop),
        first,
        second,
        share,
    )
    return MixedPixels(first, second, share)


def settle(
    labels: Labels, mixed: MixedPixels, treat: Literal["off", "keep", "reassign", "unsorted"]
) -> Labels:
    """Give mixed pixels the label that was chosen for them.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
        Of the rows that `mixed` is of.
    treat : str
        See `viewer.science.sort.scheme.Mixed`.

    Returns
    -------
    ndarray of uint8 [rows, columns]
        `labels` itself where nothing changes.
    """
    if treat == "unsorted":
        return np.where(mixed.mask, np.uint8(UNSORTED), labels)
    if treat == "reassign":
        larger = np.where(mixed.share >= 0.5, mixed.first, mixed.second)
        return np.where(mixed.mask, larger, labels)
    return labels


def interior(labels: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Pixels that have all eight neighbours, each with the same label."""
    inner = np.zeros(labels.shape, bool)
    if min(labels.shape) < 3:
        return inner
    middle = labels[1:-1, 1:-1]
    alike = np.ones(middle.shape, bool)
    rows, cols = labels.shape
    for dr in (0, 1, 2):
        for dc in (0, 1, 2):
            alike &= labels[dr : rows - 2 + dr, dc : cols - 2 + dc] == middle
    inner[1:-1, 1:-1] = alike
    return inner
