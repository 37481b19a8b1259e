from __future__ import annotations

import numpy as np
import pytest

from tests.science.look.phantoms import texture
from viewer.errors import InputError
from viewer.science.look.structure import CEILING, structure_to_noise, suggest_triple


@pytest.mark.parametrize("ratio", [0.2, 1.0, 8.0])
def test_a_known_ratio_is_found(ratio):
    # A large offset makes the square roots linear, so that the planted ratio is the measured one.
    found = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        signal = texture(rng, (160, 160), 6.0) * np.sqrt(ratio)
        found.append(structure_to_noise(1e4 + signal + rng.normal(size=signal.shape)))
    # Neighbours in this texture share exp(-1 / (4 * 6**2)) of its variance: the rest counts as noise.
    shared = np.exp(-1 / 144)
    expected = ratio * shared / (1 + ratio * (1 - shared))
    assert np.mean(found) == pytest.approx(expected, rel=0.07)


def test_noise_has_none_and_an_image_without_noise_much():
    rng = np.random.default_rng(1)
    assert structure_to_noise(rng.poisson(5, (300, 300))) < 0.02
    assert structure_to_noise(np.full((30, 30), 4)) == 0.0
    assert structure_to_noise(np.full((30, 30), np.nan)) == 0.0
    smooth = np.add.outer(np.arange(200.0), np.arange(200.0)) + 1000
    assert 100 < structure_to_noise(smooth) <= CEILING


def test_stripes_are_not_structure():
    rng = np.random.default_rng(2)
    striped = rng.poisson(50, (300, 300)) + 40 * rng.random(300)[:, None]
    assert structure_to_noise(striped) < 0.1


def test_missing_pixels_do_not_matter_much():
    rng = np.random.default_rng(3)
    image = rng.poisson(np.exp(3 + texture(rng, (250, 250)))).astype(float)
    whole = structure_to_noise(image)
    image[rng.random(image.shape) < 0.3] = np.nan
    assert structure_to_noise(image) == pytest.approx(whole, rel=0.15)


def channels(seed=4):
    rng = np.random.default_rng(seed)
    base = [texture(rng, (200, 200)) for _ in range(3)]
    made = {
        "faint": rng.poisson(np.exp(0.5 * base[2])),
        "noise": rng.poisson(20, (200, 200)),
        "blank": np.zeros((200, 200)),
    }
    for name, i, level in (("one", 0, 5), ("two", 1, 4), ("three", 2, 3)):
        made[name] = rng.poisson(np.exp(level + base[i]))
    made["twin"] = rng.poisson(np.exp(4.8 + base[0]))
    return made


def test_a_triple_has_structure_and_no_twins():
    triple = suggest_triple(channels(), {"one": "First"})
    # Most structure to green, then red, then blue.
    assert triple.ids == ("two", "one", "three")
    assert triple.score > 3
    assert "First" in triple.reason
    assert suggest_triple(channels(), {"one": "First"}) == triple


def test_the_order_of_the_channels_does_not_matter():
    made = channels()
    turned = dict(reversed(made.items()))
    assert suggest_triple(turned).ids == suggest_triple(made).ids


def test_channels_that_hold_nothing_make_a_triple_of_no_score():
    flat = {name: np.zeros((50, 50)) for name in "abc"}
    assert suggest_triple(flat).score == 0.0


def test_too_few_or_unequal_samples_are_refused():
    with pytest.raises(InputError, match="three"):
        suggest_triple({"a": np.zeros((9, 9)), "b": np.zeros((9, 9))})
    with pytest.raises(InputError, match="shape"):
        suggest_triple({"a": np.zeros((9, 9)), "b": np.zeros((9, 9)), "c": np.zeros((9, 8))})
