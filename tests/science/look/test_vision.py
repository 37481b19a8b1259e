from __future__ import annotations

import numpy as np
import pytest

from viewer.errors import InputError
from viewer.science.kernels import vision as kernels
from viewer.science.look.vision import (
    VISIONS,
    apply_bgra,
    matrix,
    mixtures,
    simulate,
    to_srgb,
)

CHANGED = [v for v in VISIONS if v != "none"]


def colours(seed=0, shape=(37, 53)):
    return np.random.default_rng(seed).integers(0, 256, (*shape, 4), dtype=np.uint8)


@pytest.mark.parametrize("vision", CHANGED)
def test_the_kernel_equals_its_plain_twin(vision):
    # Runs of one colour, as in a phase map, and single ones.
    for picture in (colours(), np.repeat(colours(1), 5, axis=1)):
        one = np.ascontiguousarray(picture).view(np.uint32)[..., 0]
        other = one.copy()
        kernels.see(one, mixtures(vision), to_srgb())
        kernels.see_plain(other, mixtures(vision), to_srgb())
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("vision", VISIONS)
def test_pictures_are_within_one_step_of_the_simulation(vision):
    before, after = colours(), colours()
    apply_bgra(after, vision)
    expected = simulate(before[..., 2::-1], vision)
    assert np.abs(after[..., 2::-1].astype(int) - expected).max() <= 1
    np.testing.assert_array_equal(after[..., 3], before[..., 3])


@pytest.mark.parametrize("vision", VISIONS)
def test_greys_stay_as_they_are(vision):
    greys = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 4, axis=1)
    table = greys.copy()
    apply_bgra(table, vision)
    np.testing.assert_array_equal(table, greys)
    np.testing.assert_allclose(simulate(greys[:, :3] / 255.0, vision), greys[:, :3] / 255.0, atol=2e-5)


def test_red_and_green_fall_together_without_red_or_green_cones():
    red, green = np.array([200, 60, 40], np.uint8), np.array([110, 110, 30], np.uint8)
    for vision in ("protan", "deutan"):
        seen = simulate(np.stack([red, green]), vision).astype(int)
        hues = seen[:, 0] - seen[:, 1]
        assert abs(hues[0] - hues[1]) < 40 < abs((200 - 60) - 0)


def test_severity_goes_from_nothing_to_all():
    rgb = np.random.default_rng(0).random((50, 3))
    np.testing.assert_allclose(simulate(rgb, "protan", 0.0), rgb, atol=1e-6)
    halves = (matrix("tritan", 0.3) + matrix("tritan", 0.4)) / 2
    np.testing.assert_allclose(matrix("tritan", 0.35), halves)
    grey = simulate(rgb, "grey")
    np.testing.assert_allclose(grey[:, 0], grey[:, 2])


def test_what_is_refused():
    with pytest.raises(InputError, match="no vision"):
        matrix("owl")
    with pytest.raises(InputError, match="severity"):
        matrix("protan", 1.5)
    for wrong in (np.zeros((4, 4, 3), np.uint8), np.zeros((4, 4)), colours()[:, ::2]):
        with pytest.raises(ValueError):
            apply_bgra(wrong, "protan")
