"""How much a channel shows: spatial structure against noise, and three channels that go together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

CEILING = 1e6
"""Structure against noise of an image in which no noise can be found."""

ENOUGH = 100.0
"""Structure against noise beyond which a channel is not preferred any further for a composite."""

SAMPLE = 20_000
"""Pixels that rank correlations are worked out from."""


@dataclass(frozen=True)
class Triple:
    """Three channels for a composite.

    Attributes
    ----------
    ids : (str, str, str)
        For red, green and blue.
    score : float
        Bits a pixel that the three tell together (see `suggest_triple`).
    reason : str
        Why these, in a sentence or two.
    """

    ids: tuple[str, str, str]
    score: float
    reason: str


def structure_to_noise(values: npt.NDArray[Any]) -> float:
    """Variance that neighbouring pixels share, against the variance that they do not.

    Parameters
    ----------
    values : ndarray [rows, columns]
        The channel, or a part of it at full resolution (a reduced image has lost its noise). NaN
        where there is no value.

    Returns
    -------
    float
        0 (noise only, or one value) to `CEILING`.

    Notes
    -----
    Noise of different pixels is independent, so that the covariance of neighbours is the variance
    of what the rock shows and the rest of the variance is noise: the nugget of a variogram at lag 1.
    Square roots are taken first, which makes the noise of counts alike at every level (Bartlett,
    1936, doi:10.2307/2983678). Of the covariances along rows and along columns the smaller counts:
    striped lines are alike along one direction only. Structure finer than a pixel counts as noise,
    and noise smeared over several pixels counts as structure.
    """
    root = _rooted(np.asarray(values, dtype=np.float64))
    known = ~np.isnan(root)
    if known.sum() < 16:
        return 0.0
    away = np.where(known, root - root[known].mean(), 0.0)
    variance = float((away * away).sum() / known.sum())
    shared = min(
        _neighbour_covariance(away, known),
        _neighbour_covariance(away.T, known.T),
    )
    if variance <= 0.0 or shared <= 0.0:
        return 0.0
    noise = variance - shared
    return CEILING if noise * CEILING <= shared else shared / noise


def suggest_triple(
    samples: Mapping[str, npt.NDArray[Any]], names: Mapping[str, str] | None = None
) -> Triple:
    """Three channels that show most when they are put together.

    Parameters
    ----------
    samples : mapping of str to ndarray [rows, columns]
        The same part of the map, at full resolution, of each channel. The result does not depend
        on anything random.
    names : mapping of str to str, optional
        Names for the sentence; ids where absent.

    Returns
    -------
    Triple
        The channel with the most structure takes green, the next red, the third blue: in the order
        in which the three colours carry luminance (IEC 61966-2-1).

    Raises
    ------
    InputError
        Fewer than three channels, or samples of different shapes.

    Notes
    -----
    The score is ``log2 det(I + D R D) / 2`` with ``D**2`` the structure-to-noise ratios (no more
    than `ENOUGH`) and ``R`` the rank correlations of 3 x 3 means: the mutual information between
    the scene and three noisy channels if both were Gaussian (Cover and Thomas, 2006, Elements of
    Information Theory, section 9.4. doi:10.1002/047174882X). Two channels that say the same count
    for little more than one.
    """
    ids = list(samples)
    if len(ids) < 3:
        raise InputError("A composite is suggested from three channels or more.", where="composite")
    arrays = [np.asarray(samples[i], dtype=np.float64) for i in ids]
    if len({a.shape for a in arrays}) > 1:
        raise InputError("The samples of the channels differ in shape.", where="composite")
    ratios = np.array([structure_to_noise(a) for a in arrays])
    ranks = np.stack([_ranks(a) for a in arrays])
    alike = np.clip(ranks @ ranks.T, -1.0, 1.0)
    np.fill_diagonal(alike, 1.0)

    trios = np.array(list(combinations(range(len(ids)), 3)))
    weight = np.sqrt(np.minimum(ratios, ENOUGH))
    matrices = alike[trios[:, :, None], trios[:, None, :]]
    matrices = matrices * weight[trios][:, :, None] * weight[trios][:, None, :] + np.eye(3)
    bits = 0.5 * np.log2(np.maximum(np.linalg.det(matrices), 1.0))
    best = trios[int(np.argmax(bits))]

    # A stable sort keeps the given order of channels that are equal.
    by_structure = best[np.argsort(-ratios[best], kind="stable")]
    red, green, blue = (int(by_structure[i]) for i in (1, 0, 2))
    alikeness = max(abs(float(alike[a, b])) for a, b in combinations((red, green, blue), 2))
    shown = [(names or {}).get(ids[i], ids[i]) for i in (red, green, blue)]
    against = [f"{ratios[i]:.2g}" for i in (red, green, blue)]
    reason = (
        f"{shown[0]}, {shown[1]} and {shown[2]} hold {against[0]}, {against[1]} and {against[2]} times "
        f"as much structure as noise, and resemble one another little: the greatest rank correlation "
        f"of two is {alikeness:.2f}."
        if alikeness < 0.6
        else f"{shown[0]}, {shown[1]} and {shown[2]} tell most together, though two of them resemble "
        f"each other (rank correlation {alikeness:.2f}); every other three tells less."
    )
    return Triple((ids[red], ids[green], ids[blue]), float(bits.max()), reason)


def _rooted(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Square roots of the values above the lowest (or above 0 where none is negative)."""
    finite = values[np.isfinite(values)]
    floor = min(0.0, float(finite.min())) if finite.size else 0.0
    root = np.full(values.shape, np.nan)
    np.sqrt(values - floor, out=root, where=np.isfinite(values))
    return root


def _neighbour_covariance(away: npt.NDArray[np.float64], known: npt.NDArray[np.bool_]) -> float:
    """Mean product of deviations of pixels side by side; 0 without a pair."""
    pairs = int((known[:, 1:] & known[:, :-1]).sum())
    return float((away[:, 1:] * away[:, :-1]).sum()) / pairs if pairs else 0.0


def _ranks(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Centred ranks of 3 x 3 means at regularly spaced pixels, as a vector of length 1."""
    from scipy.ndimage import uniform_filter
    from scipy.stats import rankdata

    known = np.isfinite(values)
    part = uniform_filter(known.astype(np.float64), 3, mode="nearest")
    mean = uniform_filter(np.where(known, values, 0.0), 3, mode="nearest")
    smooth = np.where(part > 1e-6, mean / np.maximum(part, 1e-6), np.nan)
    step = max(1, int(np.ceil(np.sqrt(smooth.size / SAMPLE))))
    picked = smooth[::step, ::step].ravel()
    # A pixel without a value says nothing about how alike two channels are: it takes the mean rank.
    rank = rankdata(picked, nan_policy="omit")
    centred = np.nan_to_num(rank - np.nanmean(rank)) if np.isfinite(rank).any() else picked * 0.0
    length = float(np.linalg.norm(centred))
    return np.asarray(centred / length) if length > 0 else np.zeros(picked.size)
