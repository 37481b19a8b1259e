"""Modes: what is counted, what is left out, and each of the intervals."""

from __future__ import annotations

import numpy as np
import pytest

from tests.science.measure.phantoms import mosaic, slanting_band
from viewer.errors import InputError
from viewer.science.measure.mode import cell_of, modes

NAMES = ("olivine", "plagioclase", "chromite")
PARTS = (0.3, 0.6, 0.1)


def test_proportions_are_of_sorted_pixels_inside_the_region() -> None:
    labels = mosaic(0, (90, 120), 5.0, PARTS)
    labels[:10] = 0
    labels[:, :7] = 255
    mask = np.zeros(labels.shape, bool)
    mask[5:60, 3:100] = True
    found = modes(labels, NAMES, (2.0, 3.0), mask=mask)
    inside = labels[mask]
    counted = np.isin(inside, (1, 2, 3)).sum()
    assert (found.counted, found.unsorted) == (counted, (inside == 0).sum())
    assert found.counted + found.unsorted + found.outside == labels.size
    assert found.area_um2 == counted * 6.0
    for label, mode in enumerate(found.modes, start=1):
        assert mode.pixels == (inside == label).sum()
        assert mode.area == pytest.approx(100 * mode.pixels / counted)
    assert sum(m.area for m in found.modes) == pytest.approx(100)
    assert "unsorted" in found.remarks[0]


def test_every_interval_holds_the_value_and_stays_a_proportion() -> None:
    found = modes(mosaic(3, (80, 80), 6.0, PARTS), NAMES, (1.0, 1.0), densities=(3.4, 2.7, None))
    for m in found.modes:
        assert m.low is not None
        assert m.high is not None
        assert m.bootstrap_low is not None
        assert m.bootstrap_high is not None
        for low, high in (
            (m.low, m.high),
            (m.bootstrap_low, m.bootstrap_high),
            (m.edge_low, m.edge_high),
            (m.binomial_low, m.binomial_high),
        ):
            assert 0 <= low < m.area < high <= 100
        assert m.binomial_high - m.binomial_low < m.high - m.low
        assert m.edge_random < m.edge_high - m.area
        assert m.total_low is not None
        assert m.total_high is not None
        assert 0 <= m.total_low <= min(m.low, m.edge_low)
        assert max(m.high, m.edge_high) <= m.total_high <= 100
        assert m.n_eff is not None
        assert m.n_eff < m.pixels


def test_the_same_region_gives_the_same_numbers() -> None:
    labels = mosaic(3, (80, 80), 6.0, PARTS)
    assert modes(labels, NAMES, (1.0, 1.0)) == modes(labels, NAMES, (1.0, 1.0))
    assert modes(labels, NAMES, (1.0, 1.0), seed=1) != modes(labels, NAMES, (1.0, 1.0))


def test_a_mask_is_worth_as_much_as_a_smaller_map() -> None:
    labels = mosaic(3, (80, 80), 6.0, PARTS)
    mask = np.zeros(labels.shape, bool)
    mask[10:70, 20:75] = True
    cut = np.ascontiguousarray(labels[10:70, 20:75])
    one, other = modes(labels, NAMES, (1.0, 2.0), mask=mask), modes(cut, NAMES, (1.0, 2.0))
    assert one.modes == other.modes


def test_a_turned_map_gives_the_same_numbers() -> None:
    labels = mosaic(5, (90, 70), 6.0, PARTS)
    one = modes(labels, NAMES, (2.0, 3.0))
    other = modes(np.ascontiguousarray(labels.T), NAMES, (3.0, 2.0))
    for a, b in zip(one.modes, other.modes, strict=True):
        assert (a.area, a.low, a.high, a.n_eff) == pytest.approx((b.area, b.low, b.high, b.n_eff))


def test_weights() -> None:
    labels = mosaic(1, (100, 100), 5.0, PARTS)
    found = modes(labels, NAMES, (1.0, 1.0), densities=(3.5, 2.7, 4.6))
    heavy = [m.area * d for m, d in zip(found.modes, (3.5, 2.7, 4.6), strict=True)]
    for mode, part in zip(found.modes, heavy, strict=True):
        assert mode.weight == pytest.approx(100 * part / sum(heavy))
        assert mode.weight_low is not None
        assert mode.weight_high is not None
        assert mode.weight_low < mode.weight < mode.weight_high
    alike = modes(labels, NAMES, (1.0, 1.0), densities=(3.0, 3.0, 3.0))
    for mode in alike.modes:
        assert mode.weight == pytest.approx(mode.area)
        assert (mode.weight_low, mode.weight_high) == pytest.approx((mode.low, mode.high))


def test_a_phase_without_a_density_is_left_out_of_weights_and_named() -> None:
    found = modes(mosaic(1, (60, 60), 5.0, PARTS), NAMES, (1.0, 1.0), densities=(3.5, None, 4.6))
    assert found.mode("plagioclase").weight is None
    assert found.mode("olivine").weight is not None
    assert any("leave out plagioclase" in remark for remark in found.remarks)
    none = modes(mosaic(1, (60, 60), 5.0, PARTS), NAMES, (1.0, 1.0))
    assert all(m.weight is None for m in none.modes)
    assert not none.remarks


def test_an_absent_phase_has_an_upper_end() -> None:
    found = modes(mosaic(1, (100, 100), 5.0, (0.4, 0.6)), (*NAMES[:2], "zircon"), (1.0, 1.0))
    zircon = found.mode("zircon")
    assert (zircon.area, zircon.low) == (0.0, 0.0)
    assert zircon.high is not None
    assert 0 < zircon.high < 20
    assert "absent" in zircon.why


def test_an_absent_phase_in_a_thin_band_rests_on_the_grains_along_it() -> None:
    # Grains 200 pixels wide in a band 16 high: 40 of them, whichever way the band lies, and whatever
    # the height is that blocks must be cut down to.
    grains = np.random.default_rng(0).random(40) < 0.4
    labels = np.tile(np.repeat(np.where(grains, 1, 2), 200).astype(np.uint8), (16, 1))
    for band in (labels, np.ascontiguousarray(labels.T)):
        found = modes(band, (*NAMES[:2], "zircon"), (1.0, 1.0), resamples=0)
        zircon, olivine = found.mode("zircon"), found.mode("olivine")
        assert olivine.reach_um is not None
        assert olivine.block_um == pytest.approx(2 * olivine.reach_um)
        assert zircon.n_eff == pytest.approx(8000 / olivine.block_um, rel=0.1)
        assert zircon.high is not None
        assert 8 < zircon.high < 25


def test_a_phase_spread_evenly_is_not_absent() -> None:
    rows, columns = np.indices((1024, 1024))
    labels = np.where((rows + columns) % 2, 1, 2).astype(np.uint8)
    found = modes(labels, (*NAMES[:2], "zircon"), (1.0, 1.0), densities=(3.0, 3.0, 4.0))
    # Cells of 4 x 4 pixels, each half of either phase.
    half = 98.0 / 256
    for name in NAMES[:2]:
        mode = found.mode(name)
        assert mode.area == 50.0
        assert mode.n_eff == pytest.approx(256 * 256)
        assert (mode.low, mode.high) == pytest.approx((50 - half, 50 + half), abs=0.001)
        assert (mode.weight_low, mode.weight_high) == pytest.approx((mode.low, mode.high))
        assert "evenly" in mode.why
    zircon = found.mode("zircon")
    assert "absent" in zircon.why
    assert zircon.high is not None
    assert 0 < zircon.high < 5
    # One pixel that is out of place makes the region no surer than its pixels are many.
    labels[0, 0] = 3 - labels[0, 0]
    n_eff = modes(labels, NAMES[:2], (1.0, 1.0), resamples=0).mode("olivine").n_eff
    assert n_eff is not None
    assert n_eff <= labels.size


@pytest.mark.parametrize("count", [1, 3, 25])
def test_few_patches_are_remarked_on(count: int) -> None:
    rng = np.random.default_rng(count)
    y, x = np.indices((240, 240))
    labels = np.full(y.shape, 2, np.uint8)
    # At most one a square of 48, so that none touch.
    for at in rng.permutation(25)[:count]:
        cy, cx = 48 * (at // 5) + rng.uniform(10, 38), 48 * (at % 5) + rng.uniform(10, 38)
        labels[np.hypot(y - cy, x - cx) < 8] = 1
    found = modes(labels, NAMES[:2], (1.0, 1.0), resamples=0)
    olivine = found.mode("olivine")
    few = count < 5
    assert any("separate patches" in remark for remark in found.remarks) is few
    assert ("patch" in olivine.why) is few
    assert olivine.n_eff is not None
    if few:
        assert olivine.n_eff * olivine.area / 100 == pytest.approx(count, rel=0.35)


def test_a_network_is_no_single_patch() -> None:
    # All grains of the other phase apart: olivine is one patch of connected pixels, and well known.
    labels = mosaic(4, (120, 120), 5.0, (0.8, 0.2))
    found = modes(labels, NAMES[:2], (1.0, 1.0), resamples=0)
    assert found.mode("olivine").why == ""
    assert not found.remarks


def test_a_phase_that_fills_the_region_says_why_it_has_no_interval() -> None:
    only = modes(np.ones((20, 20), np.uint8), ("quartz",), (1.0, 1.0)).mode("quartz")
    assert only.area == 100.0
    assert (only.low, only.high, only.half_width) == (None, None, None)
    assert "grain size" in only.why


def test_edge_pixels_bound_the_mode() -> None:
    labels = np.full((20, 30), 2, np.uint8)
    labels[5:15, 5:25] = 1
    mode = modes(labels, NAMES[:2], (1.0, 1.0)).mode("olivine")
    assert mode.edge_pixels == 2 * 20 + 2 * 8
    assert mode.edge_low == pytest.approx(100 * (200 - 0.5 * 56) / 600)
    assert mode.edge_high == pytest.approx(100 * (200 + 0.5 * 60) / 600)


def test_a_disk_lies_within_the_edge_bounds() -> None:
    # A disk's own area lies well inside the bounds, and 95 times in 100 within the random half-width of
    # the count of pixels whose centres it covers.
    rng = np.random.default_rng(2)
    y, x = np.indices((60, 60)) + 0.5
    inside = 0
    for _ in range(100):
        cy, cx = rng.uniform(28, 32, 2)
        labels = np.where(np.hypot(y - cy, x - cx) <= 20.0, 1, 2).astype(np.uint8)
        mode = modes(labels, NAMES[:2], (1.0, 1.0), resamples=0).mode("olivine")
        truth = 100 * np.pi * 400 / 3600
        assert mode.edge_low < truth < mode.edge_high
        inside += abs(mode.area - truth) <= mode.edge_random
    assert inside >= 90


def test_a_large_region_is_summed_up_to_cells() -> None:
    assert cell_of((8000, 8000), (1.0, 1.0), 256 * 256) == (31, 31)
    assert cell_of((100, 100), (1.0, 1.0), 256 * 256) == (1, 1)
    assert cell_of((2000, 4000), (1.0, 2.0), 250 * 250) == (8, 16)
    labels = mosaic(7, (400, 400), 14.0, PARTS)
    fine, coarse = (modes(labels, NAMES, (1.0, 1.0), cells=n, resamples=0) for n in (10**6, 100**2))
    for a, b in zip(fine.modes, coarse.modes, strict=True):
        assert a.area == b.area
        assert (a.low, a.high) == pytest.approx((b.low, b.high), rel=0.12)


def test_nothing_sorted_in_the_region() -> None:
    labels = mosaic(1, (20, 20), 5.0, PARTS)
    for empty in (np.zeros_like(labels), np.full_like(labels, 255)):
        with pytest.raises(InputError, match="no sorted pixel"):
            modes(empty, NAMES, (1.0, 1.0))
    with pytest.raises(InputError, match="no sorted pixel"):
        modes(labels, NAMES, (1.0, 1.0), mask=np.zeros(labels.shape, bool))
    with pytest.raises(ValueError, match="density"):
        modes(labels, NAMES, (1.0, 1.0), densities=(1.0,))


def test_one_pixel() -> None:
    mode = modes(np.ones((1, 1), np.uint8), ("a",), (1.0, 1.0)).mode("a")
    assert mode.area == 100.0


def test_slanting_region() -> None:
    band = slanting_band((100, 140), 35.0, 30.0)
    found = modes(mosaic(2, band.shape, 4.0, PARTS), NAMES, (1.0, 1.0), mask=band)
    assert found.counted == band.sum()
    assert all(m.high is not None and m.high > m.area for m in found.modes)
