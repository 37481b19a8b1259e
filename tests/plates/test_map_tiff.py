"""The TIFF at map resolution: the screen's numbers, the rock's size, of any size."""

from __future__ import annotations

import errno

import numpy as np
import pytest
import tifffile
from PIL import Image

import viewer
from viewer.errors import CancelledError, InputError, ResourceError
from viewer.plates import map_tiff, source
from viewer.plates.map_tiff import LARGEST_READ, TILE, write_map_tiff
from viewer.science.look.orient import Orientation


@pytest.mark.parametrize("depth", [8, 16])
@pytest.mark.parametrize("shape", [(700, 1100), (40, 30), (1, 1)])
def test_pixels_are_the_screens_numbers_whichever_way_it_lies(tmp_path, picture, turn, depth, shape):
    seen = picture(shape, orientation=turn)
    written = write_map_tiff(seen, tmp_path / "m.tif", depth=depth)
    with tifffile.TiffFile(written.path) as tiff:
        image = tiff.asarray()
        assert tiff.pages[0].photometric == tifffile.PHOTOMETRIC.RGB
        assert tiff.pages[0].tile == (TILE, TILE)
    assert image.dtype == (np.uint8 if depth == 8 else np.uint16)
    assert np.array_equal(image, seen.shown(depth))
    assert (written.height_px, written.width_px) == image.shape[:2]


@pytest.mark.parametrize("compression", ["deflate", "zstd", "none"])
def test_every_compression_loses_nothing(tmp_path, picture, compression):
    seen = picture((600, 530))
    write_map_tiff(seen, tmp_path / "m.tif", compression=compression)
    assert np.array_equal(tifffile.imread(tmp_path / "m.tif"), seen.shown())


def test_another_reader_sees_the_same(tmp_path, picture):
    seen = picture((600, 530), pixel_um=(20.0, 20.0))
    write_map_tiff(seen, tmp_path / "m.tif")
    with Image.open(tmp_path / "m.tif") as image:
        assert np.array_equal(np.asarray(image), seen.shown())
        # 25 400 µm in an inch: 1270 pixels of 20 µm.
        assert image.info["dpi"] == pytest.approx((1270.0, 1270.0))


def test_resolution_tags_say_how_large_a_pixel_is(tmp_path, picture, turn):
    write_map_tiff(picture((40, 30), pixel_um=(12.5, 40.0), orientation=turn), tmp_path / "m.tif")
    with tifffile.TiffFile(tmp_path / "m.tif") as tiff:
        tags = tiff.pages[0].tags
        across, down = tags["XResolution"].value, tags["YResolution"].value
        assert tags["ResolutionUnit"].value == tifffile.RESUNIT.CENTIMETER
    # Pixels a centimetre: 10 000 µm / 12.5 µm = 800.
    want = ((250, 1), (800, 1)) if turn.swaps_axes else ((800, 1), (250, 1))
    assert (across, down) == want


def test_size_on_the_rock(tmp_path, picture):
    written = write_map_tiff(picture((40, 30), pixel_um=(12.5, 40.0)), tmp_path / "m.tif")
    assert (written.width_mm, written.height_mm) == (0.375, 1.6)
    assert written.dpi == pytest.approx(2032)
    assert written.notes == ()


def test_what_is_shown_is_said_in_plain_words(tmp_path, picture):
    written = write_map_tiff(picture(), tmp_path / "m.tif")
    with tifffile.TiffFile(tmp_path / "m.tif") as tiff:
        tags = tiff.pages[0].tags
        assert tags["ImageDescription"].value == written.caption
        assert tags["Software"].value == f"Grainlight {viewer.__version__}"
        assert len(tiff.pages) == 1
    assert written.caption == "Red: Fe Kα; Green: Cr Kα; Blue: Al Kα. Map pixel 20 µm."


def test_a_map_without_a_pixel_size_claims_none(tmp_path, picture):
    written = write_map_tiff(picture(pixel_um=None), tmp_path / "m.tif")
    assert [note.kind for note in written.cautions] == ["no pixel size"]
    assert written.width_mm is written.dpi is None
    with tifffile.TiffFile(tmp_path / "m.tif") as tiff:
        assert tiff.pages[0].tags["ResolutionUnit"].value == tifffile.RESUNIT.NONE


def test_a_window_is_written_alone(tmp_path, picture, turn):
    seen = picture((60, 80), pixel_um=(10.0, 20.0), orientation=turn)
    write_map_tiff(seen, tmp_path / "m.tif", window_um=(100.0, 200.0, 300.0, 400.0))
    want = turn.apply((seen.pyramid[0][10:20, 10:30] >> 8).astype(np.uint8))
    assert np.array_equal(tifffile.imread(tmp_path / "m.tif"), want)


@pytest.mark.parametrize("orientation", [Orientation(), Orientation(quarter_turns=1, mirror=True)])
def test_a_large_map_is_read_block_by_block(tmp_path, picture, orientation):
    seen = picture((1100, 9000), levels=1, orientation=orientation)
    write_map_tiff(seen, tmp_path / "m.tif")
    sizes = [h * w for _, h, w in seen.asked]
    assert max(sizes) <= LARGEST_READ < 1100 * 9000
    assert sum(sizes) == 1100 * 9000  # and no pixel twice


def test_beyond_4_gb_the_file_is_a_bigtiff(tmp_path, picture, monkeypatch):
    monkeypatch.setattr(map_tiff, "CLASSIC_LIMIT", 60 * 80 * 3 - 1)
    written = write_map_tiff(picture((60, 80)), tmp_path / "m.tif")
    with tifffile.TiffFile(written.path) as tiff:
        assert tiff.is_bigtiff
    assert [note.kind for note in written.notes] == ["large file"]
    assert written.cautions == ()
    monkeypatch.setattr(map_tiff, "CLASSIC_LIMIT", 60 * 80 * 3)
    write_map_tiff(picture((60, 80)), tmp_path / "n.tif")
    with tifffile.TiffFile(tmp_path / "n.tif") as tiff:
        assert not tiff.is_bigtiff


def test_the_classic_limit_leaves_room_for_the_index():
    assert 2**32 - 2**26 < map_tiff.CLASSIC_LIMIT < 2**32


def test_progress_only_goes_forward(tmp_path, picture):
    told = []
    write_map_tiff(
        picture((1500, 600)), tmp_path / "m.tif", progress=lambda done, doing="": told.append(done)
    )
    assert told == sorted(told)
    assert told[0] == 0
    assert told[-1] == 1
    assert max(told[:-1]) < 1


@pytest.mark.parametrize("already", [False, True])
def test_stopping_leaves_the_folder_as_it_was(tmp_path, picture, already):
    target = tmp_path / "m.tif"
    if already:
        target.write_bytes(b"before")

    def stop(done: float, doing: str = "") -> None:
        if done > 0.3:
            raise CancelledError

    with pytest.raises(CancelledError):
        write_map_tiff(picture((1500, 600)), target, overwrite=True, progress=stop)
    assert [p.name for p in tmp_path.iterdir()] == (["m.tif"] if already else [])
    if already:
        assert target.read_bytes() == b"before"


def test_a_full_disk_is_said_and_leaves_nothing(tmp_path, picture, monkeypatch):
    def full(*args, **keywords):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(tifffile.FileHandle, "write", full)
    with pytest.raises(ResourceError, match="disk is full"):
        write_map_tiff(picture(), tmp_path / "m.tif")
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_replaced_only_when_told(tmp_path, picture):
    target = tmp_path / "m.tif"
    target.write_bytes(b"before")
    with pytest.raises(InputError, match="already"):
        write_map_tiff(picture(), target)
    assert target.read_bytes() == b"before"
    write_map_tiff(picture(), target, overwrite=True)
    assert tifffile.imread(target).shape == (60, 80, 3)


@pytest.mark.parametrize("name", ["m.png", "m", "m.h5"])
def test_another_ending_is_refused_before_anything_is_written(tmp_path, picture, name):
    with pytest.raises(InputError, match="TIFF"):
        write_map_tiff(picture(), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "options", [{"depth": 12}, {"compression": "jpeg"}, {"window_um": (0.0, 0.0, -1.0, 1.0)}]
)
def test_other_options_are_refused(tmp_path, picture, options):
    with pytest.raises(InputError):
        write_map_tiff(picture(), tmp_path / "m.tif", **options)
    assert list(tmp_path.iterdir()) == []


def test_the_source_is_what_the_protocol_says(picture):
    seen: source.PlateSource = picture()
    assert seen.rgb(0, slice(0, 2), slice(0, 3), 8).shape == (2, 3, 3)
