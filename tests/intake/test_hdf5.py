"""HDF5 and NeXus: images, stacks, spectra, and links that lead out of the file."""

from __future__ import annotations

from pathlib import Path

import h5py
import hdf5plugin
import numpy as np
import pytest

from viewer.errors import InputError
from viewer.intake import windows
from viewer.intake.base import Calibration, Candidate, PixelSize
from viewer.intake.formats import scan

RNG = np.random.default_rng(11)
ROWS, COLUMNS = 30, 47


def read(candidate: Candidate) -> np.ndarray:
    with candidate.open() as reader:
        assert (reader.shape, reader.dtype) == (candidate.shape, candidate.dtype)
        return np.concatenate([reader.rows(0, 11), reader.rows(11, reader.shape[0])])


def nxdata(file: h5py.File, path: str, data: np.ndarray, axes: dict[str, tuple]) -> h5py.Group:
    group = file.create_group(path)
    group.attrs["NX_class"] = "NXdata"
    group.attrs["signal"] = "data"
    group.attrs["axes"] = list(axes)
    group["data"] = data
    for name, (values, units) in axes.items():
        group[name] = values
        if units:
            group[name].attrs["units"] = units
    return group


def test_any_numeric_dataset(tmp_path: Path) -> None:
    path = tmp_path / "maps.h5"
    data = {name: RNG.integers(0, 999, (ROWS, COLUMNS)).astype(t)
            for name, t in [("Fe", "<u2"), ("Si", ">i4"), ("Ca", ">f8")]}  # fmt: skip
    with h5py.File(path, "w") as file:
        for name, array in data.items():
            file[f"slab/{name}/counts"] = array
        file["slab/name"] = "words"
        file["slab/x"] = np.arange(COLUMNS)
    found = scan([path])
    assert sorted(c.name for c in found) == ["Ca", "Fe", "Si"]
    for candidate in found:
        np.testing.assert_array_equal(read(candidate), data[candidate.name])


def test_compressed_chunks(tmp_path: Path) -> None:
    data = RNG.integers(0, 99, (ROWS, COLUMNS), dtype=np.uint16)
    with h5py.File(tmp_path / "maps.h5", "w") as file:
        file.create_dataset("Fe", data=data, chunks=(8, 8), **hdf5plugin.Bitshuffle())
    (found,) = scan([tmp_path])
    np.testing.assert_array_equal(read(found), data)


def test_nexus_axes_give_the_pixel_size(tmp_path: Path) -> None:
    data = RNG.random((ROWS, COLUMNS)).astype(np.float32)
    with h5py.File(tmp_path / "maps.nxs", "w") as file:
        axes = {"y": (np.arange(ROWS) * 0.01, "mm"), "x": (5 + np.arange(COLUMNS) * 20.0, "um")}
        nxdata(file, "entry/Fe_Ka1", data, axes)
        file["entry/other"] = data  # not offered beside NXdata
    (found,) = scan([tmp_path])
    assert (found.element, found.line) == ("Fe", "Ka1")
    assert found.pixel_um == pytest.approx(PixelSize(20.0, 10.0))
    assert found.pixel_source == "NeXus axes"
    np.testing.assert_array_equal(read(found), data)


@pytest.mark.parametrize("told", ["edges", "single precision", "backwards"])
def test_axes_of_other_kinds(tmp_path: Path, told: str) -> None:
    x = {
        "edges": np.arange(COLUMNS + 1) * 20.0,
        "single precision": (1e5 + np.arange(COLUMNS) * 20.0).astype(np.float32),
        "backwards": -np.arange(COLUMNS) * 20.0,
    }[told]
    with h5py.File(tmp_path / "maps.nxs", "w") as file:
        axes = {"y": (np.arange(ROWS) * 20.0, "µm"), "x": (x, "micron")}
        nxdata(file, "Fe", np.zeros((ROWS, COLUMNS)), axes)
    (found,) = scan([tmp_path])
    assert found.pixel_um == pytest.approx(PixelSize(20.0, 20.0))
    assert any("backwards" in note.text for note in found.notes) == (told == "backwards")


@pytest.mark.parametrize(
    ("x", "units"), [(np.geomspace(1, 99, COLUMNS), "um"), (np.arange(COLUMNS), ""),
                     (np.arange(COLUMNS), "seconds"), (np.zeros(COLUMNS), "um")]
)  # fmt: skip
def test_axes_that_give_no_size(tmp_path: Path, x: np.ndarray, units: str) -> None:
    with h5py.File(tmp_path / "maps.nxs", "w") as file:
        axes = {"y": (np.arange(ROWS) * 20.0, "um"), "x": (x, units)}
        nxdata(file, "Fe", np.zeros((ROWS, COLUMNS)), axes)
    assert scan([tmp_path])[0].pixel_um is None


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_stack_with_named_channels(tmp_path: Path, axis: int) -> None:
    data = RNG.random((3, ROWS, COLUMNS))
    axes = {"y": (np.arange(ROWS) * 20.0, "um"), "x": (np.arange(COLUMNS) * 20.0, "um")}
    names = list(axes)
    names.insert(axis, "element")
    both = {**axes, "element": (np.array([b"Fe", b"Si", b"Ca"]), "")}
    with h5py.File(tmp_path / "maps.nxs", "w") as file:
        nxdata(file, "entry", np.moveaxis(data, 0, axis), {n: both[n] for n in names})
    found = scan([tmp_path])
    assert [c.element for c in found] == ["Fe", "Si", "Ca"]
    for at, candidate in enumerate(found):
        assert candidate.pixel_um == pytest.approx(PixelSize(20.0, 20.0))
        np.testing.assert_array_equal(read(candidate), data[at])


@pytest.mark.parametrize("axis", [0, 2])
def test_spectrum_cube_and_its_windows(tmp_path: Path, axis: int) -> None:
    energy = -100.0 + 10.0 * np.arange(1024)
    cube = RNG.poisson(2.0, (9, 7, 1024)).astype(np.uint16)
    axes = {"y": (np.arange(9) * 5.0, "um"), "x": (np.arange(7) * 5.0, "um")}
    names = list(axes)
    names.insert(axis, "energy")
    both = {**axes, "energy": (energy / 1000, "keV")}
    with h5py.File(tmp_path / "cube.nxs", "w") as file:
        nxdata(file, "entry", np.moveaxis(cube, 2, axis), {n: both[n] for n in names})
    (total,) = scan([tmp_path])
    assert total.spectrum is not None
    assert total.spectrum.calibration == pytest.approx(Calibration(-100.0, 10.0))
    assert total.pixel_um == pytest.approx(PixelSize(5.0, 5.0))
    assert total.dtype == np.uint32
    with total.open() as reader:
        np.testing.assert_array_equal(reader.rows(0, 9), cube.sum(axis=2, dtype=np.uint32))
    sum_, iron, silicon = scan([tmp_path], elements=["Fe", "Si Ka1"])
    assert (sum_.element, iron.element, iron.line, silicon.line) == (None, "Fe", "K", "Ka1")
    (window,) = windows.windows(["Fe"], Calibration(-100.0, 10.0), 1024)
    inside = (energy >= window.low_ev) & (energy <= window.high_ev)
    with iron.open() as reader:
        np.testing.assert_array_equal(reader.rows(2, 5), cube[2:5][:, :, inside].sum(axis=2))
    assert iron.unit == "counts"


def test_cube_without_energies(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "cube.h5", "w") as file:
        file["spectra"] = np.ones((20, 30, 2048), np.uint8)
    (total,) = scan([tmp_path])
    assert total.shape == (20, 30)
    assert total.spectrum is not None
    assert any("energy" in note.text for note in total.notes)
    with pytest.raises(InputError, match="does not tell the energy"):
        scan([tmp_path], elements=["Fe"])
    (iron,) = windows.channels(total.spectrum, ["Fe"], calibration=Calibration(0.0, 10.0))
    with iron.open() as reader:
        assert np.all(reader.rows(0, 20) == reader.rows(0, 1)[0, 0])


def test_nothing_outside_the_file_is_read(tmp_path: Path) -> None:
    secret = tmp_path / "secret.h5"
    with h5py.File(secret, "w") as file:
        file["Fe"] = np.zeros((ROWS, COLUMNS))
    raw = tmp_path / "raw.bin"
    raw.write_bytes(bytes(ROWS * COLUMNS * 8))
    path = tmp_path / "maps.h5"
    with h5py.File(path, "w") as file:
        file["link"] = h5py.ExternalLink("secret.h5", "/Fe")
        file["way"] = h5py.ExternalLink("secret.h5", "/")
        file["soft"] = h5py.SoftLink("/way/Fe")
        file.create_dataset("outside", (ROWS, COLUMNS), "f8",
                            external=[(str(raw), 0, h5py.h5f.UNLIMITED)])  # fmt: skip
        layout = h5py.VirtualLayout((ROWS, COLUMNS), "f8")
        layout[:] = h5py.VirtualSource(str(secret), "Fe", (ROWS, COLUMNS))
        file.create_virtual_dataset("virtual", layout)
        group = file.create_group("nx")
        group.attrs.update({"NX_class": "NXdata", "signal": "data"})
        group["data"] = h5py.SoftLink("/way/Fe")
    with pytest.raises(InputError, match="link to another file") as caught:
        scan([path])
    assert "lie in other files" in str(caught.value)
    with h5py.File(path, "a") as file:
        file["Si"] = np.ones((ROWS, COLUMNS))
    (found,) = scan([path])
    assert found.name == "Si"
    assert any("Left out" in note.text for note in found.notes)


def test_soft_link_within_the_file(tmp_path: Path) -> None:
    data = RNG.random((ROWS, COLUMNS))
    with h5py.File(tmp_path / "maps.nxs", "w") as file:
        file["instrument/Fe"] = data
        group = file.create_group("entry")
        group.attrs.update({"NX_class": "NXdata", "signal": "data"})
        group["data"] = h5py.SoftLink("/instrument/Fe")
        loop = file.create_group("loop")
        loop.attrs.update({"NX_class": "NXdata", "signal": "data"})
        loop["data"] = h5py.SoftLink("/loop/data")
        file["loop/up"] = file["/"]  # a circle of hard links
    (found,) = scan([tmp_path])
    np.testing.assert_array_equal(read(found), data)


def test_without_maps(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["x"] = np.arange(9)
        file["words"] = np.array([[b"a", b"b"], [b"c", b"d"]])
        file["objects"] = np.array([[b"a"], [b"b"]], dtype=h5py.string_dtype())
    with pytest.raises(InputError, match="no numeric image"):
        scan([tmp_path])


def test_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file["Fe"] = np.zeros((ROWS, COLUMNS))
    content = path.read_bytes()
    for keep in (len(content) - 1, len(content) // 2, 100):
        path.write_bytes(content[:keep])
        with pytest.raises(InputError, match=r"a\.h5"):
            scan([path])


def test_readers_of_one_file_do_not_close_each_other(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["Fe"] = np.zeros((ROWS, COLUMNS))
        file["Si"] = np.ones((ROWS, COLUMNS))
    iron, silicon = scan([tmp_path])
    first, second = iron.open(), silicon.open()
    first.close()
    scan([tmp_path])  # opens and closes the file once more
    np.testing.assert_array_equal(second.rows(0, ROWS), np.ones((ROWS, COLUMNS)))
    second.close()
    second.close()
