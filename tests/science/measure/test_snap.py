"""Snapping: phantoms with known edges under counting noise, refusals, and odd pixels."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import ndtr

from viewer.errors import InputError
from viewer.science.measure.ruler import Placement, Snap, distance, polyline
from viewer.science.measure.snap import Edge, NoEdge, snap, window

SIDE = 33
Counts = npt.NDArray[np.int64]


def expected_counts(
    angle: float,
    offset: float,
    low: float,
    high: float,
    blur: float,
    pixel: tuple[float, float] = (1.0, 1.0),
) -> npt.NDArray[np.float64]:
    """Mean counts of a straight blurred edge `offset` from the centre along its normal.

    Each pixel is the mean of 8 x 8 points.
    """
    k = (np.arange(SIDE * 8) + 0.5) / 8 - SIDE / 2
    d = k[None, :] * pixel[0] * math.cos(angle) + k[:, None] * pixel[1] * math.sin(angle) - offset
    share = ndtr(d / blur).reshape(SIDE, 8, SIDE, 8).mean(axis=(1, 3))
    return np.asarray(low + (high - low) * share)


def centre(pixel: tuple[float, float]) -> tuple[float, float]:
    return (SIDE / 2 * pixel[0], SIDE / 2 * pixel[1])


def miss(edge: Edge, angle: float, offset: float, pixel: tuple[float, float]) -> float:
    """Distance of the found position from the true edge, along its normal."""
    cx, cy = centre(pixel)
    x, y = edge.position[0] - cx, edge.position[1] - cy
    return x * math.cos(angle) + y * math.sin(angle) - offset


@pytest.mark.slow
@pytest.mark.parametrize(
    ("low", "high", "blur", "angle", "pixel", "given"),
    [
        (20, 100, 0.5, 0.4, (1.0, 1.0), None),
        (100, 20, 1.0, 0.8, (1.0, 1.0), None),
        (200, 1000, 0.1, 0.0, (1.0, 1.0), None),
        (30, 120, 8.0, 0.3, (10.0, 30.0), None),
        (20, 100, 0.7, 0.4, (1.0, 1.0), (1.0, 0.0)),
    ],
)
def test_bias_and_coverage(
    low: float,
    high: float,
    blur: float,
    angle: float,
    pixel: tuple[float, float],
    given: tuple[float, float] | None,
) -> None:
    errors, inside = [], 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        offset = rng.uniform(-2, 2) * min(pixel)
        image = rng.poisson(expected_counts(angle, offset, low, high, blur, pixel))
        edge = snap(image, centre(pixel), pixel, direction=given)
        assert isinstance(edge, Edge)
        lean = abs(edge.direction[0] * math.cos(angle) + edge.direction[1] * math.sin(angle))
        error = miss(edge, angle, offset, pixel)
        errors.append(error / max(pixel))
        inside += abs(error) <= 1.96 * edge.error_um * lean
    assert abs(np.mean(errors)) < 0.05
    assert 0.92 <= inside / 200 <= 0.98


def test_noise_alone_is_hardly_ever_an_edge() -> None:
    found = 0
    for seed in range(60):
        image = np.random.default_rng(seed).poisson(30, (SIDE, SIDE))
        found += isinstance(snap(image, centre((1, 1)), (1.0, 1.0)), Edge)
    assert found <= 1


def test_a_clean_edge_is_found_to_a_hundredth_of_a_pixel() -> None:
    for offset in (-1.7, -0.25, 0.0, 0.6, 2.2):
        edge = snap(expected_counts(0.3, offset, 10, 90, 0.8), centre((1, 1)), (1.0, 1.0))
        assert isinstance(edge, Edge)
        assert abs(miss(edge, 0.3, offset, (1.0, 1.0))) < 0.01
        assert edge.low == pytest.approx(10, abs=0.5)
        assert edge.high == pytest.approx(90, abs=0.5)
        assert edge.blur_um == pytest.approx(0.8, rel=0.1)
        assert abs(edge.shift_um) <= 4


def test_a_given_direction_is_kept_to() -> None:
    image = expected_counts(0.5, 1.0, 10, 90, 0.8)
    edge = snap(image, centre((1, 1)), (1.0, 1.0), direction=(3.0, 0.0))
    assert isinstance(edge, Edge)
    assert edge.direction == (1.0, 0.0)
    assert edge.position[1] == SIDE / 2
    # The line y = centre meets the edge at offset / cos(angle).
    assert edge.position[0] - SIDE / 2 == pytest.approx(1.0 / math.cos(0.5), abs=0.03)


@pytest.mark.parametrize("degrees", [-50.0, 0.0, 25.0, 60.0])
def test_the_edges_tilt_is_told_with_it(degrees: float) -> None:
    image = expected_counts(math.radians(degrees), 0.4, 10, 90, 0.8)
    edge = snap(image, centre((1, 1)), (1.0, 1.0), direction=(1.0, 0.0))
    assert isinstance(edge, Edge)
    # The edge runs along (-sin, cos): so far along x for a step of one down the map.
    assert edge.tilt == pytest.approx(-math.tan(math.radians(degrees)), abs=0.05)
    assert edge.snap == Snap(edge.error_um, (1.0, 0.0), edge.tilt)


def test_an_edge_along_the_direction_is_not_snapped_to() -> None:
    image = expected_counts(math.radians(80), 0.4, 10, 90, 0.8)
    assert isinstance(snap(image, centre((1, 1)), (1.0, 1.0), direction=(1.0, 0.0)), NoEdge)


def test_of_two_edges_close_by_the_one_is_placed_where_it_is() -> None:
    # A rim five pixels broad; its near side lies at +0.5.
    image = 20 + expected_counts(0.0, 0.5, 0, 80, 0.5) - expected_counts(0.0, 5.5, 0, 60, 0.5)
    edge = snap(image, centre((1, 1)), (1.0, 1.0), direction=(1.0, 0.0))
    assert isinstance(edge, Edge)
    assert edge.shift_um == pytest.approx(0.5, abs=0.15)


def test_a_block_of_a_map_gives_what_the_map_gives() -> None:
    rng = np.random.default_rng(4)
    image = rng.poisson(expected_counts(0.4, 1.0, 20, 100, 0.7))
    big = rng.poisson(20, (200, 220))
    big[60 : 60 + SIDE, 80 : 80 + SIDE] = image
    point = (80 + SIDE / 2, 60 + SIDE / 2)
    rows, columns = window(point, (1.0, 1.0), big.shape)
    part = snap(big[rows, columns], point, (1.0, 1.0), origin=(rows.start, columns.start))
    whole = snap(big, point, (1.0, 1.0))
    assert isinstance(part, Edge)
    assert isinstance(whole, Edge)
    assert part.position == pytest.approx(whole.position)
    assert part.error_um == pytest.approx(whole.error_um, rel=1e-3)


def test_missing_pixels_are_passed_over() -> None:
    rng = np.random.default_rng(8)
    image = rng.poisson(expected_counts(0.4, 1.0, 20, 100, 0.7)).astype(float)
    image[rng.random(image.shape) < 0.1] = np.nan
    edge = snap(image, centre((1, 1)), (1.0, 1.0))
    assert isinstance(edge, Edge)
    assert abs(miss(edge, 0.4, 1.0, (1.0, 1.0))) < 4 * edge.error_um


@pytest.mark.parametrize(
    ("image", "says"),
    [
        (np.full((SIDE, SIDE), 7.0), "flat"),
        (np.full((SIDE, SIDE), np.nan), "flat"),
        (np.random.default_rng(0).poisson(30, (SIDE, SIDE)), "noise|reach|placed|away"),
    ],
)
def test_no_edge_comes_with_a_reason(image: npt.NDArray[np.generic], says: str) -> None:
    import re

    answer = snap(image, centre((1, 1)), (1.0, 1.0))
    assert isinstance(answer, NoEdge)
    assert re.search(says, answer.reason)


def test_too_few_pixels_are_refused() -> None:
    image = np.full((SIDE, SIDE), np.nan)
    image[16, 16:18] = (1.0, 5.0)
    answer = snap(image, centre((1, 1)), (1.0, 1.0), direction=(1.0, 0.0))
    assert answer == NoEdge("Too few pixels have a value here.")


def test_an_edge_out_of_reach_is_not_jumped_to() -> None:
    image = expected_counts(0.0, 9.0, 10, 90, 0.5)
    assert isinstance(snap(image, centre((1, 1)), (1.0, 1.0), direction=(1.0, 0.0)), NoEdge)


def test_at_the_corner_of_the_map_the_window_is_cut_off() -> None:
    rows, columns = window((0.0, 0.0), (1.0, 2.0), (50, 60))
    assert rows.start == columns.start == 0
    with pytest.raises(InputError, match="outside"):
        window((-1.0, 0.0), (1.0, 1.0), (5, 5))


def test_refusals() -> None:
    with pytest.raises(InputError, match="rows and columns"):
        snap(np.zeros(5), (0, 0), (1.0, 1.0))
    with pytest.raises(InputError, match="above zero"):
        snap(np.zeros((5, 5)), (0, 0), (0.0, 1.0))
    with pytest.raises(InputError, match="no length"):
        snap(np.zeros((5, 5)), (0, 0), (1.0, 1.0), direction=(0.0, 0.0))


@pytest.mark.slow
def test_a_band_measured_between_snapped_ends() -> None:
    """End to end: both ends of a ruler snapped across a band of known breadth."""
    inside, errors = 0, []
    pixel = (20.0, 20.0)
    for seed in range(200):
        rng = np.random.default_rng(seed)
        left = rng.uniform(-9, -7) * pixel[0]
        breadth = rng.uniform(14, 17) * pixel[0]
        mean = (
            20
            + expected_counts(0.0, left, 0, 100, 12.0, pixel)
            - expected_counts(0.0, left + breadth, 0, 100, 12.0, pixel)
        )
        image = rng.poisson(mean)
        cx, cy = centre(pixel)
        ends = [
            snap(image, (cx + x + rng.normal(0, 15), cy), pixel, direction=(1.0, 0.0))
            for x in (left, left + breadth)
        ]
        a, b = ends
        assert isinstance(a, Edge)
        assert isinstance(b, Edge)
        reading = distance(a.position, b.position, Placement(pixel), snaps=(a.snap, b.snap))
        inside += reading.low <= breadth <= reading.high
        errors.append(reading.value - breadth)
    assert abs(np.mean(errors)) < 0.05 * pixel[0]
    assert 0.92 <= inside / 200 <= 0.98


def held_to_grid(point: tuple[float, float], rng: np.random.Generator) -> tuple[float, float]:
    """A point as a hand places it: off by half a pixel of 1 µm, then held to the grid."""
    x, y = np.floor(np.array(point) + rng.normal(0, 0.5, 2)) + 0.5
    return float(x), float(y)


@pytest.mark.slow
def test_a_band_crossed_obliquely_is_measured_between_snapped_ends() -> None:
    """The ruler crosses two edges at a slant; the ends snap along it and keep the edges' tilt.

    Each edge has a picture of its own, so that a slanted one is not cut off by the other.
    """
    inside, seeds = 0, 200
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        slant = math.radians((0.0, 20.0, 45.0, 70.0)[seed % 4])
        breadth = 60 + rng.uniform(-1, 1)
        true, hand = [], []
        images = []
        for x in (0.0, breadth):
            # A whole number of pixels is taken off, so that the picture's own grid is the map's.
            origin = math.floor(x) - SIDE // 2
            offset = (x - origin - SIDE / 2) * math.cos(slant)
            images.append((origin, rng.poisson(expected_counts(slant, offset, 40, 200, 0.7))))
            true.append((x, SIDE / 2))
            hand.append(held_to_grid(true[-1], rng))
        along = (hand[1][0] - hand[0][0], hand[1][1] - hand[0][1])
        ends = [
            snap(image, point, (1.0, 1.0), direction=along, origin=(0, origin))
            for (origin, image), point in zip(images, hand, strict=True)
        ]
        spots = [
            end.position if isinstance(end, Edge) else point
            for end, point in zip(ends, hand, strict=True)
        ]
        snaps = [end.snap if isinstance(end, Edge) else None for end in ends]
        reading = distance(spots[0], spots[1], Placement((1.0, 1.0)), snaps=snaps)
        inside += reading.low <= breadth <= reading.high
    assert 0.92 <= inside / seeds <= 0.98


@pytest.mark.slow
def test_a_line_along_a_contact_is_measured_between_snapped_ends() -> None:
    """Both ends snap to the contact that the line follows, along the steepest ascent."""
    inside, seeds = 0, 200
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        slant = rng.uniform(0, math.pi)
        image = rng.poisson(expected_counts(slant, 0.0, 40, 200, 0.7))
        length = rng.uniform(17, 19)
        edge = (-math.sin(slant), math.cos(slant))
        shift = rng.uniform(-0.5, 0.5)
        true = [
            (SIDE / 2 + k * edge[0], SIDE / 2 + k * edge[1])
            for k in (shift - length / 2, shift + length / 2)
        ]
        found = [snap(image, held_to_grid(point, rng), (1.0, 1.0)) for point in true]
        a, b = found
        assert isinstance(a, Edge)
        assert isinstance(b, Edge)
        reading = polyline([a.position, b.position], Placement((1.0, 1.0)), snaps=(a.snap, b.snap))
        inside += reading.low <= length <= reading.high
    assert 0.92 <= inside / seeds <= 0.98
