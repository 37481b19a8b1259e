"""How different two colours look: CIEDE2000."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_CHROMA_7 = 25.0**7


def ciede2000(one: npt.NDArray[Any], other: npt.NDArray[Any]) -> Floats:
    """Colour difference of CIELAB colours, with all parametric factors 1.

    Parameters
    ----------
    one, other : ndarray of float [..., 3]
        L*, a*, b* (see `colour.srgb_to_lab`); shapes that go together.

    Returns
    -------
    ndarray of float64 [...]
        0 for equal colours; about 1 is the least difference seen between patches side by side (common
        practice), 100 lies between black and white.

    Notes
    -----
    ISO/CIE 11664-6. Hues and their mean as in G. Sharma, W. Wu and E. N. Dalal, «The CIEDE2000
    color-difference formula: implementation notes, supplementary test data, and mathematical
    observations», Color Research and Application 30 (2005) 21-30, doi:10.1002/col.20070: a grey has
    no hue and takes the other colour's, and hues just 180° apart are told apart as they fall.
    """
    first, second = np.broadcast_arrays(
        np.asarray(one, dtype=np.float64), np.asarray(other, dtype=np.float64)
    )
    chroma_mean = (
        np.hypot(first[..., 1], first[..., 2]) + np.hypot(second[..., 1], second[..., 2])
    ) / 2
    stretch = 1.5 - 0.5 * _saturation(chroma_mean)
    c1, h1 = _polar(first[..., 1] * stretch, first[..., 2])
    c2, h2 = _polar(second[..., 1] * stretch, second[..., 2])
    grey = (c1 == 0.0) | (c2 == 0.0)

    turn = h2 - h1
    turn = np.where(turn > 180.0, turn - 360.0, np.where(turn < -180.0, turn + 360.0, turn))
    turn = np.where(grey, 0.0, turn)
    sum_of_hues = h1 + h2
    round_the_back = np.where(sum_of_hues < 360.0, sum_of_hues + 360.0, sum_of_hues - 360.0)
    mean = np.where(np.abs(h1 - h2) <= 180.0, sum_of_hues, round_the_back) / 2
    mean = np.where(grey, sum_of_hues, mean)

    lightness = (first[..., 0] + second[..., 0]) / 2
    chroma = (c1 + c2) / 2
    off_middle = (lightness - 50.0) ** 2
    uneven = (
        1.0
        - 0.17 * _cosine(mean - 30.0)
        + 0.24 * _cosine(2 * mean)
        + 0.32 * _cosine(3 * mean + 6.0)
        - 0.20 * _cosine(4 * mean - 63.0)
    )
    light_step = (second[..., 0] - first[..., 0]) / (
        1.0 + 0.015 * off_middle / np.sqrt(20.0 + off_middle)
    )
    chroma_step = (c2 - c1) / (1.0 + 0.045 * chroma)
    hue_step = 2 * np.sqrt(c1 * c2) * np.sin(np.deg2rad(turn / 2)) / (1.0 + 0.015 * chroma * uneven)
    # Blues: steps of chroma and hue are not independent there.
    around_blue = np.deg2rad(60.0 * np.exp(-(((mean - 275.0) / 25.0) ** 2)))
    rotation = -np.sin(around_blue) * 2 * _saturation(chroma)
    squared = light_step**2 + chroma_step**2 + hue_step**2 + rotation * chroma_step * hue_step
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)))


def _saturation(chroma: Floats) -> Floats:
    seventh = chroma**7
    return np.asarray(np.sqrt(seventh / (seventh + _CHROMA_7)))


def _polar(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Chroma, and hue in degrees from 0 to below 360 (0 for a grey)."""
    return np.hypot(a, b), np.where((a == 0) & (b == 0), 0.0, np.rad2deg(np.arctan2(b, a)) % 360.0)


def _cosine(degrees: Floats) -> Floats:
    return np.cos(np.deg2rad(degrees))
