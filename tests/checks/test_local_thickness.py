"""Local thickness against its definition and an independent routine.

Hildebrand and Rüegsegger 1997, doi:10.1046/j.1365-2818.1997.1340694.x: the local thickness at a point
is the diameter of the largest sphere that holds the point and lies in the structure.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from viewer.science.measure.local_thickness import thickness_picture


def by_openings(mask: np.ndarray, step: float = 0.25) -> np.ndarray:
    """The same by openings with discs of growing radius (common practice), on pixels four times finer.

    A pixel survives the opening by a disc exactly when a disc of that size holds it.
    """
    fine = 4
    large = np.kron(mask, np.ones((fine, fine), bool))
    far = ndimage.distance_transform_edt(np.pad(large, 1))[1:-1, 1:-1] - 0.5
    out = np.zeros(large.shape)
    for radius in np.arange(step, far.max() / fine + step, step) * fine:
        seeds = far >= radius
        if not seeds.any():
            break
        kept = ndimage.distance_transform_edt(~seeds) <= radius
        out[kept & large] = 2.0 * radius / fine
    rows, cols = mask.shape
    return out.reshape(rows, fine, cols, fine).mean(axis=(1, 3))


@pytest.mark.parametrize("seed", range(3))
def test_against_openings_on_finer_pixels(seed: int) -> None:
    noise = np.random.default_rng(seed).standard_normal((70, 80))
    mask = ndimage.gaussian_filter(noise, 4.0) > 0.02
    ours, theirs = thickness_picture(mask, (1.0, 1.0)), by_openings(mask)
    # The openings stay within the pixels' staircase, which makes every piece thinner, and leaves the
    # corners along edges to small discs.
    deep = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1] > 1.5
    off = np.quantile((ours - theirs)[deep], (0.05, 0.5, 0.75))
    assert 0.4 < off[0] < off[1] < 1.2
    assert off[2] < 1.7
    assert np.corrcoef(ours[deep], theirs[deep])[0, 1] > 0.98


def test_a_plate_is_as_thick_everywhere() -> None:
    mask = np.zeros((40, 120), bool)
    mask[13:23] = True
    found = thickness_picture(mask, (1.0, 1.0))[13:23, 20:-20]
    np.testing.assert_allclose(found, 10.0, atol=0.4)


def test_a_thicker_piece_wins_where_both_reach() -> None:
    """A point takes the largest disc that holds it, wherever that disc is centred."""
    y, x = np.indices((60, 120))
    mask = (np.hypot(x - 35, y - 30) <= 20) | ((np.abs(y - 30) <= 4) & (x > 35) & (x < 110))
    found = thickness_picture(mask, (1.0, 1.0))
    # Within the disc, though on the middle line of the bar.
    assert found[30, 53] == pytest.approx(40.0, abs=1.5)
    assert found[30, 90] == pytest.approx(9.0, abs=0.5)
