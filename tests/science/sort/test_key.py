from __future__ import annotations

import itertools

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from viewer.errors import InputError
from viewer.science.look.colour import linear_to_srgb, srgb_to_linear
from viewer.science.look.vision import matrix
from viewer.science.sort import key
from viewer.science.sort.key import (
    EYES,
    GROUNDS,
    closest_pair,
    default_colours,
    next_colour,
    separation,
    to_hex,
    to_rgb,
)

# The smallest CIEDE2000 over all four visions among the first k default colours, as the module says.
ACHIEVED = {4: 19.0, 6: 18.0, 8: 15.0, 10: 12.5, 12: 11.5, 15: 10.5, 20: 8.0, 24: 7.5}


def smallest(colours, vision):
    """Worked out anew, with scikit-image's CIELAB and CIEDE2000."""
    light = srgb_to_linear(to_rgb(colours) / 255.0) @ matrix(vision).T
    lab = rgb2lab(linear_to_srgb(np.clip(light, 0, 1))[None])[0]
    pairs = np.array(list(itertools.combinations(range(len(colours)), 2)))
    return deltaE_ciede2000(lab[pairs[:, 0]], lab[pairs[:, 1]]).min()


@pytest.mark.parametrize(("count", "least"), ACHIEVED.items())
def test_default_colours_stay_apart_in_every_vision(count, least):
    colours = default_colours(count)
    for vision in EYES:
        assert smallest(colours, vision) >= least
        assert separation(colours)[vision].distance == pytest.approx(smallest(colours, vision), abs=0.1)


def test_eight_colours_can_be_told_apart_in_grey_and_no_phase_looks_unsorted():
    assert separation(default_colours(8))["grey"].distance > 3.0
    for vision in EYES:
        for colour in default_colours(12):
            assert smallest([colour, GROUNDS[0]], vision) > 8.0


def test_default_colours_are_a_sequence_and_go_on_without_end():
    thirty = default_colours(30)
    assert default_colours(7) == thirty[:7]
    assert default_colours(0) == ()
    assert len(set(thirty)) == 30
    assert default_colours(30) == thirty


def test_the_next_colour_goes_on_with_the_defaults():
    colours = []
    for _ in range(24):
        colours.append(next_colour(colours))
    assert tuple(colours) == default_colours(24)
    # A colour that was given up is given out again.
    assert next_colour([*colours[:2], *colours[3:9]]) == colours[2]


def test_the_next_colour_keeps_away_from_any_colours():
    taken = ["#ff0000", "#00ff00", "#0000ff", "#ffff00", "#00ffff", "#ff00ff"]
    added = next_colour(taken)
    assert added not in taken
    assert closest_pair([*taken, added]).distance == closest_pair(taken).distance
    assert next_colour(tuple(taken)) == added


def test_the_closest_pair_says_in_which_vision():
    # A red and a green of one lightness, and a blue.
    pair = closest_pair(["#2040c0", "#b04a20", "#7f6f00"])
    assert {pair.first, pair.second} == {1, 2}
    assert pair.vision in ("protan", "deutan")
    assert closest_pair(["#123456"]) is None
    assert separation([]) == {}
    assert closest_pair(["#123456", "#123456"]).distance == 0.0


def test_colours_are_written_as_six_digits():
    assert to_hex((1, 171, 255)) == "#01abff"
    np.testing.assert_array_equal(to_rgb(["#01abff", "#01ABFF"]), [[1, 171, 255]] * 2)
    assert to_rgb([]).shape == (0, 3)
    for wrong in ("red", "#fff", "#12345g", "#1234567"):
        with pytest.raises(InputError, match="not a colour"):
            next_colour([wrong])


def test_the_search_comes_near_what_is_stored():
    # The whole search takes half a minute: here it is among an eighth of the colours.
    found = key.design(count=8, starts=2, among=key.candidates()[::8], say=lambda _: None)
    assert closest_pair(found).distance > 0.8 * closest_pair(default_colours(8)).distance
