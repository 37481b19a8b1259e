"""Pairs of layers whose scatterplots tell most: structured layers that do not say the same."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.suggest import patches
from viewer.science.look.structure import ENOUGH, structure_to_noise
from viewer.science.progress import Progress

AGAIN = 0.6
"""A pair counts for this much less with each of its layers that an earlier pair shows already."""


def suggest_pairs(
    samples: Mapping[str, npt.NDArray[np.float64]], most: int = 6
) -> list[tuple[str, str]]:
    """Pairs of layers in the order in which to look at them.

    Parameters
    ----------
    samples : mapping of str to ndarray [rows, columns]
        The same part of the map, at full resolution, of each layer.

    Notes
    -----
    A pair is worth ``log2 det(I + D R D) / 2`` bits, with ``D**2`` the structure-to-noise ratios and
    ``R`` the rank correlation: what two noisy channels tell together, as in
    `viewer.science.look.structure.suggest_triple`. The second layer is the stronger one.
    """
    names = list(samples)
    weight = {n: min(structure_to_noise(samples[n]), ENOUGH) for n in names}
    ranks = {n: _ranks(samples[n]) for n in names}
    worth = {}
    for a, b in combinations(names, 2):
        alike = float(np.clip(ranks[a] @ ranks[b], -1.0, 1.0))
        inner = (1.0 + weight[a]) * (1.0 + weight[b]) - weight[a] * weight[b] * alike**2
        worth[a, b] = 0.5 * np.log2(max(inner, 1.0))
    shown: dict[str, int] = dict.fromkeys(names, 0)
    out: list[tuple[str, str]] = []
    while worth and len(out) < most:
        best = max(worth, key=lambda p: worth[p] * AGAIN ** (shown[p[0]] + shown[p[1]]))
        del worth[best]
        for name in best:
            shown[name] += 1
        a, b = best
        out.append((a, b) if weight[a] <= weight[b] else (b, a))
    return out


def pairs_of(desk: Desk, map_id: str, progress: Progress) -> list[tuple[str, str]]:
    """`suggest_pairs` of a map's channels, by name. Any thread."""
    channels = list(desk.maps[map_id].channels.values())
    samples = {}
    for done, layer in enumerate(channels):
        progress(done / len(channels))
        same = sum(x.name == layer.name for x in channels)
        samples[layer.name if same == 1 else layer.id] = patches(layer).astype(np.float64)
    return suggest_pairs(samples) if len(samples) > 1 else []


def _ranks(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Centred ranks of 3 x 3 means, as a vector of length 1."""
    from scipy.ndimage import uniform_filter
    from scipy.stats import rankdata

    known = np.isfinite(values)
    smooth = uniform_filter(np.where(known, values, 0.0), 3, mode="nearest")
    rank = rankdata(smooth[::3, ::3].ravel())
    centred = rank - rank.mean()
    length = float(np.linalg.norm(centred))
    return np.asarray(centred / length) if length > 0 else centred
