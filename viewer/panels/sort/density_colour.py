"""Colours of a density: the logarithm of the count, and nothing at all where there is no pixel."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from viewer.desk.lit import GLOW
from viewer.panels.theme import current
from viewer.science.look.colour import colour_map, lab_to_srgb, srgb_to_lab

MAP = "sea"

SPIKES = 0.999
"""Part of the bins that hold any pixel, of which the last colour is that of the most."""


@lru_cache(maxsize=4)
def ramp(scheme: str) -> npt.NDArray[np.uint8]:
    """Colours from one pixel to the most, ``uint8[256, 3]`` RGB, away from the scheme's ground."""
    table = colour_map(MAP).astype(np.float64)
    if scheme == "light":
        table = table[::-1]
        start = 0.16
    else:
        start = 0.20
    places = np.linspace(start * 255, 255, 256)
    out = np.stack([np.interp(places, np.arange(256), table[:, i]) for i in range(3)], axis=1)
    return np.rint(out).astype(np.uint8)


@lru_cache(maxsize=4)
def lit_ramp(scheme: str) -> npt.NDArray[np.uint8]:
    """Colours of what is lit up: shades of the light on the map, ``uint8[256, 3]`` RGB."""
    glow = srgb_to_lab(np.array(GLOW) / 255.0)
    ends = (40.0, 82.0) if scheme == "dark" else (72.0, 36.0)
    lab = np.repeat(glow[None], 256, axis=0)
    lab[:, 0] = np.linspace(*ends, 256)
    lab[:, 1:] *= np.where(np.abs(lab[:, :1] - 58.0) > 22.0, 0.8, 1.0)
    return np.rint(np.clip(lab_to_srgb(lab), 0.0, 1.0) * 255.0).astype(np.uint8)


def levels(shown: npt.NDArray[np.float64], top: float) -> npt.NDArray[np.uint8]:
    """Place of each count on the ramp; 0 for no pixel as well as for the fewest."""
    least = 0.0 if top <= 0 else 1.0 / np.log1p(top)
    part = np.log1p(shown) * (255.0 * least)
    return np.clip(np.rint(part), 0, 255).astype(np.uint8)


def paint(
    shown: npt.NDArray[np.float64], top: float, *, lit: bool = False
) -> npt.NDArray[np.uint8]:
    """A density as blue, green, red, alpha ``uint8[rows, columns, 4]``; see-through where empty.

    Parameters
    ----------
    shown : ndarray [rows, columns]
        Counts, not whole where several values share a bin.
    top : float
        The count that has the last colour of the ramp.
    """
    scheme = current().scheme
    table = lit_ramp(scheme) if lit else ramp(scheme)
    out = np.empty((*shown.shape, 4), np.uint8)
    out[..., :3] = table[:, ::-1][levels(shown, top)]
    out[..., 3] = np.where(shown > 0, 255, 0)
    return out


def top_of(shown: npt.NDArray[np.float64]) -> float:
    """The count that ends the ramp, at least 1: the most that occurs, but for a few spikes.

    Where many pixels hold the same values (nothing at all, mostly) one bin may outdo all others a
    thousandfold; what tells minerals apart would share the first colours.
    """
    held = shown[shown > 0]
    if not held.size:
        return 1.0
    most = float(held.max())
    usual = float(np.quantile(held, SPIKES))
    return max(1.0, most if most < 4.0 * usual else usual)
