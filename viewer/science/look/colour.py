"""Colour: sRGB and CIELAB, contrast of text, and colour maps in even steps.

The colour maps are curves through CIELAB whose points lie equally far apart, so that equal steps of
brightness look like equal steps wherever they fall. All but the diverging one grow lighter all the
way: they read right in grey print and without colour vision.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError

Floats = npt.NDArray[np.float64]

TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
"""Linear sRGB to CIE XYZ (IEC 61966-2-1)."""

WHITE = TO_XYZ.sum(axis=1)
"""XYZ of sRGB's white (D65) under the same matrix, so that neutral greys stay neutral."""

_KNEE = 6.0 / 29.0

# Knots of each map: lightness L*, chroma, hue in degrees. Hues may pass 360 to run the short way.
_KNOTS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "grey": ((0, 0, 0), (100, 0, 0)),
    "ember": ((4, 12, 300), (26, 50, 332), (48, 66, 385), (70, 62, 418), (96, 34, 458)),
    "sea": ((5, 20, 292), (28, 42, 280), (52, 36, 240), (75, 34, 190), (96, 26, 130)),
    "moss": ((5, 7, 190), (30, 24, 166), (55, 38, 140), (78, 45, 116), (96, 34, 102)),
    "signed": ((28, 40, 282), (56, 40, 268), (94, 0, 258), (56, 40, 40), (28, 40, 32)),
}

COLOUR_MAPS = tuple(_KNOTS)
"""Names of the colour maps. ``signed`` is for values around zero: light in the middle."""


def srgb_to_linear(srgb: npt.NDArray[Any]) -> Floats:
    """Light of sRGB samples.

    Parameters
    ----------
    srgb : ndarray, any shape
        Samples in [0, 1].

    Returns
    -------
    ndarray of float64, same shape
        In [0, 1], proportional to light (IEC 61966-2-1).
    """
    s = np.asarray(srgb, dtype=np.float64)
    return np.where(s <= 0.04045, s / 12.92, ((np.maximum(s, 0.0) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: npt.NDArray[Any]) -> Floats:
    """sRGB samples of light: the inverse of `srgb_to_linear`."""
    x = np.asarray(linear, dtype=np.float64)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 0.0) ** (1.0 / 2.4) - 0.055)


def luminance(srgb: npt.NDArray[Any]) -> Floats:
    """Relative luminance of sRGB colours.

    Parameters
    ----------
    srgb : ndarray [..., 3]
        Red, green and blue in [0, 1].

    Returns
    -------
    ndarray of float64 [...]
        0 (black) to 1 (white).
    """
    return np.asarray(srgb_to_linear(srgb) @ TO_XYZ[1])


def contrast(one: Sequence[float], other: Sequence[float]) -> float:
    """Contrast ratio of two colours, 1 to 21.

    Parameters
    ----------
    one, other : sequence of three floats
        sRGB in [0, 1], in any order.

    Notes
    -----
    Web Content Accessibility Guidelines 2.2, «contrast ratio»: text needs 4.5 (level AA), large
    text and parts of controls 3. https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio
    """
    dark, bright = sorted(float(luminance(np.asarray(c, dtype=np.float64))) for c in (one, other))
    return (bright + 0.05) / (dark + 0.05)


def srgb_to_lab(srgb: npt.NDArray[Any]) -> Floats:
    """CIELAB of sRGB colours, white point D65.

    Parameters
    ----------
    srgb : ndarray [..., 3]
        Red, green and blue in [0, 1].

    Returns
    -------
    ndarray of float64 [..., 3]
        L* (0 to 100), a*, b* (ISO/CIE 11664-4).
    """
    ratio = srgb_to_linear(srgb) @ TO_XYZ.T / WHITE
    f = np.where(ratio > _KNEE**3, np.cbrt(ratio), ratio / (3 * _KNEE**2) + 4.0 / 29.0)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)], axis=-1)


def lab_to_srgb(lab: npt.NDArray[Any]) -> Floats:
    """sRGB colours of CIELAB: the inverse of `srgb_to_lab`.

    Colours outside sRGB come out below 0 or above 1.
    """
    lab = np.asarray(lab, dtype=np.float64)
    y = (lab[..., 0] + 16.0) / 116.0
    f = np.stack([y + lab[..., 1] / 500.0, y, y - lab[..., 2] / 200.0], axis=-1)
    ratio = np.where(f > _KNEE, f**3, 3 * _KNEE**2 * (f - 4.0 / 29.0))
    return linear_to_srgb(ratio * WHITE @ np.linalg.inv(TO_XYZ).T)


@cache
def colour_map(name: str) -> npt.NDArray[np.uint8]:
    """A colour map for a single channel.

    Parameters
    ----------
    name : str
        One of `COLOUR_MAPS`.

    Returns
    -------
    ndarray of uint8 [256, 3]
        Red, green and blue from the lowest to the highest brightness; not to be written to.

    Raises
    ------
    InputError
        No map of this name.
    """
    if name not in _KNOTS:
        raise InputError(
            f"There is no colour map «{name}».",
            where="colours",
            hint=f"The maps are {', '.join(COLOUR_MAPS)}.",
        )
    table: npt.NDArray[np.uint8] = _tables()[COLOUR_MAPS.index(name)]
    table.flags.writeable = False
    return table


@cache
def _tables() -> npt.NDArray[np.uint8]:
    """All maps as they were designed: working them out would hold up the window's start."""
    with (files("resources") / "colour_maps.npy").open("rb") as file:
        tables: npt.NDArray[np.uint8] = np.load(file, allow_pickle=False)
    return tables


def design(name: str) -> npt.NDArray[np.uint8]:
    """Work a colour map out of its knots: what ``resources/colour_maps.npy`` was made by.

    Parameters
    ----------
    name : str
        One of `COLOUR_MAPS`.

    Returns
    -------
    ndarray of uint8 [256, 3]
    """
    path = _in_gamut(_path(_KNOTS[name]))
    if name == "signed":
        # Each arm by itself, so that the lightest point lies in the middle of the table.
        half = len(path) // 2
        even = np.concatenate([_evenly(path[:half], 128), _evenly(path[half:], 128)])
    else:
        even = _evenly(path, 256)
    return np.floor(np.clip(lab_to_srgb(even), 0.0, 1.0) * 255.0 + 0.5).astype(np.uint8)


def _path(knots: tuple[tuple[float, float, float], ...], steps: int = 4096) -> Floats:
    """A smooth curve through knots of lightness, chroma and hue, as CIELAB points [steps, 3]."""
    from scipy.interpolate import PchipInterpolator

    lightness, chroma, hue = np.array(knots, dtype=np.float64).T
    # Knots sit at the lightness that lies between them, so that L* keeps one slope in each half.
    at = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(lightness)))])
    angle = np.deg2rad(hue)
    t = np.linspace(0.0, at[-1], steps)
    turning = np.any(np.diff(lightness) < 0)
    if turning:
        # Through the neutral middle the two arms are straight in a* and b*: hue has no meaning there.
        a = np.interp(t, at, chroma * np.cos(angle))
        b = np.interp(t, at, chroma * np.sin(angle))
        return np.stack([np.interp(t, at, lightness), a, b], axis=1)
    c, h = PchipInterpolator(at, chroma)(t), PchipInterpolator(at, angle)(t)
    return np.stack([np.interp(t, at, lightness), c * np.cos(h), c * np.sin(h)], axis=1)


def _in_gamut(lab: Floats) -> Floats:
    """The same lightness and hue with as much of the chroma as sRGB can show."""
    low, high = np.zeros(len(lab)), np.ones(len(lab))
    for _ in range(30):
        part = 0.5 * (low + high)
        tried = lab * np.stack([np.ones_like(part), part, part], axis=1)
        rgb = lab_to_srgb(tried)
        shown = ((rgb >= -1e-9) & (rgb <= 1.0 + 1e-9)).all(axis=1)
        low, high = np.where(shown, part, low), np.where(shown, high, part)
    return lab * np.stack([np.ones_like(low), low, low], axis=1)


def _evenly(path: Floats, count: int) -> Floats:
    """Points of a path equally far apart along it (colour difference CIE 1976)."""
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    at = np.linspace(0.0, length[-1], count)
    return np.stack([np.interp(at, length, path[:, i]) for i in range(3)], axis=1)


def main() -> None:
    """Write ``colour_maps.npy`` into the resources of a source tree."""
    target = Path(__file__).parents[3] / "resources" / "colour_maps.npy"
    np.save(target, np.stack([design(name) for name in COLOUR_MAPS]))


if __name__ == "__main__":
    main()
