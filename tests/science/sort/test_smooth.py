"""Smoothing: blocks with their halo equal the whole, missing pixels stay out, edges stay."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from viewer.errors import InputError
from viewer.science.sort.smooth import Filter, GaussianFilter, GuidedFilter, MedianFilter

FILTERS: list[Filter] = [
    MedianFilter(3),
    MedianFilter(7),
    GaussianFilter(0.6),
    GaussianFilter(2.3),
    GuidedFilter(1),
    GuidedFilter(3, 2.0, 5.0),
]
Image = npt.NDArray[np.float64]


def image(seed: int, shape: tuple[int, int], gaps: float) -> Image:
    rng = np.random.default_rng(seed)
    values = rng.poisson(40, shape).astype(float)
    values[rng.random(shape) < gaps] = np.nan
    return values


@given(
    which=st.integers(0, len(FILTERS) - 1),
    rows=st.integers(1, 40),
    columns=st.integers(1, 40),
    tile=st.integers(3, 25),
    gaps=st.sampled_from([0.0, 0.02, 0.5, 1.0]),
    seed=st.integers(0, 1000),
)
@settings(max_examples=150, deadline=None)
def test_blocks_with_their_halo_equal_the_whole_to_the_last_bit(
    which: int, rows: int, columns: int, tile: int, gaps: float, seed: int
) -> None:
    smooth = FILTERS[which]
    whole = image(seed, (rows, columns), gaps)
    expected = smooth(whole)
    h = smooth.halo
    for r in range(0, rows, tile):
        for c in range(0, columns, tile):
            r0, c0 = max(0, r - h), max(0, c - h)
            block = whole[r0 : r + tile + h, c0 : c + tile + h]
            core = smooth(block)[r - r0 : r - r0 + tile, c - c0 : c - c0 + tile]
            np.testing.assert_array_equal(core, expected[r : r + tile, c : c + tile])


@pytest.mark.parametrize("smooth", FILTERS)
def test_the_halo_is_no_smaller_than_it_must_be(smooth: Filter) -> None:
    side = 4 * smooth.halo + 9
    base = image(1, (side, side), 0.0)
    middle = side // 2
    changed = base.copy()
    # A spike, and for the median every pixel on one side: it must move some result at the halo.
    changed[:, middle:] += 500
    differs = (smooth(base) != smooth(changed)).any(axis=0)
    reach = middle - int(np.argmax(differs))
    assert reach <= smooth.halo
    assert reach >= min(smooth.halo, 1)


@pytest.mark.parametrize("smooth", FILTERS)
def test_missing_pixels_stay_missing_and_spoil_no_neighbour(smooth: Filter) -> None:
    values = np.full((25, 25), 7.0)
    values[12, 12], values[0, 0], values[5, 5] = np.nan, np.inf, -np.inf
    result = smooth(values)
    missing = ~np.isfinite(values)
    assert np.isnan(result[missing]).all()
    np.testing.assert_allclose(result[~missing], 7.0, rtol=1e-6)
    assert result.dtype == np.float32


@pytest.mark.parametrize("smooth", FILTERS)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.int32, np.float32])
def test_every_number_type_is_taken(smooth: Filter, dtype: npt.DTypeLike) -> None:
    values = image(3, (20, 20), 0.0)
    np.testing.assert_allclose(smooth(values.astype(dtype)), smooth(values), rtol=1e-6)


@pytest.mark.parametrize("smooth", FILTERS)
def test_huge_values_become_missing_without_a_warning(smooth: Filter) -> None:
    assert not np.isinf(smooth(np.full((9, 9), 1e200))).any()


def test_median_is_that_of_scipy_inside_and_of_numpy_with_gaps() -> None:
    values = image(5, (40, 50), 0.0)
    np.testing.assert_array_equal(
        MedianFilter(5)(values)[2:-2, 2:-2],
        ndimage.median_filter(values, size=5)[2:-2, 2:-2].astype(np.float32),
    )
    gappy = image(6, (30, 30), 0.3)
    result = MedianFilter(3)(gappy)
    for r, c in [(0, 0), (7, 9), (29, 15), (20, 20)]:
        window = gappy[max(0, r - 1) : r + 2, max(0, c - 1) : c + 2]
        if np.isfinite(gappy[r, c]):
            assert result[r, c] == np.float32(np.nanmedian(window))


def test_median_windows_with_gaps_are_gathered_in_parts_alike(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    gappy = image(6, (30, 30), 0.3)
    expected = MedianFilter(5)(gappy)
    monkeypatch.setattr("viewer.science.sort.smooth._GATHERED", 100)
    np.testing.assert_array_equal(MedianFilter(5)(gappy), expected)


def test_median_takes_out_a_hot_pixel() -> None:
    values = np.full((9, 9), 10.0)
    values[4, 4] = 60000
    assert (MedianFilter(3)(values) == 10).all()


def test_gaussian_is_that_of_scipy_inside() -> None:
    values = image(7, (60, 60), 0.0)
    g = GaussianFilter(2.0)
    inside = (slice(g.halo, -g.halo),) * 2
    np.testing.assert_allclose(
        g(values)[inside], ndimage.gaussian_filter(values, 2.0, truncate=4.0)[inside], rtol=1e-5
    )


def test_gaussian_keeps_the_level_at_the_edge_of_the_map() -> None:
    np.testing.assert_allclose(GaussianFilter(3.0)(np.full((12, 12), 5.0)), 5.0, rtol=1e-6)


def test_guided_smooths_flats_and_keeps_edges() -> None:
    rng = np.random.default_rng(0)
    truth = np.full((80, 80), 50.0)
    truth[:, 40:] = 400.0
    noisy = rng.poisson(truth).astype(float)
    guided, blurred = GuidedFilter(2)(noisy), GaussianFilter(2.0)(noisy)
    flat = (slice(10, 70), slice(5, 30))
    assert guided[flat].std() < 0.45 * noisy[flat].std()
    # The step from 50 to 400 between columns 39 and 40: most of it stays there.
    step = (guided[:, 40] - guided[:, 39]).mean()
    assert step > 0.75 * 350
    assert (blurred[:, 40] - blurred[:, 39]).mean() < 0.3 * 350


def test_guided_is_the_published_filter() -> None:
    """Against a slow direct reading of He, Sun and Tang (2013), their equations 5, 6 and 8."""
    values = image(9, (18, 15), 0.0)
    radius, eps = 2, (3.0 * 4.0) ** 2

    def window(a: Image, r: int, c: int) -> Image:
        return a[max(0, r - radius) : r + radius + 1, max(0, c - radius) : c + radius + 1]

    a = np.empty_like(values)
    b = np.empty_like(values)
    for r, c in np.ndindex(*values.shape):
        w = window(values, r, c)
        a[r, c] = w.var() / (w.var() + eps)
        b[r, c] = w.mean() * (1 - a[r, c])
    expected = np.array(
        [
            [
                window(a, r, c).mean() * values[r, c] + window(b, r, c).mean()
                for c in range(values.shape[1])
            ]
            for r in range(values.shape[0])
        ]
    )
    np.testing.assert_allclose(GuidedFilter(radius, 3.0, 4.0)(values), expected, rtol=1e-5)


@pytest.mark.parametrize(
    "make",
    [
        lambda: MedianFilter(4),
        lambda: MedianFilter(1),
        lambda: MedianFilter(33),
        lambda: GaussianFilter(0.0),
        lambda: GaussianFilter(float("nan")),
        lambda: GaussianFilter(51.0),
        lambda: GuidedFilter(0),
        lambda: GuidedFilter(33),
        lambda: GuidedFilter(2, 0.0),
        lambda: GuidedFilter(2, 3.0, -1.0),
        lambda: MedianFilter(3)(np.zeros(5)),
    ],
)
def test_refusals(make: object) -> None:
    assert callable(make)
    with pytest.raises(InputError):
        make()
