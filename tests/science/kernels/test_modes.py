"""Counting labels by cells and along edges: each kernel against its plain twin."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.science.kernels.modes import (
    cell_counts,
    cell_counts_plain,
    edge_counts,
    edge_counts_plain,
)


@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (37, 53)])
@pytest.mark.parametrize("masked", [False, True])
def test_kernels_and_their_plain_twins(shape: tuple[int, int], masked: bool) -> None:
    rng = np.random.default_rng(5)
    labels = rng.choice(np.array([0, 1, 2, 3, 255], np.uint8), shape)
    mask = rng.random(shape) < 0.7 if masked else None
    for cell in ((1, 1), (4, 7), (100, 100)):
        assert np.array_equal(
            cell_counts(labels, 3, cell, mask), cell_counts_plain(labels, 3, cell, mask)
        )
    for one, other in zip(
        edge_counts(labels, 3, mask), edge_counts_plain(labels, 3, mask), strict=True
    ):
        assert np.array_equal(one, other)


def test_edges_by_hand() -> None:
    labels = np.array([[1, 1, 2], [1, 0, 2], [3, 3, 255]], np.uint8)
    inner, outer = edge_counts(labels, 3)
    # 1: top middle (2, unsorted), middle left (3, unsorted). 2: top right (1), middle right (unsorted).
    # 3: both (1; unsorted).
    assert inner.tolist() == [0, 2, 2, 2]
    assert outer.tolist() == [0, 2, 1, 1]


def test_what_it_refuses() -> None:
    with pytest.raises(ValueError, match="uint8"):
        cell_counts(np.zeros((2, 2), np.int64), 1, (1, 1))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="as large"):
        edge_counts(np.zeros((2, 2), np.uint8), 1, np.ones((1, 2), bool))
