"""Invented rocks and counts for the tests of this folder."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter, shift


def texture(rng, shape, grain=4.0):
    """A smooth random field of standard deviation 1 with grains of about `grain` pixels."""
    field = gaussian_filter(rng.normal(size=shape), grain)
    return field / field.std()


def rock(rng, shape, levels=(5.0, 40.0, 120.0), grain=4.0, layered=False):
    """Expected counts of a rock of three minerals, in layers whose proportions differ if wanted."""
    field = texture(rng, shape, grain)
    if layered:
        field = field + 1.5 * np.sin(np.arange(shape[0]) / 23.0 + rng.uniform(0, 6))[:, None]
    return np.array(levels)[np.digitize(field, [-0.3, 0.6])]


def minerals(field):
    """Mineral numbers 0 to 3 of a texture."""
    return np.digitize(field, [-0.5, 0.2, 0.9])


def moved(field, by):
    """A texture shifted by parts of a pixel."""
    return shift(field, by, order=3, mode="nearest")
