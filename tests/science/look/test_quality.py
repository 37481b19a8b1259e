from __future__ import annotations

import re
from collections import Counter

import numpy as np
import pytest

from tests.science.look.phantoms import minerals, moved, rock, texture
from viewer.science.look.quality import QualityScan, registration


def scan(image, band=64):
    quality = QualityScan(image.shape, image.dtype)
    for start in range(0, len(image), band):
        quality.add(image[start : start + band], start)
    return quality.finish()


def kinds(image):
    return [flag.kind for flag in scan(image)]


def counts(expected, seed=0, dtype=np.uint16):
    return np.random.default_rng(seed).poisson(expected).astype(dtype)


@pytest.fixture(scope="module")
def sound():
    return rock(np.random.default_rng(1), (400, 300))


@pytest.mark.parametrize("mean", [0.05, 1.0, 7.0, 300.0])
def test_pure_noise_raises_no_flag(mean):
    found = Counter()
    for seed in range(50):
        found.update(kinds(counts(np.full((120, 150), mean), seed)))
    assert not found


@pytest.mark.parametrize("layered", [False, True])
def test_sound_rock_raises_hardly_a_flag(layered):
    found = Counter()
    for seed in range(100):
        rng = np.random.default_rng(seed)
        found.update(kinds(rng.poisson(rock(rng, (160, 160), layered=layered)).astype(np.uint16)))
    assert sum(found.values()) <= 1, found


def test_a_barren_mineral_is_no_fault():
    for seed in range(10):
        rng = np.random.default_rng(seed)
        image = rng.poisson(rock(rng, (160, 160), levels=(0.0, 0.0, 60.0)))
        assert not kinds(image.astype(np.float32))
        assert not kinds(image.astype(np.uint8))


def test_a_change_of_proportions_is_no_drift():
    rng = np.random.default_rng(5)
    field = texture(rng, (600, 400)) + np.linspace(-0.8, 0.8, 600)[:, None]
    image = rng.poisson(np.array([5.0, 40.0, 120.0])[np.digitize(field, [-0.3, 0.6])])
    assert "drift" not in kinds(image.astype(np.uint16))


@pytest.mark.parametrize("factor", [0.8, 1.25])
def test_a_striped_row_and_column_are_named(sound, factor):
    striped = sound.copy()
    striped[77] *= factor
    striped[:, 50] *= factor
    flags = scan(counts(striped))
    assert [f.kind for f in flags] == ["striped", "striped"]
    assert [f.where for f in flags] == ["row 77", "column 50"]
    assert ("darker" if factor < 1 else "brighter") in flags[0].message


def test_every_other_row_brighter(sound):
    striped = sound.copy()
    striped[::2] *= 1.06
    (flag,) = scan(counts(striped))
    assert (flag.kind, flag.where) == ("striped", "all rows")
    percent = float(re.search(r"([\d.]+) % brighter", flag.message)[1])
    assert percent == pytest.approx(6, abs=1.5)


@pytest.mark.parametrize("change", [-0.15, 0.25])
def test_a_drift_and_its_size(sound, change):
    drifting = sound * np.linspace(1.0, 1.0 + change, len(sound))[:, None]
    (flag,) = scan(counts(drifting))
    assert flag.kind == "drift"
    assert ("rises" if change > 0 else "falls") in flag.message
    percent = float(re.search(r"about ([\d.]+) %", flag.message)[1])
    assert percent == pytest.approx(100 * abs(change), rel=0.3)


def test_dead_rows_and_columns(sound):
    image = counts(sound)
    image[:, 7] = 5
    image[90:93] = 0
    image[0] = 0
    (rows,) = (f for f in scan(image) if f.where.startswith("rows") and f.kind == "dead")
    assert rows.where == "rows 0, 90–92"
    image = counts(sound)
    image[:, 7] = 5
    (flag,) = scan(image)
    assert (flag.kind, flag.where) == ("dead", "column 7")


def test_rows_without_a_rare_element_are_not_dead():
    image = counts(np.full((200, 300), 0.002))
    assert (image.max(axis=1) == 0).any()
    assert "dead" not in kinds(image)


@pytest.mark.parametrize("dtype", [np.uint16, np.float32, np.int32])
def test_a_repeated_greatest_value_is_saturated(sound, dtype):
    (flag,) = scan(np.minimum(counts(3 * sound), 300).astype(dtype))
    assert flag.kind == "saturated"
    assert "300" in flag.message
    assert flag.severity == "caution"


def test_numbers_at_the_end_of_their_type_are_saturated(sound):
    image = counts(sound)
    image[3, 3] = 65535
    (flag,) = scan(image)
    assert (flag.kind, flag.severity) == ("saturated", "info" if image.size > 1e5 else "caution")


@pytest.mark.parametrize("scale", [1.0, 20.0])
def test_a_picture_stretched_for_viewing_is_clipped(sound, scale):
    image = counts(sound * scale).astype(float)
    low, high = np.percentile(image, (5, 95))
    stretched = np.clip((image - low) / (high - low) * 255, 0, 255).astype(np.uint8)
    assert "clipped" in kinds(stretched)


def test_a_tail_cut_off_at_the_low_end_is_clipped():
    image = np.random.default_rng(3).normal(60, 30, (300, 300))
    flags = scan(np.clip(image, 0, 255).astype(np.uint8))
    assert [f.kind for f in flags] == ["clipped"]
    assert "at 0" in flags[0].message


@pytest.mark.parametrize(
    "image", [np.zeros((40, 40)), np.full((40, 40), 7, np.uint8), np.full((9, 9), np.nan)]
)
def test_an_empty_channel_has_one_flag(image):
    (flag,) = scan(image)
    assert (flag.kind, flag.severity) == ("empty", "error")


def test_the_bands_do_not_matter(sound):
    striped = sound.copy()
    striped[64] *= 0.8  # the first row of a band
    image = counts(striped)
    assert scan(image, 64) == scan(image, 400) == scan(image, 7)
    assert scan(image, 64)[0].where == "row 64"


def test_pixels_without_a_value_are_left_out(sound):
    image = counts(sound).astype(np.float64)
    image[100:200, 100:200] = np.nan
    image[5] = np.inf
    assert not scan(image)


def test_bands_out_of_order_or_missing_are_refused():
    quality = QualityScan((10, 5), np.uint8)
    with pytest.raises(ValueError, match="follow"):
        quality.add(np.zeros((2, 5), np.uint8), 3)
    quality.add(np.zeros((2, 5), np.uint8), 0)
    with pytest.raises(ValueError, match="every row"):
        quality.finish()


def pair(seed, by):
    rng = np.random.default_rng(seed)
    field = texture(rng, (280, 280), 5.0)
    one = rng.poisson(np.array([5, 50, 20, 80])[minerals(field)])
    other = rng.poisson(np.array([30, 4, 60, 10])[minerals(moved(field, by))])
    return one, other, rng.poisson(10, field.shape)


@pytest.mark.parametrize("seed", range(6))
def test_a_shift_is_found_between_pixels(seed):
    one, other, _ = pair(seed, (1.4, -2.3))
    shift = registration(one, other)
    assert shift.rows == pytest.approx(1.4, abs=0.2)
    assert shift.columns == pytest.approx(-2.3, abs=0.2)
    assert shift.error < 0.5


def test_small_or_unequal_samples_have_no_shift():
    assert registration(np.zeros((100, 300)), np.zeros((100, 300))) is None
    assert registration(np.zeros((200, 200)), np.zeros((200, 201))) is None
    assert registration(np.zeros((200, 200)), np.zeros((200, 200))) is None


@pytest.mark.parametrize("dtype", [">u2", ">f4", np.float16, np.int64, bool])
def test_any_number_type_can_be_scanned(sound, dtype):
    assert not scan((counts(sound) > 20 if dtype is bool else counts(sound)).astype(dtype))
