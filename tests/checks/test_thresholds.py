"""Thresholds of histograms, against scikit-image on the pixels themselves (van der Walt et al. 2014,
doi:10.7717/peerj.453): Otsu 1979, doi:10.1109/TSMC.1979.4310076; Liao, Chen & Chung 2001; Zack, Rogers
& Latt 1977, doi:10.1177/25.7.70454."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from skimage import data, filters

from viewer.science.look.histogram import Histogram
from viewer.science.sort.thresholds import find_thresholds

Image = npt.NDArray[np.integer]


def counted(seed: int) -> Image:
    rng = np.random.default_rng(seed)
    mean = rng.choice([3.0, 40.0, 150.0], size=(120, 90), p=[0.7, 0.25, 0.05])
    return rng.poisson(mean).astype(np.uint16)


IMAGES = {
    "camera": lambda: data.camera(),
    "coins": lambda: data.coins(),
    "microaneurysms": lambda: data.microaneurysms(),
    **{f"counts {seed}": (lambda s=seed: counted(s)) for seed in range(5)},
}


def histogram(image: Image) -> Histogram:
    """One bin a whole number, as a channel of whole numbers has."""
    counts = np.bincount(image.ravel(), minlength=256)
    return Histogram(counts, np.arange(len(counts), dtype=np.float64))


@pytest.mark.parametrize("name", IMAGES)
def test_otsu(name: str) -> None:
    image = IMAGES[name]()
    assert find_thresholds(histogram(image), "otsu").values == (filters.threshold_otsu(image),)


@pytest.mark.parametrize("name", IMAGES)
def test_triangle(name: str) -> None:
    image = IMAGES[name]()
    assert find_thresholds(histogram(image), "triangle").values == (filters.threshold_triangle(image),)


@pytest.mark.parametrize("classes", [2, 3, 4])
@pytest.mark.parametrize("name", IMAGES)
def test_multi_otsu(name: str, classes: int) -> None:
    image = IMAGES[name]()
    theirs = filters.threshold_multiotsu(image, classes=classes)
    assert find_thresholds(histogram(image), "multi-otsu", classes).values == tuple(theirs)


@pytest.mark.parametrize("name", IMAGES)
def test_the_classes_are_those_of_the_pixels(name: str) -> None:
    image = IMAGES[name]()
    found = find_thresholds(histogram(image), "otsu")
    above = image > filters.threshold_otsu(image)
    assert found.pixels == (int((~above).sum()), int(above.sum()))
