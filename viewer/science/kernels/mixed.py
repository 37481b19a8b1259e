"""Explaining edge pixels as mixtures of two neighbours: the inner loop."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from viewer.science.kernels import compiled

Labels = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]

REACH = 3
"""Pixels on each side in which neighbours are looked for."""

OTHERS = 3
"""Most neighbouring phases that are tried."""

LEAST = 0.1
"""Of a mixture each part is at least this share: with less it is the other phase."""


@compiled
def explain(
    labels: Labels,
    inner: npt.NDArray[np.bool_],
    values: Floats,
    means: Floats,
    variances: Floats,
    known: npt.NDArray[np.bool_],
    tolerance: float,
    core: tuple[int, int],
    first: Labels,
    second: Labels,
    share: npt.NDArray[np.float32],
) -> None:
    """Find the pair of neighbours that each edge pixel is best explained by.

    Parameters
    ----------
    labels : ndarray of uint8 [rows, columns]
    inner : ndarray of bool [rows, columns]
        Pixels inside grains. Only phases of which one lies near can be part of a mixture: a rim of
        mixed pixels is none.
    values : ndarray of float64 [channels, rows, columns]
    means, variances : ndarray of float64 [256, channels]
        Of each label.
    known : ndarray of bool [256]
        Labels that have them.
    tolerance : float
        Most root mean square distance from the line between two means, in standard deviations.
    core : (int, int)
        First row and row after the last to be looked at; those around are only neighbours.
    first, second : ndarray of uint8 [core rows, columns]
        Receive the two labels; 0 where a pixel is no mixture.
    share : ndarray of float32 [core rows, columns]
        Receives the share of the first.
    """
    rows, cols = labels.shape
    channels = values.shape[0]
    for r in prange(core[0], core[1]):
        counts = np.zeros(256, np.int64)
        tried = np.zeros(OTHERS + 1, np.int64)
        for c in range(cols):
            first[r - core[0], c] = 0
            second[r - core[0], c] = 0
            share[r - core[0], c] = 0.0
            own = np.int64(labels[r, c])
            if own == 255:
                continue
            top, bottom = max(r - REACH, 0), min(r + REACH + 1, rows)
            left, right = max(c - REACH, 0), min(c + REACH + 1, cols)
            alike = True
            for i in range(top, bottom):
                for j in range(left, right):
                    if labels[i, j] != own:
                        alike = False
                        break
                if not alike:
                    break
            if alike:
                continue
            missing = False
            for k in range(channels):
                if not np.isfinite(values[k, r, c]):
                    missing = True
            if missing:
                continue
            for i in range(top, bottom):
                for j in range(left, right):
                    counts[labels[i, j]] += inner[i, j]
            # The most frequent neighbours, and the pixel's own phase.
            found = 0
            own_near = counts[own] > 0
            for _ in range(OTHERS):
                best, most = np.int64(-1), np.int64(0)
                for i in range(top, bottom):
                    for j in range(left, right):
                        n = np.int64(labels[i, j])
                        if n == own or not known[n]:
                            continue
                        if counts[n] > most or (counts[n] == most and most > 0 and n < best):
                            best, most = n, counts[n]
                if best < 0:
                    break
                tried[found] = best
                found += 1
                counts[best] = 0
            for i in range(top, bottom):
                for j in range(left, right):
                    counts[labels[i, j]] = 0
            nearest = np.inf
            if known[own]:
                if own_near:
                    tried[found] = own
                    found += 1
                total = 0.0
                for k in range(channels):
                    total += (values[k, r, c] - means[own, k]) ** 2 / variances[own, k]
                nearest = np.sqrt(total / channels)
            nearest = min(nearest, tolerance)
            for a in range(found):
                for b in range(a + 1, found):
                    one, two = tried[a], tried[b]
                    along = across = 0.0
                    for k in range(channels):
                        gap = means[one, k] - means[two, k]
                        weight = 2.0 / (variances[one, k] + variances[two, k])
                        along += weight * gap * (values[k, r, c] - means[two, k])
                        across += weight * gap * gap
                    if across <= 0.0:
                        continue
                    s = along / across
                    if s < LEAST or s > 1.0 - LEAST:
                        continue
                    total = 0.0
                    for k in range(channels):
                        middle = s * means[one, k] + (1.0 - s) * means[two, k]
                        spread = s * variances[one, k] + (1.0 - s) * variances[two, k]
                        total += (values[k, r, c] - middle) ** 2 / spread
                    distance = np.sqrt(total / channels)
                    if distance < nearest:
                        nearest = distance
                        first[r - core[0], c] = one
                        second[r - core[0], c] = two
                        share[r - core[0], c] = s


def explain_plain(
    labels: Labels,
    inner: npt.NDArray[np.bool_],
    values: Floats,
    means: Floats,
    variances: Floats,
    known: npt.NDArray[np.bool_],
    tolerance: float,
    core: tuple[int, int],
    first: Labels,
    second: Labels,
    share: npt.NDArray[np.float32],
) -> None:
    """`explain`, pixel by pixel in NumPy."""
    first[...], second[...], share[...] = 0, 0, 0.0
    for r in range(*core):
        for c in range(labels.shape[1]):
            own = int(labels[r, c])
            top, left = max(r - REACH, 0), max(c - REACH, 0)
            window = labels[top : r + REACH + 1, left : c + REACH + 1]
            v = values[:, r, c]
            if own == 255 or (window == own).all() or not np.isfinite(v).all():
                continue
            grains = window[inner[top : r + REACH + 1, left : c + REACH + 1]]
            counts = np.bincount(grains, minlength=256)
            own_near = counts[own] > 0
            counts[own] = 0
            counts[~known] = 0
            order = np.argsort(-counts, kind="stable")[:OTHERS]
            tried = [int(n) for n in order if counts[n]]
            nearest = tolerance
            if known[own]:
                if own_near:
                    tried.append(own)
                nearest = min(nearest, _rms(v, means[own], variances[own]))
            for a, one in enumerate(tried):
                for two in tried[a + 1 :]:
                    s, distance = _mixture(v, means, variances, one, two)
                    if LEAST <= s <= 1.0 - LEAST and distance < nearest:
                        nearest = distance
                        at = r - core[0], c
                        first[at], second[at], share[at] = one, two, s


def _rms(v: Floats, mean: Floats, variance: Floats) -> float:
    return float(np.sqrt(np.mean((v - mean) ** 2 / variance)))


def _mixture(
    v: Floats, means: Floats, variances: Floats, one: int, two: int
) -> tuple[float, float]:
    gap: Any = means[one] - means[two]
    weight = 2.0 / (variances[one] + variances[two])
    across = float((weight * gap * gap).sum())
    if across <= 0.0:
        return -1.0, np.inf
    s = float((weight * gap * (v - means[two])).sum()) / across
    middle = s * means[one] + (1.0 - s) * means[two]
    spread = np.maximum(s * variances[one] + (1.0 - s) * variances[two], 1e-300)
    return s, _rms(v, middle, spread)
