"""Principal components of many channels, from sums gathered block by block.

Channels are scaled first, one of three ways (`Scaling`):

``counts``
    Anscombe's transform ``2 sqrt(x + 3/8)``, after which Poisson noise is about 1 in every channel
    and at every count (Anscombe 1948, doi:10.1093/biomet/35.3-4.246). A component then stands out by
    how far it rises above the counting noise. Values below -3/8 are taken as -3/8.
``standardised``
    Each channel over its standard deviation: all channels weigh alike, noisy ones too.
``plain``
    As it is: channels with many counts outweigh the others.

A pixel with a missing channel (NaN or infinite) is left out of the sums, and counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

Scaling = Literal["counts", "standardised", "plain"]
Float = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Covariance:
    """Means and covariances of the scaled channels.

    Attributes
    ----------
    mean : float64[k]
    matrix : float64[k, k]
        Covariances, over ``n - 1``.
    n : int
        Pixels that count.
    excluded : int
        Pixels left out because a channel is missing there.
    scaling : str
        Scaling of the channels; ``standardised`` is not yet in `matrix`.
    """

    mean: Float
    matrix: Float
    n: int
    excluded: int
    scaling: Scaling


@dataclass(frozen=True, slots=True, eq=False)
class Components:
    """Principal components, strongest first.

    Attributes
    ----------
    mean : float64[k]
        Mean of each channel after a ``counts`` transform.
    scale : float64[k]
        What each centred channel is divided by: 1, or its standard deviation if standardised.
    vectors : float64[k, k]
        Row i holds the weights of component i; rows have length 1. The sign is such that the
        weight of largest size is positive.
    explained : float64[k]
        Share of the total variance, summing to 1 (all 0 where nothing varies).
    n, excluded : int
        Pixels that count, and pixels left out.
    scaling : str
    """

    mean: Float
    scale: Float
    vectors: Float
    explained: Float
    n: int
    excluded: int
    scaling: Scaling

    def project(self, block: npt.NDArray[Any], index: int) -> npt.NDArray[np.float32]:
        """Score of component `index` (from 0) at every pixel.

        Parameters
        ----------
        block : array[k, ...]
            The channels in the order in which they were added up.
        index : int
            From 0.

        Returns
        -------
        float32 array of the shape of one channel
            NaN where a channel is missing or the score is too large for float32.

        Raises
        ------
        InputError
            No such component, or another number of channels.
        """
        if block.shape[0] != len(self.mean):
            raise InputError(
                f"The components are of {len(self.mean)} channels, not {block.shape[0]}.",
                where="principal components",
            )
        check_index(index, len(self.mean))
        weight = self.vectors[index] / self.scale
        score = np.zeros(block.shape[1:], dtype=np.float64)
        for channel, m, w in zip(block, self.mean, weight, strict=True):
            values = _scaled(channel, self.scaling)
            score += w * (values - m)
        with np.errstate(over="ignore"):
            stored = score.astype(np.float32)
        stored[np.isinf(stored)] = np.nan
        return stored


class CovarianceSum:
    """Gathers means and covariances of channels over any number of blocks.

    Blocks are centred on their own means and merged pairwise (Chan, Golub and LeVeque 1983,
    doi:10.1080/00031305.1983.10483115), so that large means do not swamp small variances.

    Parameters
    ----------
    channels : int
        Number of channels, 1 or more.
    scaling : str
        See the module.

    Raises
    ------
    InputError
        No channels, or an unknown scaling.
    """

    def __init__(self, channels: int, scaling: Scaling = "counts") -> None:
        if channels < 1:
            raise InputError("There are no channels.", where="principal components")
        check_scaling(scaling)
        self.channels = channels
        self.scaling: Scaling = scaling
        self.n = 0
        self.excluded = 0
        self._mean: Float = np.zeros(channels, dtype=np.float64)
        self._scatter: Float = np.zeros((channels, channels), dtype=np.float64)

    def add(self, block: npt.NDArray[Any], mask: npt.NDArray[np.bool_] | None = None) -> None:
        """Add a block.

        Parameters
        ----------
        block : array[channels, ...]
            The channels over one block.
        mask : bool array of the shape of one channel, optional
            True where pixels count; those outside are not counted as excluded.

        Raises
        ------
        InputError
            Another number of channels, or the mask does not fit.
        """
        if block.ndim < 1 or block.shape[0] != self.channels:
            raise InputError(f"A block has {self.channels} channels.", where="principal components")
        if mask is not None and mask.shape != block.shape[1:]:
            raise InputError("The mask does not fit the block.", where="principal components")
        flat = block.reshape(self.channels, -1)
        if mask is not None:
            flat = flat[:, mask.reshape(-1)]
        values = np.stack([_scaled(channel, self.scaling) for channel in flat])
        present = ~np.isnan(values).any(axis=0)
        self.excluded += int(np.count_nonzero(~present))
        values = values[:, present]
        n = values.shape[1]
        if n == 0:
            return
        mean = values.mean(axis=1)
        values -= mean[:, None]
        self._merge(n, mean, values @ values.T)

    def merge(self, other: CovarianceSum) -> None:
        """Take in the sums of `other`, gathered over other blocks of the same channels."""
        if (other.channels, other.scaling) != (self.channels, self.scaling):
            raise InputError("The sums are of other channels.", where="principal components")
        self.excluded += other.excluded
        if other.n:
            self._merge(other.n, other._mean, other._scatter)

    def _merge(self, n: int, mean: Float, scatter: Float) -> None:
        total = self.n + n
        shift = mean - self._mean
        self._scatter = self._scatter + scatter + np.outer(shift, shift) * (self.n * n / total)
        self._mean = self._mean + shift * (n / total)
        self.n = total

    def finish(self) -> Covariance:
        """Means and covariances of all that was added.

        Raises
        ------
        InputError
            Fewer than two pixels count.
        """
        if self.n < 2:
            raise InputError(
                "Fewer than two pixels have a value in every channel.",
                where="principal components",
                hint="Leave out channels that are empty.",
            )
        return Covariance(
            self._mean.copy(), self._scatter / (self.n - 1), self.n, self.excluded, self.scaling
        )


def principal_components(covariance: Covariance) -> Components:
    """Principal components of gathered covariances.

    A channel that does not vary has weight 0 in every component but its own last one.
    """
    matrix = covariance.matrix
    scale = np.ones(len(matrix), dtype=np.float64)
    if covariance.scaling == "standardised":
        deviation = np.sqrt(np.diag(matrix))
        scale = np.where(deviation > 0, deviation, 1.0)
    matrix = matrix / np.outer(scale, scale)
    values, columns = np.linalg.eigh(0.5 * (matrix + matrix.T))
    values = np.maximum(values[::-1], 0.0)
    vectors = columns.T[::-1]
    # An eigenvector's sign is free. Of weights that tie in size the first decides.
    size = np.abs(vectors)
    lead = np.argmax(size >= size.max(axis=1, keepdims=True) * (1 - 1e-9), axis=1)
    sign = np.where(vectors[np.arange(len(vectors)), lead] < 0, -1.0, 1.0)
    total = values.sum()
    return Components(
        mean=covariance.mean,
        scale=scale,
        vectors=vectors * sign[:, None],
        explained=values / total if total > 0 else np.zeros_like(values),
        n=covariance.n,
        excluded=covariance.excluded,
        scaling=covariance.scaling,
    )


def check_scaling(scaling: str) -> None:
    """Refuse a scaling that there is not (InputError)."""
    if scaling not in get_args(Scaling):
        raise InputError(
            f"There is no scaling {scaling!r}.",
            where="principal components",
            hint=f"Take one of {', '.join(get_args(Scaling))}.",
        )


def check_index(index: int, channels: int) -> None:
    """Refuse a component that `channels` channels do not have (InputError); counted from 0."""
    if not 0 <= index < channels:
        raise InputError(
            f"{channels} channels have components 1 to {channels}, not {index + 1}.",
            where="principal components",
        )


def _scaled(channel: npt.NDArray[Any], scaling: Scaling) -> Float:
    values = np.asarray(channel).astype(np.float64)
    values[~np.isfinite(values)] = np.nan
    if scaling == "counts":
        values = 2.0 * np.sqrt(np.maximum(values + 0.375, 0.0))
    return values
