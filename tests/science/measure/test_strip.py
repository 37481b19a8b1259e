"""The pixels of a strip: against placing every pixel of the map, at any angle and off the edge."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.errors import CancelledError
from viewer.science.kernels.along import place_pixels_plain
from viewer.science.measure.strip import BAND, strip_along

SHAPE = (1300, 90)
PIXEL = (20.0, 7.0)

LINES = {
    "down": [[900.0, 300.0], [905.0, 8800.0]],
    "across": [[100.0, 4000.0], [1700.0, 4000.0]],
    "oblique": [[1600.0, 8500.0], [200.0, 400.0]],
    "bent": [[300.0, 8700.0], [1500.0, 5000.0], [250.0, 3900.0], [1400.0, 200.0]],
}


@pytest.mark.parametrize("name", LINES)
def test_the_same_pixels_as_the_whole_map_has(name: str) -> None:
    line = np.array(LINES[name])
    found = strip_along(line, PIXEL, SHAPE, 240.0)
    whole = (slice(0, SHAPE[0]), slice(0, SHAPE[1]))
    along, offset = place_pixels_plain(line, PIXEL, *whole, 120.0)
    inside = np.isfinite(along)
    numbers = np.arange(SHAPE[0] * SHAPE[1]).reshape(SHAPE)
    picked = found.pick(lambda window: numbers[window])
    assert np.array_equal(np.sort(picked), np.flatnonzero(inside))
    np.testing.assert_allclose(found.along, along.ravel()[picked], atol=1e-6)
    np.testing.assert_allclose(found.offset, offset.ravel()[picked], atol=1e-6)
    assert found.missing == 0
    # Bands begin where tiles of a layer do.
    assert all(b.window[0].start % BAND == 0 for b in found.bands[1:])


def test_windows_are_no_larger_than_they_need_be() -> None:
    found = strip_along(np.array(LINES["oblique"]), PIXEL, SHAPE, 240.0)
    area = sum((r.stop - r.start) * (c.stop - c.start) for r, c in (b.window for b in found.bands))
    assert area < 0.75 * SHAPE[0] * SHAPE[1]
    assert len(found.bands) == 3


def test_a_strip_partly_off_the_map_tells_how_much_is_missing() -> None:
    # A quarter of the width, and as much again of the length, lies off.
    line = np.array([[60.0, 4500.0], [60.0, 10100.0]])
    found = strip_along(line, PIXEL, SHAPE, 240.0)
    expected = 5600.0 * 240.0 / (20.0 * 7.0)
    kept = (9100.0 - 4500.0) * 180.0 / (20.0 * 7.0)
    assert found.along.size == pytest.approx(kept, rel=0.02)
    assert found.missing == pytest.approx(expected - kept, rel=0.05)


def test_neighbours_that_are_alike_count_once() -> None:
    once = strip_along(np.array(LINES["across"]), PIXEL, SHAPE, 100.0)
    twice = strip_along(np.repeat(np.array(LINES["across"]), 2, axis=0), PIXEL, SHAPE, 100.0)
    np.testing.assert_array_equal(once.along, twice.along)


@pytest.mark.parametrize(
    ("line", "width", "words"),
    [
        ([[5.0, 5.0], [5.0, 5.0]], 10.0, "no length"),
        ([[5.0, 5.0], [500.0, 5.0]], 0.0, "no width"),
        ([[5.0, 5.0], [500.0, 5.0]], np.nan, "no width"),
        ([[-900.0, 5.0], [-300.0, 5.0]], 100.0, "no pixel"),
        ([[100.0, 99000.0], [300.0, 99000.0]], 100.0, "no pixel"),
    ],
)
def test_bad_input(line: list[list[float]], width: float, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        strip_along(np.array(line), PIXEL, SHAPE, width)


def test_it_can_be_cancelled() -> None:
    def stop(done: float, doing: str = "") -> None:
        if done > 0.3:
            raise CancelledError("stopped")

    with pytest.raises(CancelledError):
        strip_along(np.array(LINES["down"]), PIXEL, SHAPE, 100.0, stop)
