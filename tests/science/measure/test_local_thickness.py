"""Local thickness on shapes whose thickness is known, and on random rocks."""

from __future__ import annotations

import numpy as np
import pytest

from tests.science.measure.phantoms import mosaic, scattered
from tests.science.measure.shapes import annulus, disc, middle_of_strip, strip
from viewer.errors import CancelledError, InputError
from viewer.science.measure.local_thickness import local_thickness, thickness_picture


@pytest.mark.parametrize("pixel_um", [(1.0, 1.0), (1.0, 1.5)])
@pytest.mark.parametrize("width", [2.0, 5.0, 12.0])
def test_strips_whichever_way_they_run(width: float, pixel_um: tuple[float, float]) -> None:
    rng = np.random.default_rng(1)
    errors = []
    for k in range(24):
        mask = strip(width, 7.5 * (k + rng.random()), rng.uniform(-0.5, 0.5), pixel_um)
        found = thickness_picture(mask, pixel_um)
        errors.append(found[mask & middle_of_strip(pixel_um)].mean() - width)
    assert abs(np.mean(errors)) < 0.5
    assert np.std(errors) < 0.4


@pytest.mark.parametrize("radius", [3.0, 8.0, 15.0])
def test_discs(radius: float) -> None:
    rng = np.random.default_rng(2)
    errors = []
    for _ in range(16):
        mask = disc(radius, (rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5)), (1.0, 1.0))
        errors.append(thickness_picture(mask, (1.0, 1.0))[mask].mean() - 2 * radius)
    assert -0.8 < np.mean(errors) < 0.3


def test_an_annulus_is_as_thick_as_its_wall() -> None:
    for pixel_um in ((1.0, 1.0), (1.0, 2.0)):
        mask = annulus(12.0, (0.2, 0.3), pixel_um, inner=38.0)
        found = thickness_picture(mask, pixel_um)[mask]
        assert found.mean() == pytest.approx(12.0, abs=0.6)
        assert found.std() < 0.5


def test_a_thin_neck_between_thick_ends() -> None:
    mask = np.zeros((60, 100), bool)
    mask[10:50, 5:45] = True
    mask[10:50, 55:95] = True
    mask[28:32, 45:55] = True
    found = thickness_picture(mask, (1.0, 1.0))
    assert found[30, 50] == pytest.approx(4.0, abs=0.4)
    assert found[30, 25] == pytest.approx(40.0, abs=0.6)


def test_units_are_um() -> None:
    mask = mosaic(3, (80, 80), 9.0, (0.3, 0.7)) == 1
    one = local_thickness(mask, (1.0, 1.0))
    twenty = local_thickness(mask, (20.0, 20.0))
    assert twenty.mean == pytest.approx(20 * one.mean)
    assert twenty.high == pytest.approx(20 * one.high, rel=1e-4)


def test_seam_that_crosses_the_map() -> None:
    mask = np.zeros((120, 200), bool)
    mask[50:70] = True
    found = local_thickness(mask, (1.0, 1.0))
    assert found.mean == pytest.approx(20.0, abs=0.4)
    assert found.at_edge > 0
    # Cut pieces look thinner: at either end discs must end before the map does.
    assert found.as_seen < found.mean


def test_the_edge_is_made_good() -> None:
    """A map cut out of a larger one: pieces that its edge cuts must not make the mean smaller."""
    means, seen = [], []
    for seed in range(24):
        mask = scattered(seed, (110, 110), 8.0, 0.3) == 1
        found = local_thickness(mask, (1.0, 1.0))
        means.append(found.mean)
        seen.append(found.as_seen)
    large = local_thickness(scattered(999, (1500, 1500), 8.0, 0.3) == 1, (1.0, 1.0)).mean
    error = np.std(means) / np.sqrt(len(means))
    assert abs(np.mean(means) - large) < 2.5 * error
    assert np.mean(seen) < large - 2.5 * error


def test_the_interval_holds_the_mean_of_the_rock() -> None:
    truth = local_thickness(mosaic(999, (1000, 1000), 9.0, (0.3, 0.7)) == 1, (1.0, 1.0)).mean
    held = 0
    for seed in range(40):
        found = local_thickness(mosaic(seed, (130, 130), 9.0, (0.3, 0.7)) == 1, (1.0, 1.0))
        held += found.low <= truth <= found.high
    assert held >= 34


def test_region_and_outline() -> None:
    mask = np.zeros((80, 160), bool)
    mask[30:50, 10:150] = True
    mask[5:9, 10:150] = True
    # A piece is as thick as it is, also where the region cuts it.
    region = np.zeros_like(mask)
    region[40:, :] = True
    assert local_thickness(mask, (1.0, 1.0), region=region).mean == pytest.approx(20.0, abs=0.5)
    # Beyond the outline nobody knows: what reaches there is not counted.
    known = np.zeros_like(mask)
    known[:40, :] = True
    found = local_thickness(mask, (1.0, 1.0), known=known)
    assert found.at_edge > 0
    assert found.quantiles[2] == pytest.approx(4.0, abs=0.4)


def test_nothing_to_measure() -> None:
    mask = np.zeros((20, 20), bool)
    with pytest.raises(InputError, match="No pixel"):
        local_thickness(mask, (1.0, 1.0))
    with pytest.raises(InputError, match="far enough"):
        local_thickness(~mask, (1.0, 1.0))


def test_what_is_alike_everywhere_has_no_interval() -> None:
    mask = np.zeros((40, 40), bool)
    mask[20, 20] = True
    found = local_thickness(mask, (1.0, 1.0))
    assert np.isnan(found.low)
    assert found.why


def test_histogram_sums_to_all() -> None:
    found = local_thickness(mosaic(4, (90, 90), 9.0, (0.3, 0.7)) == 1, (1.0, 1.0))
    edges, shares = found.histogram()
    assert shares.sum() == pytest.approx(100.0)
    assert edges[-1] >= found.largest


def test_it_tells_how_far_it_is_and_can_be_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("viewer.science.kernels.thickness.DISCS", 500)
    mask = mosaic(4, (90, 90), 9.0, (0.3, 0.7)) == 1
    told: list[float] = []
    one = local_thickness(mask, (1.0, 1.0), progress=lambda done, doing="": told.append(done))
    assert told == sorted(told)
    assert len(told) > 8
    monkeypatch.undo()
    # Discs painted in one go or in several come out the same.
    np.testing.assert_array_equal(one.picture, local_thickness(mask, (1.0, 1.0)).picture)

    def stop(done: float, doing: str = "") -> None:
        if done > 0.5:
            raise CancelledError("stopped")

    with pytest.raises(CancelledError):
        local_thickness(mask, (1.0, 1.0), progress=stop)
