"""Figures as files: size, live text, the same bytes each time, and no half file."""

from __future__ import annotations

import re

import matplotlib
import numpy as np
import pytest
from PIL import Image

from tests.plates.figures import awkward, chart, ordinary, rose, strip
from viewer.errors import InputError
from viewer.plates.chart import Axis
from viewer.plates.chart_page import natural_width, write_figure


@pytest.mark.parametrize("ending", ["pdf", "svg", "png"])
@pytest.mark.parametrize("figure", ordinary(), ids=lambda f: f.name)
def test_every_figure_is_written_as_every_format(tmp_path, figure, ending):
    path = write_figure(tmp_path / f"a.{ending}", figure, dpi=100)
    assert path.stat().st_size > 1000
    assert [p.name for p in tmp_path.iterdir()] == [f"a.{ending}"]


@pytest.mark.parametrize("figure", awkward(), ids=lambda f: f.name)
def test_awkward_figures_are_written_too(tmp_path, figure):
    write_figure(tmp_path / "a.svg", figure)


def test_a_pdf_has_the_width_asked_for_and_embeds_its_letters(tmp_path):
    data = write_figure(tmp_path / "a.pdf", chart(), width_mm=85.0).read_bytes()
    box = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", data)
    assert box is not None
    assert float(box[1]) == pytest.approx(85 / 25.4 * 72, abs=0.01)
    assert b"/FontFile2" in data
    assert b"/Type3" not in data
    assert b"/Title (Calcium along the traverse)" in data


def test_the_words_of_an_svg_are_words(tmp_path):
    text = write_figure(tmp_path / "a.svg", chart()).read_text(encoding="utf-8")
    for words in ("Calcium along the traverse", "distance (mm)", "Ca (counts)", "seam base", "mean"):
        assert f">{words}</text>" in text


def test_a_dollar_in_a_name_is_a_dollar(tmp_path):
    figure = chart(y=Axis("$a_b$ <&>", "counts"))
    assert "$a_b$ &lt;&amp;&gt; (counts)" in write_figure(tmp_path / "a.svg", figure).read_text("utf-8")
    write_figure(tmp_path / "a.pdf", figure)


def test_a_png_has_the_pixels_that_its_width_and_resolution_ask_for(tmp_path):
    with Image.open(write_figure(tmp_path / "a.png", rose(), width_mm=85.0, dpi=300)) as image:
        assert abs(image.width - 85 / 25.4 * 300) <= 1
        assert image.info["dpi"][0] == pytest.approx(300, abs=0.1)


def test_the_height_is_kept_where_it_is_asked_for(tmp_path):
    path = write_figure(tmp_path / "a.png", chart(), width_mm=120, height_mm=60, dpi=254)
    with Image.open(path) as image:
        assert image.size == (1200, 600)


def test_greys_of_a_strip_are_the_values(tmp_path):
    figure = strip(curves=())
    path = write_figure(tmp_path / "a.png", figure, width_mm=100, height_mm=60, dpi=254)
    with Image.open(path) as image:
        pixels = np.asarray(image.convert("L"))
    # Twelve cells; each has one grey, and the darkest cell is at the lower left.
    dark = np.argwhere(pixels == 0)
    assert dark[:, 0].mean() > pixels.shape[0] * 0.5
    for value in (0, 1, 10, 23):
        assert (pixels == round(value / 23 * 255)).sum() > 1000


@pytest.mark.parametrize("ending", ["pdf", "svg", "png"])
def test_the_same_figure_gives_the_same_bytes_whatever_else_is_set(tmp_path, ending):
    one = write_figure(tmp_path / f"a.{ending}", chart(), dpi=100).read_bytes()
    with matplotlib.rc_context({"font.size": 31, "savefig.bbox": "tight", "figure.dpi": 17}):
        other = write_figure(tmp_path / f"b.{ending}", chart(), dpi=100).read_bytes()
    assert one == other


def test_an_earlier_file_is_replaced(tmp_path):
    (tmp_path / "a.svg").write_text("old")
    assert "<svg" in write_figure(tmp_path / "a.svg", chart()).read_text("utf-8")


@pytest.mark.parametrize(
    ("name", "sizes", "words"),
    [
        ("a.jpg", {}, r"\.pdf, \.svg or \.png"),
        ("a", {}, r"\.pdf, \.svg or \.png"),
        ("a.pdf", {"width_mm": 5.0}, "width lies between 40 and 1000 mm"),
        ("a.pdf", {"width_mm": float("nan")}, "width lies between"),
        ("a.pdf", {"height_mm": 0.0}, "height lies between"),
        ("a.png", {"dpi": 1e6}, "resolution lies between 50 and 2400 dpi"),
        ("none/a.pdf", {}, "none"),
    ],
)
def test_what_cannot_be_written_says_so(tmp_path, name, sizes, words):
    with pytest.raises(InputError, match=words):
        write_figure(tmp_path / name, chart(), **sizes)
    assert list(tmp_path.iterdir()) == []


def test_each_sort_of_figure_has_a_journals_width():
    assert [natural_width(figure) for figure in ordinary()] == [120.0, 120.0, 85.0, 175.0]
