"""TIFF in every layout that instruments and programs write."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from viewer.errors import InputError
from viewer.intake.base import Candidate, PixelSize
from viewer.intake.formats import scan

ROWS, COLUMNS = 83, 131


def picture(dtype: str, rows: int = ROWS, columns: int = COLUMNS, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    if np.dtype(dtype).kind == "f":
        out = rng.normal(size=(rows, columns)).astype(dtype)
        out[3, 4] = np.nan
        return out
    info = np.iinfo(dtype)
    return rng.integers(info.min, info.max, (rows, columns), dtype=dtype, endpoint=True)


def read(candidate: Candidate, step: int = 17) -> np.ndarray:
    with candidate.open() as reader:
        assert reader.shape == candidate.shape
        assert reader.dtype == candidate.dtype
        parts = [
            reader.rows(r, min(r + step, reader.shape[0])) for r in range(0, reader.shape[0], step)
        ]
    assert all(part.dtype == candidate.dtype and part.dtype.isnative for part in parts)
    return np.concatenate(parts)


DTYPES = ["uint8", "int8", "uint16", "int16", "uint32", "int32", "float16", "float32", "float64"]
LAYOUTS: list[dict[str, Any]] = [
    {},
    {"rowsperstrip": 7},
    {"tile": (32, 48)},
    {"compression": "zlib", "rowsperstrip": 7},
    {"compression": "zstd", "tile": (32, 32)},
    {"compression": "lzw", "rowsperstrip": 10},
    {"compression": "zlib", "predictor": True},
    {"bigtiff": True, "compression": "zlib", "tile": (16, 16)},
    {"byteorder": ">"},
    {"byteorder": ">", "compression": "zlib"},
    {"byteorder": ">", "bigtiff": True, "tile": (16, 32)},
    {"compression": "packbits"},
]


@pytest.mark.parametrize("layout", LAYOUTS, ids=str)
@pytest.mark.parametrize("dtype", DTYPES)
def test_layouts(tmp_path: Path, layout: dict[str, Any], dtype: str) -> None:
    if layout.get("predictor") and dtype == "float16":
        pytest.skip("no predictor for half floats in the writer")
    path = tmp_path / "Fe.tif"
    data = picture(dtype)
    tifffile.imwrite(path, data, **layout)
    (found,) = scan([path])
    assert (found.name, found.element, found.inner) == ("Fe", "Fe", "")
    assert found.shape == (ROWS, COLUMNS)
    np.testing.assert_array_equal(read(found), data)
    np.testing.assert_array_equal(read(found, ROWS), data)


@pytest.mark.parametrize("layout", LAYOUTS[:8], ids=str)
@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_samples(tmp_path: Path, layout: dict[str, Any], planar: str) -> None:
    data = np.stack([picture("uint16", seed=s) for s in range(5)])
    stored = np.moveaxis(data, 0, -1) if planar == "contig" else data
    path = tmp_path / "stack.tif"
    tifffile.imwrite(path, stored, photometric="minisblack", planarconfig=planar, **layout)
    found = scan([path])
    assert [c.inner for c in found] == [f"band {n}" for n in range(1, 6)]
    for candidate, channel in zip(found, data, strict=True):
        np.testing.assert_array_equal(read(candidate), channel)


def test_pages_named_by_their_tags(tmp_path: Path) -> None:
    path = tmp_path / "hollin-A.tif"
    data = {name: picture("uint16", seed=n) for n, name in enumerate(["Fe Ka1", "Si K", "BSE"])}
    with tifffile.TiffWriter(path) as writer:
        for name, channel in data.items():
            writer.write(channel, extratags=[(285, "s", 0, name, True)], metadata=None)
    found = scan([path])
    assert [(c.name, c.element, c.line, c.inner) for c in found] == [
        ("Fe", "Fe", "Ka1", "page 1"),
        ("Si", "Si", "K", "page 2"),
        ("BSE", None, None, "page 3"),
    ]
    for candidate, channel in zip(found, data.values(), strict=True):
        np.testing.assert_array_equal(read(candidate), channel)


def test_description_names_a_page(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "scan_07.tif", picture("uint16"), description="Mg Ka", metadata={})
    assert scan([tmp_path])[0].element == "Mg"


def test_reduced_pages_and_masks_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "Fe.tif"
    with tifffile.TiffWriter(path) as writer:
        writer.write(picture("uint16"))
        writer.write(picture("uint16", 40, 60), subfiletype=1)
        writer.write(picture("uint8") > 99, subfiletype=4, photometric="minisblack")
    assert len(scan([path])) == 1


def test_transparency_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "scene.tif"
    data = np.stack([picture("uint8", seed=s) for s in range(4)], axis=-1)
    tifffile.imwrite(path, data, photometric="rgb", extrasamples=["unassalpha"])
    found = scan([path])
    assert [c.name for c in found] == ["red", "green", "blue"]
    assert any("colour" in note.text for note in found[0].notes)
    np.testing.assert_array_equal(read(found[1]), data[:, :, 1])


def test_single_bits_become_bytes(tmp_path: Path) -> None:
    data = np.random.default_rng(0).random((ROWS, COLUMNS)) > 0.5
    tifffile.imwrite(tmp_path / "mask.tif", data, photometric="minisblack")
    (found,) = scan([tmp_path])
    assert found.dtype == np.uint8
    np.testing.assert_array_equal(read(found), data)


def test_pixel_size(tmp_path: Path) -> None:
    path = tmp_path / "Fe.tif"
    tifffile.imwrite(path, picture("uint16"), resolution=(500, 1000), resolutionunit="CENTIMETER")
    (found,) = scan([path])
    assert found.pixel_um == PixelSize(20.0, 10.0)
    assert found.pixel_source == "TIFF resolution tags"


def test_default_resolution_is_not_believed(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "Fe.tif", picture("uint16"), resolution=(300, 300),
                     resolutionunit="INCH")  # fmt: skip
    (found,) = scan([tmp_path])
    assert found.pixel_um is None
    assert any("printer's default" in note.text for note in found.notes)


def test_no_resolution_no_size(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "Fe.tif", picture("uint16"))
    assert scan([tmp_path])[0].pixel_um is None


@pytest.mark.parametrize(
    "layout",
    [{}, {"tile": (32, 32)}, {"compression": "zlib", "rowsperstrip": 5}, {"bigtiff": True}],
    ids=str,
)
def test_cut_short_anywhere_is_found_when_scanned(tmp_path: Path, layout: dict[str, Any]) -> None:
    whole = tmp_path / "whole.tif"
    with tifffile.TiffWriter(whole, bigtiff=layout.get("bigtiff", False)) as writer:
        rest = {k: v for k, v in layout.items() if k != "bigtiff"}
        writer.write(picture("uint16"), **rest)
        writer.write(picture("uint16", seed=2), **rest)
    content = whole.read_bytes()
    cut = tmp_path / "cut.tif"
    for keep in np.linspace(1, len(content) - 1, 23).astype(int):
        cut.write_bytes(content[:keep])
        with pytest.raises(InputError) as caught:
            scan([cut])
        assert "cut.tif" in str(caught.value)


def test_chain_in_a_circle(tmp_path: Path) -> None:
    path = tmp_path / "Fe.tif"
    tifffile.imwrite(path, picture("uint8"), metadata=None)
    content = bytearray(path.read_bytes())
    (first,) = struct.unpack("<I", content[4:8])
    (entries,) = struct.unpack("<H", content[first : first + 2])
    after = first + 2 + 12 * entries
    content[after : after + 4] = struct.pack("<I", first)
    path.write_bytes(bytes(content))
    with pytest.raises(InputError, match="circle"):
        scan([path])


def test_damage_inside_a_strip_names_rows(tmp_path: Path) -> None:
    path = tmp_path / "Fe.tif"
    tifffile.imwrite(path, picture("uint16"), compression="zlib", rowsperstrip=10)
    with tifffile.TiffFile(path) as tif:
        offset, count = tif.pages[0].dataoffsets[4], tif.pages[0].databytecounts[4]
    content = bytearray(path.read_bytes())
    content[offset : offset + count] = bytes(count)
    path.write_bytes(bytes(content))
    (found,) = scan([path])
    with found.open() as reader:
        reader.rows(0, 40)
        with pytest.raises(InputError, match="Rows 40 to 49 cannot be read"):
            reader.rows(40, 50)


def test_complex_numbers_are_refused(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "Fe.tif", np.zeros((5, 5), np.complex64))
    with pytest.raises(InputError, match="kind that is not read"):
        scan([tmp_path])


def test_rows_outside_are_a_defect(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "Fe.tif", picture("uint8"))
    (found,) = scan([tmp_path])
    with found.open() as reader:
        for start, stop in [(-1, 3), (3, 3), (0, ROWS + 1)]:
            with pytest.raises(ValueError, match="not inside"):
                reader.rows(start, stop)
