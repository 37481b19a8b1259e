"""Rims around hosts: closed forms, what is left out, directions on turned and mirrored maps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.science.measure.rim_phantoms import (
    Habit,
    Law,
    Rock,
    eccentric,
    eccentric_law,
    rock,
)
from viewer.errors import CancelledError, InputError
from viewer.science.measure.rim_rose import first_harmonic, mean_of, rim_classes
from viewer.science.measure.rim_test import up_down
from viewer.science.measure.rims import (
    CUT,
    ENDINGS,
    MEASURED,
    OPEN,
    SHARED,
    Rims,
    directions,
    rims_around,
)

UP = (0.0, -1.0)


def measured(made: Rock, up: tuple[float, float] = UP, **more: object) -> Rims:
    return rims_around(made.host, made.rim, made.pixel_um, up, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("pixel_um", [(20.0, 20.0), (20.0, 30.0), (12.0, 31.0)])
@pytest.mark.parametrize(("inner", "outer", "off"), [(240, 330, 40), (240, 290, 20), (150, 235, 30)])
def test_eccentric_circles(
    pixel_um: tuple[float, float], inner: float, outer: float, off: float
) -> None:
    found = measured(eccentric(1, pixel_um, inner, outer, off, hosts=40))
    rays = found.rays
    assert found.count == 40
    assert (rays.ending == MEASURED).mean() > 0.99
    law = eccentric_law(rays.direction_deg, inner, outer, off)
    size = max(pixel_um)
    # All directions together, and quadrants, are free of rounding; a single class is so to 0.25 pixel.
    assert np.average(rays.thickness_um - law, weights=rays.length_um) == pytest.approx(
        0.0, abs=0.04 * size
    )
    place = ((rays.direction_deg / 90.0 + 0.5).astype(int)) % 4
    for n in range(4):
        here = place == n
        error = np.average((rays.thickness_um - law)[here], weights=rays.length_um[here])
        assert error == pytest.approx(0.0, abs=0.06 * size)
    classes = rim_classes(rays, 15.0)
    expected = eccentric_law(classes.centres_deg, inner, outer, off)
    assert np.abs(classes.mean_um - expected).max() < 0.25 * size
    assert (classes.hosts == 40).all()
    harmonic = first_harmonic(rays)
    assert harmonic is not None
    assert harmonic.size_um == pytest.approx(off, abs=0.03 * size)
    assert harmonic.towards_deg == pytest.approx(0.0, abs=2.0)


@pytest.mark.parametrize("towards", [0.0, 90.0, 200.0])
@pytest.mark.parametrize("up_deg", [0.0, 90.0, 130.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_directions_are_clockwise_from_way_up_on_the_displayed_map(
    towards: float, up_deg: float, mirrored: bool
) -> None:
    # The rim is thickest `towards` on the displayed map. Mirrored maps are stored the other way round.
    made = eccentric(2, (20.0, 25.0), 200.0, 280.0, 40.0, towards_deg=towards, hosts=6)
    flip = slice(None, None, -1 if mirrored else 1)
    stored = Rock(made.host[:, flip], made.rim[:, flip], made.pixel_um)
    up = (np.sin(np.radians(up_deg)) * (-1 if mirrored else 1), -np.cos(np.radians(up_deg)))
    harmonic = first_harmonic(measured(stored, up, mirrored=mirrored).rays)
    assert harmonic is not None
    away = (harmonic.towards_deg - (towards - up_deg) + 180.0) % 360.0 - 180.0
    assert away == pytest.approx(0.0, abs=3.0)
    assert -180.0 < harmonic.towards_deg <= 180.0


def test_directions_of_vectors() -> None:
    x, y = np.array([0.0, 1.0, 0.0, -1.0, -1e-20]), np.array([-1.0, 0.0, 1.0, 0.0, -1.0])
    np.testing.assert_allclose(directions(x, y, UP), [0.0, 90.0, 180.0, 270.0, 0.0])
    np.testing.assert_allclose(directions(x, y, UP, mirrored=True), [0, 270, 180, 90, 0], atol=1e-9)
    np.testing.assert_allclose(directions(x, y, (1.0, 0.0))[:4], [270.0, 0.0, 90.0, 180.0])
    assert (directions(x, y, UP) < 360.0).all()


def test_thin_rims_are_free_of_rounding() -> None:
    # One and a half pixels: nothing but 1 or 2 pixels can be read off any one place.
    found = measured(rock(3, 60, Law(mean=30.0)))
    kept = found.rays.only(found.rays.counted())
    assert mean_of(kept).value == pytest.approx(30.0, abs=0.6)
    assert (found.rays.ending == MEASURED).mean() > 0.95


def test_no_rim_is_open_and_counts_as_zero_only_when_asked() -> None:
    made = eccentric(4, (20.0, 20.0), 200.0, 280.0, 0.0, hosts=8)
    rim = made.rim.copy()
    rim[rim.shape[0] // 2 :] = False
    found = measured(Rock(made.host, rim, made.pixel_um))
    classes = rim_classes(found.rays, 30.0)
    down = classes.centres_deg == 180.0
    assert np.isnan(classes.mean_um[down])
    assert classes.length_um[down][0, OPEN] > 0
    assert classes.hosts[down] == 0
    asked = rim_classes(found.rays, 30.0, open_as_zero=True)
    assert asked.mean_um[down] == pytest.approx(0.0)
    assert up_down(found).median_um is None
    compared = up_down(found, open_as_zero=True)
    assert compared.median_um == pytest.approx(80.0, abs=3.0)
    assert compared.low_um is not None


def test_touching_hosts_are_shared_and_left_out() -> None:
    y, x = np.indices((60, 110))
    x, y = (x + 0.5) * 20.0, (y + 0.5) * 20.0
    near, far = np.hypot(x - 700, y - 600), np.hypot(x - 1300, y - 600)
    host = (near < 240) | (far < 240)
    rim = ((near < 340) | (far < 340)) & ~host
    found = rims_around(host, rim, (20.0, 20.0), UP)
    assert found.count == 2
    rays = found.rays
    left = rays.only(rays.host == 0)
    away = np.abs((left.direction_deg - 90.0 + 180.0) % 360.0 - 180.0)
    # Their rims meet midway: what lies towards the other is not 60 µm thick, but unknown.
    assert (left.ending[away < 20.0] == SHARED).all()
    kept = left.only(left.ending == MEASURED)
    assert np.average(kept.thickness_um, weights=kept.length_um) == pytest.approx(100.0, abs=3.0)
    assert not (kept.thickness_um < 70.0).any()


def test_a_bay_of_the_host_itself_is_shared() -> None:
    host = np.zeros((60, 60), bool)
    host[10:50, 10:50] = True
    host[10:35, 26:34] = False
    rim = np.zeros_like(host)
    rim[6:54, 6:54] = True
    rim &= ~host
    found = rims_around(host, rim, (10.0, 10.0), UP)
    walls = found.rays.only(np.abs(found.rays.direction_deg - 90.0) < 5.0)
    assert (walls.ending == SHARED).any()
    assert walls.thickness_um.max() < 50.0


def test_a_hidden_side_does_not_thin_what_lies_beside_it() -> None:
    # A rim of one thickness, a flank of which is bare or against a neighbour, on one and the same side.
    for seed, hidden in ((5, 0.0), (6, 1.0)):
        found = measured(
            rock(seed, 40, Law(mean=80.0), Habit(long=300, short=300, hidden=hidden, hidden_deg=200.0)),
            smallest_um2=1e5,
        )
        harmonic = first_harmonic(found.rays)
        assert harmonic is not None
        assert harmonic.size_um < 1.2
        compared = up_down(found)
        assert compared.mean_um == pytest.approx(0.0, abs=1.5)


def test_what_is_cut_small_or_a_speck_is_counted_and_left_out() -> None:
    made = eccentric(7, (20.0, 20.0), 200.0, 280.0, 0.0, hosts=4)
    host, rim = made.host.copy(), made.rim.copy()
    third = host.shape[1] // 4
    for mask in (host, rim):
        mask[:-12, :third] = mask[12:, :third]
        mask[-12:, :third] = False
    assert host[0].any()
    host[-2, 1:6] = True
    host[2, third + 1] = True
    rim &= ~host
    found = rims_around(host, rim, (20.0, 20.0), UP)
    assert (found.count, found.cut, found.small, found.specks) == (3, 1, 1, 1)
    assert found.smallest_um2 == 30 * 400.0
    # A region that runs through the last host cuts that too.
    within = np.ones(host.shape, bool)
    within[:, -third // 2 :] = False
    found = rims_around(host, rim, (20.0, 20.0), UP, within=within)
    assert (found.count, found.cut) == (2, 2)
    assert not found.measured[found.grains.cut].any()


def test_a_rim_that_the_region_cuts_is_not_measured() -> None:
    made = eccentric(8, (20.0, 20.0), 200.0, 300.0, 0.0)
    within = np.ones(made.host.shape, bool)
    rows = np.flatnonzero(made.host.any(axis=1))
    within[: rows[0] - 2] = False
    found = measured(made, within=within)
    up = found.rays.only(np.abs((found.rays.direction_deg + 180) % 360 - 180) < 20.0)
    assert (up.ending == CUT).all()
    assert found.shares()[0, ENDINGS.index("cut")] > 0.05


def test_unsorted_pixels_on_a_mixed_edge_are_halved() -> None:
    made = eccentric(9, (10.0, 10.0), 200.0, 280.0, 0.0)
    edge = made.rim & ~_eroded(made.rim | made.host)
    known = ~edge
    found = measured(made, known=known)
    kept = found.rays.only(found.rays.counted())
    whole = measured(made)
    lost = mean_of(whole.rays.only(whole.rays.counted())).value
    value = mean_of(kept).value
    assert value is not None
    assert lost is not None
    # The outermost pixel is unsorted: about half of it is given back.
    assert value == pytest.approx(lost - 5.0, abs=1.5)


def _eroded(mask: np.ndarray) -> np.ndarray:
    from scipy import ndimage

    return ndimage.binary_erosion(mask)


@pytest.mark.parametrize(
    ("host", "rim", "words"),
    [
        (False, True, "host phase"),
        (True, False, "rim phase"),
    ],
)
def test_an_absent_phase_says_so(host: bool, rim: bool, words: str) -> None:
    made = eccentric(1, (20.0, 20.0), 200.0, 280.0, 0.0)
    with pytest.raises(InputError, match=words):
        rims_around(made.host & host, made.rim & rim, made.pixel_um, UP)


def test_other_input_that_cannot_be_measured_says_so() -> None:
    made = eccentric(1, (20.0, 20.0), 200.0, 280.0, 0.0)
    with pytest.raises(InputError, match="same phase"):
        rims_around(made.host, made.host | made.rim, made.pixel_um, UP)
    with pytest.raises(InputError, match="as large as"):
        measured(made, smallest_um2=1e9)
    middle = made.host.shape[0] // 2
    with pytest.raises(InputError, match="cut by the edge"):
        rims_around(made.host[:middle], made.rim[:middle], made.pixel_um, UP)
    for width in (7.0, 0.0, -15.0, float("nan")):
        with pytest.raises(InputError, match="into a circle"):
            rim_classes(measured(made).rays, width)


def test_it_can_be_cancelled() -> None:
    def stop(done: float, doing: str = "") -> None:
        if done >= 0.6:
            raise CancelledError("stopped")

    with pytest.raises(CancelledError):
        measured(eccentric(1, (20.0, 20.0), 200.0, 280.0, 0.0), progress=stop)


def test_rays_of_a_law_give_the_law_back() -> None:
    found = measured(rock(11, 12, Law(mean=70.0), Habit(long=240, short=110, hidden=0.5)))
    away = np.radians(found.rays.direction_deg - 130.0)
    exact = replace(
        found, rays=replace(found.rays, thickness_um=np.asarray(90.0 + 20.0 * np.cos(away)))
    )
    harmonic = first_harmonic(exact.rays)
    assert harmonic is not None
    assert harmonic.size_um == pytest.approx(20.0, abs=1e-6)
    assert harmonic.towards_deg == pytest.approx(130.0, abs=1e-6)
    assert harmonic.mean_um == pytest.approx(90.0, abs=1e-6)
    np.testing.assert_allclose(harmonic.curve(np.array([130.0, 310.0])), [110.0, 70.0])
