"""Published checks of sizes in print."""

from __future__ import annotations

import struct
from fractions import Fraction

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from viewer.errors import InputError
from viewer.plates.resolution import MM_PER_INCH, POINTS_PER_INCH, per_cm, per_metre


def test_an_inch_is_25_4_mm():
    """International yard and pound agreement, 1959: 1 yard = 0.9144 m, exactly; 36 inches."""
    yard_mm = Fraction("914.4")
    assert Fraction(str(MM_PER_INCH)) == yard_mm / 36


def test_a_point_is_a_72nd_of_an_inch():
    """ISO 32000-1:2008 (PDF 1.7), 8.3.2.3: the default unit of user space is 1/72 inch.

    CSS Values and Units 3, 5.2, which SVG follows: 1pt = 1/72 of 1in, 1in = 2.54cm.
    """
    assert POINTS_PER_INCH == 72
    assert Fraction("25.4") / 72 == Fraction(127, 360)  # mm in a point


@pytest.mark.parametrize(
    ("dpi", "metre"),
    [
        # 72 / 0.0254 = 2834.65, 96 / 0.0254 = 3779.53, 300 / 0.0254 = 11 811.02,
        # 600 / 0.0254 = 23 622.05: the whole numbers that PNG files of these resolutions hold
        # (common practice).
        (72, 2835),
        (96, 3780),
        (300, 11811),
        (600, 23622),
    ],
)
def test_png_holds_whole_pixels_per_metre(tmp_path, dpi, metre):
    """ISO/IEC 15948:2004 (PNG), 11.3.5.3 pHYs: two four-byte integers and unit 1, the metre."""
    assert per_metre(dpi / MM_PER_INCH) == metre
    # The library that writes our PNG rounds the same way, and the file says so byte by byte.
    path = tmp_path / "a.png"
    Image.new("RGB", (1, 1)).save(path, dpi=(metre * 0.0254, metre * 0.0254))
    data = path.read_bytes()
    at = data.index(b"pHYs")
    assert struct.unpack(">IIB", data[at + 4 : at + 13]) == (metre, metre, 1)
    assert struct.unpack(">I", data[at - 4 : at])[0] == 9


@given(st.integers(1, 200_000))
def test_a_png_keeps_the_whole_number_it_is_given(metre):
    """What is handed to Pillow in pixels an inch comes back as the same pixels a metre."""
    assert int(metre * 0.0254 / 0.0254 + 0.5) == metre


@pytest.mark.parametrize(
    ("pixel_um", "ratio"),
    [(20.0, (500, 1)), (0.1, (100_000, 1)), (12.5, (800, 1)), (3.0, (10_000, 3)), (1e4, (1, 1))],
)
def test_tiff_holds_pixels_per_centimetre_exactly(tmp_path, pixel_um, ratio):
    """TIFF 6.0 (Aldus, 1992), pages 38 and 41: XResolution is RATIONAL; ResolutionUnit 3 is cm."""
    assert per_cm(pixel_um) == ratio
    path = tmp_path / "a.tif"
    tifffile.imwrite(
        path, np.zeros((2, 2), np.uint8), resolution=(ratio, ratio), resolutionunit="CENTIMETER"
    )
    with tifffile.TiffFile(path) as tiff:
        tags = tiff.pages[0].tags
        assert tags[282].value == ratio  # XResolution
        assert tags[283].value == ratio  # YResolution
        assert tags[296].value == 3
        assert tags[282].dtype == tifffile.DATATYPE.RATIONAL


@given(st.floats(1e-4, 1e9))
def test_any_pixel_size_fits_the_tag(pixel_um):
    """TIFF 6.0: a RATIONAL is two unsigned 32-bit integers."""
    above, below = per_cm(pixel_um)
    assert 0 < above < 2**32
    assert 0 < below < 2**32
    exact = Fraction(10_000) / Fraction(repr(pixel_um))
    assert abs(Fraction(above, below) / exact - 1) < Fraction(1, 10**9)


@pytest.mark.parametrize("pixel_um", [0.0, -1.0, float("nan"), float("inf"), 1e-5, 1e10])
def test_a_pixel_size_beyond_the_tag_is_refused(pixel_um):
    with pytest.raises(InputError, match="resolution"):
        per_cm(pixel_um)
