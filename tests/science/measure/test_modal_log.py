"""The modal log: bands along way-up at any angle, on mirrored and turned maps, partly covered."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.science.measure.phantoms import mosaic
from viewer.errors import InputError
from viewer.science.look.orient import Orientation
from viewer.science.measure.modal_log import modal_log, up_on_map

NAMES = ("a", "b")
UP = (0.0, -1.0)


def test_bands_from_the_lowest_point_up() -> None:
    labels = np.full((100, 40), 2, np.uint8)
    labels[70:] = 1
    log = modal_log(labels, NAMES, (2.0, 5.0), UP, 100.0)
    assert [b.bottom_um for b in log.bands] == [0.0, 100.0, 200.0, 300.0, 400.0]
    assert [b.top_um for b in log.bands] == [100.0, 200.0, 300.0, 400.0, 500.0]
    assert [b.modes.mode("a").area for b in log.bands if b.modes] == [100.0, 50.0, 0.0, 0.0, 0.0]
    assert all(b.covered == 1.0 for b in log.bands)


@pytest.mark.parametrize("degrees", [0.0, 30.0, 90.0, 145.0, 180.0, 270.0, 301.5])
def test_every_pixel_is_in_the_band_that_its_centre_lies_in(degrees: float) -> None:
    labels = mosaic(1, (70, 90), 6.0, (0.3, 0.7))
    labels[20:30, 40:50] = 0
    labels[:15, :25] = 255
    up = up_on_map(Orientation(way_up_deg=degrees))
    pixel = (3.0, 2.0)
    log = modal_log(labels, NAMES, pixel, up, 31.3)
    y, x = np.indices(labels.shape) + 0.5
    far = x * pixel[0] * up[0] + y * pixel[1] * up[1] - log.origin_um
    assert log.bands[0].bottom_um == 0.0
    total = 0
    for band in log.bands:
        here = (far >= band.bottom_um) & (far < band.top_um)
        counted = int((here & np.isin(labels, (1, 2))).sum())
        assert (0 if band.modes is None else band.modes.counted) == counted
        assert band.unsorted == (here & (labels == 0)).sum()
        total += counted
    assert total == np.isin(labels, (1, 2)).sum()
    assert far[labels != 255].min() >= 0.0


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("degrees", [0.0, 90.0, 20.0])
def test_a_mirrored_and_turned_map_reads_as_it_is_displayed(
    mirror: bool, turns: int, degrees: float
) -> None:
    stored = mosaic(2, (60, 44), 5.0, (0.4, 0.6))
    as_shown = Orientation(mirror=mirror, quarter_turns=turns, way_up_deg=degrees)
    shown = np.ascontiguousarray(as_shown.apply(stored))
    pixel = (2.0, 3.0)
    shown_pixel = (3.0, 2.0) if as_shown.swaps_axes else pixel
    # A band height that puts no centre on an edge, where rounding would decide.
    one = modal_log(stored, NAMES, pixel, up_on_map(as_shown), 17.77)
    other = modal_log(shown, NAMES, shown_pixel, up_on_map(Orientation(way_up_deg=degrees)), 17.77)
    assert len(one.bands) == len(other.bands)
    for a, b in zip(one.bands, other.bands, strict=True):
        assert a.modes is not None
        assert b.modes is not None
        assert a.modes.counted == b.modes.counted
        for m, n in zip(a.modes.modes, b.modes.modes, strict=True):
            assert (m.area, m.low, m.high) == pytest.approx((n.area, n.low, n.high))


def test_up_is_a_unit_vector_and_mirrors() -> None:
    assert up_on_map(Orientation(way_up_deg=0.0)) == pytest.approx((0.0, -1.0))
    assert up_on_map(Orientation(way_up_deg=90.0)) == pytest.approx((1.0, 0.0))
    assert up_on_map(Orientation(way_up_deg=90.0, mirror=True)) == pytest.approx((-1.0, 0.0))
    # The map is shown turned clockwise: the top of the picture is the left of the stored map.
    assert up_on_map(Orientation(way_up_deg=0.0, quarter_turns=1)) == pytest.approx((-1.0, 0.0))
    assert math.hypot(*up_on_map(Orientation(way_up_deg=33.0))) == pytest.approx(1.0)
    with pytest.raises(InputError, match="which way is up"):
        up_on_map(Orientation())


def test_partly_covered_bands_and_gaps() -> None:
    labels = np.full((90, 50), 2, np.uint8)
    labels[:30, 10:] = 255
    labels[40:60] = 255
    labels[30:40] = 0
    log = modal_log(labels, NAMES, (1.0, 1.0), UP, 10.0)
    assert [round(b.covered, 3) for b in log.bands] == [1, 1, 1, 0, 0, 0, 0.2, 0.2, 0.2]
    assert [b.unsorted for b in log.bands] == [0, 0, 0, 0, 0, 500, 0, 0, 0]
    assert log.bands[4].modes is None


def test_a_chosen_origin_sets_the_bands() -> None:
    labels = mosaic(1, (50, 30), 5.0, (0.3, 0.7))
    # Distance 0 at row 20: -20 µm on the stored map.
    log = modal_log(labels, NAMES, (1.0, 1.0), UP, 15.0, origin_um=-20.0)
    assert [b.bottom_um for b in log.bands] == [-30.0, -15.0, 0.0, 15.0]
    assert log.bands[2].modes is not None
    assert log.bands[2].modes.counted == 15 * 30


def test_intervals_widen_in_thin_bands() -> None:
    labels = mosaic(3, (200, 100), 6.0, (0.3, 0.7))

    def width(band: float) -> float:
        log = modal_log(labels, NAMES, (1.0, 1.0), UP, band)
        return float(np.mean([b.modes.mode("a").half_width or 0 for b in log.bands if b.modes]))

    assert width(20.0) > 1.5 * width(100.0)


def test_what_it_refuses() -> None:
    labels = mosaic(1, (50, 30), 5.0, (0.3, 0.7))
    with pytest.raises(InputError, match="thinner than a pixel"):
        modal_log(labels, NAMES, (1.0, 2.0), UP, 1.5)
    with pytest.raises(InputError, match="thinner than a pixel"):
        modal_log(labels, NAMES, (1.0, 2.0), UP, math.nan)
    with pytest.raises(InputError, match="bands"):
        modal_log(np.ones((3000, 2), np.uint8), NAMES, (1.0, 1.0), UP, 1.0)
    with pytest.raises(InputError, match="no pixel"):
        modal_log(np.full_like(labels, 255), NAMES, (1.0, 1.0), UP, 5.0)
    with pytest.raises(InputError, match="no sorted"):
        modal_log(np.zeros_like(labels), NAMES, (1.0, 1.0), UP, 5.0)
    assert "three pixels" in modal_log(labels, NAMES, (1.0, 1.0), UP, 2.0).remarks[0]
