"""What is seen is the stretch of the pixels' own values, and what is exported is what is seen."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
import pytest
import tifffile

from tests.desk.conftest import MAP, ROCK, SHAPE, TRIANGLE, WHOLE, Array, inside
from viewer.desk.desk import Desk
from viewer.desk.export import write_picture_tiff
from viewer.science.look.orient import Orientation
from viewer.science.look.stretch import Stretch, lut
from viewer.store.documents import Composite, MapLook, MapSetup, Panel

STRETCHES = {
    "Fe": Stretch(low=1, high=99),
    "Al": Stretch(low=0, high=90, curve="asinh", gamma=1.4),
    "Cr": Stretch(low=-2.0, high=17.5, by="value", curve="sqrt", invert=True, weight=0.8),
    "Mg": Stretch(low=5, high=95, curve="log", gamma=0.7),
    "Ca": Stretch(low=0, high=100),
}


def composite(*names: str) -> Composite:
    panels = [Panel(layer=n, stretch=STRETCHES[n]) if n else None for n in names]
    return Composite(red=panels[0], green=panels[1], blue=panels[2])


def brightness(desk: Desk, name: str, depth: Literal[8, 16]) -> Array:
    """The stretch of every pixel's value, worked out one by one without a table of codes."""
    by_value = desk.resolved(MAP, name, STRETCHES[name])
    return lut(ROCK[name].astype(np.float64).ravel(), by_value, depth).reshape(SHAPE)


@pytest.mark.parametrize("depth", [8, 16])
@pytest.mark.parametrize("names", [("Fe", "Al", "Mg"), ("Mg", "", "Fe"), ("", "Al", "")])
def test_whole_numbers_are_shown_exactly(
    desk: Desk, names: tuple[str, str, str], depth: Literal[8, 16]
) -> None:
    rgb = desk.composite_picture(MAP, composite(*names)).rgb(0, *WHOLE, depth)
    assert rgb.dtype == (np.uint8 if depth == 8 else np.uint16)
    for band, name in enumerate(names):
        expected = brightness(desk, name, depth) if name else np.zeros(SHAPE)
        np.testing.assert_array_equal(rgb[..., band], expected)


@pytest.mark.parametrize("name", ["Cr", "Ca"])
def test_other_numbers_are_shown_to_within_a_code(desk: Desk, name: str) -> None:
    rgb = desk.composite_picture(MAP, composite(name, "", "")).rgb(0, *WHOLE)
    seen, expected = rgb[..., 0].astype(int), brightness(desk, name, 8).astype(int)
    missing = np.isnan(ROCK[name].astype(float))
    assert (seen[missing] == 0).all()
    # 65535 codes over the range are much finer than 256 levels: a level is missed by one, rarely.
    away = np.abs(seen - expected)[~missing]
    assert away.max() <= 1
    assert (away > 0).mean() < 0.01
    # And exactly what the codes stand for.
    layer = desk.maps[MAP].layers[name]
    decoded = layer.coding().values(65536)[layer.codes(0, *WHOLE)]
    by_value = desk.resolved(MAP, name, STRETCHES[name])
    np.testing.assert_array_equal(seen, lut(decoded.ravel(), by_value).reshape(SHAPE))


@pytest.mark.parametrize("outline", [(), (TRIANGLE,)], ids=["whole", "outlined"])
def test_the_screen_shows_the_same_colours(desk: Desk, outline: tuple[object, ...]) -> None:
    desk.set_setup("Outline", MAP, MapSetup(outline=outline))  # type: ignore[arg-type]
    picture = desk.composite_picture(MAP, composite("Fe", "Cr", "Mg"))
    window = (slice(400, 560), slice(3, 97))
    block = picture.load(0, *window)
    out = np.zeros((*block.shape, 4), np.uint8)
    picture.paint(block, out)
    rgb = picture.rgb(0, *window)
    np.testing.assert_array_equal(out[..., 2::-1], rgb)
    np.testing.assert_array_equal(rgb, picture.rgb(0, *WHOLE)[window])
    if outline:
        plain = brightness(desk, "Fe", 8)[window]
        within = inside(TRIANGLE)[window]
        np.testing.assert_array_equal(rgb[..., 0][within], plain[within])
        assert (rgb[..., 0][~within] <= plain[~within]).all()
        assert (rgb[..., 0][~within] < plain[~within]).any()


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("depth", [8, 16])
def test_the_exported_tiff_holds_what_is_seen(
    desk: Desk, tmp_path: Path, turns: int, mirror: bool, depth: Literal[8, 16]
) -> None:
    laid = Orientation(quarter_turns=turns, mirror=mirror)
    desk.set_setup("Turn", MAP, MapSetup(orientation=laid, outline=(TRIANGLE,)))
    desk.light(MAP, "Fe", 0, 1e9)  # what lights up is not part of the picture
    desk.set_look("Look", MAP, MapLook(mode="composite", composite=composite("Fe", "Cr", "Al")))
    picture = desk.picture(MAP)
    path = tmp_path / "seen.tif"
    write_picture_tiff(desk, picture, path, depth)
    seen = picture.rgb(0, *WHOLE, depth)
    # Mirrored left to right first, then turned clockwise; written out here without the program's own.
    laid_out = seen[:, ::-1] if mirror else seen
    laid_out = np.rot90(laid_out, -turns)
    np.testing.assert_array_equal(tifffile.imread(path), laid_out)


@pytest.mark.parametrize("name", ["Fe", "Al", "Cr"])
def test_a_single_channel_goes_through_its_colours(
    desk: Desk, tmp_path: Path, name: str
) -> None:
    from viewer.science.look.colour import colour_map

    look = MapLook(mode="single", layer=name, colours="grey", stretches={name: STRETCHES[name]})
    desk.set_look("Look", MAP, look)
    picture = desk.picture(MAP)
    rgb = picture.rgb(0, *WHOLE)
    layer = desk.maps[MAP].layers[name]
    values = layer.coding().values(layer.code_count())[layer.codes(0, *WHOLE)]
    levels = lut(values.ravel(), desk.resolved(MAP, name, STRETCHES[name])).reshape(SHAPE)
    expected = colour_map("grey")[levels]
    expected[np.isnan(values)] = 0
    np.testing.assert_array_equal(rgb, expected)
    path = tmp_path / "seen.tif"
    write_picture_tiff(desk, picture, path)
    np.testing.assert_array_equal(tifffile.imread(path), rgb)


def test_blocks_are_loaded_anew_only_for_other_pixels(desk: Desk) -> None:
    first = desk.composite_picture(MAP, composite("Fe", "Al", "Mg"))
    other_colours = Composite(
        red=Panel(layer="Fe", stretch=Stretch(low=20, high=80)),
        green=Panel(layer="Al"),
        blue=Panel(layer="Mg"),
    )
    assert desk.composite_picture(MAP, other_colours).key == first.key
    assert desk.composite_picture(MAP, composite("Fe", "Al", "Cr")).key != first.key
    desk.set_setup("Outline", MAP, MapSetup(outline=(TRIANGLE,)))
    assert desk.composite_picture(MAP, composite("Fe", "Al", "Mg")).key != first.key


def test_a_composite_of_a_layer_that_is_gone_leaves_its_colour_out(desk: Desk) -> None:
    gone = Composite(red=Panel(layer="Fe"), green=Panel(layer="no such"), blue=None)
    picture = desk.composite_picture(MAP, gone)
    assert [name for name, _ in picture.names] == ["Fe"]
    assert not picture.rgb(0, *WHOLE)[..., 1:].any()
