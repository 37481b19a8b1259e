"""Contacts and layers of a known law, each of its own seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float = npt.NDArray[np.float64]

LENGTH = 40_000.0
PIXEL = (20.0, 30.0)
POINTS = 400


@dataclass(frozen=True)
class Rough:
    """A background: correlated swings, and the hand's own error at every point (µm)."""

    sd: float = 70.0
    reach: float = 1500.0
    smooth: bool = False
    hand: float = 8.0

    def draw(self, x: Float, rng: np.random.Generator) -> Float:
        """Offsets at places, float64 [n]."""
        far = np.abs(x[:, None] - x[None, :]) / self.reach
        correlation = np.exp(-far) * (1.0 + far if self.smooth else 1.0) + 1e-9 * np.eye(len(x))
        swings = self.sd * np.linalg.cholesky(correlation) @ rng.standard_normal(len(x))
        return swings + rng.normal(0.0, self.hand, len(x))


def waved(
    seed: int, rough: Rough, amplitude: float = 0.0, wavelength: float = 7300.0, tilt: float = 0.03
) -> Float:
    """A contact from left to right that waves about a tilted line: float64 [n, 2], µm."""
    x = np.linspace(0.0, LENGTH, POINTS)
    y = 9000.0 + tilt * x + amplitude * np.cos(2.0 * np.pi * (x - 2000.0) / wavelength)
    return np.column_stack([x, y - rough.draw(x, np.random.default_rng(seed))])


def layer(
    seed: int, rough: Rough, mean: float = 1200.0, thickening: float = 0.0, along: float = 0.0
) -> tuple[Float, Float]:
    """A level layer whose lower contact swings: lower and upper contact, float64 [n, 2].

    Parameters
    ----------
    thickening : float
        Thickness gained for each µm that the lower contact lies deeper.
    along : float
        Thickness gained from one end to the other (µm).
    """
    rng = np.random.default_rng(seed)
    x = np.linspace(0.0, LENGTH, POINTS)
    floor = Rough(sd=150.0, reach=2500.0, smooth=True, hand=0.0).draw(x, rng)
    lower = 12_000.0 + floor
    thickness = mean + thickening * floor + along * (x / LENGTH - 0.5) + rough.draw(x, rng)
    return np.column_stack([x, lower]), np.column_stack([x, lower - thickness])
