"""Pixel size from TIFF's resolution tags.

Source: TIFF Revision 6.0, Final, Aldus/Adobe, 3 June 1992, section 8: XResolution (282) and
YResolution (283) are the "number of pixels per ResolutionUnit" along ImageWidth and ImageLength;
ResolutionUnit (296): "1 = No absolute unit of measurement. Used for images that may have a
non-square aspect ratio, but no meaningful absolute dimensions. 2 = Inch. 3 = Centimeter.
Default = 2 (inch)." (wording from memory). An inch is 25.4 mm exactly (international yard and
pound agreement, 1959).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image, TiffImagePlugin

from viewer.intake.base import PixelSize
from viewer.intake.formats import scan
from viewer.intake.tiff import pixel_from_resolution


@pytest.mark.parametrize(
    ("x", "y", "unit", "expected"),
    [
        (1270.0, 1270.0, 2, (20.0, 20.0)),
        (25400.0, 25400.0, 2, (1.0, 1.0)),
        (500.0, 500.0, 3, (20.0, 20.0)),
        (10000.0, 5000.0, 3, (1.0, 2.0)),
        (2540.0, 254.0, 2, (10.0, 100.0)),
    ],
)
def test_units(x: float, y: float, unit: int, expected: tuple[float, float]) -> None:
    found = pixel_from_resolution(x, y, unit)
    assert found.pixel_um == pytest.approx(PixelSize(*expected))
    assert found.note is None


@pytest.mark.parametrize(
    ("x", "y", "unit"), [(500.0, 500.0, 1), (0.0, 500.0, 3), (500.0, float("nan"), 3),
                         (-5.0, 5.0, 2), (float("inf"), 5.0, 2), (500.0, 500.0, 7)]
)  # fmt: skip
def test_no_size(x: float, y: float, unit: int) -> None:
    assert pixel_from_resolution(x, y, unit).pixel_um is None


@pytest.mark.parametrize("dpi", [72, 96, 100, 150, 300, 600, 1200])
@pytest.mark.parametrize("unit", [2, 3])
def test_printers_defaults_are_a_guess(dpi: int, unit: int) -> None:
    per_unit = dpi if unit == 2 else dpi / 2.54
    for value in (per_unit, round(per_unit, 2)):
        found = pixel_from_resolution(value, value, unit)
        assert found.pixel_um is None
        assert found.note is not None
        assert found.note.kind == "caution"
        assert "look like a printer's default" in found.note.text


def test_impossible_size_is_said() -> None:
    found = pixel_from_resolution(1e-3, 1e-3, 3)
    assert found.pixel_um is None
    assert found.note is not None


def test_file_of_one_library(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "Fe.tif", np.zeros((4, 5), np.uint8), resolution=(1270, 2540),
                     resolutionunit="INCH")  # fmt: skip
    assert scan([tmp_path])[0].pixel_um == pytest.approx(PixelSize(20.0, 10.0))


def test_file_of_another_library_without_a_unit(tmp_path: Path) -> None:
    """Left out, the unit is the inch."""
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    tags[282] = TiffImagePlugin.IFDRational(1270)
    tags[283] = TiffImagePlugin.IFDRational(1270)
    Image.fromarray(np.zeros((4, 5), np.uint8)).save(tmp_path / "Fe.tif", tiffinfo=tags)
    with tifffile.TiffFile(tmp_path / "Fe.tif") as tif:
        assert 296 not in tif.pages[0].tags
    assert scan([tmp_path])[0].pixel_um == pytest.approx(PixelSize(20.0, 20.0))
