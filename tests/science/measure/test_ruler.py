"""The ruler: values, geometry, printing, refusals, and whether its intervals hold the truth."""

from __future__ import annotations

import math
from collections.abc import Callable

import msgspec
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.science.measure.ruler import (
    MAX_STATIONS,
    Placement,
    Point,
    Reading,
    Snap,
    angle,
    distance,
    format_angle,
    format_length,
    perpendicular,
    polyline,
    read,
    thickness,
)

SHARP = Placement((1.0, 1.0), 0.0)
PIXEL = Placement((20.0, 20.0))
ALONG = (1.0, 0.0)


def exact(n: int) -> tuple[Snap, ...]:
    """Ends moved along x without error."""
    return (Snap(0.0, ALONG),) * n


# --- values -----------------------------------------------------------------------------------


def test_distance_without_error_is_the_plain_one() -> None:
    r = distance((1, 2), (6, 2), Placement((1e-9, 1e-9), 0.0), snaps=exact(2))
    assert (r.value, r.low, r.high, r.bias) == (5, 5, 5, 0)
    assert (r.kind, r.unit, r.n, r.uncertainty_kind) == ("distance", "µm", 1, "95 % interval")


def test_distance_keeps_the_drawn_length_beside_the_corrected() -> None:
    r = distance((0, 0), (200, 0), PIXEL)
    variance = (1 / 12 + 0.25) * 400
    assert r.drawn == 200
    assert r.value == pytest.approx(math.sqrt(200**2 - 2 * variance))
    assert r.bias == pytest.approx(r.drawn - r.value)
    assert r.standard_uncertainty == pytest.approx(math.sqrt(2 * variance))
    assert r.high - r.value == pytest.approx(1.96 * r.standard_uncertainty, rel=1e-4)


def test_non_square_pixels_are_less_sure_along_their_long_side() -> None:
    p = Placement((10.0, 40.0))
    along_x, along_y = distance((0, 0), (900, 0), p), distance((0, 0), (0, 900), p)
    assert along_y.standard_uncertainty == pytest.approx(4 * along_x.standard_uncertainty)


def test_one_snapped_end_counts_with_its_own_error() -> None:
    r = distance((0, 0), (500, 0), PIXEL, snaps=(Snap(3.0, ALONG), None))
    assert r.standard_uncertainty == pytest.approx(math.sqrt(9 + 400 / 3))
    assert "1 placed by hand" in r.method
    assert "1 snapped" in r.method


def test_a_snap_holds_along_its_own_direction_alone() -> None:
    hand = 400 / 3
    along, across = Snap(3.0, ALONG), Snap(3.0, (0.0, 1.0))
    assert PIXEL.covariance() == pytest.approx(np.diag([hand, hand]))
    assert PIXEL.covariance(along) == pytest.approx(np.diag([9, hand]))
    assert PIXEL.covariance(across) == pytest.approx(np.diag([hand, 9]))
    r = distance((0, 0), (500, 0), PIXEL, snaps=(along, across))
    assert r.standard_uncertainty == pytest.approx(math.sqrt(9 + hand))
    assert r.bias == pytest.approx((hand + 9) / (2 * 500), rel=1e-3)


def test_across_a_snap_pixels_count_by_their_own_sides() -> None:
    p = Placement((10.0, 40.0), 0.0)
    c, s = 0.6, 0.8
    spread = (s**2 * 100 + c**2 * 1600) / 12
    n = np.array([-s, c])
    assert p.covariance(Snap(0.0, (c, s))) == pytest.approx(spread * np.outer(n, n))


def test_a_tilted_edge_carries_the_hands_error_along_it() -> None:
    # The edge runs from upper left to lower right; the end was moved along x.
    covariance = PIXEL.covariance(Snap(0.0, ALONG, tilt=1.0))
    assert covariance == pytest.approx(400 / 3 * np.ones((2, 2)))


def test_the_method_says_what_is_taken_of_snapped_ends() -> None:
    r = distance((0, 0), (500, 0), PIXEL, snaps=(Snap(3.0, ALONG), Snap(3.0, ALONG)))
    assert "2 snapped to an edge taken as straight there" in r.method
    assert "along the edge, where the hand put it to 0.5 px" in r.method
    assert "placed by hand" not in r.method


def test_polyline_of_two_points_is_the_distance() -> None:
    a, b = distance((0, 0), (300, 400), PIXEL), polyline([(0, 0), (300, 400)], PIXEL)
    assert (a.value, a.low, a.high) == (b.value, b.low, b.high)


def test_points_on_a_straight_line_do_not_make_it_less_sure() -> None:
    bare = polyline([(0, 0), (900, 0)], PIXEL)
    dotted = polyline([(0, 0), (300, 0), (600, 0), (900, 0)], PIXEL)
    assert dotted.standard_uncertainty == pytest.approx(bare.standard_uncertainty)
    assert dotted.drawn == bare.drawn
    assert dotted.n == 3


def test_a_point_clicked_twice_changes_nothing() -> None:
    once = polyline([(0, 0), (300, 0), (300, 300)], PIXEL)
    twice = polyline([(0, 0), (300, 0), (300, 0), (300, 300)], PIXEL)
    assert twice.value == pytest.approx(once.value)
    assert math.isfinite(twice.standard_uncertainty)


@pytest.mark.parametrize(
    ("a", "b", "degrees"),
    [((1, 0), (0, 1), 90), ((1, 0), (1, 1), 45), ((1, 0), (-1, 0), 180), ((2, 0), (5, 0), 0)],
)
def test_angle(a: Point, b: Point, degrees: float) -> None:
    r = angle(a, (0, 0), b, SHARP, snaps=exact(3))
    assert r.value == pytest.approx(degrees)
    assert r.unit == "°"
    assert 0 <= r.low <= r.high <= 180


def test_longer_arms_make_an_angle_surer() -> None:
    short = angle((100, 0), (0, 0), (0, 100), PIXEL)
    long = angle((1000, 0), (0, 0), (0, 1000), PIXEL)
    assert short.standard_uncertainty == pytest.approx(10 * long.standard_uncertainty)


def test_perpendicular_distance() -> None:
    r = perpendicular((0, 0), (10, 0), (5, -7), SHARP, snaps=exact(3))
    assert r.value == 7
    assert "prolongation" not in r.method


def test_perpendicular_beyond_the_line_is_less_sure_and_says_so() -> None:
    inside = perpendicular((0, 0), (400, 0), (200, 300), PIXEL)
    beyond = perpendicular((0, 0), (400, 0), (1600, 300), PIXEL)
    assert beyond.value == inside.value == 300
    assert beyond.standard_uncertainty > 4 * inside.standard_uncertainty
    assert "prolongation" in beyond.method


# --- thickness --------------------------------------------------------------------------------


def arc(radius: float, start: float, stop: float, n: int) -> list[Point]:
    t = np.linspace(start, stop, n)
    return [
        (float(x), float(y)) for x, y in zip(radius * np.cos(t), radius * np.sin(t), strict=True)
    ]


def test_thickness_of_an_even_band() -> None:
    r = thickness([(0, 0), (1000, 0)], [(0, 80), (1000, 80)], PIXEL)
    assert r.value == r.mean == pytest.approx(80)
    assert (r.minimum, r.maximum) == pytest.approx((80, 80))
    assert r.sd == pytest.approx(0, abs=1e-9)
    assert (r.n, r.spacing, r.excluded) == (50, 20, "")
    assert set(r.detail()) >= {"mean_um", "minimum_um", "maximum_um", "sd_um", "spacing_um"}


def test_direction_of_drawing_does_not_matter() -> None:
    first, second = [(0, 0), (500, 30), (1000, 0)], [(0, 80), (400, 90), (1000, 120)]
    plain = thickness(first, second, PIXEL)
    turned = thickness(first, second[::-1], PIXEL)
    swapped = thickness(second, first, PIXEL)
    assert turned.value == pytest.approx(plain.value)
    assert swapped.value == pytest.approx(plain.value, rel=1e-3)


def test_thickness_of_a_tilted_band_is_normal_to_it() -> None:
    c, s = math.cos(0.5), math.sin(0.5)
    turn = [(x * c - y * s, x * s + y * c) for x, y in [(0, 0), (900, 0), (0, 60), (900, 60)]]
    r = thickness(turn[:2], turn[2:], PIXEL)
    assert r.value == pytest.approx(60)


def test_thickness_of_a_wedge() -> None:
    # A wedge opening by 0.1 rad: normal to its bisector the thickness at distance s along the
    # bisector is 2 s tan(0.05).
    c, s = math.cos(0.05), math.sin(0.05)
    r = thickness(
        [(200 * c, -200 * s), (1000 * c, -1000 * s)],
        [(200 * c, 200 * s), (1000 * c, 1000 * s)],
        SHARP,
        spacing_um=5.0,
    )
    assert r.value == pytest.approx(2 * 600 * c * math.tan(0.05), rel=1e-6)
    assert r.minimum == pytest.approx(2 * 200 * c * math.tan(0.05), rel=0.02)
    assert r.maximum == pytest.approx(2 * 1000 * c * math.tan(0.05), rel=0.02)


def test_thickness_of_a_bent_band() -> None:
    r = thickness(arc(500, 0, 1.5, 200), arc(600, 0, 1.5, 120), SHARP)
    assert r.value == pytest.approx(100, abs=0.05)
    assert r.sd is not None
    assert r.sd < 0.1


def test_points_spaced_unlike_do_not_bend_the_mid_line() -> None:
    first = [(0.0, 0.0), (20.0, 0.0), (40.0, 0.0), (60.0, 0.0), (1000.0, 0.0)]
    second = [(0.0, 50.0), (940.0, 50.0), (1000.0, 50.0)]
    r = thickness(first, second, SHARP)
    assert (r.minimum, r.maximum) == pytest.approx((50, 50))


def test_a_waviness_of_both_lines_together_is_not_thickness() -> None:
    x = np.linspace(0, 2000, 400)
    y = 60 * np.sin(2 * np.pi * x / 1000)
    slope = 60 * 2 * np.pi / 1000 * np.cos(2 * np.pi * x / 1000)
    scale = 25 / np.hypot(1, slope)
    first = list(zip(x - slope * -scale, y - scale, strict=True))
    second = list(zip(x - slope * scale, y + scale, strict=True))
    r = thickness(first, second, SHARP)
    assert r.value == pytest.approx(50, rel=0.01)
    assert r.sd is not None
    assert r.sd < 1.5


def test_only_the_stretch_where_both_lines_run_is_read() -> None:
    r = thickness([(0, 0), (1000, 0)], [(300, 50), (1400, 50)], SHARP)
    assert r.value == pytest.approx(50)
    assert r.spacing is not None
    assert r.n * r.spacing <= 701


def test_stations_where_the_lines_cross_are_left_out_and_counted() -> None:
    r = thickness([(0, 0), (1000, 0)], [(0, 100), (1000, -20)], SHARP, spacing_um=10)
    assert "cross over" in r.excluded
    assert r.minimum is not None
    assert r.minimum >= 0
    assert r.n < 100


def test_long_lines_are_read_in_parts_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = arc(500, 0, 1.5, 300), arc(600, 0, 1.5, 300)
    whole = thickness(*lines, PIXEL)
    monkeypatch.setattr("viewer.science.measure.ruler.TABLE", 1000)
    assert thickness(*lines, PIXEL) == whole


def test_thickness_gradient_is_that_of_shifting_the_points() -> None:
    first: list[Point] = [(0, 0), (300, 20), (900, -10)]
    second: list[Point] = [(0, 120), (500, 140), (900, 110)]
    step = 1e-3
    variance = 0.0
    for i in range(6):
        for axis in (0, 1):
            values = []
            for sign in (-1, 1):
                moved = [list(p) for p in first + second]
                moved[i][axis] += sign * step
                points = [(p[0], p[1]) for p in moved]
                values.append(thickness(points[:3], points[3:], PIXEL, spacing_um=2).value)
            variance += ((values[1] - values[0]) / (2 * step)) ** 2 * PIXEL.variance()[axis]
    stated = thickness(first, second, PIXEL, spacing_um=2).standard_uncertainty
    assert stated == pytest.approx(math.sqrt(variance), rel=0.05)


# --- coverage: does the interval hold the truth? -----------------------------------------------

SEEDS = 600


def place(points: list[Point], p: Placement, rng: np.random.Generator) -> list[Point]:
    """Points as a hand places them: off by the hand's error, then held to the pixel grid."""
    size = np.array(p.pixel_um)
    off = np.array(points) + rng.normal(0, p.hand_px, (len(points), 2)) * size
    held = (np.floor(off / size) + 0.5) * size
    return [(float(x), float(y)) for x, y in held]


def cover(
    truth: Callable[[np.random.Generator], tuple[list[Point], float]],
    reading: Callable[[list[Point]], Reading],
    p: Placement,
) -> tuple[float, float]:
    """Share of intervals that hold the true value, and the mean error in standard uncertainties."""
    inside, errors = 0, []
    for seed in range(SEEDS):
        rng = np.random.default_rng(seed)
        points, value = truth(rng)
        # A random shift of the pixel grid: where the truth lies within a pixel is chance.
        shift = rng.uniform(0, 1, 2) * p.pixel_um
        r = reading(place([(x + shift[0], y + shift[1]) for x, y in points], p, rng))
        inside += r.low <= value <= r.high
        errors.append((r.value - value) / r.standard_uncertainty)
    return inside / SEEDS, float(np.mean(errors))


@pytest.mark.parametrize("p", [Placement((20.0, 20.0)), Placement((10.0, 35.0), 0.3)])
@pytest.mark.parametrize("length", [5.0, 12.0, 300.0])
def test_coverage_of_a_distance(p: Placement, length: float) -> None:
    def truth(rng: np.random.Generator) -> tuple[list[Point], float]:
        # Lengths of a whole number of pixels would round alike at both ends: vary them.
        d = max(p.pixel_um) * (length + rng.uniform(-1, 1))
        return [(100.0, 100.0), (100.0 + 0.8 * d, 100.0 + 0.6 * d)], d

    share, bias = cover(truth, lambda q: distance(q[0], q[1], p), p)
    assert 0.92 <= share <= 0.98
    assert abs(bias) < 0.15


@pytest.mark.parametrize(("step", "n"), [(8.0, 12), (40.0, 8)])
def test_coverage_of_a_polyline(step: float, n: int) -> None:
    t = np.arange(n) * 0.3
    x = np.cumsum(np.cos(t)) * step * 20
    y = np.cumsum(np.sin(t)) * step * 20
    truth = list(zip(x.tolist(), y.tolist(), strict=True))
    share, bias = cover(lambda _: (truth, (n - 1) * step * 20), lambda q: polyline(q, PIXEL), PIXEL)
    assert 0.92 <= share <= 0.98
    assert abs(bias) < 0.2


@pytest.mark.parametrize("degrees", [30.0, 75.0, 140.0])
def test_coverage_of_an_angle(degrees: float) -> None:
    r = math.radians(degrees)
    truth = [(600.0, 0.0), (0.0, 0.0), (800 * math.cos(r), 800 * math.sin(r))]
    share, bias = cover(lambda _: (truth, degrees), lambda q: angle(q[0], q[1], q[2], PIXEL), PIXEL)
    assert 0.92 <= share <= 0.98
    assert abs(bias) < 0.15


@pytest.mark.parametrize("foot", [0.5, 1.8])
def test_coverage_of_a_perpendicular(foot: float) -> None:
    truth = [(0.0, 0.0), (800.0, 600.0), (foot * 800 - 0.6 * 400, foot * 600 + 0.8 * 400)]
    share, bias = cover(
        lambda _: (truth, 400.0), lambda q: perpendicular(q[0], q[1], q[2], PIXEL), PIXEL
    )
    assert 0.92 <= share <= 0.98
    assert abs(bias) < 0.15


@pytest.mark.slow
@pytest.mark.parametrize(("points", "thick"), [(3, 8.0), (12, 20.0), (25, 6.0)])
def test_coverage_of_a_thickness(points: int, thick: float) -> None:
    x = np.linspace(0, 200 * 20, points)
    c, s = math.cos(0.2), math.sin(0.2)
    truth = [(u * c - v * s, u * s + v * c) for v in (0.0, thick * 20) for u in x]
    share, bias = cover(
        lambda _: (truth, thick * 20), lambda q: thickness(q[:points], q[points:], PIXEL), PIXEL
    )
    assert 0.92 <= share <= 0.98
    assert abs(bias) < 0.25


# Snapped ends. The edge at each true point runs at an angle to the ruler; a hand places the end, which
# then moves along the snap's direction until it meets the edge as a fit would find it.

SLANTS = [0.0, 20.0, 45.0, 70.0]
"""Angle between the edge's normal and the ruler, degrees."""

WIDE = Placement((12.0, 24.0), 0.4)


def toward(degrees: float) -> npt.NDArray[np.float64]:
    return np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])


def onto_edge(
    end: Point,
    true: Point,
    normal: npt.NDArray[np.float64],
    along: npt.NDArray[np.float64],
    rng: np.random.Generator,
    error: float = 2.0,
) -> tuple[Point, Snap]:
    """Move an end along a direction onto the edge through the true point, found with an error."""
    along = along / np.hypot(*along)
    lean = float(normal @ along)
    reach = float(normal @ (np.subtract(true, end))) / lean + rng.normal(0, error)
    across, edge = np.array([-along[1], along[0]]), np.array([-normal[1], normal[0]])
    tilt = float((edge @ along) / (edge @ across))
    x, y = np.add(end, reach * along)
    return (float(x), float(y)), Snap(error, (float(along[0]), float(along[1])), tilt)


def uphill(
    points: list[Point],
    truth: list[Point],
    normals: list[npt.NDArray[np.float64]],
    rng: np.random.Generator,
) -> tuple[list[Point], list[Snap]]:
    """Snap each point along the steepest ascent, which noise turns by some degrees."""
    moved = []
    for point, true, normal in zip(points, truth, normals, strict=True):
        r = math.radians(rng.normal(0, 6))
        c, s = math.cos(r), math.sin(r)
        along = np.array([[c, -s], [s, c]]) @ normal
        moved.append(onto_edge(point, true, normal, along, rng))
    return [point for point, _ in moved], [snap for _, snap in moved]


def covered(
    make: Callable[[np.random.Generator], tuple[float, Reading]], seeds: int = SEEDS
) -> float:
    """Share of intervals that hold the true value."""
    inside = 0
    for seed in range(seeds):
        value, r = make(np.random.default_rng(seed))
        inside += r.low <= value <= r.high
    return inside / seeds


@pytest.mark.parametrize("p", [PIXEL, WIDE])
@pytest.mark.parametrize("slant", SLANTS)
def test_coverage_of_a_distance_snapped_along_the_ruler(slant: float, p: Placement) -> None:
    def make(rng: np.random.Generator) -> tuple[float, Reading]:
        way, d = rng.uniform(0, 360), rng.uniform(590, 610)
        start = rng.uniform(500, 530, 2)
        truth = [tuple(start.tolist()), tuple((start + d * toward(way)).tolist())]
        a, b = place(truth, p, rng)
        ends = [
            onto_edge(end, true, toward(way + slant), np.subtract(b, a), rng)
            for end, true in zip((a, b), truth, strict=True)
        ]
        return d, distance(ends[0][0], ends[1][0], p, snaps=[snap for _, snap in ends])

    assert 0.92 <= covered(make) <= 0.98


@pytest.mark.parametrize("p", [PIXEL, WIDE])
@pytest.mark.parametrize("slant", SLANTS)
def test_coverage_of_a_distance_snapped_uphill(slant: float, p: Placement) -> None:
    def make(rng: np.random.Generator) -> tuple[float, Reading]:
        way, d = rng.uniform(0, 360), rng.uniform(590, 610)
        start = rng.uniform(500, 530, 2)
        truth = [tuple(start.tolist()), tuple((start + d * toward(way)).tolist())]
        ends, snaps = uphill(place(truth, p, rng), truth, [toward(way + slant)] * 2, rng)
        return d, distance(ends[0], ends[1], p, snaps=snaps)

    assert 0.92 <= covered(make) <= 0.98


@pytest.mark.parametrize(("before", "after"), [(60.0, 20.0), (65.0, 30.0), (0.0, 45.0)])
def test_coverage_after_one_end_is_dragged_elsewhere(before: float, after: float) -> None:
    """The end that stays keeps the snap of the direction in which the ruler then lay."""

    def make(rng: np.random.Generator) -> tuple[float, Reading]:
        way, d = rng.uniform(0, 360), rng.uniform(590, 610)
        start = rng.uniform(500, 530, 2)
        truth = [tuple(start.tolist()), tuple((start + d * toward(way)).tolist())]
        a, b = place(truth, PIXEL, rng)
        normal = toward(way + after)
        a, stays = onto_edge(a, truth[0], normal, toward(way + after - before), rng)
        b, goes = onto_edge(b, truth[1], normal, np.subtract(b, a), rng)
        return d, distance(a, b, PIXEL, snaps=(stays, goes))

    assert 0.92 <= covered(make) <= 0.98


@pytest.mark.parametrize("p", [PIXEL, WIDE])
@pytest.mark.parametrize("bend", [0.0, 0.25])
def test_coverage_of_a_polyline_along_a_contact(bend: float, p: Placement) -> None:
    """The ruler lies along the edge itself: a snap says nothing of how far along it an end is."""

    def make(rng: np.random.Generator) -> tuple[float, Reading]:
        ways = np.degrees(np.arange(5) * bend) + rng.uniform(0, 360)
        steps = 400 * np.array([toward(way) for way in ways])
        corners = np.concatenate([[[0.0, 0.0]], np.cumsum(steps, axis=0)]) + rng.uniform(0, 30, 2)
        truth = [(float(x), float(y)) for x, y in corners]
        normals = [toward(way + 90) for way in [ways[0], *(0.5 * (ways[1:] + ways[:-1])), ways[-1]]]
        points, snaps = uphill(place(truth, p, rng), truth, normals, rng)
        return 5 * 400, polyline(points, p, snaps=snaps)

    assert 0.92 <= covered(make) <= 0.98


@pytest.mark.parametrize("slant", SLANTS)
def test_coverage_of_an_angle_between_snapped_ends(slant: float) -> None:
    def make(rng: np.random.Generator) -> tuple[float, Reading]:
        way = rng.uniform(0, 360)
        truth = [tuple(v) for v in (600 * toward(way), toward(way) * 0, 800 * toward(way + 65))]
        normals = [toward(way + slant), toward(way + slant), toward(way + 65 + slant)]
        points, snaps = uphill(place(truth, WIDE, rng), truth, normals, rng)
        return 65.0, angle(points[0], points[1], points[2], WIDE, snaps=snaps)

    assert 0.92 <= covered(make) <= 0.98


@pytest.mark.parametrize("slant", SLANTS)
def test_coverage_of_a_perpendicular_between_snapped_ends(slant: float) -> None:
    """The line's ends snap uphill, the point along the line's normal; all edges are slanted to it."""

    def make(rng: np.random.Generator) -> tuple[float, Reading]:
        way = rng.uniform(0, 360)
        line, up = toward(way), toward(way + 90)
        truth = [tuple(v) for v in (0 * line, 900 * line, 600 * line + 400 * up)]
        edge = toward(way + 90 + slant)
        a, b, point = place(truth, WIDE, rng)
        ends, snaps = uphill([a, b], truth[:2], [edge, edge], rng)
        along = np.subtract(ends[1], ends[0])
        point, last = onto_edge(point, truth[2], edge, np.array([-along[1], along[0]]), rng)
        return 400.0, perpendicular(ends[0], ends[1], point, WIDE, snaps=[*snaps, last])

    assert 0.92 <= covered(make) <= 0.98


@pytest.mark.slow
@pytest.mark.parametrize("slant", SLANTS)
def test_coverage_of_a_thickness_between_snapped_lines(slant: float) -> None:
    """Edges that the layer's contacts cut across, at a slant to them; 0: the contacts themselves."""

    def make(rng: np.random.Generator) -> tuple[float, Reading]:
        way = rng.uniform(0, 360)
        line, up = toward(way), toward(way + 90)
        truth = [tuple(x * line + y * up) for y in (0.0, 240.0) for x in (0.0, 450.0, 900.0)]
        edges = [toward(way + 90 + slant)] * 6
        points, snaps = uphill(place(truth, PIXEL, rng), truth, edges, rng)
        return 240.0, thickness(points[:3], points[3:], PIXEL, snaps=snaps, spacing_um=90.0)

    assert 0.92 <= covered(make, 200) <= 0.98


def test_correction_takes_off_what_misplaced_ends_add() -> None:
    drawn, corrected = [], []
    for seed in range(4000):
        q = place(
            [(10.0, 10.0), (13.0, 10.0)],
            p := Placement((1.0, 1.0), 0.4),
            np.random.default_rng(seed),
        )
        if q[0] != q[1]:
            r = distance(q[0], q[1], p)
            drawn.append(r.drawn)
            corrected.append(r.value)
    assert np.mean(drawn) > 3.06
    assert abs(np.mean(corrected) - 3.0) < 0.03


# --- invariance ---------------------------------------------------------------------------------

_coordinate = st.floats(-1e5, 1e5).map(lambda v: round(v, 3))
_point = st.tuples(_coordinate, _coordinate)


@given(st.lists(_point, min_size=2, max_size=8), _point)
@settings(max_examples=150, deadline=None)
def test_readings_do_not_depend_on_where_or_which_way(points: list[Point], by: Point) -> None:
    if all(p == points[0] for p in points):
        return
    here = polyline(points, PIXEL)
    back = polyline(points[::-1], PIXEL)
    moved = polyline([(x + by[0], y + by[1]) for x, y in points], PIXEL)
    assert back.value == pytest.approx(here.value, rel=1e-9)
    assert back.standard_uncertainty == pytest.approx(here.standard_uncertainty, rel=1e-9)
    assert moved.value == pytest.approx(here.value, rel=1e-6, abs=1e-2)
    assert 0 <= here.low <= here.value <= here.high


@given(_point, _point, _point)
@settings(max_examples=150, deadline=None)
def test_angles_stay_in_range(a: Point, v: Point, b: Point) -> None:
    if v in (a, b):
        return
    r = angle(a, v, b, PIXEL)
    assert 0 <= r.low <= r.value <= r.high <= 180
    assert r.value == pytest.approx(angle(b, v, a, PIXEL).value)


@given(
    st.lists(_point, min_size=2, max_size=6),
    st.lists(_point, min_size=2, max_size=6),
)
@settings(max_examples=150, deadline=None)
def test_any_two_lines_are_read_or_refused_in_words(
    first: list[Point], second: list[Point]
) -> None:
    refusal = None
    try:
        r = thickness(first, second, PIXEL)
    except InputError as error:
        refusal = error
    if refusal is None:
        assert r.minimum is not None
        assert r.maximum is not None
        assert 0 <= r.minimum <= r.value + 1e-9
        assert r.value <= r.maximum + 1e-9
        assert math.isfinite(r.standard_uncertainty)
    else:
        assert refusal.what


# --- printing -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "half", "text"),
    [
        (1234.0, 12.0, "1.234 ± 0.012 mm"),
        (123.44, 1.26, "123.4 ± 1.3 µm"),
        (999.9, 9.96, "1000 ± 10 µm"),
        (512.3, 118.0, "510 ± 120 µm"),
        (26e4, 33.0, "260.000 ± 0.033 mm"),
        (0.5, 0.0312, "0.500 ± 0.031 µm"),
        (1500.0, 0.0, "1.500 mm"),
        (12.0, math.nan, "12.00 µm"),
    ],
)
def test_lengths_are_printed_with_two_digits_of_uncertainty(
    value: float, half: float, text: str
) -> None:
    assert format_length(value, value - half, value + half) == text


def test_uneven_intervals_are_written_out() -> None:
    assert format_length(0.8, 0.0, 2.1) == "0.8 µm (0.0 to 2.1)"
    assert format_angle(1.0, 0.0, 4.4) == "1.0° (0.0 to 4.4)"


def test_angles_are_printed_in_degrees() -> None:
    assert format_angle(34.23, 32.9, 35.56) == "34.2 ± 1.3°"
    r = angle((1000, 0), (0, 0), (0, 1000), PIXEL)
    assert r.text().startswith("90.0 ± ")


def test_a_reading_survives_json() -> None:
    r = thickness([(0, 0), (1000, 0)], [(0, 80), (1000, 80)], PIXEL)
    assert msgspec.json.decode(msgspec.json.encode(r), type=Reading) == r


# --- refusals -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: distance((1, 1), (1, 1), PIXEL), "one place"),
        (lambda: distance((1, math.nan), (1, 1), PIXEL), "no position"),
        (lambda: distance((1, 0), (1, 1), PIXEL, snaps=exact(1)), "2 points have 1"),
        (lambda: Snap(-1.0, ALONG), "zero or more"),
        (lambda: Snap(1.0, (1.0, 1.0)), "length one"),
        (lambda: Snap(1.0, (math.nan, 1.0)), "length one"),
        (lambda: Snap(1.0, ALONG, math.inf), "a number"),
        (lambda: polyline([(0, 0)], PIXEL), "2 points or more"),
        (lambda: angle((1, 1), (1, 1), (2, 2), PIXEL), "arm"),
        (lambda: perpendicular((1, 1), (1, 1), (2, 2), PIXEL), "no length"),
        (lambda: thickness([(0, 0)], [(0, 1), (1, 1), (2, 2)], PIXEL), "first line"),
        (lambda: thickness([(0, 0), (1, 0)], [(5, 5), (5, 5)], PIXEL), "second line"),
        (lambda: thickness([(0, 0), (9, 0)], [(0, 9), (9, 9)], PIXEL, spacing_um=0), "above zero"),
        (
            lambda: thickness([(0, 0), (9, 0)], [(0, 9), (9, 9)], PIXEL, spacing_um=1e-3),
            str(MAX_STATIONS),
        ),
        (lambda: Placement((0.0, 1.0)), "pixel size"),
        (lambda: Placement((1.0, 1.0), -1.0), "zero or more"),
        (lambda: read("angle", [(0, 0), (1, 1)], PIXEL), "takes 3 points"),
        (lambda: read("area", [(0, 0)], PIXEL), "no reading"),  # type: ignore[arg-type]
    ],
)
def test_refusals(make: Callable[[], object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        make()


def test_read_goes_to_the_kind() -> None:
    square: list[Point] = [(0, 0), (1000, 0), (1000, 900)]
    assert read("distance", square[:2], PIXEL) == distance(square[0], square[1], PIXEL)
    assert read("polyline", square, PIXEL) == polyline(square, PIXEL)
    assert read("angle", square, PIXEL) == angle(square[0], square[1], square[2], PIXEL)
    assert read("perpendicular", square, PIXEL).value == pytest.approx(900)
    band = [(0.0, 500.0), (1000.0, 500.0)]
    assert read("thickness", square[:2], PIXEL, second=band).value == pytest.approx(500)
