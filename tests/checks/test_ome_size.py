"""Physical pixel size in OME-XML.

Source: OME data model, schema 2016-06 (Goldberg et al., 2005, doi:10.1186/gb-2005-6-5-r47):
PhysicalSizeX is the "physical size of a pixel", its unit PhysicalSizeXUnit of type UnitsLength
with the default µm. Factors are those of the SI prefixes (SI brochure, 9th edition, table 7); the
ångström is 0.1 nm, the inch 25.4 mm, the thou a thousandth and the point a 72nd of it (UnitsLength,
from memory).
"""

from __future__ import annotations

import pytest

from viewer.intake.base import PixelSize
from viewer.intake.ome import physical_size


@pytest.mark.parametrize(
    ("value", "unit", "um"),
    [
        ("20", "µm", 20.0),
        ("20", "\u03bcm", 20.0),  # the Greek letter in place of the micro sign
        ("2500", "nm", 2.5),
        ("0.02", "mm", 20.0),
        ("0.002", "cm", 20.0),
        ("2e-5", "m", 20.0),
        ("20000000", "pm", 20.0),
        ("50000", "Å", 5.0),
        ("0.001", "in", 25.4),
        ("1", "thou", 25.4),
        ("0.072", "pt", 25.4),
    ],
)
def test_units(value: str, unit: str, um: float) -> None:
    size, _ = physical_size(
        {
            "PhysicalSizeX": value,
            "PhysicalSizeXUnit": unit,
            "PhysicalSizeY": value,
            "PhysicalSizeYUnit": unit,
        }
    )
    assert size == pytest.approx(PixelSize(um, um))


def test_default_unit_is_the_micrometre() -> None:
    size, _ = physical_size({"PhysicalSizeX": "20", "PhysicalSizeY": "10"})
    assert size == PixelSize(20.0, 10.0)


def test_axes_may_have_different_units() -> None:
    size, _ = physical_size({"PhysicalSizeX": "20", "PhysicalSizeY": "5000", "PhysicalSizeYUnit": "nm"})
    assert size == PixelSize(20.0, 5.0)


@pytest.mark.parametrize("unit", ["pixel", "reference frame", "MM", "parsecs"])
def test_what_is_no_length_gives_no_size(unit: str) -> None:
    size, notes = physical_size({"PhysicalSizeX": "1", "PhysicalSizeXUnit": unit, "PhysicalSizeY": "1"})
    assert size is None
    assert notes[0].kind == "caution"


@pytest.mark.parametrize("value", ["0", "-3", "nan", "inf", "many", "1e9"])
def test_impossible_values_give_no_size(value: str) -> None:
    size, notes = physical_size({"PhysicalSizeX": value, "PhysicalSizeY": "10"})
    assert size is None
    assert notes[0].kind == "caution"


def test_one_axis_alone_gives_no_size() -> None:
    assert physical_size({"PhysicalSizeX": "20"}) == (None, ())


def test_exactly_one_is_doubted() -> None:
    size, notes = physical_size({"PhysicalSizeX": "1", "PhysicalSizeY": "1"})
    assert size == PixelSize(1.0, 1.0)
    assert "check" in notes[0].text
