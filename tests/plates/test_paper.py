"""Colours that can be read, and colours that are named."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.plates.legend import describe, entries, plain_text
from viewer.plates.paper import PAPERS, READABLE, contrast, luminance, readable

colours = st.tuples(*[st.integers(0, 255)] * 3)


def test_contrast_of_black_on_white_is_21_to_1():
    # WCAG 2.2, "contrast ratio": from 1:1 to 21:1.
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)
    assert contrast((9, 9, 9), (9, 9, 9)) == 1.0


def test_luminance_of_the_primaries_adds_up_to_white():
    # Weights of IEC 61966-2-1 as WCAG 2.2 gives them.
    parts = [luminance(c) for c in ((255, 0, 0), (0, 255, 0), (0, 0, 255))]
    assert parts == pytest.approx([0.2126, 0.7152, 0.0722])
    assert luminance((255, 255, 255)) == pytest.approx(1.0)


@given(colours, colours)
def test_contrast_does_not_depend_on_the_order(one, other):
    assert contrast(one, other) == contrast(other, one) >= 1


@given(colours, st.sampled_from(sorted(PAPERS)))
def test_readable_colours_are_readable_and_changed_no_more_than_needed(colour, name):
    paper = PAPERS[name]
    made = readable(colour, paper)
    assert contrast(made, paper.ground) >= READABLE
    if contrast(colour, paper.ground) >= READABLE:
        assert made == colour


@pytest.mark.parametrize("name", sorted(PAPERS))
def test_the_three_colours_stay_told_apart(name):
    red, green, blue = (readable(c, PAPERS[name]) for c in ((255, 0, 0), (0, 255, 0), (0, 0, 255)))
    assert max(red) == red[0]
    assert max(green) == green[1]
    assert max(blue) == blue[2]
    assert len({red, green, blue}) == 3


def test_a_mixed_colour_has_no_word_and_comes_last():
    assert entries((("SE", (128, 128, 128)), ("Mg", (0, 255, 0)), ("Fe", (255, 0, 0)))) == (
        ("Red: Fe", (255, 0, 0)),
        ("Green: Mg", (0, 255, 0)),
        ("SE", (128, 128, 128)),
    )


def test_control_characters_do_not_reach_the_page():
    assert plain_text(" a\x00b\u200b\n\tc \x1b[0m ") == "ab c [0m"


def test_a_caption_says_what_is_known():
    assert describe(()) == ""
    assert (
        describe(
            (("Fe", (255, 0, 0)),),
            pixel_um=(20.0, 40.0),
            bar_um=500.0,
            way_up_deg=90.0,
            sampling="One printed pixel is one map pixel.",
        )
        == "Red: Fe. Scale bar 500 µm. Map pixel 20 × 40 µm (width × height). "
        "Way-up 90° clockwise from the top. One printed pixel is one map pixel."
    )
