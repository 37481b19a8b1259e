"""Sorting by painted examples."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from viewer.errors import InputError
from viewer.science.sort.forest import (
    ForestModel,
    blocks_of,
    cross_validate,
    features,
    gather,
    model_of,
    tell,
    trained,
)

MEANS = np.array([[5.0, 200.0], [150.0, 10.0], [60.0, 60.0]])


def seeds(per_stroke: int = 60, strokes: int = 3, spread: float = 0.0, seed: int = 0):  # type: ignore[no-untyped-def]
    """Painted pixels; `spread` is how far each stroke as a whole strays from its mineral."""
    rng = np.random.default_rng(seed)
    x, y, s = [], [], []
    for k, mean in enumerate(MEANS):
        for j in range(strokes):
            own = mean * np.exp(rng.normal(0, spread, 2))
            x.append(rng.poisson(own, (per_stroke, 2)))
            y.append(np.full(per_stroke, k + 1))
            s.append(np.full(per_stroke, k * strokes + j))
    return np.concatenate(x).astype(np.float32), np.concatenate(y), np.concatenate(s)


NAMES = ("plagioclase", "orthopyroxene", "chromite")


@pytest.fixture(scope="module")
def model() -> ForestModel:
    return model_of(NAMES, *seeds())


def test_pixels_are_told(model: ForestModel) -> None:
    rng = np.random.default_rng(9)
    truth = rng.integers(0, 3, (40, 50))
    block = rng.poisson(MEANS[truth].transpose(2, 0, 1)).astype(np.float32)
    block[0, 0, :4] = np.nan
    classes, confidence = tell(model, block)
    assert (classes[1:] == truth[1:] + 1).mean() > 0.99
    assert not classes[0, :4].any()
    assert np.isnan(confidence[0, :4]).all()
    assert confidence[1:].min() > 1 / 3
    assert confidence[1:].max() <= 1.0


def test_told_as_scikit_learn_tells(model: ForestModel) -> None:
    from sklearn.ensemble import RandomForestClassifier

    x, y = np.array(model.values, np.float32), np.array(model.labels)
    theirs = RandomForestClassifier(
        model.trees, class_weight="balanced", min_samples_leaf=2, random_state=model.seed
    ).fit(x, y)
    pixels = np.random.default_rng(2).uniform(0, 250, (3000, 2)).astype(np.float32)
    assert np.allclose(trained(model).vote(pixels), theirs.predict_proba(pixels), atol=1e-12)


def test_training_again_gives_the_same_forest(model: ForestModel) -> None:
    again = msgspec.json.decode(msgspec.json.encode(model), type=ForestModel)
    assert again == model
    pixels = np.random.default_rng(2).uniform(0, 250, (500, 2)).astype(np.float32)
    before = trained(model).vote(pixels)
    trained.cache_clear()
    assert np.array_equal(trained(again).vote(pixels), before)


def test_clear_minerals_pass_the_trial(model: ForestModel) -> None:
    trial = cross_validate(model)
    assert trial.confusion.sum() == len(model.labels)
    assert trial.accuracy > 0.98
    assert trial.out_of_bag > 0.98
    assert trial.untested == ()
    assert trial.strokes == 9
    assert np.allclose(trial.recalls, 1.0, atol=0.05)


def test_strokes_that_stray_show_only_when_left_out_whole() -> None:
    # Every stroke differs from its mineral as a whole: to know some of its pixels is to know the rest.
    trial = cross_validate(model_of(NAMES, *seeds(strokes=4, spread=0.9, seed=4)))
    assert trial.out_of_bag > trial.accuracy + 0.05


def test_pieces_that_touch_or_lie_close_are_one_block() -> None:
    def box(row: int, col: int) -> np.ndarray:
        return np.argwhere(np.ones((3, 3), bool)) + np.array([row, col])

    # The fourth joins the first and the third; the second touches the fifth at a corner.
    pieces = [box(0, 0), box(50, 50), box(0, 6), box(0, 3), box(53, 53), np.empty((0, 2), np.intp)]
    assert blocks_of(pieces, 0) == [0, 1, 0, 0, 1, 2]
    apart = [box(0, 0), box(0, 7)]  # columns 2 and 7
    assert blocks_of(apart, 4) == [0, 1]
    assert blocks_of(apart, 5) == [0, 0]


def test_a_class_of_one_stroke_cannot_be_tested() -> None:
    x, y, s = seeds()
    s[y == 2] = 99
    trial = cross_validate(model_of(NAMES, x, y, s))
    assert trial.untested == ("orthopyroxene",)
    assert np.isnan(trial.recalls[1])
    assert trial.accuracy > 0.9


def test_seeds_are_thinned_out_evenly() -> None:
    x, y, s = seeds(per_stroke=100)
    s[(y == 1) & (s == 0)] = 0
    few = np.r_[0:20, 100 : len(y)]
    x, y, s = x[few], y[few], s[few]
    x[-1, 0] = np.nan
    gx, gy, gs = gather(x, y, s, most=150)
    assert np.isfinite(gx).all()
    assert np.bincount(gy)[1:].tolist() == [150, 150, 150]
    assert np.bincount(gs)[:3].tolist() == [20, 65, 65]


def test_local_means_know_their_window() -> None:
    block = np.arange(24, dtype=np.float64).reshape(1, 4, 6)
    block[0, 1, 1] = np.nan
    found = features(block, 1)
    assert found.shape == (2, 4, 6)
    assert found[1, 0, 0] == pytest.approx(np.nanmean(block[0, :2, :2]))
    assert found[1, 2, 3] == pytest.approx(block[0, 1:4, 2:5].mean())
    assert found[1, 1, 1] == pytest.approx(np.nanmean(block[0, 0:3, 0:3]))
    assert np.array_equal(features(block, 0), block.astype(np.float32), equal_nan=True)


def test_seeds_that_cannot_teach_are_refused() -> None:
    x, y, s = seeds()
    with pytest.raises(InputError, match="two minerals"):
        model_of(("plagioclase",), x[y == 1], y[y == 1], s[y == 1])
    x[y == 3] = np.nan
    with pytest.raises(InputError, match="«chromite» cover no pixel"):
        model_of(NAMES, x, y, s)
    good = model_of(NAMES, *seeds(per_stroke=5))
    for change in (
        {"labels": good.labels[:-1]},
        {"labels": (1,) * len(good.labels)},
        {"values": ((float("nan"),) * 2,) * len(good.labels)},
    ):
        with pytest.raises(InputError):
            msgspec.structs.replace(good, **change)
