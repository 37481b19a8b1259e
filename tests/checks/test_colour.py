"""Colour arithmetic against its standards and an independent implementation."""

from __future__ import annotations

import numpy as np
import pytest
from skimage import color as independent

from viewer.errors import InputError
from viewer.science.look import colour


def test_srgb_transfer_of_the_standard():
    # IEC 61966-2-1:1999, equations 5 to 8: the two branches and where they meet.
    assert colour.srgb_to_linear(np.array([0.0, 1.0])) == pytest.approx([0.0, 1.0])
    assert colour.srgb_to_linear(np.array(0.04045)) == pytest.approx(0.0031308, abs=1e-7)
    assert colour.srgb_to_linear(np.array(0.04)) == pytest.approx(0.04 / 12.92)
    # Middle grey, 18 % of white, is sRGB 118 (common practice).
    assert float(colour.linear_to_srgb(np.array(0.18))) * 255 == pytest.approx(118, abs=0.5)


def test_srgb_transfer_goes_both_ways():
    codes = np.arange(256) / 255.0
    np.testing.assert_allclose(colour.linear_to_srgb(colour.srgb_to_linear(codes)), codes, atol=2e-7)


def test_primaries_carry_the_standards_luminance():
    # IEC 61966-2-1:1999, second row of the matrix to XYZ.
    assert colour.luminance(np.eye(3)) == pytest.approx([0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        # WCAG 2.2: black on white is 21:1, a colour on itself 1:1.
        ("000000", "ffffff", 21.0),
        ("777777", "777777", 1.0),
        # The grey next above and next below the 4.5:1 of level AA on white (common practice).
        ("767676", "ffffff", 4.54),
        ("777777", "ffffff", 4.48),
    ],
)
def test_contrast_ratio(one, other, ratio):
    rgb = [[int(h[i : i + 2], 16) / 255 for i in (0, 2, 4)] for h in (one, other)]
    assert colour.contrast(*rgb) == pytest.approx(ratio, abs=0.005)
    assert colour.contrast(*rgb[::-1]) == pytest.approx(ratio, abs=0.005)


def test_cielab_equals_skimages():
    # scikit-image carries the matrix to six digits and a tabulated white: they differ by 0.02 at most.
    rgb = np.random.default_rng(3).random((5000, 3))
    np.testing.assert_allclose(colour.srgb_to_lab(rgb), independent.rgb2lab(rgb), atol=0.05)


def test_cielab_goes_both_ways_and_keeps_greys_neutral():
    rgb = np.random.default_rng(4).random((2000, 3))
    np.testing.assert_allclose(colour.lab_to_srgb(colour.srgb_to_lab(rgb)), rgb, atol=1e-6)
    greys = np.repeat(np.linspace(0, 1, 11)[:, None], 3, axis=1)
    np.testing.assert_allclose(colour.srgb_to_lab(greys)[:, 1:], 0.0, atol=1e-9)


@pytest.mark.parametrize("name", colour.COLOUR_MAPS)
def test_colour_maps_go_in_even_steps(name):
    # Judged with the independent conversion; eight entries at a time, as 8 bits round single ones.
    lab = independent.rgb2lab(colour.colour_map(name)[None] / 255.0)[0]
    halves = (lab[:128], lab[128:][::-1]) if name == "signed" else (lab,)
    for half in halves:
        difference = np.linalg.norm(np.diff(half[::8], axis=0), axis=1)
        assert difference.min() > 0.8 * difference.mean()
        assert difference.max() < 1.25 * difference.mean()
        lightness = np.diff(half[::8, 0])
        assert lightness.min() > 0.5 * lightness.mean()
        assert (np.diff(half[:, 0]) > -0.35).all()  # half a step of one 8-bit sample


def test_the_diverging_map_is_symmetric_in_lightness_and_light_in_the_middle():
    lightness = independent.rgb2lab(colour.colour_map("signed")[None] / 255.0)[0][:, 0]
    np.testing.assert_allclose(lightness, lightness[::-1], atol=1.0)
    assert lightness.argmax() in (127, 128)


def test_colour_maps_are_shared_read_only_and_known_by_name():
    assert not colour.colour_map("ember").flags.writeable
    with pytest.raises(InputError, match="no colour map"):
        colour.colour_map("none such")
