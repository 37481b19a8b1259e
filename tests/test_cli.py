"""Every verb of the command line: what it prints, where it fails, and with which exit code."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest
import tifffile
from PIL import Image

from viewer import cli
from viewer.cli import parts
from viewer.cli.words import pixel_size
from viewer.desk.demo_measures import ASKED
from viewer.errors import CancelledError
from viewer.store.documents import DOCUMENTS, Composite, Panel
from viewer.store.project import Project

SHAPE = (60, 90)
PIXEL = ("--pixel-um", "20x25")


def phantom(seed: int, shape: tuple[int, int] = SHAPE) -> np.ndarray[Any, Any]:
    """Counts of a left-to-right ramp."""
    ramp = np.linspace(5.0, 400.0, shape[1]) * np.ones((shape[0], 1))
    return np.random.default_rng(seed).poisson(ramp).astype(np.uint16)


CHANNELS = {name: phantom(seed) for seed, name in enumerate(("Al", "Cr", "Fe", "Mg"))}


@pytest.fixture(scope="module")
def maps(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of four channels that do not say how large a pixel is."""
    folder = tmp_path_factory.mktemp("thin section")
    for name, pixels in CHANNELS.items():
        tifffile.imwrite(folder / f"{name}.tif", pixels)
    return folder


@pytest.fixture(scope="module")
def gathered(maps: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("gathered") / "thin.maps.h5"
    assert cli.main(["gather", str(maps), "-o", str(path), *PIXEL]) == 0
    return path


@pytest.fixture
def project(gathered: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    return Path(shutil.copy(gathered, tmp_path / "thin.maps.h5"))


class Terminal:
    """Runs the command line in this process and keeps apart what it prints."""

    def __init__(self, capture: pytest.CaptureFixture[str]) -> None:
        self._capture = capture

    def __call__(self, *words: object) -> tuple[int, str, str]:
        self._capture.readouterr()
        code = cli.main([str(w) for w in words])
        said = self._capture.readouterr()
        return code, said.out, said.err

    def done(self, *words: object) -> str:
        code, out, err = self(*words)
        assert code == 0, err
        return out

    def json(self, *words: object) -> dict[str, Any]:
        """The one document on standard output of a call that ends well."""
        code, out, err = self(*words, "--json")
        assert code == 0, err
        return document(out)

    def refused(self, code: int, *words: object) -> str:
        """The message of a call that fails with `code`, the same with ``--json`` and without."""
        plain_code, out, message = self(*words)
        assert (plain_code, out) == (code, ""), message
        json_code, out, again = self(*words, "--json")
        told = document(out)
        assert json_code == told["exit_code"] == code
        assert told["error"] in message
        assert again == message
        assert message.startswith("grainlight: ")
        assert "Traceback" not in message
        return message


def document(text: str) -> dict[str, Any]:
    """The only JSON document in a text; NaN and infinities are not JSON (RFC 8259)."""

    def refuse(word: str) -> NoReturn:
        raise AssertionError(f"{word} is not JSON")

    found = json.loads(text, parse_constant=refuse)
    assert isinstance(found, dict)
    return found


@pytest.fixture
def terminal(capsys: pytest.CaptureFixture[str]) -> Terminal:
    return Terminal(capsys)


# -- gather ---------------------------------------------------------------------------------------


def test_gather_tells_what_was_gathered(terminal: Terminal, maps: Path, tmp_path: Path) -> None:
    path = tmp_path / "p.maps.h5"
    told = terminal.json("gather", maps, "-o", path, *PIXEL, "--name", "North face")
    assert told["project"] == str(path)
    assert told["name"] == "North face"
    assert told["shape"] == list(SHAPE)
    assert told["pixel_um"] == [20.0, 25.0]
    assert [c["element"] for c in told["channels"]] == list(CHANNELS)
    with Project.open(path, write=False) as project:
        found = project.maps[told["map"]]
        for name, pixels in CHANNELS.items():
            layer = found.layers[name]
            np.testing.assert_array_equal(layer.values(slice(0, 60), slice(0, 90)), pixels)


def test_gather_in_words(terminal: Terminal, maps: Path, tmp_path: Path) -> None:
    out = terminal.done("gather", maps, "-o", tmp_path / "p.h5", *PIXEL)
    assert "4 channels of 90 x 60 pixels of 20 x 25 µm" in out
    assert (tmp_path / "p.maps.h5").exists()
    assert ".maps.h5: it was added" in out


@pytest.mark.parametrize(
    ("words", "size"), [("20", (20, 20)), ("20x25", (20, 25)), ("1.5×0.5", (1.5, 0.5))]
)
def test_pixel_size_is_width_by_height(words: str, size: tuple[float, float]) -> None:
    assert pixel_size(words) == size


@pytest.mark.parametrize("words", ["", "20x", "x", "20x25x3", "20,25", "twenty"])
def test_words_that_are_no_pixel_size(
    terminal: Terminal, maps: Path, tmp_path: Path, words: str
) -> None:
    message = terminal.refused(2, "gather", maps, "-o", tmp_path / "p.maps.h5", f"--pixel-um={words}")
    assert "not a pixel size such as 20 or 20x25" in message
    assert not list(tmp_path.iterdir())


def test_the_pixel_size_is_never_assumed(terminal: Terminal, maps: Path, tmp_path: Path) -> None:
    message = terminal.refused(3, "gather", maps, "-o", tmp_path / "p.maps.h5")
    assert str(maps) in message
    assert "--pixel-um" in message
    assert not list(tmp_path.iterdir())


def test_the_pixel_size_of_the_file_is_taken(terminal: Terminal, tmp_path: Path) -> None:
    source = tmp_path / "Fe.tif"
    # 500 pixels a cm along x and 400 along y: 20 x 25 µm.
    tifffile.imwrite(source, CHANNELS["Fe"], resolution=(500, 400), resolutionunit="CENTIMETER")
    told = terminal.json("gather", source, "-o", tmp_path / "p.maps.h5")
    assert told["pixel_um"] == pytest.approx([20.0, 25.0])
    told = terminal.json("gather", source, "-o", tmp_path / "q.maps.h5", "--pixel-um", "7")
    assert told["pixel_um"] == [7.0, 7.0]


def test_only_and_rename(terminal: Terminal, maps: Path, tmp_path: Path) -> None:
    told = terminal.json(
        *("gather", maps, "-o", tmp_path / "p.maps.h5", *PIXEL, "--only", "Fe, Mg"),
        *("--rename", "Fe", "Mg", "--rename", "Mg", "Magnesium K"),
    )
    assert [(c["name"], Path(c["file"]).name) for c in told["channels"]] == [
        ("Mg", "Fe.tif"),
        ("Magnesium K", "Mg.tif"),
    ]


@pytest.mark.parametrize(("option", "words"), [("--only", ["Fe,Zz"]), ("--rename", ["Zz", "Fe"])])
def test_channels_that_are_not_there_are_named(
    terminal: Terminal, maps: Path, tmp_path: Path, option: str, words: list[str]
) -> None:
    output = tmp_path / "p.maps.h5"
    message = terminal.refused(3, "gather", maps, "-o", output, *PIXEL, option, *words)
    assert "«Zz»" in message
    assert "Al, Cr, Fe, Mg" in message
    assert not list(tmp_path.iterdir())


def test_an_existing_project_is_replaced_by_force_only(
    terminal: Terminal, maps: Path, project: Path
) -> None:
    before = project.read_bytes()
    words = ("gather", maps / "Fe.tif", "-o", project, *PIXEL)
    message = terminal.refused(3, *words)
    assert "exists already" in message
    assert str(project) in message
    assert project.read_bytes() == before
    terminal.done(*words, "--force")
    (found,) = terminal.json("about", project)["maps"]
    assert [x["name"] for x in found["layers"]] == ["Fe"]


def test_into_adds_a_map(terminal: Terminal, maps: Path, project: Path) -> None:
    told = terminal.json("gather", maps / "Cr.tif", "-o", project, *PIXEL, "--into", "--name", "Back")
    found = terminal.json("about", project)["maps"]
    assert len(found) == 2
    assert (found[-1]["id"], found[-1]["name"]) == (told["map"], "Back")
    again = terminal.json("gather", maps / "Cr.tif", "-o", project, *PIXEL, "--into", "--name", "Back")
    assert again["map"] != told["map"]


def test_into_needs_a_project(terminal: Terminal, maps: Path, tmp_path: Path) -> None:
    message = terminal.refused(4, "gather", maps, "-o", tmp_path / "no.maps.h5", *PIXEL, "--into")
    assert str(tmp_path / "no.maps.h5") in message
    assert not list(tmp_path.iterdir())


def test_resample(terminal: Terminal, tmp_path: Path) -> None:
    sources = tmp_path / "sources"
    sources.mkdir()
    tifffile.imwrite(sources / "Fe.tif", phantom(1, (40, 60)))
    tifffile.imwrite(sources / "Mg.tif", np.full((20, 30), 7, np.uint8))
    output = tmp_path / "p.maps.h5"
    message = terminal.refused(3, "gather", sources, "-o", output, *PIXEL)
    assert "--resample" in message
    assert "Mg 30 x 20" in message
    told = terminal.json("gather", sources, "-o", output, *PIXEL, "--resample")
    assert told["shape"] == [40, 60]
    (found,) = terminal.json("about", output)["maps"]
    coarse = next(x for x in found["layers"] if x["name"] == "Mg")
    assert coarse["stats"]["minimum"] == coarse["stats"]["maximum"] == 7
    assert "30 x 20 pixels onto the finest grid" in coarse["notes"][-1]


# -- about, ledger, measure -----------------------------------------------------------------------


def test_about(terminal: Terminal, project: Path) -> None:
    told = terminal.json("about", project)
    (found,) = told["maps"]
    assert found["pixel_um"] == [20.0, 25.0]
    for layer in found["layers"]:
        pixels = CHANNELS[layer["name"]]
        assert layer["stats"]["mean"] == pytest.approx(pixels.mean())
        assert layer["stats"]["maximum"] == pixels.max()
    out = terminal.done("about", project)
    assert "90 x 60 pixels of 20 x 25 µm" in out
    assert all(name in out for name in CHANNELS)


def test_measure_keeps_a_row(terminal: Terminal, project: Path, tmp_path: Path) -> None:
    words = ("measure", project, "distance", "--points", "0,0", "300,400", "--label", "Dyke")
    told = terminal.json(*words)
    # The reading is a little less than 500: what its ends were misplaced by only ever lengthens it.
    assert told["row"]["value"] == pytest.approx(500.0, rel=1e-3)
    assert told["row"]["unit"] == "µm"
    assert "500" in terminal.done(*words)
    rows = terminal.json("ledger", project)["rows"]
    assert [r["value"] for r in rows] == [told["row"]["value"]] * 2
    assert "Dyke" in terminal.done("ledger", project)
    table = tmp_path / "ledger.csv"
    assert terminal.json("ledger", project, "-o", table)["file"] == str(table)
    with open(table, encoding="utf-8", newline="") as file:
        read = list(csv.DictReader(file))
    assert [float(r["value_um"]) for r in read] == [told["row"]["value"]] * 2
    assert str(table) in terminal.refused(3, "ledger", project, "-o", table)
    terminal.done("ledger", project, "-o", table, "--force")


def test_an_empty_ledger(terminal: Terminal, project: Path) -> None:
    assert terminal.json("ledger", project)["rows"] == []
    assert terminal.done("ledger", project) == "Nothing has been measured yet.\n"


def test_a_point_off_the_map_is_refused(terminal: Terminal, project: Path) -> None:
    message = terminal.refused(3, "measure", project, "distance", "--points", "0,0", "9999,4")
    assert "9999, 4 µm lies off the map" in message
    assert terminal.json("ledger", project)["rows"] == []


# -- sort, and what is measured on a sorted map ------------------------------------------------------

CUT = 200.5


def scheme_file(path: Path, layer: str = "Fe", name: str = "Iron rich", points: int = 3) -> Path:
    """A scheme by hand: much of a layer, and a triangle of iron and magnesium."""
    triangle = [[-0.5, -0.5], [900.5, -0.5], [450.5, 900.5]][:points]
    population = {"id": "much", "name": "Much", "gate": {"kind": "range", "layer": layer, "low": CUT}}
    rest = {
        "id": "rest",
        "name": "Rest",
        "gate": {
            "kind": "polygon",
            "x": {"layer": "Fe"},
            "y": {"layer": "Mg"},
            "points": triangle,
        },
    }
    phases = [
        {"id": "a", "name": name, "rules": [[{"population": "much"}]]},
        {"id": "b", "name": "Rest of it", "rules": [[{"population": "rest"}]]},
    ]
    scheme = {"populations": [population, rest], "phases": phases}
    key = [{"name": name, "colour": "#aa3300", "density": 5.0}]
    document = {"format": "grainlight scheme", "version": 1, "scheme": scheme, "key": key}
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def test_sort_by_a_scheme(terminal: Terminal, project: Path, tmp_path: Path) -> None:
    table, saved = tmp_path / "modes.csv", tmp_path / "again.json"
    file = scheme_file(tmp_path / "s.json", name="; DROP")
    words = ("sort", project, "--scheme", file)
    told = terminal.json(*words, "-o", table, "--save-scheme", saved)
    much = CHANNELS["Fe"] > CUT
    modes = {m["phase"]: m for m in told["modes"]["modes"]}
    counted = told["modes"]["counted"]
    assert counted + told["unsorted"] == much.size
    assert modes["; DROP"]["pixels"] == much.sum()
    assert modes["; DROP"]["area"] == pytest.approx(100.0 * much.sum() / counted)
    assert modes["; DROP"]["low"] < modes["; DROP"]["area"] < modes["; DROP"]["high"]
    assert told["overlaps"][0]["pixels"] > 0
    assert "Area proportion" in told["modes"]["caution"]
    with open(table, encoding="utf-8", newline="") as read:
        rows = list(csv.DictReader(read))
    assert [r["phase"].lstrip("'") for r in rows] == ["; DROP", "Rest of it"]
    assert json.loads(saved.read_text())["scheme"]["phases"][0]["name"] == "; DROP"
    about = terminal.json("about", project)
    assert about["maps"][0]["phases"] == ["; DROP", "Rest of it"]
    assert about["key"][0]["colour"] == "#aa3300"
    # Sorted once more by its own scheme; a table that is there stays as it is.
    assert "; DROP" in terminal.done("sort", project)
    assert str(table) in terminal.refused(3, "sort", project, "-o", table)
    assert str(saved) in terminal.refused(3, "sort", project, "--save-scheme", saved)


def test_sort_says_which_channel_is_missing(terminal: Terminal, project: Path, tmp_path: Path) -> None:
    file = scheme_file(tmp_path / "s.json", layer="Fe K")
    message = terminal.refused(3, "sort", project, "--scheme", file)
    assert "«Fe K»" in message
    assert "«Fe»" in message
    told = terminal.json("sort", project, "--scheme", file, "--layer", "Fe K", "Fe")
    assert told["modes"]["modes"][0]["pixels"] == (CHANNELS["Fe"] > CUT).sum()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.replace('"version": 1', '"version": 1, "colour": 3'), "colour"),
        (lambda t: t.replace("900.5]", "NaN]"), "NaN"),
        (lambda t: t.replace('"Rest of it"', '"iron RICH"'), "Two phases have the name"),
        (lambda t: t.replace(", [450.5, 900.5]", ""), "three points"),
        (lambda t: t.replace('"version": 1', '"version": 9'), "version"),
        (lambda t: "not json", "JSON"),
    ],
)
def test_schemes_that_cannot_be_read(
    terminal: Terminal, project: Path, tmp_path: Path, change: Callable[[str], str], words: str
) -> None:
    file = scheme_file(tmp_path / "s.json")
    file.write_text(change(file.read_text()))
    message = terminal.refused(3, "sort", project, "--scheme", file)
    assert words in message
    assert str(file) in message
    assert terminal.json("about", project)["maps"][0]["phases"] == []


def test_nothing_to_sort_by(terminal: Terminal, project: Path) -> None:
    assert "no phases" in terminal.refused(3, "sort", project)
    assert "--scheme" in terminal.refused(2, "sort", project, "--match", "peaks")


def test_a_scheme_without_reference_cannot_be_matched(
    terminal: Terminal, project: Path, tmp_path: Path
) -> None:
    file = scheme_file(tmp_path / "s.json")
    message = terminal.refused(3, "sort", project, "--scheme", file, "--match", "peaks")
    assert "--save-scheme" in message
    assert terminal.json("about", project)["maps"][0]["phases"] == []


def test_modes_of_a_part(terminal: Terminal, project: Path, tmp_path: Path) -> None:
    terminal.json("sort", project, "--scheme", scheme_file(tmp_path / "s.json"))
    # 20 x 25 µm pixels: the left half of the map.
    told = terminal.json("measure", project, "mode", "--view", "0,0,900,1500", "--phase", "Iron rich")
    (row,) = told["rows"]
    left = CHANNELS["Fe"][:, :45] > CUT
    found = next(m for m in told["modes"]["modes"] if m["phase"] == "Iron rich")
    assert found["pixels"] == left.sum()
    assert row["unit"] == "area %"
    assert [r["kind"] for r in terminal.json("ledger", project)["rows"]] == ["mode"]
    assert "no unit «Seam»" in terminal.refused(3, "measure", project, "mode", "--unit", "Seam")
    assert "no phase «Gold»" in terminal.refused(3, "measure", project, "mode", "--phase", "Gold")
    assert "--unit" in terminal.refused(2, "measure", project, "distance", "--unit", "Seam")
    assert "--points" in terminal.refused(2, "measure", project, "distance")


def test_a_modal_log(terminal: Terminal, project: Path, tmp_path: Path) -> None:
    terminal.json("sort", project, "--scheme", scheme_file(tmp_path / "s.json"))
    words = ("measure", project, "modal-log", "--band-um", "500")
    assert "--way-up" in terminal.refused(3, *words)
    assert "--band-um" in terminal.refused(2, "measure", project, "modal-log")
    assert "nan" in terminal.refused(2, *words, "--way-up", "nan")
    table = tmp_path / "log.csv"
    told = terminal.json(*words, "-o", table, "--way-up", "360")
    assert terminal.json("about", project)["maps"][0]["setup"]["orientation"]["way_up_deg"] == 0.0
    assert [b["bottom_um"] for b in told["log"]["bands"]] == pytest.approx([0.0, 500.0, 1000.0])
    with open(table, encoding="utf-8", newline="") as file:
        assert {r["phase"] for r in csv.DictReader(file)} == {"Iron rich", "Rest of it"}


def test_a_phase_map_as_a_picture(terminal: Terminal, project: Path, tmp_path: Path) -> None:
    picture = tmp_path / "phases.tif"
    words = ("blend", project, "--phases", "-o", picture)
    assert "no phases" in terminal.refused(3, *words)
    terminal.json("sort", project, "--scheme", scheme_file(tmp_path / "s.json"))
    terminal.json(*words)
    painted = tifffile.imread(picture)
    much = CHANNELS["Fe"] > CUT
    np.testing.assert_array_equal((painted == (0xAA, 0x33, 0x00)).all(axis=2), much)
    assert "--stretch" in terminal.refused(2, *words, "--stretch", "1:99")
    composite = ("blend", project, "--rgb", "Fe,Mg,Al", "-o", picture)
    assert "--areas" in terminal.refused(2, *composite, "--areas")


def test_the_schema_of_a_scheme(terminal: Terminal) -> None:
    told = terminal.json("schema", "scheme")
    assert "SchemeFile" in told["$defs"]
    assert json.loads(terminal.done("schema", "scheme")) == told


# -- derive ---------------------------------------------------------------------------------------


def test_derive_a_formula(terminal: Terminal, project: Path) -> None:
    told = terminal.json("derive", project, "--name", "Share", "--expr", "Mg/(Mg+Fe)")
    mg, fe = (CHANNELS[n].astype(float) for n in ("Mg", "Fe"))
    assert told["stats"]["mean"] == pytest.approx((mg / (mg + fe)).mean(), rel=1e-5)
    assert told["without_value"]["divided_by_zero"] == 0
    out = terminal.done("derive", project, "--name", "None", "--expr", "Mg/(Fe-Fe)")
    assert f"{mg.size:,} have none" in out
    layers = terminal.json("about", project)["maps"][0]["layers"]
    assert [x["name"] for x in layers if x["kind"] == "derived"] == ["Share", "None"]


@pytest.mark.parametrize(
    "recipe",
    [
        ("--median", "Fe", "--size", "5"),
        ("--gaussian", "Fe", "--sigma", "1.5"),
        ("--edge-preserving", "Fe", "--size", "5"),
        ("--total", "all"),
        ("--total", "Fe,Mg"),
        ("--component", "1"),
        ("--component", "2", "--of", "Fe,Mg,Cr"),
    ],
    ids=" ".join,
)
def test_derive_by_other_recipes(terminal: Terminal, project: Path, recipe: tuple[str, ...]) -> None:
    told = terminal.json("derive", project, "--name", "New", *recipe)
    assert told["stats"]["missing"] == 0
    assert told["stats"]["minimum"] < told["stats"]["maximum"]


@pytest.mark.parametrize(
    ("recipe", "said"),
    [
        (("--expr", "Mg/(Mg+"), "Mg/(Mg+"),
        (("--expr", "Mg+Zz"), "Zz"),
        (("--expr", "__import__('os')"), "__import__"),
        (("--median", "Fe", "--size", "4"), "4"),
        (("--component", "9"), "9"),
        (("--total", "Fe,Fe"), "Fe"),
    ],
)
def test_a_recipe_that_cannot_be(
    terminal: Terminal, project: Path, recipe: tuple[str, ...], said: str
) -> None:
    assert said in terminal.refused(3, "derive", project, "--name", "New", *recipe)
    assert terminal.json("about", project)["derived"] == []


def test_a_derived_name_is_free_of_other_meanings(terminal: Terminal, project: Path) -> None:
    message = terminal.refused(3, "derive", project, "--name", "fe", "--expr", "Fe+1")
    assert "«fe» already means the layer «Fe»" in message


# -- blend ----------------------------------------------------------------------------------------


def expected_red(name: str) -> np.ndarray[Any, Any]:
    """The default stretch, straight from its definition: linear between the 1st and 99th percentile."""
    pixels = CHANNELS[name].astype(float)
    low, high = np.percentile(pixels, (1, 99))
    return np.floor(np.clip((pixels - low) / (high - low), 0, 1) * 255 + 0.5)


def test_blend_at_map_size(terminal: Terminal, project: Path, tmp_path: Path) -> None:
    path = tmp_path / "composite.tif"
    told = terminal.json("blend", project, "--rgb", "Fe,-,Mg", "-o", path)
    assert (told["width_px"], told["height_px"]) == (90, 60)
    assert told["composite"]["green"] is None
    pixels = tifffile.imread(path)
    assert pixels.shape == (*SHAPE, 3)
    assert pixels.dtype == np.uint8
    np.testing.assert_array_equal(pixels[..., 0], expected_red("Fe"))
    assert not pixels[..., 1].any()
    with tifffile.TiffFile(path) as file:
        tags = file.pages[0].tags
        across, down = tags["XResolution"].value, tags["YResolution"].value
    assert across[0] / across[1] == pytest.approx(500, rel=1e-6)
    assert down[0] / down[1] == pytest.approx(400, rel=1e-6)


def test_blend_with_16_bits_and_another_stretch(
    terminal: Terminal, project: Path, tmp_path: Path
) -> None:
    path = tmp_path / "composite.tiff"
    told = terminal.json(
        *("blend", project, "--rgb", "Fe,Cr,Al", "--depth", "16", "--stretch", "0:100"),
        *("--gamma", "2", "--curve", "sqrt", "-o", path),
    )
    assert told["composite"]["red"]["stretch"]["gamma"] == 2
    pixels = tifffile.imread(path)
    assert pixels.dtype == np.uint16
    fe = CHANNELS["Fe"].astype(float)
    x = (fe - fe.min()) / (fe.max() - fe.min())
    # y = sqrt(x) ** (1 / 2); half a code for rounding, half for the curve's own arithmetic.
    np.testing.assert_allclose(pixels[..., 0], x**0.25 * 65535, atol=1.0)


@pytest.mark.parametrize(
    ("suffix", "magic"), [("png", b"\x89PNG"), ("pdf", b"%PDF"), ("svg", b"<?xml"), ("tif", b"II*")]
)
def test_blend_as_a_page(
    terminal: Terminal, project: Path, tmp_path: Path, suffix: str, magic: bytes
) -> None:
    path = tmp_path / f"page.{suffix}"
    words = ("blend", project, "--rgb", "Fe,Cr,Al", "--width-mm", "80", "--dpi", "100", "-o", path)
    told = terminal.json(*words)
    assert told["width_mm"] == pytest.approx(80, abs=0.3)
    assert path.read_bytes().startswith(magic)
    if suffix == "png":
        with Image.open(path) as image:
            assert image.size[0] == pytest.approx(80 / 25.4 * 100, abs=1)
    assert str(path) in terminal.refused(3, *words)
    assert str(path) in terminal.done(*words, "--force")
    assert {p.name for p in tmp_path.iterdir()} - {project.name, path.name} <= {f".{project.name}.lock"}


def test_a_saved_composite_by_its_name(terminal: Terminal, project: Path, tmp_path: Path) -> None:
    with Project.open(project) as opened:
        looks = opened.state.look
        saved = Composite(name="Seam", red=Panel(layer="Fe"), green=Panel(layer="Cr"))
        opened.put(look=type(looks)(maps=looks.maps, composites=(saved,)))
    path = tmp_path / "seam.tif"
    terminal.json("blend", project, "--composite", "Seam", "-o", path)
    pixels = tifffile.imread(path)
    np.testing.assert_array_equal(pixels[..., 0], expected_red("Fe"))
    np.testing.assert_array_equal(pixels[..., 1], expected_red("Cr"))
    assert not pixels[..., 2].any()
    message = terminal.refused(3, "blend", project, "--composite", "Reef", "-o", tmp_path / "x.tif")
    assert "«Reef»" in message
    assert "«Seam»" in message


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--rgb", "Fe,Zz,Al"), "Zz"),
        (("--rgb", "Fe,Cr,Al", "--map", "Nowhere"), "Nowhere"),
        (("--rgb", "Fe,Cr,Al", "--stretch", "99:1"), "99"),
        (("--rgb", "Fe,Cr,Al", "--stretch", "-1:99"), "0 and 100"),
        (("--rgb", "Fe,Cr,Al", "--gamma", "nan"), "gamma"),
    ],
)
def test_a_composite_that_cannot_be(
    terminal: Terminal, project: Path, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    # A value that begins with a dash has to be joined to its option.
    joined = [f"{words[2]}={words[3]}"] if len(words) == 4 else []
    path = tmp_path / "x.tif"
    message = terminal.refused(3, "blend", project, *words[:2], *joined, "-o", path)
    assert said in message
    assert not path.exists()


def test_a_kind_of_picture_that_is_not_written(
    terminal: Terminal, project: Path, tmp_path: Path
) -> None:
    path = tmp_path / "x.gif"
    assert str(path) in terminal.refused(3, "blend", project, "--rgb", "Fe,Cr,Al", "-o", path)
    assert not path.exists()


# -- schema ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", DOCUMENTS)
def test_schema_is_one_document(terminal: Terminal, name: str) -> None:
    told = terminal.json("schema", name)
    assert told == document(terminal.done("schema", name))
    assert told["$schema"].startswith("https://json-schema.org/")
    assert name in told["title"]


def test_schema_of_nothing(terminal: Terminal) -> None:
    assert "looks" in terminal.refused(2, "schema", "looks")


# -- usage, stopping, the whole program -----------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        ["fly"],
        ["gather"],
        ["gather", "x"],
        ["gather", "x", "-o", "p", "--pixel", "3"],
        ["blend", "p.maps.h5", "-o", "x.tif"],
        ["blend", "p.maps.h5", "--rgb", "Fe,Cr", "-o", "x.tif"],
        ["blend", "p.maps.h5", "--rgb", ",,", "-o", "x.tif"],
        ["blend", "p.maps.h5", "--rgb", "a,b,c", "--stretch", "1", "-o", "x.tif"],
        ["derive", "p.maps.h5", "--name", "x"],
        ["derive", "p.maps.h5", "--name", "x", "--expr", "a", "--median", "b"],
        ["measure", "p.maps.h5", "volume", "--points", "0,0"],
        ["measure", "p.maps.h5", "distance", "--points", "0;0"],
    ],
    ids=" ".join,
)
def test_usage(terminal: Terminal, words: list[str]) -> None:
    assert "--help" in terminal.refused(2, *words)


def test_the_window_needs_a_display(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("viewer.cli.looking.has_display", lambda: False)
    assert "no display" in terminal.refused(2, "window")


@pytest.mark.parametrize("verb", ["about", "ledger", "derive", "blend", "sort", "measure"])
def test_a_project_that_is_not_there(terminal: Terminal, tmp_path: Path, verb: str) -> None:
    path = tmp_path / "none.maps.h5"
    words = {
        "derive": ("--name", "x", "--expr", "Fe"),
        "blend": ("--rgb", "Fe,-,-", "-o", tmp_path / "x.tif"),
        "measure": ("distance", "--points", "0,0", "1,1"),
    }.get(verb, ())
    assert str(path) in terminal.refused(4, verb, path, *words)
    assert not list(tmp_path.iterdir())


def test_a_project_that_is_open_elsewhere(terminal: Terminal, project: Path) -> None:
    with Project.open(project):
        words = ("derive", project, "--name", "x", "--expr", "Fe+1")
        assert "has the project open" in terminal.refused(4, *words)
        assert len(terminal.json("about", project)["maps"]) == 1


@pytest.mark.parametrize("error", [KeyboardInterrupt, CancelledError])
def test_stopped_while_gathering(
    terminal: Terminal,
    maps: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    error: type[BaseException],
) -> None:
    import viewer.desk.gather as gathering

    write_layer = gathering.write_layer

    def interrupted(parent: Any, info: Any, *rest: Any, **more: Any) -> Any:
        if info.name == "Fe":
            raise error()
        return write_layer(parent, info, *rest, **more)

    monkeypatch.setattr(gathering, "write_layer", interrupted)
    message = terminal.refused(130, "gather", maps, "-o", tmp_path / "p.maps.h5", *PIXEL)
    assert "nothing was changed" in message
    assert not list(tmp_path.iterdir())


def test_too_little_memory(
    terminal: Terminal, project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import viewer.desk.describe as describing

    def too_large(desk: object) -> NoReturn:
        raise MemoryError

    monkeypatch.setattr(describing, "describe", too_large)
    assert "memory" in terminal.refused(5, "about", project)


def command(*words: object, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "viewer", *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        **more,
    )


def test_as_a_program_of_its_own(maps: Path, tmp_path: Path) -> None:
    path = tmp_path / "p.maps.h5"
    ended = command("gather", maps, "-o", path, "--json", *PIXEL)
    assert ended.returncode == 0, ended.stderr
    assert document(ended.stdout)["project"] == str(path)
    assert ended.stderr == ""
    ended = command("about", maps / "Fe.tif", "--json")
    assert ended.returncode == document(ended.stdout)["exit_code"] == 4
    assert str(maps / "Fe.tif") in ended.stderr


@pytest.mark.parametrize("form", [[], ["--json"]])
def test_a_pipe_that_is_closed_early(gathered: Path, form: list[str]) -> None:
    words = [sys.executable, "-m", "viewer", "about", str(gathered), *form]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as started:
        assert started.stdout is not None
        assert started.stderr is not None
        started.stdout.close()
        assert started.stderr.read() == b""
        assert started.wait(timeout=120) == 0


def test_help_and_version(capsys: pytest.CaptureFixture[str]) -> None:
    for words, said in ((["--help"], "exit codes"), (["--version"], "grainlight ")):
        with pytest.raises(SystemExit) as ended:
            cli.main(words)
        assert ended.value.code == 0
        assert said in capsys.readouterr().out


# -- demo -----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_demo_runs_the_whole_job(terminal: Terminal, tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    demo = ("demo", "--out", folder, "--scale", "0.12", "--headless")
    told = terminal.json(*demo)
    tables = ("ledger", "scheme", "modes", "modal_log", "measurements")
    assert set(told) == {"folder", "project", "maps", "pictures", "readings", *tables}
    for path in (told["project"], told["maps"], *(told[t] for t in tables), *told["pictures"]):
        assert Path(path).exists(), path
    about = terminal.json("about", told["project"])
    assert [m["name"] for m in about["maps"]] == ["Slab face A", "Slab face B", "Seam close-up"]
    assert about["maps"][2]["placement"]["parent"] == about["maps"][0]["id"]
    assert {d["name"] for d in about["derived"]} == {"Mg share", "Ca smooth", "Na smooth", "An share"}
    assert {x["name"] for x in about["maps"][0]["lines"]} >= {"Footwall contact", "Footwall west"}
    assert len(told["readings"]) == 4 + len(ASKED)
    assert len([r for r in about["ledger"] if not r.get("request")]) == 4
    answered = {r["request"]["kind"] for r in about["ledger"] if r.get("request")}
    # So small a slab has too few grains for some questions, and says so.
    refused = [r for r in told["readings"] if "cannot be told here" in r]
    assert {"layer-thickness", "sharpness", "contact", "undulation"} <= answered
    assert len(refused) < 4
    assert all("Chromite" in m["phases"] for m in about["maps"])
    assert "chromite seam" in about["maps"][0]["units"]
    # What the demo shipped sorts any of its maps again.
    words = ("sort", told["project"], "--map", "Slab face B", "--scheme", told["scheme"])
    again = terminal.json(*words)
    # Of the rarest, a slab as small as this holds a few pixels.
    common = [m for m in again["movements"] if m["percent_before"] > 1.0]
    assert len(common) >= 5
    assert not [m for m in common if m["verdict"] == "far off"]
    # What the demo saved can be printed by name.
    picture = tmp_path / "seam.tif"
    terminal.json("blend", told["project"], "--composite", "Suggested", "-o", picture)
    assert tifffile.imread(picture).any()
    # A second run never overwrites the first unasked.
    before = Path(told["project"]).stat().st_mtime_ns
    assert "--force" in terminal.refused(3, *demo)
    assert Path(told["project"]).stat().st_mtime_ns == before


def test_demo_leaves_other_folders_alone(terminal: Terminal, tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    message = terminal.refused(3, "demo", "--out", tmp_path, "--headless", "--force")
    assert str(tmp_path) in message
    assert [p.name for p in tmp_path.iterdir()] == ["thesis.txt"]


@pytest.mark.parametrize("scale", ["0", "-1", "nan", "1e9"])
def test_a_scale_that_cannot_be(terminal: Terminal, tmp_path: Path, scale: str) -> None:
    folder = tmp_path / "demo"
    terminal.refused(3, "demo", "--out", folder, "--headless", f"--scale={scale}")
    assert not folder.exists()


def test_progress_is_shown_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    steps: Callable[..., None]
    with parts.showing_progress("x", quiet=True) as steps:
        steps(0.5, "half")
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    with parts.showing_progress("x", quiet=False) as steps:
        steps(0.5, "half")
