"""Thickness along a layer: against layers of known law, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.science.measure.layer_phantoms import PIXEL, Rough, layer
from viewer.errors import InputError
from viewer.science.measure.layer_thickness import layer_thickness

QUIET = Rough(sd=0.0, hand=0.0)


def line(*points: tuple[float, float]) -> np.ndarray:
    return np.array(points)


def test_even_layer_in_any_direction() -> None:
    for turn in (0.0, 35.0, 90.0, 200.0):
        a = math.radians(turn)
        along, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
        lower = np.array([0.0 * along, 10_000.0 * along]) + 50_000.0
        upper = lower + 640.0 * across
        # Drawn against each other, too.
        found = layer_thickness(lower, upper[::-1], PIXEL, spacing_um=200.0)
        assert found.thickness == pytest.approx(np.full(len(found.at), 640.0))
        assert (found.low, found.high) == pytest.approx((640.0, 640.0))
        assert found.against is None


def test_ring_segment_has_the_thickness_of_its_radii() -> None:
    angle = np.linspace(0.3, 2.2, 300)
    inner, outer = (r * np.column_stack([np.cos(angle), np.sin(angle)]) for r in (9000.0, 9800.0))
    found = layer_thickness(inner, outer, PIXEL)
    inside = found.thickness[5:-5]
    assert inside == pytest.approx(np.full(len(inside), 800.0), rel=2e-3)


def test_wedge_thickens_evenly() -> None:
    # Between lines that open at 2 atan(0.05), square to the mid-line: 2 s tan(half) at distance s.
    lower, upper = line((0, 0), (20_000, 1000)), line((0, 0), (20_000, -1000))
    found = layer_thickness(lower, upper, PIXEL)
    assert found.along is not None
    assert found.along.slope == pytest.approx(0.1, rel=1e-3)
    assert found.thickest == len(found.at) - 1
    assert found.thinnest == 0
    assert found.mean == pytest.approx(0.1 * found.at.mean(), rel=1e-2)


def test_thickens_into_its_footwall() -> None:
    lower, upper = layer(3, QUIET, thickening=0.8)
    found = layer_thickness(lower, upper, PIXEL)
    assert found.against is not None
    # Normals to the mid-line are a little shorter than what is measured upright.
    assert found.against.slope == pytest.approx(0.8, abs=0.05)
    deep = np.argmax(lower[:, 1])
    assert found.lower[found.thickest, 0] == pytest.approx(lower[deep, 0], abs=400.0)
    assert found.depth[found.thickest] > 0


def test_cut_angle_corrects_across_the_layer_alone() -> None:
    lower, upper = layer(4, Rough(sd=60.0), thickening=0.5)
    apparent, true = (
        layer_thickness(lower, upper, PIXEL, spacing_um=500.0, cut_deg=c) for c in (None, 30.0)
    )
    assert true.mean == pytest.approx(0.5 * apparent.mean)
    assert true.depth == pytest.approx(0.5 * apparent.depth, nan_ok=True)
    assert true.at == pytest.approx(apparent.at)
    assert true.against is not None
    assert apparent.against is not None
    assert true.against.slope == pytest.approx(apparent.against.slope)
    square = layer_thickness(lower, upper, PIXEL, spacing_um=500.0, cut_deg=90.0)
    assert square.mean == pytest.approx(apparent.mean)


def test_stretches_without_a_partner_are_left_out_and_counted() -> None:
    lower, upper = line((0, 5000), (20_000, 5000)), line((4000, 4000), (20_000, 4000))
    found = layer_thickness(lower, upper, PIXEL, spacing_um=100.0)
    known = np.isfinite(found.thickness)
    assert found.n == np.count_nonzero(known)
    assert found.missing == len(found.at) - found.n
    assert np.nanmedian(found.thickness) == pytest.approx(1000.0, rel=1e-2)


def test_intervals_hold_the_truth_over_seeds() -> None:
    rough = Rough(sd=80.0, reach=1500.0)
    mean, along, slope = [], [], []
    for seed in range(24):
        lines = layer(seed, rough, thickening=0.5, along=300.0)
        found = layer_thickness(*lines, PIXEL, spacing_um=500.0)
        truth = 1200.0 + 0.5 * float(np.nanmean(found.depth))
        mean.append((found.mean - truth, found.low <= truth <= found.high))
        assert found.against is not None
        slope.append((found.against.slope - 0.5, found.against.low <= 0.5 <= found.against.high))
        assert found.along is not None
        along.append(found.along.change)
    assert abs(np.mean([m[0] for m in mean])) < 25.0
    assert abs(np.mean([s[0] for s in slope])) < 0.06
    assert sum(m[1] for m in mean) >= 19
    assert sum(s[1] for s in slope) >= 19
    assert np.mean(along) == pytest.approx(300.0, abs=60.0)


def test_the_same_layer_gives_the_same_interval() -> None:
    lower, upper = layer(1, Rough(sd=60.0))
    one, other = (layer_thickness(lower, upper, PIXEL, spacing_um=500.0) for _ in range(2))
    assert (one.low, one.high) == (other.low, other.high)


@pytest.mark.parametrize(
    ("lower", "upper", "options", "message"),
    [
        (line((0, 0), (9000, 900)), line((0, 900), (9000, 0)), {}, "cross or touch at 4500, 450"),
        (line((0, 0), (60, 0)), line((0, 900), (9000, 900)), {}, "only 2.0 pixels long"),
        (line((0, 0), (9000, 0)), line((0, 900), (math.nan, 0)), {}, "no list of points"),
        (
            line((0, 0), (9000, 0)),
            line((0, 900), (9000, 900)),
            {"spacing_um": 5.0},
            "closer than pixels",
        ),
        (line((0, 0), (9000, 0)), line((0, 900), (9000, 900)), {"spacing_um": 1e5}, "is long"),
        (line((0, 0), (9000, 0)), line((0, 900), (9000, 900)), {"cut_deg": 0.0}, "cannot meet"),
        (line((0, 0), (9000, 0)), line((0, 0), (9000, 0)), {}, "cross or touch"),
    ],
)
def test_refused(lower: np.ndarray, upper: np.ndarray, options: dict[str, float], message: str) -> None:
    with pytest.raises(InputError, match=message):
        layer_thickness(lower, upper, PIXEL, **options)


def test_two_stations_have_no_interval() -> None:
    found = layer_thickness([(0, 0), (100, 0)], [(0, 20), (100, 20)], (1.0, 1.0), spacing_um=40.0)
    assert len(found.at) == 2
    assert math.isnan(found.low)
    assert math.isnan(found.high)
