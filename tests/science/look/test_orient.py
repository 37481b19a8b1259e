"""An orientation moves pixels, points and directions alike."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.science.look.orient import Orientation

angles = st.one_of(
    st.none(),
    st.floats(0, 360, exclude_max=True),
    # Hairs beside a quarter: their remainders are where a circle goes wrong.
    st.sampled_from([0.0, 1e-300, 1e-20, 89.99999999999999, 90.0, math.nextafter(360.0, 0)]),
)
orientations = st.builds(
    Orientation, quarter_turns=st.integers(0, 3), mirror=st.booleans(), way_up_deg=angles
)
shapes = st.tuples(st.integers(1, 7), st.integers(1, 7))


def numbered(shape: tuple[int, int]) -> np.ndarray:
    return np.arange(shape[0] * shape[1]).reshape(shape)


def test_a_quarter_turn_is_clockwise():
    assert Orientation(quarter_turns=1).apply(np.array([[1, 2], [3, 4]])).tolist() == [[3, 1], [4, 2]]


def test_a_mirror_exchanges_left_and_right():
    assert Orientation(mirror=True).apply(np.array([[1, 2, 3]])).tolist() == [[3, 2, 1]]


def test_the_mirror_comes_before_the_turn():
    turned = Orientation(mirror=True, quarter_turns=1).apply(np.array([[1, 2], [3, 4]]))
    assert turned.tolist() == [[4, 2], [3, 1]]


def test_way_up_turns_with_the_rock():
    up = Orientation(way_up_deg=30.0)
    assert up.turned(1).way_up_deg == 120.0
    assert up.turned(-1).way_up_deg == 300.0
    assert up.flipped().way_up_deg == 330.0


@given(orientations, shapes)
def test_shape_is_the_shape_of_the_displayed_image(turn, shape):
    assert turn.shape(shape) == turn.apply(numbered(shape)).shape
    assert turn.swaps_axes == (turn.size(1.0, 2.0) == (2.0, 1.0))


@given(orientations, shapes)
def test_applying_copies_nothing_and_loses_nothing(turn, shape):
    image = numbered(shape)
    laid = turn.apply(image)
    assert np.shares_memory(laid, image)
    assert sorted(laid.ravel()) == sorted(image.ravel())


@given(orientations, shapes)
def test_colours_stay_with_their_pixel(turn, shape):
    image = numbered(shape)
    colours = np.stack([image, -image, 2 * image], axis=-1)
    laid = turn.apply(colours)
    assert np.array_equal(laid[..., 0], turn.apply(image))
    assert np.array_equal(laid[..., 1], -laid[..., 0])


@given(
    orientations,
    shapes,
    st.tuples(st.floats(0.01, 1e3), st.floats(0.01, 1e3)),
    st.data(),
)
def test_a_point_lands_on_its_own_pixel(turn, shape, pixel, data):
    rows, cols = shape
    r, c = data.draw(st.integers(0, rows - 1)), data.draw(st.integers(0, cols - 1))
    px, py = pixel
    image = numbered(shape)
    x, y = turn.to_display((c + 0.5) * px, (r + 0.5) * py, cols * px, rows * py)
    wide, high = turn.size(px, py)
    assert turn.apply(image)[int(y / high), int(x / wide)] == image[r, c]


@given(
    orientations,
    st.floats(-1e4, 1e4),
    st.floats(-1e4, 1e4),
    st.floats(1, 1e4),
    st.floats(1, 1e4),
)
def test_to_map_undoes_to_display(turn, x, y, width, height):
    back = turn.to_map(*turn.to_display(x, y, width, height), width, height)
    assert back == pytest.approx((x, y), abs=1e-9)
    there = turn.to_display(*turn.to_map(x, y, width, height), width, height)
    assert there == pytest.approx((x, y), abs=1e-9)


@given(orientations, st.integers(-5, 5), shapes)
def test_turning_turns_what_is_displayed(turn, quarters, shape):
    image = numbered(shape)
    want = np.rot90(turn.apply(image), -quarters)
    assert np.array_equal(turn.turned(quarters).apply(image), want)


@given(orientations, shapes)
def test_flipping_mirrors_what_is_displayed(turn, shape):
    image = numbered(shape)
    assert np.array_equal(turn.flipped().apply(image), turn.apply(image)[:, ::-1])


def up_on_the_map(turn: Orientation) -> np.ndarray:
    """Stratigraphic up as a vector on the stored map, x right and y down."""
    angle = math.radians(turn.way_up_deg)
    tip = turn.to_map(math.sin(angle), -math.cos(angle), 10.0, 20.0)
    foot = turn.to_map(0.0, 0.0, 10.0, 20.0)
    return np.subtract(tip, foot)


@given(orientations.filter(lambda o: o.way_up_deg is not None), st.integers(-5, 5))
def test_way_up_stays_the_same_direction_of_the_rock(turn, quarters):
    want = up_on_the_map(turn)
    np.testing.assert_allclose(up_on_the_map(turn.turned(quarters)), want, atol=1e-12)
    np.testing.assert_allclose(up_on_the_map(turn.flipped()), want, atol=1e-12)


@given(orientations)
def test_four_turns_and_two_flips_change_nothing(turn):
    for same in (turn.turned(4), turn.turned(1).turned(-1), turn.flipped().flipped()):
        assert (same.quarter_turns, same.mirror) == (turn.quarter_turns, turn.mirror)
        if turn.way_up_deg is None:
            assert same.way_up_deg is None
        else:
            apart = abs(same.way_up_deg - turn.way_up_deg)
            assert min(apart, 360 - apart) < 1e-12 * 360


@given(orientations)
def test_an_orientation_survives_its_document(turn):
    assert msgspec.json.decode(msgspec.json.encode(turn), type=Orientation) == turn


@pytest.mark.parametrize("quarters", [-1, 4, 1.5])
def test_quarter_turns_are_four(quarters):
    with pytest.raises(InputError, match="Quarter-turns"):
        Orientation(quarter_turns=quarters)


@pytest.mark.parametrize("degrees", [-0.001, 360.0, math.nan, math.inf])
def test_way_up_is_on_the_circle(degrees):
    with pytest.raises(InputError, match="Way-up"):
        Orientation(way_up_deg=degrees)
