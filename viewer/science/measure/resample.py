"""Proportions of a region made anew from blocks of it, drawn at random."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Float = npt.NDArray[np.float64]


def block_bootstrap(
    number: npt.NDArray[np.generic],
    whole: npt.NDArray[np.generic],
    block: tuple[int, int],
    resamples: int,
    rng: np.random.Generator,
) -> Float:
    """Proportions of regions put together from blocks of this one.

    Parameters
    ----------
    number, whole : ndarray [rows, columns]
        By cell, the part that is meant and what it is a part of.
    block : (int, int)
        Rows and columns of a block, in cells.
    resamples : int
        Regions to put together.

    Returns
    -------
    ndarray of float64 [resamples]

    Notes
    -----
    Blocks lie anywhere, and overhang the region's edge, so that each cell is in as many of them;
    each new region has as many blocks as make up the region's own size on average, and its
    proportion is the ratio of the blocks' sums, so that a block half outside the region counts half
    (Künsch 1989, doi:10.1214/aos/1176347265, for blocks; Hall 1985, Resampling a coverage pattern,
    Stochastic Processes and their Applications 20, 231-246, for blocks of a plane).
    """
    parts = _block_sums(number, block)
    wholes = _block_sums(whole, block)
    covered = wholes > 0.5
    parts, wholes = parts[covered], wholes[covered]
    total = float(np.asarray(whole, dtype=np.float64).sum())
    count = max(1, round(total / float(wholes.mean())))
    drawn = rng.integers(0, len(wholes), (resamples, count))
    above, below = parts[drawn].sum(axis=1), wholes[drawn].sum(axis=1)
    ratios: Float = above / below
    return ratios


def _block_sums(cells: npt.NDArray[np.generic], block: tuple[int, int]) -> Float:
    """Sums over a block at every place where it covers a cell or more."""
    down, across = block
    padded = np.pad(np.asarray(cells, dtype=np.float64), ((down, down - 1), (across, across - 1)))
    table = padded.cumsum(axis=0).cumsum(axis=1)
    sums: Float = (
        table[down:, across:]
        - table[:-down, across:]
        - table[down:, :-across]
        + table[:-down, :-across]
    )
    return sums
