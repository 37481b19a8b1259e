"""Pictures, NumPy's files, and what a folder may hold besides."""

from __future__ import annotations

import os
import struct
import sys
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from viewer.errors import InputError
from viewer.intake.base import Candidate, PixelSize
from viewer.intake.formats import natural_key, scan, survey

RNG = np.random.default_rng(5)
GREY = RNG.integers(0, 256, (40, 61), dtype=np.uint8)
COLOUR = RNG.integers(0, 256, (40, 61, 3), dtype=np.uint8)


def read(candidate: Candidate) -> np.ndarray:
    with candidate.open() as reader:
        assert (reader.shape, reader.dtype) == (candidate.shape, candidate.dtype)
        return np.concatenate([reader.rows(0, 7), reader.rows(7, reader.shape[0])])


@pytest.mark.parametrize("suffix", [".png", ".bmp"])
def test_grey_pictures(tmp_path: Path, suffix: str) -> None:
    Image.fromarray(GREY).save(tmp_path / f"Fe-K{suffix}")
    (found,) = scan([tmp_path])
    assert (found.element, found.line) == ("Fe", "K")
    assert any("stretched" in note.text for note in found.notes)
    np.testing.assert_array_equal(read(found), GREY)


@pytest.mark.parametrize("suffix", [".png", ".bmp"])
def test_colour_pictures_give_three_channels(tmp_path: Path, suffix: str) -> None:
    Image.fromarray(COLOUR).save(tmp_path / f"scene{suffix}")
    found = scan([tmp_path])
    assert [c.inner for c in found] == ["red band", "green band", "blue band"]
    for band, candidate in enumerate(found):
        assert any("colour" in note.text for note in candidate.notes)
        np.testing.assert_array_equal(read(candidate), COLOUR[:, :, band])


@pytest.mark.parametrize("mode", ["P", "RGBA", "LA", "1"])
def test_other_modes_of_png(tmp_path: Path, mode: str) -> None:
    picture = Image.fromarray(COLOUR if mode in ("P", "RGBA") else GREY).convert(mode)
    picture.save(tmp_path / "scene.png")
    found = scan([tmp_path])
    assert len(found) == (3 if mode in ("P", "RGBA") else 1)
    expected = np.asarray(picture.convert("RGB"))[:, :, 0]
    np.testing.assert_array_equal(read(found[0]), expected)


@pytest.mark.parametrize("bands", [1, 2, 3, 4])
def test_16_bit_png(tmp_path: Path, bands: int) -> None:
    data = RNG.integers(0, 65536, (20, 31, bands), dtype=np.uint16)
    (tmp_path / "Fe.png").write_bytes(imagecodecs.png_encode(data[:, :, 0] if bands == 1 else data))
    found = scan([tmp_path])
    assert len(found) == (1 if bands < 3 else 3)
    assert found[0].dtype == np.uint16
    assert not any("8-bit" in note.text for note in found[0].notes)
    for band, candidate in enumerate(found):
        np.testing.assert_array_equal(read(candidate), data[:, :, band])


def test_png_pixels_per_metre(tmp_path: Path) -> None:
    Image.fromarray(GREY).save(tmp_path / "Fe.png", dpi=(25400 / 20, 25400 / 20))
    (found,) = scan([tmp_path])
    assert found.pixel_um == PixelSize(20.0, 20.0)
    Image.fromarray(GREY).save(tmp_path / "Fe.png", dpi=(96, 96))
    assert scan([tmp_path])[0].pixel_um is None


def test_jpeg_is_read_with_cautions(tmp_path: Path) -> None:
    Image.fromarray(GREY).save(tmp_path / "Fe.jpg", quality=90)
    (found,) = scan([tmp_path])
    assert any("lossy" in note.text for note in found.notes)
    np.testing.assert_array_equal(read(found), np.asarray(Image.open(tmp_path / "Fe.jpg")))


def test_jpeg_named_tif(tmp_path: Path) -> None:
    Image.fromarray(GREY).save(tmp_path / "Fe.tif", format="JPEG")
    (found,) = scan([tmp_path])
    assert found.notes[0].kind == "caution"
    assert found.notes[0].text == "The name ends in .tif, but the content is JPEG."


@pytest.mark.parametrize("suffix", [".png", ".bmp", ".jpg"])
def test_pictures_cut_short(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"Fe{suffix}"
    Image.fromarray(GREY).save(path)
    content = path.read_bytes()
    for keep in (len(content) - 3, len(content) // 2, 30, 20, 5):
        path.write_bytes(content[:keep])
        with pytest.raises(InputError, match=f"Fe{suffix}"):
            scan([path])


def test_png_bomb(tmp_path: Path) -> None:
    def chunk(tag: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + tag + body + struct.pack(">I", zlib.crc32(tag + body))

    head = struct.pack(">IIBBBBB", 60000, 60000, 8, 0, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    (tmp_path / "Fe.png").write_bytes(b"\x89PNG\r\n\x1a\n" + body)
    with pytest.raises(InputError, match="60000 x 60000"):
        scan([tmp_path])


@pytest.mark.parametrize("dtype", ["u1", "<u2", ">u2", "<i4", ">f4", "f8", "?", "<f2"])
@pytest.mark.parametrize("order", ["C", "F"])
def test_npy(tmp_path: Path, dtype: str, order: str) -> None:
    data = np.asarray(RNG.integers(0, 2, (12, 9)).astype(dtype), order=order)
    np.save(tmp_path / "Fe.npy", data)
    np.savez_compressed(tmp_path / "two.npz", Si=data, K=data[::-1])
    found = scan([tmp_path])
    assert [c.name for c in found] == ["Fe", "Si", "K"]
    np.testing.assert_array_equal(read(found[0]), data)
    np.testing.assert_array_equal(read(found[1]), data)
    np.testing.assert_array_equal(read(found[2]), data[::-1])


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("kind", ["npy", "npz"])
def test_stacks(tmp_path: Path, axis: int, kind: str) -> None:
    data = np.moveaxis(RNG.random((3, 12, 9)), 0, axis)
    path = tmp_path / f"stack.{kind}"
    if kind == "npy":
        np.save(path, data)
    else:
        np.savez(path, stack=data)
    found = scan([path])
    assert len(found) == 3
    assert ("first", "second", "third")[axis] in found[0].notes[0].text
    for at, candidate in enumerate(found):
        np.testing.assert_array_equal(read(candidate), np.moveaxis(data, axis, 0)[at])


def test_archive_goes_back(tmp_path: Path) -> None:
    data = RNG.random((12, 9))
    np.savez_compressed(tmp_path / "a.npz", Fe=data, x=np.arange(9))
    (found,) = scan([tmp_path])
    with found.open() as reader:
        np.testing.assert_array_equal(reader.rows(6, 12), data[6:])
        np.testing.assert_array_equal(reader.rows(0, 3), data[:3])


def test_objects_are_never_loaded(tmp_path: Path) -> None:
    np.save(tmp_path / "Fe.npy", np.array([[1, None], [2, 3]], dtype=object), allow_pickle=True)
    with pytest.raises(InputError, match="never loaded"):
        scan([tmp_path])


@pytest.mark.parametrize("array", [np.zeros(5), np.zeros((2, 2, 2, 2)), np.zeros((0, 4))])
def test_npy_that_is_no_map(tmp_path: Path, array: np.ndarray) -> None:
    np.save(tmp_path / "Fe.npy", array)
    with pytest.raises(InputError, match="is no map"):
        scan([tmp_path])


def test_npy_of_words_and_complex(tmp_path: Path) -> None:
    for array in (np.array([["a", "b"]]), np.zeros((2, 2), complex)):
        np.save(tmp_path / "Fe.npy", array)
        with pytest.raises(InputError, match="no real numbers"):
            scan([tmp_path])


def test_arrays_cut_short(tmp_path: Path) -> None:
    np.save(tmp_path / "Fe.npy", np.zeros((30, 30)))
    content = (tmp_path / "Fe.npy").read_bytes()
    np.savez(tmp_path / "two.npz", Si=np.zeros((30, 30)))
    archive = (tmp_path / "two.npz").read_bytes()
    for keep in (0.1, 0.5, 0.99):
        (tmp_path / "Fe.npy").write_bytes(content[: int(keep * len(content))])
        (tmp_path / "two.npz").write_bytes(archive[: int(keep * len(archive))])
        found = survey([tmp_path])
        assert len(found.refused) == 2
        assert not found.candidates


# Folders.


def test_natural_order() -> None:
    assert sorted(["map 10", "Map 2", "map 1"], key=natural_key) == ["map 1", "Map 2", "map 10"]


def test_folder_skips_hidden_files_and_litter(tmp_path: Path) -> None:
    for name in ("b10.tif", "b2.tif", ".hidden.tif", "~$b.tif"):
        tifffile.imwrite(tmp_path / name, GREY)
    (tmp_path / "Thumbs.db").write_bytes(b"\0" * 9)
    (tmp_path / "notes.docx").write_bytes(b"some other file")
    (tmp_path / "inner").mkdir()
    tifffile.imwrite(tmp_path / "inner" / "c.tif", GREY)
    found = survey([tmp_path])
    assert [c.path.name for c in found.candidates] == ["b2.tif", "b10.tif"]
    assert [p.name for p in found.passed_over] == ["notes.docx"]


def test_duplicates_are_named_apart(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "Fe.tif", GREY)
    Image.fromarray(GREY).save(tmp_path / "Fe.png")
    found = scan([tmp_path])
    assert [c.name for c in found] == ["Fe", "Fe (2)"]
    assert any("Another channel" in note.text for note in found[1].notes)


def test_same_file_twice_is_one_channel(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "Fe.tif", GREY)
    assert len(scan([tmp_path, tmp_path / "Fe.tif"])) == 1


def test_zero_bytes(tmp_path: Path) -> None:
    (tmp_path / "Fe.tif").touch()
    with pytest.raises(InputError, match=r"Fe\.tif.*empty \(0 bytes\)"):
        scan([tmp_path])


def test_unknown_format(tmp_path: Path) -> None:
    (tmp_path / "Fe.xyz").write_bytes(b"\0\1\2\3")
    with pytest.raises(InputError, match="no format that is read"):
        scan([tmp_path / "Fe.xyz"])
    with pytest.raises(InputError, match="no maps here"):
        scan([tmp_path])


def test_content_that_is_not_what_the_name_says(tmp_path: Path) -> None:
    (tmp_path / "Fe.tif").write_bytes(b"\0\1\2\3")
    with pytest.raises(InputError, match=r"ends in \.tif"):
        scan([tmp_path])


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        scan([tmp_path / "Fe.tif"])


@pytest.mark.skipif(
    sys.platform == "win32" or not hasattr(os, "geteuid") or os.geteuid() == 0,
    reason="permissions do not bind here",
)
def test_no_permission(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "Fe.tif", GREY)
    (tmp_path / "Fe.tif").chmod(0)
    with pytest.raises(InputError, match="cannot be read"):
        scan([tmp_path])


def test_no_permission_is_explained(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "Fe.tif"
    tifffile.imwrite(path, GREY)

    def refused(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(InputError, match=r"Fe\.tif: It cannot be read: Permission denied"):
        scan([path])


def test_several_faults_are_all_listed(tmp_path: Path) -> None:
    (tmp_path / "Fe.tif").touch()
    (tmp_path / "Si.csv").write_text("1,2\n3\n")
    tifffile.imwrite(tmp_path / "Ca.tif", GREY)
    with pytest.raises(InputError, match="2 files cannot be used") as caught:
        scan([tmp_path])
    assert "Fe.tif" in str(caught.value)
    assert "Si.csv, line 2" in str(caught.value)
    found = survey([tmp_path])
    assert [c.name for c in found.candidates] == ["Ca"]
    assert len(found.refused) == 2
