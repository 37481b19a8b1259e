"""The page: everything in its place, nothing over the map, nothing over the edge."""

from __future__ import annotations

import math

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.plates.page import MM_PER_POINT, Arrow, Box, Layout, Page, Text, lay_out
from viewer.plates.paper import PAPERS, contrast
from viewer.plates.typeface import text_width_mm

COLOURS = (("Al Kα", (0, 0, 255)), ("Fe Kα", (255, 0, 0)), ("Cr Kα", (0, 255, 0)))


def laid(page: Page, shape=(300, 800), pixel=(20.0, 20.0), colours=COLOURS, up=30.0) -> Layout:
    return lay_out(page, shape, pixel, colours, up)


def texts(layout: Layout) -> list[str]:
    return [item.text for item in layout.items if isinstance(item, Text)]


def extent(item: Box | Text | Arrow) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of a thing on the page."""
    if isinstance(item, Box):
        return item.x, item.y, item.x + item.w, item.y + item.h
    if isinstance(item, Arrow):
        half = item.length / 2
        return item.x - half, item.y - half, item.x + half, item.y + half
    wide = text_width_mm(item.text, item.size_pt, item.bold)
    left = item.x - wide / 2 if item.align == "center" else item.x
    em = item.size_pt * MM_PER_POINT
    return left, item.y - 0.729 * em, left + wide, item.y + 0.236 * em


def test_the_map_fills_the_width_between_the_margins():
    layout = laid(Page(width_mm=180, margin_mm=3))
    assert layout.width == 180
    assert layout.map[:4] == (3, 3, 174, pytest.approx(174 * 300 / 800))


def test_a_map_of_oblong_pixels_has_the_shape_of_the_rock():
    layout = laid(Page(), shape=(300, 800), pixel=(10.0, 40.0))
    assert layout.map.h / layout.map.w == pytest.approx(300 * 40 / (800 * 10))


def test_names_are_in_the_order_of_the_colours_with_their_word():
    assert [t for t in texts(laid(Page())) if ":" in t] == [
        "Red: Fe Kα",
        "Green: Cr Kα",
        "Blue: Al Kα",
    ]


@pytest.mark.parametrize("paper", ["light", "dark"])
def test_every_text_can_be_read_on_its_paper(paper):
    layout = laid(Page(paper=paper, title="A title", caption="A caption"))
    assert layout.paper == PAPERS[paper]
    for item in layout.items:
        if isinstance(item, Text):
            assert contrast(item.colour, layout.paper.ground) >= 4.5


def test_the_bar_is_as_long_as_it_says():
    layout = laid(Page(width_mm=104, margin_mm=2))  # 800 pixels of 20 µm are 16 mm over 100 mm
    assert layout.bar_um == 2000
    assert layout.bar.w == pytest.approx(12.5)
    assert "2 mm" in texts(layout)


def test_a_bar_of_a_given_length():
    layout = laid(Page(width_mm=104, bar_um=700))
    assert layout.bar.w == pytest.approx(0.7 / 16 * 100)
    assert "700 µm" in texts(layout)
    with pytest.raises(InputError, match="longer than the map"):
        laid(Page(bar_um=17_000))


def test_what_is_not_wanted_or_not_known_is_left_out():
    assert not laid(Page(names=False, bar=False, arrow=False)).items
    assert not any(isinstance(item, Arrow) for item in laid(Page(), up=None).items)
    nowhere = laid(Page(), pixel=None)
    assert nowhere.bar is nowhere.bar_um is None
    assert nowhere.map.h / nowhere.map.w == pytest.approx(300 / 800)


def test_a_bare_map_has_no_strip_below_it():
    layout = laid(Page(names=False, bar=False, arrow=False, margin_mm=0))
    assert (layout.width, layout.height) == layout.map[2:4]


def test_the_arrow_points_the_way_up():
    (arrow,) = [item for item in laid(Page(), up=200.0).items if isinstance(item, Arrow)]
    assert arrow.degrees == 200.0


def test_long_words_are_broken_and_line_breaks_stay():
    layout = laid(Page(width_mm=40, title="x" * 200, caption="one\ntwo\n\nthree"))
    lines = texts(layout)
    assert "".join(t for t in lines if set(t) == {"x"}) == "x" * 200
    assert [t for t in lines if t in ("one", "two", "three")] == ["one", "two", "three"]


page_words = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cs",)) | st.sampled_from(" \n$\\&<>"),
    max_size=60,
)


@settings(max_examples=60, deadline=None)
@given(
    width=st.floats(30, 300),
    margin=st.floats(0, 4),
    font=st.floats(5, 12),
    rows=st.integers(1, 3000),
    cols=st.integers(1, 3000),
    pixel=st.floats(0.1, 200),
    up=st.none() | st.floats(0, 359),
    names=st.lists(st.text("abc αβ1$_^", max_size=40), max_size=3),
    title=st.text("some words Ωµ$^_", max_size=80),
)
def test_nothing_overlaps_the_map_or_leaves_the_page(
    width, margin, font, rows, cols, pixel, up, names, title
):
    colours = tuple(zip(names, ((255, 0, 0), (0, 255, 0), (0, 0, 255)), strict=False))
    page = Page(width_mm=width, margin_mm=margin, font_pt=font, title=title)
    layout = lay_out(page, (rows, cols), (pixel, pixel), colours, up)
    hair = 1e-6
    box = extent(layout.map)
    for item in layout.items:
        left, top, right, bottom = extent(item)
        assert left >= margin - hair
        assert right <= width - margin + hair
        assert top >= margin - hair
        assert bottom <= layout.height - margin + hair
        assert bottom <= box[1] or top >= box[3]
    assert box[0] >= margin - hair
    assert box[2] <= width - margin + hair


@settings(max_examples=40, deadline=None)
@given(st.floats(24, 200), st.floats(3, 12), st.integers(1, 3))
def test_things_below_the_map_never_lie_on_one_another(width, font, count):
    page = Page(width_mm=width, font_pt=font, caption="A caption of a few words " * 3)
    layout = laid(page, colours=COLOURS[:count])
    written = [extent(item) for item in layout.items if isinstance(item, Text)]
    for i, one in enumerate(written):
        for other in written[:i]:
            apart = (
                one[2] <= other[0] + 1e-6
                or other[2] <= one[0] + 1e-6
                or one[3] <= other[1] + 1e-6
                or other[3] <= one[1] + 1e-6
            )
            assert apart


@pytest.mark.parametrize("shape", [(3000, 300), (900, 800)])
def test_a_tall_map_is_drawn_smaller_to_fit(shape):
    layout = laid(Page(width_mm=100, max_height_mm=120), shape=shape)
    assert layout.height == pytest.approx(120, abs=1e-6) or layout.height < 120
    assert layout.height > 110
    assert layout.width == 100
    middle = layout.map.x + layout.map.w / 2
    assert middle == pytest.approx(50)
    assert layout.map.h / layout.map.w == pytest.approx(shape[0] / shape[1])
    assert layout.bar.w == pytest.approx(layout.bar_um / (shape[1] * 20) * layout.map.w)


def test_a_page_without_room_is_refused():
    with pytest.raises(InputError, match="no room"):
        laid(Page(width_mm=50, max_height_mm=20, caption="word " * 400))


@pytest.mark.parametrize("dpi", [50, 72, 300, 333.3])
@pytest.mark.parametrize("cols", [1, 41, 400, 1234])
def test_the_natural_width_is_one_pixel_a_pixel(dpi, cols):
    layout = laid(Page(width_mm=None, dpi=dpi), shape=(30, cols), up=None)
    assert layout.map.w * dpi / 25.4 == pytest.approx(cols, abs=1e-9)
    whole = layout.width * dpi / 25.4
    assert whole == pytest.approx(round(whole), abs=1e-9)


@pytest.mark.parametrize(
    "bad",
    [
        {"width_mm": 0},
        {"width_mm": math.nan},
        {"width_mm": 1e9},
        {"width_mm": 40, "margin_mm": 20},
        {"dpi": 0},
        {"dpi": math.inf},
        {"margin_mm": -1},
        {"font_pt": 0},
        {"max_height_mm": 1},
        {"bar_um": 0},
        {"bar_um": math.nan},
        {"paper": "pink"},
    ],
)
def test_a_page_that_cannot_be_is_refused(bad):
    with pytest.raises(InputError):
        Page(**bad)


def test_a_page_survives_its_document():
    page = Page(title="Face A", window_um=(0.0, 0.0, 5.0, 6.0), max_height_mm=240)
    assert msgspec.json.decode(msgspec.json.encode(page), type=Page) == page
