"""Measured multi-channel data that other libraries ship, taken through the real command line.

Sources, all inside wheels and read offline:

- ``spyndex/data/S2_10m.json`` (spyndex): a satellite's bands 2, 3, 4 and 8 (blue, green, red, near
  infrared), 300 x 300 pixels of 10 m. Its indices are held against `spyndex.computeIndex`.
- ``skimage/data/ihc.png`` (scikit-image): a stained tissue section in three channels. Its stains
  are held against `skimage.color.rgb2hed`.
- ``skimage/data/multipage.tif`` and ``multipage_rgb.tif`` (scikit-image): pages of a TIFF.
- ``skimage/data/motorcycle_disp.npz`` (scikit-image): a measured disparity map, broken numbers with
  pixels that could not be measured.
"""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skimage
import spyndex
import tifffile
from skimage import color, data, exposure

from viewer import cli
from viewer.desk.desk import Desk

Array = np.ndarray[Any, Any]

BANDS = ("B02", "B03", "B04", "B08")
SHIPPED = Path(skimage.__file__).parent / "data"


def run(capture: pytest.CaptureFixture[str], *words: object) -> dict[str, Any]:
    capture.readouterr()
    code = cli.main([*map(str, words), "--json"])
    said = capture.readouterr()
    assert code == 0, said.err
    told = json.loads(said.out)
    assert isinstance(told, dict)
    return told


@pytest.fixture(scope="module")
def scene() -> dict[str, Array]:
    """The scene as its library ships it, a band each."""
    text = resources.files("spyndex").joinpath("data", "S2_10m.json").read_text(encoding="utf-8")
    return dict(zip(BANDS, np.array(json.loads(text), dtype=np.uint16), strict=True))


@pytest.fixture(scope="module")
def gathered(scene: dict[str, Array], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project of the scene, from TIFFs and an array, as such maps come."""
    folder = tmp_path_factory.mktemp("scene")
    for name in BANDS[:3]:
        tifffile.imwrite(folder / f"scene_{name}.tif", scene[name], compression="zlib", tile=(64, 64))
    np.save(folder / "scene_B08.npy", scene["B08"])
    path = folder / "scene.maps.h5"
    words = ["gather", *map(str, sorted(folder.glob("scene_B*"))), "-o", str(path)]
    # 10 m = 1e7 µm: no pixel of a rock, which has to be insisted on.
    assert cli.main([*words, "--pixel-um", "1e7"]) == 3
    assert cli.main([*words, "--pixel-um", "1e7", "--any-pixel-size"]) == 0
    return path


@pytest.fixture
def project(gathered: Path, tmp_path: Path) -> Path:
    path = tmp_path / gathered.name
    path.write_bytes(gathered.read_bytes())
    return path


def values(path: Path, name: str) -> Array:
    with Desk.open(path, write=False, inline=True) as desk:
        found = desk.map()
        rows, cols = found.shape
        return desk.layer(found.id, name).values(slice(0, rows), slice(0, cols))


# -- the scene ------------------------------------------------------------------------------------


def test_the_scene_is_gathered_as_it_was_measured(
    gathered: Path, scene: dict[str, Array], capsys: pytest.CaptureFixture[str]
) -> None:
    (told,) = run(capsys, "about", gathered)["maps"]
    assert [x["name"] for x in told["layers"]] == list(BANDS)
    assert told["pixel_um"] == [1e7, 1e7]
    for layer in told["layers"]:
        band = scene[layer["name"]]
        np.testing.assert_array_equal(values(gathered, layer["name"]), band)
        stats = layer["stats"]
        assert (stats["minimum"], stats["maximum"]) == (band.min(), band.max())
        assert stats["mean"] == pytest.approx(band.mean(), rel=1e-12)
        assert not [f for f in layer["flags"] if f["severity"] == "error"]


@pytest.mark.parametrize(
    ("index", "formula"),
    [
        ("NDVI", "(B08 - B04) / (B08 + B04)"),
        ("NDWI", "(B03 - B08) / (B03 + B08)"),
        ("GNDVI", "(B08 - B03) / (B08 + B03)"),
        ("EVI2", "2.5 * (B08/10000 - B04/10000) / (B08/10000 + 2.4 * B04/10000 + 1)"),
    ],
)
def test_indices_agree_with_the_library_that_ships_the_scene(
    project: Path,
    scene: dict[str, Array],
    capsys: pytest.CaptureFixture[str],
    index: str,
    formula: str,
) -> None:
    told = run(capsys, "derive", project, "--name", index, "--expr", formula)
    blue, green, red, infrared = (scene[b] / 10_000 for b in BANDS)
    params = {"B": blue, "G": green, "R": red, "N": infrared, "g": 2.5, "L": 1.0}
    expected = np.asarray(spyndex.computeIndex([index], params=params))
    np.testing.assert_allclose(values(project, index), expected, rtol=2e-6, atol=1e-7)
    assert told["stats"]["missing"] == 0
    assert told["stats"]["mean"] == pytest.approx(expected.mean(), rel=1e-6)
    assert told["stats"]["minimum"] == pytest.approx(expected.min(), rel=1e-6)


def test_histograms_of_the_scene(gathered: Path, scene: dict[str, Array]) -> None:
    with Desk.open(gathered, write=False, inline=True) as desk:
        for name, band in scene.items():
            found = desk.histogram(desk.map().id, name)
            np.testing.assert_array_equal(found.counts, np.bincount(band.ravel(), minlength=65536))
            for q in (0, 1, 25, 50, 99.5, 100):
                assert found.percentile(q) == np.percentile(band, q)
            for low, high in ((300, 500), (0, 65535), (1000, 1000)):
                assert found.count_between(low, high) == ((band >= low) & (band <= high)).sum()


def test_a_composite_of_the_scene_agrees_with_another_library(
    project: Path, scene: dict[str, Array], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Percentile stretch by scikit-image, rounded to the nearest level."""
    path = tmp_path / "infrared.tif"
    run(capsys, "blend", project, "--rgb", "B08,B04,B03", "--stretch", "2:98", "-o", path)
    pixels = tifffile.imread(path)
    for at, name in enumerate(("B08", "B04", "B03")):
        band = scene[name].astype(np.float64)
        ends = tuple(np.percentile(band, (2, 98)))
        scaled = exposure.rescale_intensity(band, in_range=ends, out_range=(0.0, 1.0))
        away = np.abs(pixels[..., at] - scaled * 255)
        assert away.max() <= 0.5 + 1e-9


# -- the stain ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tissue(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("tissue") / "tissue.maps.h5"
    words = ["gather", str(SHIPPED / "ihc.png"), "-o", str(path), "--pixel-um", "0.5"]
    assert cli.main(words) == 0
    return path


def test_the_stain_is_gathered_with_a_caution(
    tissue: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    expected = data.immunohistochemistry()
    (told,) = run(capsys, "about", tissue)["maps"]
    assert [x["name"] for x in told["layers"]] == ["red", "green", "blue"]
    with Desk.open(tissue, write=False, inline=True) as desk:
        for at, layer in enumerate(told["layers"]):
            np.testing.assert_array_equal(values(tissue, layer["name"]), expected[..., at])
            # An 8-bit picture may have been stretched before it was saved.
            assert any("stretched" in note for note in layer["notes"])
            counts, centres = exposure.histogram(expected[..., at])
            found = desk.histogram(told["id"], layer["id"])
            np.testing.assert_array_equal(found.counts[centres], counts)
            assert found.total == counts.sum()


@pytest.mark.parametrize("stain", [0, 2], ids=["haematoxylin", "DAB"])
def test_stains_agree_with_the_library_that_ships_them(
    tissue: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], stain: int
) -> None:
    """Colour deconvolution (Ruifrok and Johnston 2001) as a formula over three channels."""
    path = tmp_path / "tissue.maps.h5"
    path.write_bytes(tissue.read_bytes())
    least = "0.000001"
    parts = [
        f"{weight:.15f} * log(max({name} / 255, {least}))"
        for name, weight in zip(("red", "green", "blue"), color.hed_from_rgb[:, stain], strict=True)
    ]
    formula = f"max(0, ({' + '.join(parts)}) / log({least}))"
    run(capsys, "derive", path, "--name", "stain", "--expr", formula)
    expected = color.rgb2hed(data.immunohistochemistry())[..., stain]
    np.testing.assert_allclose(values(path, "stain"), expected, rtol=1e-5, atol=1e-7)


# -- pages and broken numbers ---------------------------------------------------------------------


@pytest.mark.parametrize("name", ["multipage.tif", "multipage_rgb.tif"])
def test_pages_of_a_tiff(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = SHIPPED / name
    words = ("gather", source, "-o", tmp_path / "p.maps.h5")
    # 72 dots an inch are a printer's default: the pixel size has to be given.
    assert cli.main([str(w) for w in words]) == 3
    told = run(capsys, *words, "--pixel-um", "2")
    pages = tifffile.imread(source)
    flat = pages.reshape(-1, *pages.shape[-2:])
    assert len(told["channels"]) == len(flat)
    for channel, page in zip(told["channels"], flat, strict=True):
        np.testing.assert_array_equal(values(tmp_path / "p.maps.h5", channel["name"]), page)


def test_pixels_that_could_not_be_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = SHIPPED / "motorcycle_disp.npz"
    with np.load(source) as file:
        (disparity,) = file.values()
    known = disparity[np.isfinite(disparity)]
    assert known.size < disparity.size
    path = tmp_path / "p.maps.h5"
    (channel,) = run(capsys, "gather", source, "-o", path, "--pixel-um", "1")["channels"]
    ((layer,),) = (m["layers"] for m in run(capsys, "about", path)["maps"])
    stats = layer["stats"]
    assert stats["pixels"] - stats["missing"] == known.size
    assert stats["mean"] == pytest.approx(known.mean(dtype=np.float64), rel=1e-6)
    assert (stats["minimum"], stats["maximum"]) == (known.min(), known.max())
    np.testing.assert_array_equal(values(path, channel["name"]), disparity)
    with Desk.open(path, write=False, inline=True) as desk:
        found = desk.histogram(desk.map().id, channel["id"])
        assert found.total == known.size
        near = float(known.max() - known.min()) / 65534
        for q in (1, 50, 99):
            assert found.percentile(q) == pytest.approx(float(np.percentile(known, q)), abs=near)
