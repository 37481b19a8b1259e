"""Colours as people with a colour-vision deficiency see them, and as a grey print shows them."""

from __future__ import annotations

from functools import cache
from typing import Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt

from viewer.errors import InputError
from viewer.science.look.colour import TO_XYZ, linear_to_srgb, srgb_to_linear
from viewer.science.look.vision_matrices import STEPS

Vision = Literal["none", "protan", "deutan", "tritan", "grey"]
Samples = TypeVar("Samples", bound=npt.NDArray[Any])
Floats = npt.NDArray[np.float64]

VISIONS: dict[str, str] = {
    "none": "everyone",
    "protan": "protan vision",
    "deutan": "deutan vision",
    "tritan": "tritan vision",
    "grey": "grey print",
}
"""Names of the ways of seeing, and what to call them."""

DEFICIENCIES = tuple(STEPS)
"""``protan``, ``deutan`` and ``tritan``: the red, green or blue cones are missing or shifted."""

_ONE = (1 << 16) - 1
_BIAS = 1 << 15
_FIELD = 21
"""Whole-number arithmetic of `apply_bgra`: full light, what keeps a sum above 0, bits of a sum."""


def matrix(vision: str, severity: float = 1.0) -> Floats:
    """What a way of seeing does to linear red, green and blue.

    Parameters
    ----------
    vision : str
        One of `VISIONS`.
    severity : float
        0 (nothing is changed) to 1 (a kind of cone is missing; a wholly grey picture).

    Returns
    -------
    ndarray of float64 [3, 3]
        Rows are red, green and blue as seen; each sums to 1, so that greys stay as they are.

    Raises
    ------
    InputError
        No such vision, or a severity outside 0 to 1.

    Notes
    -----
    Deficiencies by Machado, Oliveira and Fernandes 2009 (see `vision_matrices`), interpolated
    between tenths of severity. Grey is the relative luminance of sRGB (IEC 61966-2-1).
    """
    if vision not in VISIONS:
        raise InputError(f"There is no vision «{vision}».", hint=f"One of {', '.join(VISIONS)}.")
    if not 0.0 <= severity <= 1.0:
        raise InputError("The severity of a colour-vision deficiency lies between 0 and 1.")
    same = np.eye(3)
    if vision == "none":
        return same
    if vision == "grey":
        return np.asarray(same + severity * (np.tile(TO_XYZ[1], (3, 1)) - same))
    steps = np.array((same.tolist(), *STEPS[vision]))
    at = severity * (len(steps) - 1)
    below = min(int(at), len(steps) - 2)
    return np.asarray(steps[below] + (at - below) * (steps[below + 1] - steps[below]))


def simulate(rgb: Samples, vision: str, severity: float = 1.0) -> Samples:
    """Colours as somebody else sees them.

    Parameters
    ----------
    rgb : ndarray of uint8 (0 to 255) or float (0 to 1) [..., 3]
        sRGB red, green and blue.
    vision, severity
        As of `matrix`.

    Returns
    -------
    ndarray of the same shape and type
        sRGB. Colours that a screen cannot show are cut to those it can.
    """
    whole = np.issubdtype(rgb.dtype, np.integer)
    samples = rgb / 255.0 if whole else rgb
    seen = np.clip(srgb_to_linear(samples) @ matrix(vision, severity).T, 0.0, 1.0)
    out = linear_to_srgb(seen)
    if whole:
        out = np.floor(out * 255.0 + 0.5)
    return out.astype(rgb.dtype)  # type: ignore[return-value]


def apply_bgra(out: npt.NDArray[np.uint8], vision: str) -> None:
    """Change a painted picture, or a table of colours, into what somebody else sees.

    Every sample lies within one step of `simulate`'s; greys are not changed at all.

    Parameters
    ----------
    out : ndarray of uint8 [rows, columns, 4] or [n, 4], C-contiguous
        Blue, green, red and opacity; changed in place, but for the opacity.
    vision : str
        One of `VISIONS`; ``none`` changes nothing.

    Raises
    ------
    ValueError
        An array of another kind.
    InputError
        No such vision.
    """
    if out.dtype != np.uint8 or out.ndim not in (2, 3) or out.shape[-1] != 4:
        raise ValueError("colours are uint8 with four bytes a pixel")
    if not out.flags.c_contiguous:
        raise ValueError("colours are changed in place and must be contiguous")
    if vision == "none":
        return
    from viewer.science.kernels import vision as kernels

    words = out.view(np.uint32)[..., 0]
    kernels.see(np.atleast_2d(words), mixtures(vision), to_srgb())


@cache
def mixtures(vision: str) -> npt.NDArray[np.int64]:
    """What each 8-bit sample gives to the light as seen: the first table of `kernels.vision.see`.

    Returns
    -------
    ndarray of int64 [3, 256]
        For blue, green and red; not to be written to.
    """
    light = srgb_to_linear(np.arange(256) / 255.0) * _ONE
    to_bgr = matrix(vision)[::-1, ::-1]
    given = np.rint(to_bgr[:, :, None] * light).astype(np.int64)
    # The middle one takes what rounding left over, so that greys come out as they went in.
    given[:, 1] += np.rint(light).astype(np.int64) - given.sum(axis=1)
    fields = np.array([1 << (_FIELD * i) for i in range(3)], np.int64)
    table = np.tensordot(fields, given, axes=1)
    table[0] += _BIAS * fields.sum()
    table.flags.writeable = False
    return np.ascontiguousarray(table)


@cache
def to_srgb() -> npt.NDArray[np.uint8]:
    """8-bit sample of light as seen: the second table of `kernels.vision.see`.

    Returns
    -------
    ndarray of uint8 [32768]
        Not to be written to.
    """
    middle = np.arange(1 << 15) * 4 + 1.5 - _BIAS
    samples = linear_to_srgb(np.clip(middle / _ONE, 0.0, 1.0))
    table = np.floor(samples * 255.0 + 0.5).astype(np.uint8)
    table.flags.writeable = False
    return table
