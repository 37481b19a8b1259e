"""How a phase comes or goes, in µm and in grains."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from viewer.errors import InputError
from viewer.science.measure.gradient import gradient, mean_chord

PIXEL = (20.0, 30.0)
SHAPE = (140, 400)
WIDTH, HEIGHT = SHAPE[1] * PIXEL[0], SHAPE[0] * PIXEL[1]
LINE = np.array([[60.0, HEIGHT / 2], [WIDTH - 60.0, HEIGHT / 2]])


def _discs(seed: int, sigma: float, radius: float = 55.0) -> np.ndarray:
    """Discs whose centres thin out over a contact, more of them below it."""
    rng = np.random.default_rng(seed)
    count = int(0.9 * WIDTH * HEIGHT / (np.pi * radius**2))
    x, y = rng.uniform(0, WIDTH, count), rng.uniform(0, HEIGHT, count)
    kept = rng.random(count) < ndtr((y - HEIGHT / 2) / max(sigma, 1e-6))
    image = np.zeros(SHAPE, bool)
    for cx, cy in zip(x[kept], y[kept], strict=True):
        rows = slice(max(0, int((cy - radius) / PIXEL[1])), int((cy + radius) / PIXEL[1]) + 2)
        cols = slice(max(0, int((cx - radius) / PIXEL[0])), int((cx + radius) / PIXEL[0]) + 2)
        py = (np.arange(SHAPE[0])[rows] + 0.5)[:, None] * PIXEL[1] - cy
        px = (np.arange(SHAPE[1])[cols] + 0.5)[None, :] * PIXEL[0] - cx
        image[rows, cols] |= np.hypot(px, py) <= radius
    return image


@pytest.mark.parametrize("radius", [200.0, 900.0])
def test_mean_chord_of_a_disc(radius: float) -> None:
    # Crofton: pi * area / perimeter, which is pi / 2 radii for a disc.
    y = (np.arange(120) + 0.5)[:, None] * PIXEL[1] - 1800.0
    x = (np.arange(180) + 0.5)[None, :] * PIXEL[0] - 1800.0
    disc = np.hypot(x, y) <= radius
    chord = mean_chord(disc, np.ones(disc.shape, bool), PIXEL)
    assert chord == pytest.approx(np.pi / 2 * radius, rel=0.04)


def test_masked_ground_is_no_edge() -> None:
    stripes = np.zeros((60, 60), bool)
    stripes[:, (np.arange(60) // 10) % 2 == 0] = True
    known = np.ones(stripes.shape, bool)
    whole = mean_chord(stripes, known, (10.0, 10.0))
    known[20:30] = False
    assert mean_chord(stripes, known, (10.0, 10.0)) == pytest.approx(whole, rel=0.03)


def test_the_width_of_a_fading_phase() -> None:
    # The share of ground that overlapping discs cover is 1 - exp(-cover * fade).
    sigma, cover = 300.0, 0.9
    found = [
        gradient(_discs(s, sigma), np.ones(SHAPE, bool), PIXEL, LINE, largest_reach_um=0.47 * HEIGHT)
        for s in range(4)
    ]
    n = np.linspace(-1800, 1800, 721)
    share = 1 - np.exp(-cover * ndtr(n / sigma))
    at = np.interp([0.1 * share[-1], 0.9 * share[-1]], share, n)
    width = np.mean([f.width.value for f in found])
    assert width == pytest.approx(at[1] - at[0], rel=0.15)
    assert not any(f.sharp for f in found)
    assert found[0].grains.value == pytest.approx(found[0].width.value / found[0].chord_um)


def test_a_sharp_contact_is_told_to_be_no_wider_than_a_grain() -> None:
    found = gradient(_discs(1, 0.0), np.ones(SHAPE, bool), PIXEL, LINE, largest_reach_um=0.45 * HEIGHT)
    assert found.sharp


def test_a_phase_that_is_absent_or_everywhere_is_refused() -> None:
    known = np.ones(SHAPE, bool)
    with pytest.raises(InputError, match="does not occur"):
        gradient(~known, known, PIXEL, LINE, largest_reach_um=900.0)
    with pytest.raises(InputError, match="no edge"):
        gradient(known, known, PIXEL, LINE, largest_reach_um=900.0)
