from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from viewer.science.kernels import histogram as kernels
from viewer.science.look.coding import Coding
from viewer.science.look.histogram import Histogram, histogram_codes, suggest_stretch

shapes = st.tuples(st.integers(1, 40), st.integers(1, 40))
images = hnp.arrays(st.sampled_from([np.uint8, np.uint16]), shapes)


def of_counts(image):
    return Histogram(histogram_codes(image.astype(np.uint16)), np.arange(65536.0))


@given(images, st.booleans(), st.integers(0, 2**32 - 1))
@settings(deadline=None)
def test_counting_equals_its_plain_twin(codes, masked, seed):
    mask = np.random.default_rng(seed).random(codes.shape) < 0.6 if masked else None
    np.testing.assert_array_equal(kernels.count(codes, mask), kernels.count_plain(codes, mask))


def test_counting_many_pixels_in_parts():
    codes = np.random.default_rng(1).integers(0, 65536, (700, 900), dtype=np.uint16)
    np.testing.assert_array_equal(kernels.count(codes), kernels.count_plain(codes))
    turned = codes.T
    np.testing.assert_array_equal(kernels.count(turned), kernels.count_plain(codes))


def test_blocks_add_up():
    codes = np.random.default_rng(2).integers(0, 256, (60, 50), dtype=np.uint8)
    out = histogram_codes(codes[:31], 256)
    assert histogram_codes(codes[31:], 256, out=out) is out
    np.testing.assert_array_equal(out, histogram_codes(codes, 256))


def test_a_code_without_a_bin_is_refused_before_anything_is_added():
    out = np.zeros(100, np.int64)
    with pytest.raises(ValueError, match="100 bins"):
        histogram_codes(np.array([[3, 100]], np.uint8), 100, out=out)
    assert not out.any()


@pytest.mark.parametrize(
    ("codes", "mask"),
    [
        (np.zeros((2, 2), np.int32), None),
        (np.zeros(4, np.uint8), None),
        (np.zeros((2, 2), np.uint8), np.ones((2, 3), bool)),
        (np.zeros((2, 2), np.uint8), np.ones((2, 2), np.uint8)),
    ],
)
def test_arrays_that_do_not_go_together_are_refused(codes, mask):
    with pytest.raises(ValueError):
        histogram_codes(codes, 256, mask)


def test_moments_are_those_of_the_pixels():
    image = np.random.default_rng(3).poisson(20, (80, 90))
    histogram = of_counts(image)
    assert histogram.total == image.size
    assert histogram.mean == pytest.approx(image.mean(), rel=1e-12)
    assert histogram.std == pytest.approx(image.std(), rel=1e-12)
    assert histogram.span == (image.min(), image.max())
    assert histogram.count_between(18, 22) == ((image >= 18) & (image <= 22)).sum()
    assert histogram.rank(20) == pytest.approx(100 * (image <= 20).mean())


def test_codes_without_a_value_are_counted_apart():
    values = np.array([[1.0, 2.0, np.nan], [np.nan, 4.0, 4.0]])
    coding = Coding.for_range(1.0, 4.0)
    histogram = Histogram(histogram_codes(coding.encode(values)), coding.values())
    assert (histogram.total, histogram.missing) == (4, 2)
    assert histogram.mean == pytest.approx(2.75, abs=1e-4)
    assert Histogram.of(values).missing == 2


def test_an_empty_histogram_has_no_numbers():
    histogram = Histogram(np.zeros(5, np.int64), np.arange(5.0))
    assert histogram.total == 0
    assert np.isnan([histogram.mean, histogram.std, histogram.percentile(50), *histogram.span]).all()
    counts, edges = histogram.rebinned(0, 5, 5)
    assert counts.sum() == 0
    assert edges.size == 6


@pytest.mark.parametrize(
    ("counts", "values"),
    [([1, 2], [0.0]), ([1, -2], [0.0, 1.0]), ([1, 2], [1.0, 1.0]), ([1, 2], [1.0, 0.0])],
)
def test_histograms_that_make_no_sense_are_refused(counts, values):
    with pytest.raises(ValueError):
        Histogram(np.array(counts), np.array(values))


def test_bins_on_whole_numbers_hold_exact_counts():
    image = np.random.default_rng(4).poisson(12, (70, 70))
    counts, edges = of_counts(image).rebinned(-0.5, 39.5, 40)
    np.testing.assert_array_equal(counts, np.bincount(image.ravel(), minlength=40))
    np.testing.assert_allclose(edges, np.arange(41) - 0.5)


@given(st.floats(-20, 10), st.floats(60, 200), st.integers(1, 300))
def test_bins_lose_no_pixel(low, high, bins):
    image = np.random.default_rng(5).poisson(12, (40, 40))
    counts, _ = of_counts(image).rebinned(low, high, bins)
    inside = of_counts(image).rebinned(low, high, 1)[0][0]
    assert counts.sum() == pytest.approx(inside)
    if low < -0.5:
        assert counts.sum() == pytest.approx(image.size)


def test_whole_numbers_make_no_comb():
    # 301 values in 200 bins: counting each value into one bin would alternate between one and two.
    flat = np.arange(301)[None]
    counts, _ = of_counts(flat).rebinned(-0.5, 300.5, 200)
    np.testing.assert_allclose(counts, 301 / 200)
    # The same where only every 16th number occurs (12-bit numbers kept in 16).
    counts, _ = of_counts(flat * 16).rebinned(-8, 4808, 200)
    np.testing.assert_allclose(counts, 301 / 200)


def test_a_noise_channel_gets_the_usual_percentiles():
    for mean in (0.3, 2.0, 5.0, 60.0):
        image = np.random.default_rng(6).poisson(mean, (300, 300))
        resolved = suggest_stretch(of_counts(image)).resolve(of_counts(image))
        assert resolved.low == np.percentile(image, 1)
        assert resolved.high == np.percentile(image, 99.5)


def test_rare_grains_over_background_get_a_range_of_their_own():
    rng = np.random.default_rng(7)
    grains = rng.random((400, 400)) < 0.003
    image = np.where(grains, rng.poisson(120, grains.shape), rng.poisson(0.8, grains.shape))
    stretch = suggest_stretch(of_counts(image)).resolve(of_counts(image))
    assert stretch.low <= 1
    assert 110 < stretch.high < 160


def test_a_few_hot_pixels_do_not_count_as_grains():
    image = np.random.default_rng(8).poisson(5, (300, 300))
    image[::90, ::90] = 60_000  # 16 pixels of 90 000 are the first that count
    image[0, 0] = 5
    assert suggest_stretch(of_counts(image)).resolve(of_counts(image)).high < 30


@given(hnp.arrays(np.uint16, shapes, elements=st.integers(0, 6)))
@settings(deadline=None)
def test_a_suggestion_is_never_one_value(image):
    stretch = suggest_stretch(of_counts(image)).resolve(of_counts(image))
    assert stretch.low < stretch.high
