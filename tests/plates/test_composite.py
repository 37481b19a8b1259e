"""The composite as a figure: the screen's colours, at the size that was asked for."""

from __future__ import annotations

import base64
import errno
import io
import re
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pytest
import tifffile
from PIL import Image

from viewer.errors import CancelledError, InputError, ResourceError
from viewer.plates import composite, foresee
from viewer.plates.composite import KINDS, draw_composite, write_composite
from viewer.plates.draw import Grid, arrow_outline
from viewer.plates.page import Arrow, Page, lay_out
from viewer.science.look.orient import Orientation

SVG = "{http://www.w3.org/2000/svg}"
LINK = "{http://www.w3.org/1999/xlink}href"


def pixels(path) -> np.ndarray:
    with Image.open(path) as image:
        assert image.mode == "RGB"
        return np.asarray(image)


# The map's own pixels ---------------------------------------------------------------------------


@pytest.mark.parametrize("ending", [".png", ".tif"])
def test_at_its_natural_width_the_map_is_copied(tmp_path, picture, turn, ending):
    source = picture((210, 230), orientation=turn)
    page = Page(width_mm=None, dpi=100, title="A title")
    written = write_composite(source, tmp_path / f"a{ending}", page)
    left, top, cols, rows = draw_composite(source, page).grid.map
    shown = source.shown()
    assert (rows, cols) == shown.shape[:2]
    image = pixels(written.path)
    assert np.array_equal(image[top : top + rows, left : left + cols], shown)
    assert image.shape == (written.height_px, written.width_px, 3)
    assert "One printed pixel is one map pixel." in written.caption


def test_a_bare_page_is_the_map_and_nothing_else(tmp_path, picture, turn):
    source = picture((120, 140), orientation=turn)
    page = Page(width_mm=None, dpi=50, margin_mm=0, names=False, bar=False, arrow=False)
    write_composite(source, tmp_path / "a.png", page)
    assert np.array_equal(pixels(tmp_path / "a.png"), source.shown())


def test_a_width_that_fits_its_pixels_copies_them_too(tmp_path, picture):
    source = picture((300, 600))
    page = Page(width_mm=600 * 25.4 / 300, margin_mm=0, names=False, bar=False)
    write_composite(source, tmp_path / "a.png", page)
    assert np.array_equal(pixels(tmp_path / "a.png"), source.shown())


def test_a_window_is_printed_alone(tmp_path, picture, turn):
    source = picture((300, 400), pixel_um=(10.0, 10.0), orientation=turn)
    window = (500.0, 200.0, 2500.0, 1800.0)
    page = Page(width_mm=None, dpi=50, margin_mm=0, window_um=window)
    drawn = draw_composite(source, page)
    left, top, cols, rows = drawn.grid.map
    want = turn.apply((source.pyramid[0][20:180, 50:250] >> 8).astype(np.uint8))
    assert np.array_equal(drawn.image[top : top + rows, left : left + cols], want)


def test_a_coarse_print_reads_a_coarse_level(picture):
    source = picture((600, 1200), levels=5)
    drawn = draw_composite(source, Page(width_mm=54, dpi=72))  # 50 mm at 72 dpi: 142 pixels
    assert {level for level, _, _ in source.asked} == {3}
    assert "mean of 8." in drawn.caption


def embedded_in_svg(path) -> tuple[np.ndarray, ElementTree.Element]:
    root = ElementTree.parse(path).getroot()
    (image,) = root.iter(f"{SVG}image")
    data = base64.b64decode(image.get(LINK).split(",", 1)[1])
    with Image.open(io.BytesIO(data)) as picture:
        return np.asarray(picture.convert("RGB")), image


def embedded_in_pdf(path) -> np.ndarray:
    data = path.read_bytes()
    (head,) = re.findall(rb"<<[^<>]*/Subtype /Image.*?>>\s*stream\r?\n", data, re.DOTALL)
    width = int(re.search(rb"/Width (\d+)", head)[1])
    height = int(re.search(rb"/Height (\d+)", head)[1])
    assert re.search(rb"/ColorSpace /DeviceRGB", head)
    start = data.index(head) + len(head)
    stream = data[start : data.index(b"endstream", start)]

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    # A PDF image with the predictors of PNG is the body of a PNG.
    assert re.search(rb"/Predictor 1\d", head)
    png = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    png += chunk(b"IDAT", stream.rstrip(b"\r\n")) + chunk(b"IEND", b"")
    with Image.open(io.BytesIO(png)) as picture:
        image = np.asarray(picture)
    # The unit square that an image fills has its first row at the top, where y is 1.
    (page,) = re.findall(rb"/Contents (\d+) 0 R", data)
    drawing = data[data.index(b"\n" + page + b" 0 obj") :]
    drawing = zlib.decompressobj().decompress(drawing[drawing.index(b"stream") + 7 :])
    matrix = re.search(rb"([-\d.]+)\s+0\s+0\s+([-\d.]+)\s+0\s+[-\d.]+ cm /I1 Do", drawing)
    assert float(matrix[1]) > 0
    return image if float(matrix[2]) > 0 else image[::-1]


def test_svg_holds_the_maps_pixels_as_they_are(tmp_path, picture, turn):
    source = picture((90, 120), orientation=turn)
    written = write_composite(source, tmp_path / "a.svg", Page(width_mm=84))
    image, element = embedded_in_svg(written.path)
    assert np.array_equal(image, source.shown())
    a, b, c, d, _, _ = map(float, re.findall(r"[-\d.e]+", element.get("transform")))
    assert a > 0
    assert d > 0  # the first row is at the top
    assert b == c == 0
    assert "pixelated" in element.get("style")
    assert (written.height_px, written.width_px) == image.shape[:2]


def test_pdf_holds_the_maps_pixels_as_they_are(tmp_path, picture, turn):
    source = picture((90, 120), orientation=turn)
    written = write_composite(source, tmp_path / "a.pdf", Page(width_mm=84))
    assert np.array_equal(embedded_in_pdf(written.path), source.shown())


def test_a_pdf_holds_no_more_pixels_than_its_print_shows(tmp_path, picture):
    source = picture((600, 1200))
    written = write_composite(source, tmp_path / "a.pdf", Page(width_mm=54, dpi=300))
    # 50 mm at 300 dpi are 590.6 pixels; rounded up, so that 300 dpi are kept.
    assert (written.width_px, written.height_px) == (591, 296)
    assert written.dpi >= 300
    assert embedded_in_pdf(written.path).shape == (296, 591, 3)


# Size on paper ----------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [84.0, 129.3, 180.0])
@pytest.mark.parametrize("dpi", [72, 300, 600])
def test_a_raster_prints_at_the_width_asked_for(tmp_path, picture, width, dpi):
    source = picture((300, 800))
    page = Page(width_mm=width, dpi=dpi)
    png = write_composite(source, tmp_path / "a.png", page)
    with Image.open(png.path) as image:
        assert image.width * 25.4 / image.info["dpi"][0] == pytest.approx(width, abs=0.1)
        assert image.height * 25.4 / image.info["dpi"][1] == pytest.approx(png.height_mm, abs=0.1)
        assert image.info["dpi"][0] >= dpi - 0.02
    tif = write_composite(source, tmp_path / "a.tif", page)
    with tifffile.TiffFile(tif.path) as tiff:
        tags = tiff.pages[0].tags
        up, down = tags["XResolution"].value
        assert tags["YResolution"].value == (up, down)
        assert tags["ResolutionUnit"].value == tifffile.RESUNIT.CENTIMETER
        assert tags["ImageWidth"].value / (up / down) * 10 == pytest.approx(width, abs=1e-4)
    assert tif.width_mm == png.width_mm == width
    assert tif.dpi >= dpi


def test_a_pdf_has_the_size_asked_for(tmp_path, picture):
    written = write_composite(picture(), tmp_path / "a.pdf", Page(width_mm=84))
    box = re.search(rb"/MediaBox \[ ?([^\]]*)\]", written.path.read_bytes())[1]
    left, bottom, right, top = map(float, box.split())
    assert (left, bottom) == (0, 0)
    assert right / 72 * 25.4 == pytest.approx(84, abs=0.01)
    assert top / 72 * 25.4 == pytest.approx(written.height_mm, abs=0.01)


def test_an_svg_has_the_size_asked_for(tmp_path, picture):
    written = write_composite(picture(), tmp_path / "a.svg", Page(width_mm=84))
    root = ElementTree.parse(written.path).getroot()
    assert root.get("width").endswith("pt")
    assert float(root.get("width")[:-2]) / 72 * 25.4 == pytest.approx(84, abs=0.01)
    assert float(root.get("height")[:-2]) / 72 * 25.4 == pytest.approx(written.height_mm, abs=0.01)


# What is written beside the map -----------------------------------------------------------------


def test_text_of_an_svg_is_live(tmp_path, picture):
    page = Page(title="Face A & <B>", caption="costs $5, not $6")
    source = picture(orientation=Orientation(way_up_deg=30.0))
    write_composite(source, tmp_path / "a.svg", page)
    root = ElementTree.parse(tmp_path / "a.svg").getroot()
    words = ["".join(text.itertext()) for text in root.iter(f"{SVG}text")]
    assert set(words) == {
        "Face A & <B>",
        "Red: Fe Kα",
        "Green: Cr Kα",
        "Blue: Al Kα",
        "way up",
        "200 µm",
        "costs $5, not $6",
    }
    for text in root.iter(f"{SVG}text"):
        assert "DejaVu Sans" in text.get("style")
        assert float(re.search(r"font-size: ([\d.]+)px", text.get("style"))[1]) >= 6


def test_text_of_a_pdf_is_embedded_as_truetype(tmp_path, picture):
    write_composite(picture(), tmp_path / "a.pdf")
    data = (tmp_path / "a.pdf").read_bytes()
    assert b"/FontFile2" in data
    assert b"DejaVuSans" in data
    assert b"/Type3" not in data


def longest_run(row: np.ndarray, colour) -> int:
    same = np.concatenate([[False], (row == colour).all(axis=-1), [False]])
    starts, ends = np.flatnonzero(~same[:-1] & same[1:]), np.flatnonzero(same[:-1] & ~same[1:])
    return int((ends - starts).max(initial=0))


@pytest.mark.parametrize("pixel", [(20.0, 20.0), (7.3, 31.0)])
@pytest.mark.parametrize("paper", ["light", "dark"])
def test_the_scale_bar_is_true_to_a_pixel(picture, turn, pixel, paper):
    source = picture((170, 260), pixel_um=pixel, orientation=turn)
    drawn = draw_composite(source, Page(width_mm=84, paper=paper))
    _, top, cols, rows = drawn.grid.map
    below = drawn.image[top + rows :]
    found = max(longest_run(row, drawn.layout.paper.ink) for row in below)
    width_um = 170 * pixel[1] if turn.swaps_axes else 260 * pixel[0]
    assert abs(found - drawn.layout.bar_um / width_um * cols) <= 0.5 + 1e-6
    assert f"Scale bar {drawn.layout.bar_um:g} µm" in drawn.caption or "mm" in drawn.caption


def test_the_bar_of_an_svg_is_true(tmp_path, picture):
    source = picture((300, 800))
    page = Page(width_mm=104, margin_mm=2)
    write_composite(source, tmp_path / "a.svg", page)
    layout = lay_out(page, (300, 800), (20.0, 20.0), source.colours, None)
    boxes = [
        np.array(re.findall(r"[-\d.]+", path.get("d")), float).reshape(-1, 2)
        for path in ElementTree.parse(tmp_path / "a.svg").getroot().iter(f"{SVG}path")
    ]
    widths = [np.ptp(corners[:, 0]) / 72 * 25.4 for corners in boxes]
    # 2 mm of rock, of 16 mm that are drawn 100 mm wide.
    assert layout.bar_um == 2000
    assert min(abs(w - 12.5) for w in widths) < 0.001


def test_the_squares_of_the_key_have_the_colours_of_the_screen(picture):
    drawn = draw_composite(picture((300, 800)), Page())
    _, top, _, rows = drawn.grid.map
    below = drawn.image[top + rows :].reshape(-1, 3)
    for colour in ((255, 0, 0), (0, 255, 0), (0, 0, 255)):
        assert (below == colour).all(axis=1).sum() > 100


@pytest.mark.parametrize(
    ("degrees", "tip"), [(0, (0, -1)), (90, (1, 0)), (180, (0, 1)), (270, (-1, 0))]
)
def test_the_arrow_points_clockwise_from_the_top(degrees, tip):
    corners = arrow_outline(Arrow(10.0, 20.0, 2.0, degrees, (0, 0, 0)))
    assert corners[0] == pytest.approx((10 + tip[0], 20 + tip[1]))
    assert np.max(np.hypot(*(np.array(corners) - (10, 20)).T)) < 1.01


def test_the_arrow_is_drawn_where_it_points(picture):
    """Ink of the arrow lies on the side of its tip: the head is heavier than the shaft."""
    for degrees, side in ((90.0, 1), (270.0, -1)):
        source = picture((300, 800), orientation=Orientation(way_up_deg=degrees))
        drawn = draw_composite(source, Page(names=False, bar=False, dpi=600))
        (arrow,) = [item for item in drawn.layout.items if isinstance(item, Arrow)]
        k = drawn.grid.per_mm
        row = drawn.grid.lowered(arrow.y, drawn.layout)
        reach = arrow.length / 2 * k
        block = drawn.image[
            int(row - reach) : int(row + reach), int(arrow.x * k - reach) : int(arrow.x * k + reach)
        ]
        ink = (block < 128).all(axis=-1).sum(axis=0)
        half = len(ink) // 2
        heavier = 1 if ink[half:].sum() > ink[:half].sum() else -1
        assert heavier == side


def test_a_grid_is_whole_pixels_that_add_up(picture):
    for shape in ((300, 800), (801, 299)):
        source = picture(shape)
        page = Page(width_mm=90, title="A title")
        layout = lay_out(page, shape, (20.0, 20.0), source.colours, None)
        grid = Grid(layout, 300)
        left, top, cols, rows = grid.map
        assert (grid.head, grid.head + rows + grid.foot) == (top, grid.height)
        assert abs(left - (grid.width - left - cols)) <= 1
        assert draw_composite(source, page).image.shape == (grid.height, grid.width, 3)


# What an author should know ---------------------------------------------------------------------


def kinds(written) -> list[str]:
    return [note.kind for note in written.cautions]


def test_a_good_figure_has_no_cautions(tmp_path, picture):
    written = write_composite(picture((400, 1300)), tmp_path / "a.png", Page(width_mm=84))
    assert kinds(written) == []
    assert [note.kind for note in written.notes] == ["sampling"]


def test_small_text_is_said(tmp_path, picture):
    page = Page(width_mm=84, font_pt=5.9)
    assert "small text" in kinds(write_composite(picture((400, 1300)), tmp_path / "a.png", page))
    page = Page(width_mm=84, font_pt=6)
    assert kinds(write_composite(picture((400, 1300)), tmp_path / "b.png", page)) == []


@pytest.mark.parametrize("ending", [".png", ".pdf"])
def test_a_coarse_picture_is_said(tmp_path, picture, ending):
    few = write_composite(picture((60, 80)), tmp_path / f"a{ending}")
    (note,) = [n for n in few.cautions if n.kind == "coarse"]
    assert note.text.startswith("12 pixels an inch is all the map holds")  # 80 over 176 mm
    low = write_composite(picture((400, 1300)), tmp_path / f"b{ending}", Page(width_mm=84, dpi=150))
    (note,) = [n for n in low.cautions if n.kind == "coarse"]
    assert note.text.startswith("150 pixels an inch was asked for")


def test_a_missing_pixel_size_is_said(tmp_path, picture):
    written = write_composite(picture((400, 1300), pixel_um=None), tmp_path / "a.png")
    assert "no pixel size" in kinds(written)
    assert "Scale bar" not in written.caption


def test_missing_letters_are_said_and_drawn_as_boxes(tmp_path, picture):
    page = Page(width_mm=84, title="Face \N{CJK UNIFIED IDEOGRAPH-77F3}")
    written = write_composite(picture((400, 1300)), tmp_path / "a.png", page)
    assert kinds(written) == ["missing letters"]
    write_composite(picture(), tmp_path / "a.svg", page)
    root = ElementTree.parse(tmp_path / "a.svg").getroot()
    words = ["".join(text.itertext()) for text in root.iter(f"{SVG}text")]
    assert "Face \N{CJK UNIFIED IDEOGRAPH-77F3}" in words


def test_a_page_beyond_a_sheet_is_said(tmp_path, picture):
    assert "tall" in kinds(write_composite(picture((900, 300)), tmp_path / "a.pdf"))
    page = Page(max_height_mm=240)
    written = write_composite(picture((900, 300)), tmp_path / "b.pdf", page)
    assert "tall" not in kinds(written)
    assert written.height_mm <= 240 + 1e-6


# Files and their neighbours ---------------------------------------------------------------------


def test_files_say_what_they_show(tmp_path, picture):
    page = Page(title="Face A")
    png = write_composite(picture(), tmp_path / "a.png", page)
    with Image.open(png.path) as image:
        assert image.text["Description"] == png.caption
        assert image.text["Title"] == "Face A"
        assert image.text["Software"].startswith("Grainlight ")
    tif = write_composite(picture(), tmp_path / "a.tif", page)
    with tifffile.TiffFile(tif.path) as tiff:
        assert tiff.pages[0].tags["ImageDescription"].value == tif.caption
    svg = write_composite(picture(), tmp_path / "a.svg", page)
    assert svg.caption in svg.path.read_text(encoding="utf-8")


def test_a_page_without_a_title_is_filed_under_the_name_given(tmp_path, picture):
    png = write_composite(picture(), tmp_path / "a.png", name="Upper face")
    with Image.open(png.path) as image:
        assert image.text["Title"] == "Upper face"
    pdf = write_composite(picture(), tmp_path / "a.pdf", name="Upper face")
    assert b"/Title (Upper face)" in pdf.path.read_bytes()
    titled = write_composite(picture(), tmp_path / "b.pdf", Page(title="Mine"), name="Upper face")
    assert b"/Title (Mine)" in titled.path.read_bytes()
    nameless = write_composite(picture(), tmp_path / "c.png")
    with Image.open(nameless.path) as image:
        assert "Title" not in image.text


@pytest.mark.parametrize("ending", sorted(KINDS))
def test_the_same_plate_gives_the_same_bytes(tmp_path, picture, ending):
    one = write_composite(picture(), tmp_path / f"a{ending}").path.read_bytes()
    two = write_composite(picture(), tmp_path / f"b{ending}").path.read_bytes()
    assert one == two


@pytest.mark.parametrize("ending", sorted(KINDS))
def test_settings_of_matplotlib_are_given_back(tmp_path, picture, ending):
    with matplotlib.rc_context({"font.size": 31, "pdf.fonttype": 3, "figure.dpi": 17}):
        before = dict(matplotlib.rcParams)
        written = write_composite(picture(), tmp_path / f"a{ending}")
        assert dict(matplotlib.rcParams) == before
    assert (
        written.path.read_bytes()
        == write_composite(picture(), tmp_path / f"b{ending}").path.read_bytes()
    )


def test_start_up_does_not_wait_for_matplotlib():
    """Nor does a plate ever reach for ``pyplot``, which would open windows and keep figures."""
    loaded = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys, viewer.plates.composite, viewer.plates.map_tiff; print(*sys.modules)",
        ],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    assert "viewer.plates.composite" in loaded
    assert {"matplotlib", "PIL", "tifffile"}.isdisjoint(loaded)
    for module in Path(composite.__file__).parent.glob("*.py"):
        assert "import pyplot" not in module.read_text(encoding="utf-8")


@pytest.mark.parametrize("ending", sorted(KINDS))
def test_stopping_leaves_the_folder_as_it_was(tmp_path, picture, ending):
    def stop(done: float, doing: str = "") -> None:
        if done >= 0.9:
            raise CancelledError

    with pytest.raises(CancelledError):
        write_composite(picture(), tmp_path / f"a{ending}", progress=stop)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("ending", sorted(KINDS))
def test_a_file_is_replaced_only_when_told(tmp_path, picture, ending):
    target = tmp_path / f"a{ending}"
    target.write_bytes(b"before")
    with pytest.raises(InputError, match="already"):
        write_composite(picture(), target)
    assert target.read_bytes() == b"before"
    write_composite(picture(), target, overwrite=True)
    assert target.read_bytes() != b"before"


def test_a_full_disk_is_said_and_leaves_nothing(tmp_path, picture, monkeypatch):
    def full(*args, **keywords):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Image.Image, "save", full)
    with pytest.raises(ResourceError, match="disk is full"):
        write_composite(picture(), tmp_path / "a.png")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["a", "a.jpg", "a.h5", ".png"])
def test_another_ending_is_refused(tmp_path, picture, name):
    with pytest.raises(InputError, match=r"\.png, \.tif, \.pdf or \.svg"):
        write_composite(picture(), tmp_path / name)


def test_a_page_too_large_to_draw_is_refused_before_it_is_read(tmp_path, picture, monkeypatch):
    monkeypatch.setattr(foresee, "LARGEST_PAGE", 100_000)
    source = picture((300, 800))
    with pytest.raises(InputError, match="too large"):
        write_composite(source, tmp_path / "a.png")
    assert source.asked == []
    assert list(tmp_path.iterdir()) == []


def test_progress_only_goes_forward(tmp_path, picture):
    told = []
    write_composite(
        picture((700, 900)),
        tmp_path / "a.png",
        Page(dpi=600),
        progress=lambda done, doing="": told.append(done),
    )
    assert told == sorted(told)
    assert told[-1] == 1
