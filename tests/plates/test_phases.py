"""Phase maps as figures: no colour of a phase is ever mixed, and the key says what is there."""

from __future__ import annotations

import re

import numpy as np
import pytest
from PIL import Image

from viewer.plates.composite import draw_composite, write_composite
from viewer.plates.legend import describe, entries, labelled, percent
from viewer.plates.page import Box, Page, Text, lay_out
from viewer.plates.sampling import plan, sample
from viewer.plates.source import Shown, Window
from viewer.science.look.orient import Orientation

INKS = np.array([[84, 84, 84], [224, 120, 0], [0, 220, 200], [200, 150, 255], [255, 0, 0]], np.uint8)
NAMES = ("Unsorted", "Plagioclase", "Olivine", "Chromite", "Sulfide $x_1$")


class Phases:
    """A class image as a `PlateSource`; its levels are every second pixel of the one before."""

    def __init__(self, shape=(90, 120), *, levels=4, orientation=None):
        self.shape = shape
        self.pixel_um = (20.0, 25.0)
        self.orientation = orientation or Orientation(way_up_deg=20.0)
        self.levels = levels
        self.classes = True
        y, x = np.indices(shape)
        labels = ((x // 7 + 2 * (y // 11)) % 4).astype(np.uint8)
        self.pyramid = [labels]
        for _ in range(levels - 1):
            self.pyramid.append(self.pyramid[-1][::2, ::2])

    @property
    def colours(self):
        return tuple((one.name, one.colour) for one in self.present(*map(slice, self.shape)))

    def present(self, rows, cols):
        counts = np.bincount(self.pyramid[0][rows, cols].ravel(), minlength=5)
        order = [*range(1, 5), 0]
        return tuple(
            Shown(NAMES[k], tuple(int(v) for v in INKS[k]), counts[k] / counts.sum())
            for k in order
            if counts[k]
        )

    def rgb(self, level, rows, cols, depth):
        block = INKS[self.pyramid[level][rows, cols]]
        return block if depth == 8 else block.astype(np.uint16) * 257


def whole(source):
    return Window(slice(0, source.shape[0]), slice(0, source.shape[1]))


@pytest.mark.parametrize("shape", [(90, 120), (45, 60), (37, 41), (10, 13), (200, 260), (30, 300)])
def test_no_colour_is_mixed(shape):
    source = Phases()
    found = sample(source, whole(source), shape)
    known = {tuple(ink) for ink in INKS}
    assert {tuple(c) for c in found.reshape(-1, 3)} <= known


def test_each_printed_pixel_is_the_levels_pixel_under_its_centre():
    source = Phases()
    how = plan(source, whole(source), (30, 40))
    assert (how.level, how.kind) == (1, "picked")
    assert "commonest phase of 2 × 2 map pixels" in str(how)
    found = sample(source, whole(source), (30, 40))
    rows = ((2 * np.arange(30) + 1) * 90) // 60
    cols = ((2 * np.arange(40) + 1) * 120) // 80
    np.testing.assert_array_equal(found, INKS[source.pyramid[1][np.ix_(rows // 2, cols // 2)]])
    assert "under its centre" in str(plan(source, whole(source), (70, 100)))


def test_a_window_off_the_corner_is_picked_alike():
    source = Phases()
    window = Window(slice(13, 77), slice(9, 101))
    found = sample(source, window, (16, 23))
    rows = 13 + ((2 * np.arange(16) + 1) * 64) // 32
    cols = 9 + ((2 * np.arange(23) + 1) * 92) // 46
    np.testing.assert_array_equal(found, INKS[source.pyramid[2][np.ix_(rows >> 2, cols >> 2)]])


def test_the_key_keeps_the_schemes_order_and_its_swatches_are_the_maps_colours():
    source = Phases()
    drawn = draw_composite(source, Page(width_mm=120, dpi=300))
    words = [i.text for i in drawn.layout.items if isinstance(i, Text)]
    names = [w for w in words if w in NAMES]
    assert names == ["Plagioclase", "Olivine", "Chromite", "Unsorted"]
    inks = [i.colour for i in drawn.layout.items if isinstance(i, Box)]
    assert [tuple(int(v) for v in INKS[k]) for k in (1, 2, 3, 0)] == [
        c for c in inks if c not in ((0, 0, 0), (255, 255, 255))
    ]
    # All names are in ink, whatever the colour of the phase.
    assert {i.colour for i in drawn.layout.items if isinstance(i, Text)} == {(0, 0, 0)}
    foot = drawn.image[drawn.grid.map[1] + drawn.grid.map[3] :]
    for k in (0, 1, 2, 3):
        assert (foot == INKS[k]).all(axis=2).sum() > 100
    assert "way up" in words
    assert drawn.layout.bar is not None


def test_areas_are_of_the_window_that_is_shown():
    source = Phases()
    page = Page(width_mm=120, areas=True, window_um=(0, 0, 7 * 20.0, 11 * 25.0))
    drawn = draw_composite(source, page)
    words = [i.text for i in drawn.layout.items if isinstance(i, Text)]
    assert "Unsorted 100.0 %" in words
    assert not any("Olivine" in w for w in words)
    assert "not of volume" in drawn.caption
    assert "Phases: Unsorted 100.0 %." in drawn.caption


def test_areas_in_words():
    assert percent(0.3412) == "34.1 %"
    assert percent(0.0) == "0.0 %"
    assert percent(0.0001) == "< 0.1 %"
    shown = (Shown("A", (1, 2, 3), 0.25), Shown("B", (4, 5, 6)))
    assert labelled(shown, True) == (("A 25.0 %", (1, 2, 3)), ("B", (4, 5, 6)))
    assert labelled(shown, False)[0][0] == "A"


def test_a_pure_red_phase_is_not_called_red_and_stays_in_its_place():
    colours = (("Olivine", (0, 0, 255)), ("Sulfide", (255, 0, 0)))
    assert entries(colours, classes=True) == colours
    assert describe(colours, classes=True) == "Phases: Olivine; Sulfide."


@pytest.mark.parametrize("count", [1, 4, 9, 13, 24])
@pytest.mark.parametrize("width", [85.0, 180.0])
def test_keys_of_any_length_stay_on_the_page_and_apart(count, width):
    colours = tuple((f"Mineral number {i} {'x' * (i % 5)}", (i, 90, 200)) for i in range(count))
    layout = lay_out(Page(width_mm=width), (300, 400), (10, 10), colours, 30.0, classes=True)
    texts = [i for i in layout.items if isinstance(i, Text) and i.text.startswith("Mineral")]
    assert len(texts) == count
    boxes = [i for i in layout.items if isinstance(i, Box) and i.colour[1:] == (90, 200)]
    assert [b.colour[0] for b in boxes] == list(range(count))
    assert max(b.x + b.w for b in boxes) < layout.width
    assert max(b.y + b.h for b in boxes) < layout.height
    places = {(round(b.x, 2), round(b.y, 2)) for b in boxes}
    assert len(places) == count
    if count == 24:
        # In columns, not in one tall one.
        assert len({round(b.x, 2) for b in boxes}) >= 2


def test_vector_files_hold_live_text_and_unmixed_pixels(tmp_path):
    source = Phases()
    written = write_composite(source, tmp_path / "phases.svg", Page(width_mm=85), name="Slab")
    text = written.path.read_text("utf-8")
    for name in ("Plagioclase", "Olivine", "Chromite", "Unsorted"):
        assert re.search(rf"<text[^>]*>{name}</text>", text)
    pdf = write_composite(source, tmp_path / "phases.pdf", Page(width_mm=85)).path.read_bytes()
    assert b"/FontFile2" in pdf
    png = write_composite(source, tmp_path / "phases.png", Page(width_mm=85)).path
    with Image.open(png) as image:
        assert "Phases: Plagioclase; Olivine; Chromite; Unsorted." in image.text["Description"]
