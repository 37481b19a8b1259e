"""Histograms inside an outline, a window or a range of another layer agree with NumPy."""

from __future__ import annotations

import numpy as np
import pytest

from tests.desk.conftest import MAP, PIXEL, ROCK, SHAPE, TRIANGLE, WHOLE, Array, inside
from viewer.desk.desk import Desk
from viewer.science.look.histogram import Histogram
from viewer.science.look.outline import rasterize
from viewer.store.documents import MapSetup

INTEGERS = ["Al", "Fe", "Mg"]


def same(found: Histogram, pixels: Array) -> None:
    """The bins of an integer channel hold exactly these pixels."""
    values, counts = np.unique(pixels.ravel(), return_counts=True)
    np.testing.assert_array_equal(found.values[found.held], values)
    np.testing.assert_array_equal(found.counts[found.held], counts)


def step(desk: Desk, name: str) -> float:
    """Widest distance of two codes of a layer that is not its own codes."""
    return float(np.diff(desk.maps[MAP].layers[name].coding().values(65536)[1:]).max())


def outlined(desk: Desk) -> Array:
    desk.set_setup("Outline", MAP, MapSetup(outline=(TRIANGLE,)))
    return inside(TRIANGLE)


def test_the_outline_is_where_another_library_has_it() -> None:
    found = rasterize([np.array(TRIANGLE)], SHAPE, PIXEL)
    np.testing.assert_array_equal(found, inside(TRIANGLE))
    assert 0.2 < found.mean() < 0.8


@pytest.mark.parametrize("name", INTEGERS)
def test_inside_an_outline(desk: Desk, name: str) -> None:
    same(desk.histogram(MAP, name), ROCK[name])
    mask = outlined(desk)
    found = desk.histogram(MAP, name)
    same(found, ROCK[name][mask])
    assert found is desk.histogram(MAP, name)
    for q in (0, 1, 37.5, 99, 100):
        assert found.percentile(q) == np.percentile(ROCK[name][mask], q)
    desk.undo()
    same(desk.histogram(MAP, name), ROCK[name])


@pytest.mark.parametrize("name", ["Cr", "Ca"])
def test_inside_an_outline_of_other_numbers(desk: Desk, name: str) -> None:
    mask = outlined(desk)
    pixels = ROCK[name][mask].astype(np.float64)
    known = pixels[np.isfinite(pixels)]
    found = desk.histogram(MAP, name)
    assert found.total == known.size
    assert found.missing == pixels.size - known.size
    for q in (0, 1, 37.5, 99, 100):
        assert found.percentile(q) == pytest.approx(np.percentile(known, q), abs=step(desk, name))


@pytest.mark.parametrize("name", INTEGERS)
def test_of_a_window(desk: Desk, name: str) -> None:
    window = (slice(480, 571), slice(17, 90))
    layer = desk.maps[MAP].layers[name]
    same(desk.count(MAP, layer, window=window), ROCK[name][window])
    mask = outlined(desk)
    same(desk.count(MAP, layer, window=window), ROCK[name][window][mask[window]])


@pytest.mark.parametrize(("low", "high"), [(300, 500), (480, 480), (0, 65535), (700, 600)])
def test_of_the_pixels_within_a_range(desk: Desk, low: float, high: float) -> None:
    layers = desk.maps[MAP].layers
    fe = ROCK["Fe"]
    chosen = (fe >= low) & (fe <= high)
    same(desk.count(MAP, layers["Mg"], within=(layers["Fe"], low, high)), ROCK["Mg"][chosen])
    mask = outlined(desk)
    window = (slice(3, 590), slice(5, 129))
    found = desk.count(MAP, layers["Mg"], window=window, within=(layers["Fe"], low, high))
    same(found, ROCK["Mg"][window][(chosen & mask)[window]])


def test_of_a_range_of_broken_numbers(desk: Desk) -> None:
    """Pixels are chosen to within the step of a code; those without a value never are."""
    layers = desk.maps[MAP].layers
    cr, near = ROCK["Cr"].astype(np.float64), step(desk, "Cr")
    found = desk.count(MAP, layers["Mg"], within=(layers["Cr"], 6.0, 14.0)).total
    with np.errstate(invalid="ignore"):
        surely = ((cr >= 6.0 + near) & (cr <= 14.0 - near)).sum()
        possibly = ((cr >= 6.0 - near) & (cr <= 14.0 + near)).sum()
    assert surely <= found <= possibly


def test_a_job_counts_what_is_large(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Until it has, the histogram of the whole map stands in."""
    import viewer.desk.desk as module

    told: list[tuple[str, str]] = []
    waiting: list[object] = []
    desk.histogram_changed.connect(lambda m, layer: told.append((m, layer)))
    monkeypatch.setattr(module, "PROMPT_PIXELS", 10)
    monkeypatch.setattr(desk.jobs, "inline", False)
    monkeypatch.setattr(desk.jobs, "_post", waiting.append)
    mask = outlined(desk)
    same(desk.histogram(MAP, "Fe"), ROCK["Fe"])
    same(desk.histogram(MAP, "Fe"), ROCK["Fe"])
    desk.jobs._pool.shutdown(wait=True)
    assert len(desk.jobs.running) == 1  # asked for twice, counted once
    for call in waiting:
        call()  # type: ignore[operator]
    assert told == [(MAP, "Fe")]
    same(desk.histogram(MAP, "Fe"), ROCK["Fe"][mask])


def test_stretches_are_resolved_inside_the_outline(desk: Desk) -> None:
    from viewer.science.look.stretch import Stretch

    mask = outlined(desk)
    found = desk.resolved(MAP, "Fe", Stretch(low=2, high=98))
    assert found.by == "value"
    assert (found.low, found.high) == tuple(np.percentile(ROCK["Fe"][mask], (2, 98)))


def test_light_shows_the_range(desk: Desk) -> None:
    told: list[str] = []
    desk.lit_changed.connect(told.append)
    desk.light(MAP, "Fe", 400, 520)
    picture = desk.picture(MAP)
    out = np.zeros((*SHAPE, 4), np.uint8)
    picture.paint(picture.load(0, *WHOLE), out)
    assert picture.lit is not None
    lit = (out[..., 2::-1] == picture.lit.colour).all(axis=-1)
    np.testing.assert_array_equal(lit, (ROCK["Fe"] >= 400) & (ROCK["Fe"] <= 520))
    desk.douse(MAP)
    desk.douse(MAP)
    assert desk.picture(MAP).lit is None
    assert told == [MAP, MAP]
