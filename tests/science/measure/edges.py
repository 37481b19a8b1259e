"""Contacts of known width to measure: a blurred step along a wave, averaged over pixels, in counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

Array = npt.NDArray[Any]

FINE = 8
"""Points a pixel's side that its mean is taken over."""


@dataclass(frozen=True)
class Rock:
    """What a phantom is made of; lengths in µm.

    Attributes
    ----------
    sigma : float
        Of the step.
    counts : (float, float)
        Levels below and above the contact.
    grains : float
        Standard deviation of the logarithm of what grains multiply the levels by.
    grain_px : float
        Their size, as standard deviation of a blur, in pixels.
    wave, wavelength : float
        Amplitude and wavelength of the contact.
    """

    sigma: float
    counts: tuple[float, float] = (20.0, 60.0)
    shape: tuple[int, int] = (60, 240)
    pixel_um: tuple[float, float] = (20.0, 30.0)
    grains: float = 0.0
    grain_px: float = 4.0
    wave: float = 0.0
    wavelength: float = 2500.0


@dataclass(frozen=True, eq=False)
class Phantom:
    """A map and the contact that it shows.

    ``share`` float64[rows, columns]: of the step, 0 below the contact; ``values``: in counts; ``line``
    float64[n, 2]: the contact, from left to right.
    """

    share: Array
    values: Array
    line: Array
    place: float


def made(rock: Rock, seed: int) -> Phantom:
    """A phantom of a rock, with the contact at random parts of a pixel."""
    rng = np.random.default_rng(seed)
    rows, cols = rock.shape
    px, py = rock.pixel_um
    middle = (rows / 2 + rng.uniform(-0.5, 0.5)) * py
    phase = rng.uniform(0, 2 * np.pi)

    def contact(x: Array) -> Array:
        return middle + rock.wave * np.sin(2 * np.pi * x / rock.wavelength + phase)

    x = (np.arange(cols * FINE) + 0.5) * px / FINE
    y = (np.arange(rows * FINE) + 0.5) * py / FINE
    slope = rock.wave * 2 * np.pi / rock.wavelength * np.cos(2 * np.pi * x / rock.wavelength + phase)
    above = (contact(x)[None, :] - y[:, None]) / np.hypot(1.0, slope)[None, :]
    share = ndtr(above / max(rock.sigma, 1e-6)).reshape(rows, FINE, cols, FINE).mean(axis=(1, 3))
    values = rock.counts[0] + (rock.counts[1] - rock.counts[0]) * share
    if rock.grains:
        lumps = gaussian_filter(rng.normal(size=rock.shape), rock.grain_px)
        values = values * np.exp(rock.grains * lumps / lumps.std())
    at = np.linspace(2 * px, (cols - 2) * px, 200)
    line = np.stack([at, contact(at)], axis=1)
    return Phantom(share, rng.poisson(values).astype(np.float64), line, middle)
