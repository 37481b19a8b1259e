"""Regions: even-odd polygons cut, joined and split; areas are held against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.science.look.outline import rasterize
from viewer.science.measure import region

SQUARE = ((0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0))
HOLE = ((20.0, 20.0), (40.0, 20.0), (40.0, 40.0), (20.0, 40.0))
SIZE = (100.0, 60.0)

coordinates = st.floats(-50.0, 150.0, allow_nan=False).map(lambda v: round(v, 2))
corners = st.lists(st.tuples(coordinates, coordinates), min_size=3, max_size=9)


def test_a_polygon_within_another_is_a_hole() -> None:
    assert region.area_um2((SQUARE, HOLE)) == pytest.approx(6000.0 - 400.0)
    at = np.array([[30.0, 30.0], [10.0, 10.0], [100.0, 60.0], [101.0, 10.0]])
    assert region.inside((SQUARE, HOLE), at).tolist() == [False, True, True, False]


def test_outlines_give_back_the_same_area_with_the_hole_last() -> None:
    again = region.outlines(region.geometry((HOLE, SQUARE)))
    assert [len(p) for p in again] == [4, 4]
    assert set(again[0]) == set(SQUARE)
    assert region.area_um2(again) == pytest.approx(5600.0)


def test_a_bow_tie_is_mended_into_two_triangles() -> None:
    tie = ((0.0, 0.0), (100.0, 60.0), (100.0, 0.0), (0.0, 60.0))
    mended = region.clean((tie,))
    assert len(mended) == 2
    assert region.area_um2(mended) == pytest.approx(3000.0)


@settings(max_examples=40, deadline=None)
@example([[(0.0, 0.0), (0.0, 1.0), (2.0, 1.0), (0.0, 0.0), (0.0, 1.0), (2.0, 1.0)]])
@given(st.lists(corners, min_size=1, max_size=3))
def test_what_is_inside_is_what_the_pixels_say(polygons: list[list[tuple[float, float]]]) -> None:
    """Even-odd by Shapely against the even-odd of the masks, away from the edges."""
    import shapely

    size, pixel = (40, 50), (2.0, 1.5)
    area = region.geometry(polygons)
    mask = rasterize([np.array(p) for p in polygons], size, pixel)
    y, x = np.indices(size)
    centres = np.column_stack([(x.ravel() + 0.5) * pixel[0], (y.ravel() + 0.5) * pixel[1]])
    lines = shapely.union_all([shapely.LineString([*p, p[0]]) for p in polygons])
    clear = shapely.distance(shapely.points(centres), lines) > 1e-6
    found = shapely.intersects_xy(area, centres[:, 0], centres[:, 1])
    assert np.array_equal(found[clear], mask.ravel()[clear])


def test_a_region_is_cut_to_the_map() -> None:
    wide = ((-50.0, 10.0), (500.0, 10.0), (500.0, 20.0), (-50.0, 20.0))
    assert region.area_um2(region.clean((wide,), SIZE)) == pytest.approx(1000.0)


@pytest.mark.parametrize(
    ("polygon", "words"),
    [
        (((0.0, 0.0), (1.0, 1.0)), "encloses nothing"),
        (((0.0, 0.0), (5.0, 5.0), (10.0, 10.0)), "encloses nothing"),
        (((200.0, 0.0), (300.0, 0.0), (300.0, 50.0)), "off the map"),
    ],
)
def test_nothing_enclosed_is_refused(polygon: region.Points, words: str) -> None:
    with pytest.raises(InputError, match=words):
        region.clean((polygon,), SIZE)


def test_merged_neighbours_are_one_ring() -> None:
    left = ((0.0, 0.0), (50.0, 0.0), (50.0, 60.0), (0.0, 60.0))
    right = ((50.0, 0.0), (100.0, 0.0), (100.0, 60.0), (50.0, 60.0))
    (ring,) = region.merge([(left,), (right,)])
    assert region.area_um2((ring,)) == pytest.approx(6000.0)


def test_a_narrow_gap_is_closed_and_a_wide_one_is_kept() -> None:
    left = ((0.0, 0.0), (49.0, 0.0), (49.0, 60.0), (0.0, 60.0))
    right = ((51.0, 0.0), (100.0, 0.0), (100.0, 60.0), (51.0, 60.0))
    closed = region.merge([(left,), (right,)], gap_um=4.0)
    assert len(closed) == 1
    assert region.area_um2(closed) == pytest.approx(6000.0)
    assert len(region.merge([(left,), (right,)], gap_um=1.0)) == 2


def test_what_others_have_is_cut_out() -> None:
    left = region.cut_out((SQUARE,), [(HOLE,)])
    assert region.area_um2(left) == pytest.approx(5600.0)
    with pytest.raises(InputError, match="cover all"):
        region.cut_out((HOLE,), [(SQUARE,)])


def test_a_line_splits_and_both_pieces_share_it_exactly() -> None:
    line = [(-10.0, 20.0), (50.0, 30.0), (110.0, 20.0)]
    left, right = region.split((SQUARE,), line)
    # Walking to the right on a map whose y runs down, the top is to the left.
    assert region.centroid(left)[1] < region.centroid(right)[1]
    assert region.area_um2(left) + region.area_um2(right) == pytest.approx(6000.0)
    shared = set(left[0]) & set(right[0])
    assert (50.0, 30.0) in shared
    assert len(shared) == 3


def test_an_end_inside_is_drawn_on_until_it_leaves() -> None:
    left, right = region.split((SQUARE,), [(40.0, 25.0), (60.0, 25.0)])
    assert region.area_um2(left) == pytest.approx(2500.0)
    assert region.area_um2(right) == pytest.approx(3500.0)


def test_a_line_turned_round_gives_the_sides_the_other_way_about() -> None:
    line = [(30.0, -5.0), (35.0, 30.0), (30.0, 65.0)]
    left, right = region.split((SQUARE,), line)
    right_too, left_too = region.split((SQUARE,), line[::-1])
    assert region.area_um2(left) == pytest.approx(region.area_um2(left_too))
    assert region.area_um2(right) == pytest.approx(region.area_um2(right_too))


def test_a_line_that_comes_and_goes_parts_all_pieces_by_side() -> None:
    """A wavy line along the edge cuts several pieces off: all of one side are one part."""
    waves = [(float(x), 60.0 + 10.0 * math.sin(x / 8.0)) for x in range(-5, 106)]
    above, below = region.split((SQUARE,), waves)
    assert len(below) > 1
    assert len(above) == 1
    assert region.area_um2(above) + region.area_um2(below) == pytest.approx(6000.0)


def test_a_piece_that_the_line_does_not_touch_goes_to_its_side() -> None:
    far = ((20.0, 80.0), (40.0, 80.0), (40.0, 90.0), (20.0, 90.0))
    above, below = region.split((SQUARE, far), [(-5.0, 30.0), (105.0, 30.0)])
    assert region.area_um2(above) == pytest.approx(3000.0)
    assert region.area_um2(below) == pytest.approx(3200.0)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ([(-5.0, -5.0), (105.0, -5.0)], "does not cut"),
        ([(0.0, 0.0), (0.0, 0.0)], "two points"),
        ([(-5.0, 10.0), (105.0, 50.0), (105.0, 10.0), (-5.0, 50.0)], "crosses itself"),
        ([(0.0, math.nan), (5.0, 5.0)], "not a number"),
    ],
)
def test_a_line_that_cannot_split_says_why(line: region.Points, words: str) -> None:
    with pytest.raises(InputError, match=words):
        region.split((SQUARE,), line)


@pytest.mark.parametrize("turned", [False, True])
def test_a_band_lies_between_two_lines_whichever_way_they_run(turned: bool) -> None:
    lower = [(0.0, 50.0), (50.0, 45.0), (100.0, 50.0)]
    upper = [(0.0, 20.0), (100.0, 20.0)]
    band = region.band(lower, upper[::-1] if turned else upper, SIZE)
    assert region.area_um2(band) == pytest.approx(100.0 * 30.0 - 250.0)


def test_a_band_between_lines_that_cross_is_refused_and_the_place_is_told() -> None:
    with pytest.raises(InputError, match="cross at 50, 30"):
        region.band([(0.0, 0.0), (100.0, 60.0)], [(0.0, 60.0), (100.0, 0.0)])
    with pytest.raises(InputError, match="crosses itself"):
        region.band([(0.0, 0.0), (9.0, 9.0), (9.0, 0.0), (0.0, 9.0)], [(0.0, 50.0), (9.0, 50.0)])


def test_a_line_is_cut_to_the_map() -> None:
    assert region.clip_line([(-50.0, 30.0), (150.0, 30.0)], SIZE) == [(0.0, 30.0), (100.0, 30.0)]
    with pytest.raises(InputError, match="off the map"):
        region.clip_line([(-50.0, 30.0), (-10.0, 30.0)], SIZE)


def test_centres_need_something_inside() -> None:
    assert region.centroid((SQUARE,)) == pytest.approx((50.0, 30.0))
    with pytest.raises(InputError, match="encloses nothing"):
        region.centroid(())


def test_what_others_have_of_a_gap_stays_theirs() -> None:
    def layer(top: float, bottom: float) -> region.Polygons:
        return (((0.0, top), (400.0, top), (400.0, bottom), (0.0, bottom)),)

    kept = region.merge([layer(0.0, 100.0), layer(115.0, 300.0)], 20.0, [layer(100.0, 115.0)])
    assert region.area_um2(kept) == pytest.approx(400.0 * 285.0)
    half = (((0.0, 100.0), (200.0, 100.0), (200.0, 115.0), (0.0, 115.0)),)
    kept = region.merge([layer(0.0, 100.0), layer(115.0, 300.0)], 20.0, [half])
    assert region.area_um2(kept) == pytest.approx(400.0 * 300.0 - 200.0 * 15.0)
    # What they overlapped before is not taken from either.
    kept = region.merge([layer(0.0, 100.0), layer(115.0, 300.0)], 20.0, [layer(50.0, 115.0)])
    assert region.area_um2(kept) == pytest.approx(400.0 * 285.0)
