"""Thresholds from histograms."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.errors import InputError
from viewer.science.look.histogram import Histogram
from viewer.science.sort.thresholds import find_thresholds


def two_peaks(seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.concatenate([rng.poisson(20, 4000), rng.poisson(120, 1500)]).reshape(55, 100)


def test_classes_hold_their_pixels() -> None:
    image = two_peaks()
    found = find_thresholds(Histogram.of(image), "otsu")
    (cut,) = found.cuts
    assert found.pixels == (int((image < cut).sum()), int((image > cut).sum()))
    assert cut not in image
    assert found.separation > 0.9
    low, high = found.ranges("Fe")
    assert (low.low, low.high, high.low, high.high) == (None, cut, cut, None)
    assert low.layer == "Fe"


def test_a_parting_explains_more_with_more_classes() -> None:
    rng = np.random.default_rng(5)
    image = np.concatenate([rng.poisson(m, 2000) for m in (10, 60, 150)])
    two = find_thresholds(Histogram.of(image), "multi-otsu", 2)
    three = find_thresholds(Histogram.of(image), "multi-otsu", 3)
    assert three.separation > two.separation
    assert sum(three.pixels) == image.size
    assert np.allclose(np.array(three.pixels) / 2000, 1, atol=0.03)


def test_empty_bins_at_the_ends_and_missing_pixels_do_not_matter() -> None:
    image = two_peaks()
    counts = np.bincount(image.ravel(), minlength=1000)
    padded = Histogram(np.append(counts, 77), np.append(np.arange(1000.0), np.nan))
    for method in ("otsu", "multi-otsu", "triangle"):
        assert find_thresholds(padded, method).pixels == find_thresholds(
            Histogram(counts, np.arange(1000.0)), method
        ).pixels


def test_sixteen_bits_take_no_memory_to_speak_of() -> None:
    image = two_peaks() * 400
    found = find_thresholds(Histogram.of(image), "multi-otsu", 2)
    assert found.pixels == pytest.approx((4000, 1500), abs=25)


def test_one_value_cannot_be_parted() -> None:
    with pytest.raises(InputError, match="1 different value;"):
        find_thresholds(Histogram.of(np.full(9, 4)), "otsu")
    with pytest.raises(InputError, match="classes, not 9"):
        find_thresholds(Histogram.of(two_peaks()), "multi-otsu", 9)
    with pytest.raises(InputError, match="no threshold called"):
        find_thresholds(Histogram.of(two_peaks()), "magic")  # type: ignore[arg-type]


def test_two_values_are_parted_between_them() -> None:
    found = find_thresholds(Histogram.of(np.array([3, 3, 9])), "otsu")
    assert found.cuts == (6.0,)
    assert found.separation == pytest.approx(1.0)
