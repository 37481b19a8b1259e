"""Cleaning on images small enough to count by hand, and what must hold on any image."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from viewer.errors import CancelledError
from viewer.science.sort.classify import OUTSIDE, UNSORTED
from viewer.science.sort.clean import CleaningReport, clean
from viewer.science.sort.scheme import Cleaning

Array = np.ndarray[Any, Any]

KEEP = Cleaning()
UNIT = (1.0, 1.0)


def picture(text: str) -> Array:
    """Rows of digits; ``.`` is unsorted and ``#`` outside."""
    codes = {".": UNSORTED, "#": OUTSIDE}
    rows = [[codes[x] if x in codes else int(x) for x in row] for row in text.split()]
    return np.array(rows, np.uint8)


def check(
    before: str, after: str, *cleanings: Cleaning, pixel: tuple[float, float] = UNIT
) -> Any:
    image = picture(before)
    kept = image.copy()
    cleaned, reports = clean(image, cleanings, pixel)
    np.testing.assert_array_equal(image, kept)
    np.testing.assert_array_equal(cleaned, picture(after))
    return reports


# -- small grains ----------------------------------------------------------------------------------


def test_small_grains_go_to_what_surrounds_them() -> None:
    reports = check(
        """
        1111111
        1211221
        1111221
        1111111
        """,
        """
        1111111
        1111221
        1111221
        1111111
        """,
        KEEP,
        Cleaning(least_um2=4.0),
    )
    assert reports == (CleaningReport(23, 24, 0, 0), CleaningReport(5, 4, 1, 0))


def test_a_grain_of_the_least_area_stays_whatever_the_rounding() -> None:
    image = picture("1111 1221 1211 1111")
    pixel = (0.1, 0.1)  # its square is not 0.01 in binary
    for least, stays in ((0.03, True), (0.0301, False), (0.0299, True)):
        cleaned, reports = clean(image, [KEEP, Cleaning(least_um2=least)], pixel)
        assert (cleaned == 2).any() == stays
        assert reports[1].grains_given_up == (not stays)


def test_areas_are_in_micrometres() -> None:
    image = picture("1111 1221 1111")
    # Two pixels of 2 x 3 µm are 12 µm².
    assert (clean(image, [KEEP, Cleaning(least_um2=12.0)], (2.0, 3.0))[0] == 2).any()
    assert not (clean(image, [KEEP, Cleaning(least_um2=12.5)], (2.0, 3.0))[0] == 2).any()


def test_an_oblique_thread_is_one_grain() -> None:
    threads = """
        2111
        1211
        1121
        1112
        """
    check(threads, threads, KEEP, Cleaning(least_um2=4.0))
    check(threads, "1111 1111 1111 1111", KEEP, Cleaning(least_um2=5.0))


def test_the_longest_shared_edge_decides_in_micrometres() -> None:
    # The speck borders above and below on 1, to the left and right on 2.
    before = "111 232 111"
    tall, flat = (1.0, 2.0), (2.0, 1.0)
    check(before, "111 222 111", KEEP, KEEP, Cleaning(least_um2=3.0), pixel=tall)
    check(before, "111 212 111", KEEP, KEEP, Cleaning(least_um2=3.0), pixel=flat)
    # A tie: the phase listed first.
    check(before, "111 212 111", KEEP, KEEP, Cleaning(least_um2=3.0))


def test_a_grain_in_unsorted_pixels_becomes_unsorted() -> None:
    check(".... .22. .... 1111", ".... .... .... 1111", KEEP, Cleaning(least_um2=3.0))
    # Half and half: a phase goes before unsorted.
    check(".2 .1", ".1 .1", KEEP, Cleaning(least_um2=3.0))


def test_small_grains_side_by_side_do_not_save_each_other() -> None:
    wanted = "11111 11111 11111"
    least = Cleaning(least_um2=3.0)
    check("11111 12331 11111", wanted, KEEP, least, least)
    # A grain with small grains all around goes where they go.
    check(
        "11111111 11333111 11323111 11333111 11111111",
        "11111111 " * 5,
        KEEP,
        least,
        Cleaning(least_um2=9.0),
    )


def test_a_grain_alone_in_the_outside_becomes_unsorted() -> None:
    check("####1 #2###", "####1 #.###", KEEP, Cleaning(least_um2=2.0))


# -- holes -----------------------------------------------------------------------------------------


def test_holes_up_to_an_area_are_filled() -> None:
    reports = check(
        """
        1111111
        1211331
        1111331
        1111111
        """,
        """
        1111111
        1111331
        1111331
        1111111
        """,
        Cleaning(holes_um2=3.0),
        KEEP,
        KEEP,
    )
    assert reports[0] == CleaningReport(23, 24, 0, 1)
    assert reports[1] == CleaningReport(1, 0, 0, 0)
    check("11111 12331 11111", "11111 11111 11111", Cleaning(holes_um2=3.0), KEEP, KEEP)


def test_a_hole_lies_within_the_map_and_the_outline() -> None:
    for open_hole in ("121 111", "111 112 111", "1111 12#1 1111", "1111 1221 11#1"):
        check(open_hole, open_hole, Cleaning(holes_um2=99.0), KEEP)


def test_a_rim_joined_by_its_corners_holds_its_inside() -> None:
    check(
        "2212222 2122122 2212222".replace("2212222", "2211222"),
        "2211222 2111122 2211222",
        Cleaning(holes_um2=2.0),
        KEEP,
    )


def test_of_holes_within_holes_the_larger_is_filled() -> None:
    nested = "1111111 1222221 1233321 1222221 1111111"
    fill = Cleaning(holes_um2=15.0)
    check(nested, "1111111 " * 5, fill, fill, KEEP)
    check(
        nested, "1111111 1222221 1222221 1222221 1111111", Cleaning(holes_um2=14.0), fill, KEEP
    )


# -- majority and opening --------------------------------------------------------------------------


def test_a_majority_takes_specks_away_and_fills_gaps() -> None:
    reports = check(
        "11112222 11112222 13112222 11112222 11112212 11112222",
        "11112222 " * 6,
        Cleaning(majority_px=3),
        Cleaning(majority_px=3),
        Cleaning(majority_px=3),
    )
    assert [r.after - r.before for r in reports] == [0, 1, -1]


def test_a_majority_of_one_phase_leaves_others_their_specks() -> None:
    before = "1111111 1121111 1111111 1111111 3333333 3323333 3333333"
    after = "1111111 1111111 1111111 1111111 3333333 3323333 3333333"
    check(before, after, Cleaning(majority_px=3), KEEP, KEEP)


def test_an_opening_takes_threads_and_leaves_the_map_edge() -> None:
    check(
        """
        1111133333
        1111133333
        1111122222
        1111133333
        1111133333
        """,
        """
        1111133333
        1111133333
        1111133333
        1111133333
        1111133333
        """,
        Cleaning(opening_px=1),
        Cleaning(opening_px=1),
        KEEP,
    )


def test_pixels_are_given_away_from_the_outside_in() -> None:
    # A bar three wide lies between two phases: each takes its side, the tie goes to the first.
    before = "1111111 4444444 4444444 4444444 2222222"
    after = "1111111 1111111 1111111 2222222 2222222"
    check(before, after, KEEP, KEEP, KEEP, Cleaning(opening_px=2))


# -- whatever the image ----------------------------------------------------------------------------

SHAPES = st.tuples(st.integers(1, 14), st.integers(1, 14))
IMAGES = hnp.arrays(np.uint8, SHAPES, elements=st.sampled_from([0, 1, 1, 1, 2, 2, 3, 255]))
ANY = st.builds(
    Cleaning,
    majority_px=st.sampled_from([0, 3, 5]),
    opening_px=st.sampled_from([0, 1, 2]),
    holes_um2=st.sampled_from([0.0, 6.0, 40.0]),
    least_um2=st.sampled_from([0.0, 12.0, 50.0]),
)
THREE = st.tuples(ANY, ANY, ANY)
ALL = settings(deadline=None, max_examples=150)


@given(IMAGES, THREE)
@ALL
def test_pixels_are_neither_made_nor_lost(
    image: Array, cleanings: tuple[Cleaning, ...]
) -> None:
    kept = image.copy()
    cleaned, reports = clean(image, cleanings, (2.0, 3.0))
    np.testing.assert_array_equal(image, kept)
    assert cleaned.shape == image.shape
    np.testing.assert_array_equal(cleaned == OUTSIDE, image == OUTSIDE)
    assert set(np.unique(cleaned)) <= set(np.unique(image)) | {UNSORTED}
    for k, report in enumerate(reports, start=1):
        assert report.before == (image == k).sum()
        assert report.after == (cleaned == k).sum()
    unsorted = (cleaned == UNSORTED).sum() + (cleaned == OUTSIDE).sum()
    assert sum(r.after for r in reports) + unsorted == image.size


@given(IMAGES, THREE)
@ALL
def test_mirrored_and_turned_images_are_cleaned_alike(
    image: Array, cleanings: tuple[Cleaning, ...]
) -> None:
    cleaned = clean(image, cleanings, (2.0, 3.0))[0]
    mirrored = clean(np.ascontiguousarray(image[:, ::-1]), cleanings, (2.0, 3.0))[0]
    np.testing.assert_array_equal(mirrored[:, ::-1], cleaned)
    turned = clean(np.ascontiguousarray(image.T), cleanings, (3.0, 2.0))[0]
    np.testing.assert_array_equal(turned.T, cleaned)


@given(IMAGES, st.tuples(*[st.sampled_from([0.0, 3.0, 7.0, 20.0])] * 3))
@ALL
def test_no_small_grain_is_left(image: Array, least: tuple[float, ...]) -> None:
    cleanings = [Cleaning(least_um2=x) for x in least]
    cleaned, _ = clean(image, cleanings, UNIT)
    again, reports = clean(cleaned, cleanings, UNIT)
    np.testing.assert_array_equal(again, cleaned)
    assert [r.grains_given_up for r in reports] == [0, 0, 0]


@given(IMAGES, st.sampled_from([1.0, 4.0, 30.0]))
@ALL
def test_no_small_hole_is_left(image: Array, area: float) -> None:
    cleanings = [Cleaning(holes_um2=area), KEEP, KEEP]
    cleaned, _ = clean(image, cleanings, UNIT)
    again, reports = clean(cleaned, cleanings, UNIT)
    np.testing.assert_array_equal(again, cleaned)
    assert reports[0].holes_filled == 0


def test_nothing_to_do_gives_the_same_array() -> None:
    image = picture("1121 .1#1")
    cleaned, reports = clean(image, [KEEP, KEEP], UNIT)
    assert cleaned is image
    assert reports == (CleaningReport(5, 5, 0, 0), CleaningReport(1, 1, 0, 0))
    assert clean(image, [], UNIT) == (image, ())


def test_the_order_of_the_phases_decides_no_more_than_ties() -> None:
    rng = np.random.default_rng(4)
    image = rng.integers(1, 4, (60, 60)).astype(np.uint8).repeat(3, 0).repeat(3, 1)
    image[rng.random(image.shape) < 0.05] = 2
    cleanings = [Cleaning(majority_px=5), Cleaning(holes_um2=30.0), Cleaning(majority_px=3)]
    swap = np.arange(256, dtype=np.uint8)
    swap[[1, 3]] = 3, 1
    cleaned, _ = clean(image, cleanings, (1.0, 1.37))
    swapped, _ = clean(swap[image], cleanings[::-1], (1.0, 1.37))
    assert (swap[swapped] == cleaned).mean() > 0.99


def test_work_can_be_stopped() -> None:
    told: list[tuple[float, str]] = []

    def stop(done: float, doing: str = "") -> None:
        told.append((done, doing))
        if len(told) > 3:
            raise CancelledError

    image = np.ones((3000, 40), np.uint8)
    with pytest.raises(CancelledError):
        clean(image, [Cleaning(opening_px=2)], UNIT, stop)
    assert [doing for _, doing in told] == ["opening"] * 4


def test_progress_goes_forward_to_the_end() -> None:
    told: list[float] = []
    image = np.random.default_rng(2).integers(0, 4, (700, 60)).astype(np.uint8)
    every = Cleaning(majority_px=3, opening_px=1, holes_um2=4.0, least_um2=5.0)
    clean(image, [every] * 3, UNIT, lambda done, doing="": told.append(done))
    assert told == sorted(told)
    assert told[-1] == 1.0
