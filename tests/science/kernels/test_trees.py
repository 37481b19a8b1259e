"""The compiled walk down trees, against its plain twin."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.science.kernels.trees import vote, vote_plain


def random_forest(rng: np.random.Generator, trees: int, depth: int, classes: int):  # type: ignore[no-untyped-def]
    feature, threshold, left, right, roots = [], [], [], [], []
    for _ in range(trees):
        base = len(feature)
        roots.append(base)
        inner = 2**depth - 1
        for node in range(2 * inner + 1):
            leaf = node >= inner or rng.random() < 0.1
            feature.append(-1 if leaf else int(rng.integers(4)))
            threshold.append(float(np.round(rng.uniform(0, 10))))
            left.append(base + 2 * node + 1 if not leaf else -1)
            right.append(base + 2 * node + 2 if not leaf else -1)
    share = rng.dirichlet(np.ones(classes), len(feature))
    ints = (np.array(a, np.int32) for a in (feature, left, right, roots))
    f, lo, hi, r = ints
    return f, np.array(threshold), lo, hi, share, r


@pytest.mark.parametrize("seed", range(5))
def test_walk_agrees_with_its_plain_twin(seed: int) -> None:
    rng = np.random.default_rng(seed)
    forest = random_forest(rng, 7, 5, 3)
    # Whole numbers: many pixels lie on a threshold.
    pixels = rng.integers(0, 11, (500, 4)).astype(np.float32)
    found = vote(pixels, *forest)
    assert np.allclose(found, vote_plain(pixels, *forest), atol=1e-14)
    assert np.allclose(found.sum(axis=1), 1.0)


def test_no_pixels() -> None:
    forest = random_forest(np.random.default_rng(0), 2, 2, 3)
    assert vote(np.empty((0, 4), np.float32), *forest).shape == (0, 3)
