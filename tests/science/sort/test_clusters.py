"""Samples that know rare phases; clusters found, told, merged and split."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from viewer.errors import InputError
from viewer.science.sort.clusters import (
    ClusterModel,
    ClusterTally,
    Partition,
    assign,
    by_size,
    drop,
    find_clusters,
    merge,
    split,
)
from viewer.science.sort.sampling import LEVELS, Sampler, Scaling, scaling_of

MEANS = np.array([[5.0, 200.0, 40.0], [150.0, 10.0, 40.0], [30.0, 30.0, 300.0], [8.0, 90.0, 8.0]])
COUNTS = Scaling(kind="counts", shift=(0.0,) * 3, scale=(1.0,) * 3)


def rock(seed: int = 0, rare: int = 30) -> tuple[np.ndarray, np.ndarray]:
    """Counts [channel, row, column] and the truth; phase 2 has few pixels."""
    rng = np.random.default_rng(seed)
    truth = rng.choice([0, 1, 3], size=(200, 300), p=[0.6, 0.3, 0.1])
    truth.ravel()[rng.choice(truth.size, rare, replace=False)] = 2
    return rng.poisson(MEANS[truth].transpose(2, 0, 1)).astype(np.uint16), truth


def sampled(image: np.ndarray, size: int = 4000, band: int = 37, seed: int = 0) -> np.ndarray:
    flat = image.reshape(len(image), -1)
    sampler = Sampler(COUNTS, flat.min(axis=1), flat.max(axis=1), size, seed)
    for start in range(0, image.shape[1], band):
        sampler.add(image[:, start : start + band])
    return sampler.finish()


def test_counts_are_scaled_to_unit_noise() -> None:
    rng = np.random.default_rng(1)
    for mean in (8, 50, 900):
        scaled = COUNTS(np.broadcast_to(rng.poisson(mean, 20_000), (3, 20_000)))
        assert scaled[0].std() == pytest.approx(1.0, abs=0.05)
    assert np.isnan(COUNTS(np.full((3, 2), np.nan))).all()


def test_other_values_are_scaled_by_their_spread() -> None:
    block = np.array([[1.0, 3.0], [100.0, 100.0]])
    scaling = scaling_of("standardised", block.mean(axis=1), block.std(axis=1))
    assert np.array_equal(scaling(block), [[-1, 1], [0, 0]])


def test_a_sample_holds_rare_phases_and_no_pixel_twice() -> None:
    image, truth = rock(rare=30)
    sample = sampled(image)
    assert len(sample) <= 4000
    share = (sample[:, 2] > 200).mean()
    assert share > 10 * 30 / truth.size
    # Half of it is even: common phases keep their place.
    assert (sample[:, 1] > 150).mean() > 0.3
    # Whole numbers repeat; the pixels themselves do not.
    numbered = np.arange(20_000.0).reshape(1, 100, 200)
    sampler = Sampler(Scaling(kind="plain", shift=(0.0,), scale=(1.0,)), [0], [19_999], 2000)
    for row in range(0, 100, 10):
        sampler.add(numbered[:, row : row + 10])
    found = sampler.finish()[:, 0]
    assert len(set(found)) == len(found)
    assert 1000 <= len(found) <= 2000
    per_level = np.histogram(found, bins=LEVELS, range=(0, 19_999))[0]
    assert per_level.min() > 0


def test_a_sample_leaves_missing_pixels_out() -> None:
    block = np.ones((2, 10))
    block[1, 3] = np.nan
    sampler = Sampler(Scaling(kind="plain", shift=(0.0,) * 2, scale=(1.0,) * 2), [0, 0], [1, 1], 100)
    sampler.add(block)
    assert (sampler.seen, sampler.missing) == (10, 1)
    assert np.isfinite(sampler.finish()).all()


@pytest.mark.parametrize("method", ["k-means", "mixture", "density"])
def test_phases_are_found_again(method: str) -> None:
    image, truth = rock(rare=400)
    model = find_clusters(sampled(image), COUNTS, method, 4, least=0.02)  # type: ignore[arg-type]
    assert model.count == 4
    told = assign(model, image)
    for phase in range(4):
        number = np.bincount(told[truth == phase]).argmax()
        assert number > 0
        assert (told[truth == phase] == number).mean() > 0.95
        assert (truth[told == number] == phase).mean() > 0.95


@pytest.mark.parametrize("method", ["k-means", "mixture", "density"])
def test_a_model_survives_being_stored_and_does_not_care_for_blocks(method: str) -> None:
    image, _ = rock()
    model = find_clusters(sampled(image), COUNTS, method, 4)  # type: ignore[arg-type]
    again = msgspec.json.decode(msgspec.json.encode(model), type=ClusterModel)
    assert again == model
    whole = assign(model, image)
    parts = np.concatenate([assign(again, image[:, r : r + 7]) for r in range(0, 200, 7)])
    assert np.array_equal(whole, parts)
    assert find_clusters(sampled(image), COUNTS, method, 4) == model  # type: ignore[arg-type]


def test_told_as_scikit_learn_tells() -> None:
    from sklearn.mixture import GaussianMixture

    image, _ = rock()
    sample = sampled(image)
    x = COUNTS(sample.T).T
    fit = GaussianMixture(3, reg_covar=0.1, random_state=0, max_iter=200).fit(x)
    model = find_clusters(sample, COUNTS, "mixture", 3)
    pixels = image.reshape(3, -1)
    theirs = fit.predict(COUNTS(pixels).T)
    assert np.array_equal(assign(model, pixels), np.array(model.numbers)[theirs])


def test_merging_joins_exactly_and_splitting_leaves_the_others() -> None:
    image, _ = rock(rare=400)
    sample = sampled(image)
    model = find_clusters(sample, COUNTS, "k-means", 4)
    before = assign(model, image)
    merged = merge(model, (2, 4))
    after = assign(merged, image)
    assert merged.count == 3
    assert np.array_equal(after == 2, (before == 2) | (before == 4))
    assert np.array_equal(after == 1, before == 1)
    assert np.array_equal(after == 3, before == 3)
    parted = split(merged, 2, sample, 2)
    again = assign(parted, image)
    assert parted.count == 4
    assert np.array_equal((again == 2) | (again == 3), after == 2)
    assert np.array_equal(again == 4, after == 3)
    # The two that were merged are what falls apart.
    halves = sorted(int((again == k).sum()) for k in (2, 3))
    assert halves == pytest.approx(sorted(int((before == k).sum()) for k in (2, 4)), rel=0.05)
    dropped = drop(parted, 1)
    assert np.array_equal(assign(dropped, image) == 0, again == 1)
    assert dropped.count == 3


def test_missing_channels_belong_nowhere() -> None:
    image, _ = rock()
    values = image.astype(np.float64)
    values[1, :5] = np.nan
    told = assign(find_clusters(sampled(image), COUNTS, "k-means", 4), values)
    assert not told[:5].any()
    assert told[5:].all()


def test_the_largest_cluster_is_the_first() -> None:
    image, truth = rock()
    model = find_clusters(sampled(image), COUNTS, "k-means", 3)
    sizes = np.bincount(assign(model, image).ravel())[1:]
    assert sizes[0] == sizes.max()
    assert truth.size == sizes.sum()


def test_pixels_and_means_are_added_up() -> None:
    image, _ = rock()
    model = find_clusters(sampled(image), COUNTS, "k-means", 4)
    told = assign(model, image)
    tally = ClusterTally(4, 3)
    for row in range(0, 200, 50):
        tally.add(told[row : row + 50], image[:, row : row + 50])
    for number in range(1, 5):
        assert tally.pixels[number] == (told == number).sum()
        assert tally.means[number - 1] == pytest.approx(image[:, told == number].mean(axis=1))


def test_clusters_are_numbered_by_their_pixels() -> None:
    image, _ = rock(rare=400)
    model = find_clusters(sampled(image), COUNTS, "k-means", 4)
    shuffled = msgspec.structs.replace(model, numbers=tuple(5 - n for n in model.numbers))
    told = assign(shuffled, image)
    tally = ClusterTally(4, 3)
    tally.add(told, image)
    renumbered, counted = by_size(shuffled, tally)
    again = assign(renumbered, image)
    assert np.array_equal(counted.pixels, np.bincount(again.ravel(), minlength=5))
    assert list(counted.pixels[1:]) == sorted(counted.pixels[1:], reverse=True)
    for number in range(1, 5):
        assert counted.means[number - 1] == pytest.approx(image[:, again == number].mean(axis=1))


def test_what_cannot_be_done_is_said() -> None:
    image, _ = rock()
    sample = sampled(image)
    model = find_clusters(sample, COUNTS, "k-means", 3)
    with pytest.raises(InputError, match="1 to 60"):
        find_clusters(sample, COUNTS, "k-means", 61)
    with pytest.raises(InputError, match="too few, or too much alike"):
        find_clusters(np.ones((50, 3)), COUNTS, "k-means", 3)
    with pytest.raises(InputError, match="two or more"):
        merge(model, (2,))
    with pytest.raises(InputError, match="no cluster 7"):
        merge(model, (1, 7))
    with pytest.raises(InputError, match="no cluster 0"):
        split(model, 0, sample)
    with pytest.raises(InputError, match="too few different"):
        split(model, 1, sample[:0])
    rng = np.random.default_rng(0)
    noise = rng.uniform(0, 1e6, (300, 3))
    plain = Scaling(kind="plain", shift=(0.0,) * 3, scale=(1.0,) * 3)
    with pytest.raises(InputError, match="dense enough"):
        find_clusters(noise, plain, "density", least=0.4)


@pytest.mark.parametrize(
    "change",
    [
        {"numbers": (1, 3)},
        {"numbers": (1,)},
        {"partitions": (Partition(centres=((1.0, 2.0),), clusters=(1,)),)},
        {"scaling": Scaling(shift=(0.0,) * 3, scale=(1.0, 0.0, 1.0))},
    ],
)
def test_a_model_that_does_not_fit_together_is_refused(change: dict[str, object]) -> None:
    model = ClusterModel(
        scaling=COUNTS,
        partitions=(Partition(centres=((1.0, 2.0, 3.0), (4.0, 5.0, 6.0)), clusters=(1, 2)),),
        numbers=(1, 2),
    )
    with pytest.raises(InputError):
        msgspec.structs.replace(model, **change)
