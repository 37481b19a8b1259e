"""Units, contacts and traverses from the command line, and what is measured on them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from tests.test_cli import Terminal, document
from viewer import cli
from viewer.cli.asking import options_of
from viewer.desk.desk import Desk
from viewer.store.requests import REQUESTS

SHAPE = (120, 200)
PIXEL = 10.0
FOOT_ROW = 70
"""First row of the footwall, whose top is a straight contact at 700 µm from the top."""


def _maps(folder: Path) -> None:
    """A seam rich in chromium, 300 µm thick, over a footwall rich in aluminium; its top waves."""
    rng = np.random.default_rng(7)
    rows, cols = np.indices(SHAPE)
    top = 40.0 + 4.0 * np.sin(2.0 * np.pi * cols / 80.0)
    seam = (rows >= top) & (rows < FOOT_ROW)
    foot = rows >= FOOT_ROW
    for name, where in (("Cr", seam), ("Al", foot), ("Mg", ~seam & ~foot)):
        counts = rng.poisson(np.where(where, 300.0, 20.0))
        tifffile.imwrite(folder / f"{name}.tif", counts.astype(np.uint16))


def _scheme(path: Path) -> Path:
    def rich(layer: str) -> dict[str, Any]:
        gate = {"kind": "range", "layer": layer, "low": 150.5}
        return {"id": layer, "name": f"{layer} rich", "gate": gate}

    names = {"Cr": "Chromite", "Al": "Plagioclase", "Mg": "Orthopyroxene"}
    scheme = {
        "populations": [rich(x) for x in names],
        "phases": [
            {"id": x, "name": name, "rules": [[{"population": x}]]} for x, name in names.items()
        ],
    }
    document = {"format": "grainlight scheme", "version": 1, "scheme": scheme, "key": []}
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("seam")
    _maps(folder)
    path = folder / "seam.maps.h5"
    assert cli.main(["gather", str(folder), "-o", str(path), "--pixel-um", str(PIXEL)]) == 0
    scheme = _scheme(folder / "s.json")
    assert cli.main(["sort", str(path), "--scheme", str(scheme)]) == 0
    return path


@pytest.fixture
def seam(made: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    return Path(shutil.copy(made, tmp_path / "seam.maps.h5"))


@pytest.fixture
def terminal(capsys: pytest.CaptureFixture[str]) -> Terminal:
    return Terminal(capsys)


def _drawn(seam: Path) -> dict[str, Any]:
    with Desk.open(seam, write=False, inline=True) as desk:
        return {
            **{x.name: x for x in desk.state.lines.lines},
            **{u.name: u for u in desk.state.units.units},
        }


# -- draw -----------------------------------------------------------------------------------------


def test_a_contact_by_hand_and_one_that_follows_an_edge(terminal: Terminal, seam: Path) -> None:
    told = terminal.json("draw", seam, "contact", "Foot", "--points", "0,700", "2000,700")
    assert told["contact"]["points"] == [[0.0, 700.0], [2000.0, 700.0]]
    ends = ("--points", "20,400", "1980,390")
    terminal.done("draw", seam, "contact", "Top", *ends, "--follow-phase", "Chromite")
    terminal.done("draw", seam, "contact", "Top by Cr", *ends, "--follow", "Cr")
    for name in ("Top", "Top by Cr"):
        points = np.array(_drawn(seam)[name].points)
        truth = 400.0 + 40.0 * np.sin(2.0 * np.pi * points[:, 0] / 800.0)
        # Along a wave of 80 µm the line never leaves the edge by more than a pixel or so.
        assert np.abs(points[:, 1] - truth)[1:-1].max() < 15.0
        assert len(points) > 30


def test_units_and_the_contact_that_they_share(terminal: Terminal, seam: Path) -> None:
    terminal.done("draw", seam, "contact", "Foot", "--points", "0,700", "2000,700")
    terminal.done("draw", seam, "contact", "Top", "--points", "0,400", "2000,400")
    terminal.done("draw", seam, "unit", "Seam", "--contacts", "Foot", "Top")
    told = terminal.json(
        "draw", seam, "unit", "Footwall", "--points", "0,700", "2000,700", "2000,1200", "0,1200"
    )
    assert len(told["unit"]["polygons"][0]) == 4
    words = ("draw", seam, "contact", "Base", "--units", "Footwall", "Seam")
    assert "which way is up" in terminal.refused(3, *words)
    told = terminal.json(*words, "--way-up", "0")
    assert {y for _, y in told["contact"]["points"]} == {700.0}
    about = terminal.json("about", seam)["maps"][0]
    assert about["units"] == ["Seam", "Footwall"]
    assert [x["name"] for x in about["lines"]] == ["Foot", "Top", "Base"]
    assert "contacts: Foot, Top, Base" in terminal.done("about", seam)


def test_a_name_is_kept_unless_it_may_be_replaced(terminal: Terminal, seam: Path) -> None:
    words = ("draw", seam, "traverse", "Down", "--points", "300,50", "300,1150")
    terminal.done(*words, "--width-um", "200")
    assert "already" in terminal.refused(3, *words)
    # What comes in its place is no line: the old one stays.
    terminal.refused(3, "draw", seam, "traverse", "Down", "--points", "5,5", "5,5", "--force")
    assert _drawn(seam)["Down"].width_um == 200.0
    terminal.done(*words, "--width-um", "60", "--force")
    assert _drawn(seam)["Down"].width_um == 60.0
    terminal.done("draw", seam, "traverse", "down", "--remove")
    assert _drawn(seam) == {}
    assert "no traverse «Down»" in terminal.refused(3, "draw", seam, "traverse", "Down", "--remove")


@pytest.mark.parametrize(
    "words",
    [
        ("contact", "A"),
        ("unit", "A", "--units", "B", "C"),
        ("contact", "A", "--points", "0,0", "5,5", "--units", "B", "C"),
        ("contact", "A", "--points", "0,0", "5,5", "--width-um", "3"),
        ("traverse", "A", "--points", "0,0", "5,5", "--follow", "Cr"),
        ("contact", "A", "--points", "0,0", "5,5", "--blur-um", "3"),
        ("contact", "A", "--units", "B", "C", "--follow", "Cr"),
        ("contact", "A", "--remove", "--points", "0,0", "5,5"),
        ("contact", "A", "--points", "9,9", "--follow", "Cr"),
        ("contact", "A", "--points", "0,0", "5,5", "--follow", "Cr", "--blur-um", "nan"),
    ],
)
def test_words_that_draw_nothing(terminal: Terminal, seam: Path, words: tuple[str, ...]) -> None:
    terminal.refused(2, "draw", seam, *words)
    assert _drawn(seam) == {}


def test_lines_off_the_map_and_edges_that_are_not_there(terminal: Terminal, seam: Path) -> None:
    terminal.refused(3, "draw", seam, "contact", "A", "--points", "9000,9000", "9500,9900")
    message = terminal.refused(
        3, "draw", seam, "contact", "A", "--points", "20,400", "900,400", "--follow", "Zz"
    )
    assert "Zz" in message
    assert "no unit" in terminal.refused(3, "draw", seam, "contact", "A", "--units", "B", "C")


@pytest.mark.parametrize("width", ["nan", "inf", "1e400", "wide"])
def test_a_width_that_is_no_number(terminal: Terminal, seam: Path, width: str) -> None:
    words = ("draw", seam, "traverse", "T", "--points", "5,5", "50,50")
    assert "not a number" in terminal.refused(2, *words, "--width-um", width)
    assert _drawn(seam) == {}


@pytest.mark.parametrize("width", ["-50", "1e12", "1e300"])
def test_a_width_that_is_none_leaves_the_project_to_be_opened(
    terminal: Terminal, seam: Path, width: str
) -> None:
    words = ("draw", seam, "traverse", "T", "--points", "5,5", "50,50")
    assert "is no width" in terminal.refused(3, *words, "--width-um", width)
    assert _drawn(seam) == {}
    terminal.done(*words, "--width-um", "50")
    assert _drawn(seam)["T"].width_um == 50.0


def test_a_name_that_is_no_text_leaves_the_project_to_be_opened(terminal: Terminal, seam: Path) -> None:
    words = ("draw", seam, "traverse", "T\udcff", "--points", "5,5", "50,50")
    assert "cannot be kept" in terminal.refused(3, *words)
    assert _drawn(seam) == {}


def test_way_up_is_not_set_by_what_fails(terminal: Terminal, seam: Path) -> None:
    up = ("--way-up", "90")
    file = seam.parent / "asked.json"
    file.write_text('{"kind": "contact", "line": "Not there"}', encoding="utf-8")
    terminal.refused(3, "draw", seam, "contact", "A", "--units", "B", "C", *up)
    terminal.refused(3, "measure", seam, "contact", "--line", "Not there", *up)
    terminal.refused(3, "measure", seam, "modal-log", "--band-um", "1e-9", *up)
    terminal.refused(3, "ask", seam, file, *up)
    assert _way_up(seam) is None
    terminal.done("draw", seam, "contact", "Foot", "--points", "0,700", "2000,700", *up)
    assert _way_up(seam) == 90.0
    terminal.refused(3, "measure", seam, "contact", "--line", "Not there", "--way-up", "10")
    assert _way_up(seam) == 90.0


def _way_up(seam: Path) -> float | None:
    with Desk.open(seam, write=False, inline=True) as desk:
        return desk.setup(desk.map().id).orientation.way_up_deg


# -- measure --------------------------------------------------------------------------------------


def test_a_request_by_options_is_kept_with_its_answer(terminal: Terminal, seam: Path) -> None:
    terminal.done("draw", seam, "traverse", "Down", "--points", "1000,50", "1000,1150")
    phases = ("--phase", "Chromite", "--phase", "Plagioclase")
    words = (
        "measure",
        seam,
        "traverse",
        "--line",
        "Down",
        "--width-um",
        "400",
        "--layer",
        "Cr",
        *phases,
    )
    told = terminal.json(*words, "-o", seam.parent / "o")
    (answer,) = told["results"]
    assert answer["request"]["phases"] == ["Chromite", "Plagioclase"]
    assert answer["rows"][0]["request"] == answer["request"]
    assert answer["caution"]
    assert answer["findings"]
    for file in answer["files"]:
        assert Path(file).stat().st_size > 0
    assert {Path(f).suffix for f in answer["files"]} == {".json", ".csv", ".pdf"}
    assert "--force" in terminal.refused(3, *words, "-o", seam.parent / "o")


def test_requests_of_a_file_are_put_to_a_project(terminal: Terminal, seam: Path) -> None:
    terminal.done("draw", seam, "traverse", "Down", "--points", "1000,50", "1000,1150")
    asked = [
        {"kind": "traverse", "lines": ["Down"], "layers": ["Cr"], "width_um": 300.0},
        {"kind": "traverse", "lines": ["Down"], "phases": ["Plagioclase"], "width_um": 300.0},
    ]
    file = seam.parent / "asked.json"
    file.write_text(json.dumps(asked), encoding="utf-8")
    told = terminal.json("ask", seam, file)
    assert [r["request"]["layers"] for r in told["results"]] == [["Cr"], []]
    kept = terminal.json("ledger", seam)["rows"]
    # The ledger's own requests can be asked again, and take their rows' places.
    again = [kept[0]["request"]]
    file.write_text(json.dumps(again), encoding="utf-8")
    terminal.done("ask", seam, file)
    assert len(terminal.json("ledger", seam)["rows"]) == len(kept)


def test_requests_of_one_subject_have_files_of_their_own(terminal: Terminal, seam: Path) -> None:
    terminal.done("draw", seam, "traverse", "Down", "--points", "1000,50", "1000,1150")
    asked = [
        {"kind": "traverse", "lines": ["Down"], "layers": ["Cr"], "width_um": 300.0, "step_um": step}
        for step in (40.0, 200.0)
    ]
    file = seam.parent / "asked.json"
    file.write_text(json.dumps(asked), encoding="utf-8")
    told = terminal.json("ask", seam, file, "-o", seam.parent / "o")
    files = [name for result in told["results"] for name in result["files"]]
    assert len(set(files)) == len(files) == 6
    # Nothing is measured, and nothing kept, where a later one has files already.
    before = terminal.json("ledger", seam)
    file.write_text(json.dumps([{**asked[0], "step_um": 80.0}, asked[1]]), encoding="utf-8")
    assert "--force" in terminal.refused(3, "ask", seam, file, "-o", seam.parent / "o")
    assert terminal.json("ledger", seam) == before
    terminal.done("ask", seam, file, "-o", seam.parent / "o", "--force")


def test_a_request_that_fails_leaves_those_before_it(terminal: Terminal, seam: Path) -> None:
    terminal.done("draw", seam, "traverse", "Down", "--points", "1000,50", "1000,1150")
    good = {"kind": "traverse", "lines": ["Down"], "layers": ["Cr"], "width_um": 300.0}
    file = seam.parent / "asked.json"
    file.write_text(json.dumps([good, {**good, "lines": ["Up"]}]), encoding="utf-8")
    code, out, message = terminal("ask", seam, file, "--way-up", "30")
    assert code == 3
    assert "no traverse «Up»" in message
    assert "Down" in out
    code, out, again = terminal("ask", seam, file, "--json", "--way-up", "30")
    told = document(out)
    assert (code, again) == (told["exit_code"], message)
    (answer,) = told["results"]
    assert answer["rows"] == terminal.json("ledger", seam)["rows"]
    # What was kept was measured with this way up.
    assert _way_up(seam) == 30.0


def test_a_phase_that_layers_are_followed_in_is_sorted_first(terminal: Terminal, seam: Path) -> None:
    terminal.done("draw", seam, "traverse", "Down", "--points", "1000,50", "1000,1150")
    words = ("measure", seam, "traverse", "--line", "Down", "--width-um", "400", "--layer", "Cr")
    told = terminal.json(*words, "--only-in", "Chromite")
    assert told["results"][0]["request"]["only_in"] == "Chromite"


@pytest.mark.parametrize(
    "words",
    [
        ("sharpness", "--line", "A", "--layer", "Cr", "--reach-um", "inf"),
        ("sharpness", "--line", "A", "--layer", "Cr", "--beam-um", "nan"),
        ("traverse", "--line", "A", "--layer", "Cr", "--width-um", "inf"),
        ("traverse", "--line", "A", "--layer", "Cr", "--bound", "inf"),
        ("traverse", "--line", "A", "--layer", "Cr", "--bound", "1e12"),
        ("contact", "--line", "A", "--step-um", "nan"),
        ("modal-log", "--band-um", "inf"),
        ("distance", "--points", "0,0", "5,5", "--hand-px", "nan"),
    ],
)
def test_numbers_that_are_none(terminal: Terminal, seam: Path, words: tuple[str, ...]) -> None:
    terminal.refused(2, "measure", seam, *words)


@pytest.mark.parametrize(
    "text", ["", "[", "{}", '{"kind": "volume"}', '{"kind": "contact", "line": 3}']
)
def test_a_file_that_holds_no_request(terminal: Terminal, seam: Path, text: str) -> None:
    file = seam.parent / "asked.json"
    file.write_text(text, encoding="utf-8")
    assert "no request" in terminal.refused(3, "ask", seam, file)


def test_a_request_that_is_not_whole(terminal: Terminal, seam: Path) -> None:
    assert "--line" in terminal.refused(2, "measure", seam, "contact")
    assert "--host and --rim" in terminal.refused(2, "measure", seam, "rims")
    assert "takes one --layer" in terminal.refused(
        2, "measure", seam, "sharpness", "--line", "A", "--layer", "Cr", "--layer", "Al"
    )
    assert "no contact" in terminal.refused(3, "measure", seam, "contact", "--line", "A")
    assert "takes no --host" in terminal.refused(2, "measure", seam, "contact", "--host", "A")
    assert "kind" in terminal.refused(2, "measure", seam).lower()
    told = terminal.refused(
        2, "measure", seam, "rims", "--host", "A", "--rim", "B", "--class-deg", "400"
    )
    assert "class_deg" in told


def test_help_names_every_kind_and_option(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["measure", "--help"])
    told = capsys.readouterr().out
    for kind in REQUESTS:
        assert kind in told
        for option in options_of(kind):
            assert option in told
