"""Measured data that other libraries ship, read through `scan` and held against them."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import h5py
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageSequence

from viewer.intake.base import Candidate, PixelSize
from viewer.intake.formats import scan, survey

BANDS = ["B02", "B03", "B04", "B08"]


def read(candidate: Candidate) -> np.ndarray:
    with candidate.open() as reader:
        rows = reader.shape[0]
        return np.concatenate([reader.rows(r, min(r + 64, rows)) for r in range(0, rows, 64)])


def shipped(name: str) -> Path:
    """A file in the data folder of scikit-image's wheel."""
    import skimage

    return Path(skimage.__file__).parent / "data" / name


def scene() -> np.ndarray:
    """The four-band scene at 10 m a pixel that spyndex ships, [band, row, column]."""
    text = resources.files("spyndex").joinpath("data", "S2_10m.json").read_text(encoding="utf-8")
    found = np.array(json.loads(text), dtype=np.uint16)
    assert found.shape == (4, 300, 300)
    return found


def test_multipage_tiff() -> None:
    path = shipped("multipage.tif")
    found = scan([path])
    with Image.open(path) as image:
        pages = [np.asarray(page) for page in ImageSequence.Iterator(image)]
    assert len(found) == len(pages) == 2
    for candidate, page in zip(found, pages, strict=True):
        np.testing.assert_array_equal(read(candidate), page)
        assert candidate.pixel_um is None  # 72 dots an inch are no pixel size
        assert any("printer's default" in note.text for note in candidate.notes)


def test_multipage_planar_floats() -> None:
    path = shipped("multipage_rgb.tif")
    found = scan([path])
    expected = tifffile.imread(path)
    assert expected.shape == (2, 3, 10, 10)
    assert [c.inner for c in found[:4]] == [
        "page 1, band 1",
        "page 1, band 2",
        "page 1, band 3",
        "page 2, band 1",
    ]
    np.testing.assert_array_equal([read(c) for c in found], expected.reshape(6, 10, 10))


def test_multichannel_stain() -> None:
    """A stained tissue section, three channels of 512 x 512."""
    from skimage import data

    found = scan([shipped("ihc.png")])
    expected = data.immunohistochemistry()
    assert [c.name for c in found] == ["red", "green", "blue"]
    for band, candidate in enumerate(found):
        np.testing.assert_array_equal(read(candidate), expected[:, :, band])


def test_a_folder_of_many_kinds_of_files() -> None:
    """Every picture and array of the wheel is offered, and nothing else."""
    found = survey([shipped("")])
    assert not found.refused
    offered = {c.path.name for c in found.candidates}
    pictures = {p.name for p in shipped("").iterdir()
                if p.suffix in (".png", ".jpg", ".tif", ".npy", ".npz")}  # fmt: skip
    assert offered == pictures
    assert "README.txt" in {p.name for p in found.passed_over}
    names = [c.name for c in found.candidates]
    assert len(set(names)) == len(names)
    assert not any(c.element for c in found.candidates)


def test_scene_as_a_folder_of_tiffs(tmp_path: Path) -> None:
    bands = scene()
    for name, band in zip(BANDS, bands, strict=True):
        tifffile.imwrite(tmp_path / f"scene_{name}.tif", band, compression="zlib", tile=(64, 64))
    found = scan([tmp_path])
    assert [c.name for c in found] == BANDS
    assert {c.unit for c in found} == {"counts"}
    for candidate, band in zip(found, bands, strict=True):
        np.testing.assert_array_equal(read(candidate), band)


def test_scene_in_every_other_container(tmp_path: Path) -> None:
    bands = scene()
    np.save(tmp_path / "a.npy", bands)
    np.savez_compressed(tmp_path / "b.npz", scene=np.moveaxis(bands, 0, 2))
    tifffile.imwrite(tmp_path / "c.ome.tif", bands,
                     metadata={"axes": "CYX", "Channel": {"Name": BANDS}})  # fmt: skip
    for at in range(4):
        np.savetxt(tmp_path / f"d{at}.csv", bands[at], fmt="%d", delimiter=";")
    with h5py.File(tmp_path / "e.nxs", "w") as file:
        group = file.create_group("entry")
        group.attrs.update({"NX_class": "NXdata", "signal": "data", "axes": ["band", "y", "x"]})
        group["data"] = bands
        group["band"] = np.array(BANDS, dtype="S3")
        for axis in "xy":
            group[axis] = np.arange(300) * 10.0
            group[axis].attrs["units"] = "mm"
    for path in sorted(tmp_path.iterdir()):
        found = scan([path] if path.suffix != ".csv" else sorted(tmp_path.glob("d*.csv")))
        assert len(found) == 4, path
        for candidate, band in zip(found, bands, strict=True):
            np.testing.assert_array_equal(read(candidate), band)
    assert scan([tmp_path / "e.nxs"])[0].pixel_um == pytest.approx(PixelSize(1e4, 1e4))
