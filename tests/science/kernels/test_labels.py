"""Halving class images: against the twin, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from viewer.science.kernels.labels import halve_labels, halve_labels_plain

LABELS = hnp.arrays(
    np.uint8,
    st.tuples(st.integers(1, 17), st.integers(1, 17)),
    elements=st.sampled_from([0, 1, 2, 3, 250, 255]),
)


@given(LABELS)
@settings(deadline=None, max_examples=200)
def test_the_kernel_equals_its_twin(labels: np.ndarray) -> None:
    ours = halve_labels(labels)
    assert ours.dtype == np.uint8
    np.testing.assert_array_equal(ours, halve_labels_plain(labels))


@given(LABELS)
@settings(deadline=None, max_examples=100)
def test_every_label_comes_from_its_own_block(labels: np.ndarray) -> None:
    halved = halve_labels(labels)
    for (r, c), label in np.ndenumerate(halved):
        block = labels[2 * r : 2 * r + 2, 2 * c : 2 * c + 2]
        assert label in block
        assert (label == 255) == (block == 255).all()


@pytest.mark.parametrize(
    ("block", "winner"),
    [
        ([[3, 3], [3, 7]], 3),
        ([[7, 3], [3, 3]], 3),
        ([[7, 3], [3, 7]], 3),  # a tie of phases: the lower
        ([[0, 0], [5, 5]], 5),  # a tie with unsorted: the phase
        ([[0, 0], [5, 6]], 0),
        ([[0, 1], [2, 3]], 1),
        ([[255, 255], [255, 9]], 9),  # outside never outvotes the sample
        ([[255, 255], [255, 0]], 0),
        ([[255, 255], [255, 255]], 255),
        ([[4, 9]], 4),
        ([[9], [0]], 9),
        ([[255]], 255),
    ],
)
def test_votes_by_hand(block: list[list[int]], winner: int) -> None:
    labels = np.array(block, np.uint8)
    assert halve_labels(labels).tolist() == [[winner]]
    assert halve_labels_plain(labels).tolist() == [[winner]]


def test_a_window_of_a_larger_image_may_be_halved() -> None:
    image = np.random.default_rng(1).integers(0, 5, (40, 50), np.uint8)
    window = image[3:20, 5:32]
    np.testing.assert_array_equal(halve_labels(window), halve_labels_plain(window))
