"""OME-TIFF: names, sizes and order from its XML."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile

from viewer.errors import InputError
from viewer.intake.base import Candidate, PixelSize
from viewer.intake.formats import scan
from viewer.intake.ome import parse

RNG = np.random.default_rng(2)


def read(candidate: Candidate) -> np.ndarray:
    with candidate.open() as reader:
        return reader.rows(0, reader.shape[0])


def test_channels_and_pixel_size(tmp_path: Path) -> None:
    data = RNG.integers(0, 999, (3, 40, 50), dtype=np.uint16)
    tifffile.imwrite(
        tmp_path / "slab.ome.tif",
        data,
        tile=(16, 16),
        compression="zlib",
        metadata={
            "axes": "CYX",
            "Channel": {"Name": ["Fe Ka", "Si K", "BSE"]},
            "PhysicalSizeX": 20.0,
            "PhysicalSizeXUnit": "µm",
            "PhysicalSizeY": 0.01,
            "PhysicalSizeYUnit": "mm",
        },
    )
    found = scan([tmp_path])
    assert [(c.name, c.element, c.line) for c in found] == [
        ("Fe", "Fe", "Ka"),
        ("Si", "Si", "K"),
        ("BSE", None, None),
    ]
    for at, candidate in enumerate(found):
        assert candidate.pixel_um == pytest.approx(PixelSize(20.0, 10.0))
        assert candidate.pixel_source == "OME-XML"
        np.testing.assert_array_equal(read(candidate), data[at])


@pytest.mark.parametrize("axes", ["TZCYX", "ZCTYX", "CZYX", "TCYX"])
def test_depth_and_time_are_named(tmp_path: Path, axes: str) -> None:
    sizes = {"T": 2, "Z": 3, "C": 2, "Y": 11, "X": 9}
    data = RNG.integers(0, 255, [sizes[a] for a in axes], dtype=np.uint8)
    metadata = {"axes": axes, "Channel": {"Name": ["Fe", "Si"]}}
    tifffile.imwrite(tmp_path / "slab.ome.tif", data, photometric="minisblack", metadata=metadata)
    found = scan([tmp_path])
    assert len(found) == int(np.prod(data.shape[:-2]))
    with tifffile.TiffFile(tmp_path / "slab.ome.tif") as tif:
        stored = [page.asarray() for page in tif.pages]
    for candidate in found:
        page = int(candidate.inner.removeprefix("page ")) - 1
        np.testing.assert_array_equal(read(candidate), stored[page])
    # Fe comes with each depth and time once.
    assert sum(c.element == "Fe" for c in found) == len(found) // 2


ORDERED = """<OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06"><Image ID="Image:0">
<Pixels ID="Pixels:0" DimensionOrder="{order}" Type="uint8" SizeX="4" SizeY="3" SizeC="2" SizeZ="3"
SizeT="2" {more}><Channel Name="Fe"/><Channel Name="Si"/>{data}</Pixels></Image></OME>"""


@pytest.mark.parametrize("order", ["XYZCT", "XYCZT", "XYTCZ", "XYZTC", "XYCTZ", "XYTZC"])
def test_dimension_order(order: str) -> None:
    (picture,) = parse(ORDERED.format(order=order, more="", data="<TiffData/>"), Path("a.tif"))
    fastest = order[2].lower()
    second = next(p for p in picture.planes if p.ifd == 1)
    assert getattr(second, fastest) == 1
    assert sum((second.c, second.z, second.t)) == 1
    assert sorted(p.ifd for p in picture.planes) == list(range(12))
    # the last plane is the last of everything
    last = next(p for p in picture.planes if p.ifd == 11)
    assert (last.c, last.z, last.t) == (1, 2, 1)


def test_planes_listed_one_by_one() -> None:
    data = '<TiffData IFD="7" FirstC="1" FirstZ="2" FirstT="0"/><TiffData IFD="3" PlaneCount="2"/>'
    (picture,) = parse(ORDERED.format(order="XYZCT", more="", data=data), Path("a.tif"))
    assert {p.ifd: (p.c, p.z, p.t) for p in picture.planes} == {
        7: (1, 2, 0),
        3: (0, 0, 0),
        4: (0, 1, 0),
    }


FAULTS = {
    "spread over several files": (
        "XYZCT",
        "",
        '<TiffData><UUID FileName="a.tif">u</UUID></TiffData>'
        '<TiffData><UUID FileName="b.tif">v</UUID></TiffData>',
        "spread over 2 files",
    ),
    "order": ("XYZZT", "", "", "impossible dimensions"),
    "words": ("XYZCT", "", '<TiffData IFD="one"/>', "TiffData"),
    "negative": ("XYZCT", "", '<TiffData IFD="-3"/>', "negative"),
}


@pytest.mark.parametrize("kind", FAULTS)
def test_faults(kind: str) -> None:
    order, more, data, message = FAULTS[kind]
    with pytest.raises(InputError, match=message):
        parse(ORDERED.format(order=order, more=more, data=data), Path("a.tif"))


def test_hostile_xml() -> None:
    xml = '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]><OME>&a;</OME>'
    with pytest.raises(InputError, match="cannot be read"):
        parse(xml, Path("a.tif"))


def test_xml_that_does_not_fit_the_pages(tmp_path: Path) -> None:
    path = tmp_path / "slab.ome.tif"
    tifffile.imwrite(path, RNG.integers(0, 9, (3, 4), dtype=np.uint8))
    text = path.read_bytes().replace(b'SizeX="4"', b'SizeX="5"')
    path.write_bytes(text)
    with pytest.raises(InputError, match="but the XML says 5 x 3"):
        scan([path])
