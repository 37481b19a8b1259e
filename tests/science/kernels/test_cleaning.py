"""The inner loops of cleaning, each against its twin."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from viewer.science.kernels import cleaning as kernels

Array = np.ndarray[Any, Any]

SHAPES = st.tuples(st.integers(1, 15), st.integers(1, 15))


def images(elements: list[int]) -> st.SearchStrategy[Array]:
    return hnp.arrays(np.uint8, SHAPES, elements=st.sampled_from(elements))


IMAGES = images([0, 1, 1, 1, 2, 2, 3, 255])
BINARY = images([1, 1, 1, 1, 2, 255])
ALL = settings(deadline=None, max_examples=150)


def halves(labels: Array) -> list[slice]:
    rows = labels.shape[0]
    return [slice(0, rows // 2), slice(rows // 2, rows)]


def room(labels: Array) -> tuple[Array, Array]:
    return np.zeros(labels.shape, np.uint8), np.empty(labels.size + 1, np.int32)


@given(IMAGES, st.sampled_from([3, 5, 9]), st.sets(st.integers(1, 3)))
@ALL
def test_votes(labels: Array, size: int, voters: set[int]) -> None:
    voting = np.zeros(256, bool)
    voting[list(voters)] = True
    results = []
    for vote, bands in (
        (kernels.vote, halves(labels)),
        (kernels.vote_plain, [slice(0, labels.shape[0])]),
    ):
        out, gone = labels.copy(), np.zeros(labels.shape, bool)
        for rows in bands:
            vote(labels, size, voting, out, gone, rows)
        results.append((out, gone))
    np.testing.assert_array_equal(results[0][0], results[1][0])
    np.testing.assert_array_equal(results[0][1], results[1][1])


@given(st.one_of(IMAGES, BINARY), st.integers(1, 4))
@ALL
def test_openings(labels: Array, radius: int) -> None:
    ours, plain = np.zeros(labels.shape, bool), np.zeros(labels.shape, bool)
    for rows in halves(labels):
        kernels.open_away(labels, 1, radius, ours, rows)
    kernels.open_away_plain(labels, 1, radius, plain, slice(0, labels.shape[0]))
    np.testing.assert_array_equal(ours, plain)


@pytest.mark.parametrize(("radius", "specks"), [(1, 0.2), (7, 0.006), (25, 0.002)])
def test_openings_over_several_bands(radius: int, specks: float) -> None:
    rng = np.random.default_rng(radius)
    labels = (1 + (rng.random((300, 90)) < specks)).astype(np.uint8)
    labels[140:150, :40] = 255
    ours, plain = np.zeros(labels.shape, bool), np.zeros(labels.shape, bool)
    kernels.open_away(labels, 1, radius, ours, slice(0, 300))
    kernels.open_away_plain(labels, 1, radius, plain, slice(0, 300))
    np.testing.assert_array_equal(ours, plain)
    assert ours.any()


def limits(*of: int) -> Array:
    most = np.zeros(256, np.int64)
    most[1 : len(of) + 1] = of
    return most


def gathered(pieces: Any) -> tuple[Array, Array]:
    found = list(pieces)
    return np.concatenate([f[0] for f in found]), np.concatenate([f[1] for f in found])


@given(IMAGES, st.integers(0, 30), st.integers(1, 30), st.booleans())
@ALL
def test_small_pieces(labels: Array, first: int, second: int, holes: bool) -> None:
    most = limits(first, second)
    found = []
    for find in (kernels.find_small, kernels.find_small_plain):
        pieces, phases = gathered(find(labels, most, holes))
        found.append(sorted((k, *p) for k, p in zip(phases.tolist(), pieces.tolist(), strict=True)))
    assert found[0] == found[1]


@given(IMAGES, st.booleans(), st.data())
@ALL
def test_painting_pieces(labels: Array, holes: bool, data: st.DataObject) -> None:
    mark, queue = room(labels)
    pieces, phases = gathered(kernels.find_small(labels, limits(labels.size), holes))
    values = np.array([data.draw(st.sampled_from([0, 5, 255])) for _ in pieces], np.uint8)
    ours, plain = labels.copy(), labels.copy()
    kernels.paint_pieces(labels, pieces, phases, values, holes, mark, queue, ours)
    kernels.paint_pieces_plain(labels, pieces, phases, values, holes, plain)
    np.testing.assert_array_equal(ours, plain)


@given(IMAGES, st.sampled_from([(1.0, 1.0), (2.0, 3.5)]), st.randoms(use_true_random=False))
@ALL
def test_what_surrounds_grains(labels: Array, pixel: tuple[float, float], random: Any) -> None:
    mark, queue = room(labels)
    pieces, phases = gathered(kernels.find_small(labels, limits(8), False))
    gone = np.array([random.random() < 0.3 for _ in range(labels.size)]).reshape(labels.shape)
    ours = kernels.around_grains(labels, pieces, phases, *pixel, mark, queue, labels, gone)
    plain = kernels.around_grains_plain(labels, pieces, phases, pixel, labels, gone)
    np.testing.assert_array_equal(ours, plain)


@given(IMAGES, st.sampled_from([(1.0, 1.0), (2.0, 3.5)]), st.randoms(use_true_random=False))
@ALL
def test_what_surrounds_pixels(labels: Array, pixel: tuple[float, float], random: Any) -> None:
    gone = np.array([random.random() < 0.4 for _ in range(labels.size)]).reshape(labels.shape)
    gone &= (labels != 255) & (labels != 0)
    places = np.flatnonzero(gone)
    ours = kernels.around_pixels(labels, gone, places, pixel)
    np.testing.assert_array_equal(
        ours, kernels.around_pixels_plain(labels, gone, places, pixel)
    )
