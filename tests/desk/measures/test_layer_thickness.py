"""Thickness of a layer of the open document: by its contacts, and as a unit."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from tests.desk.conftest import MAP
from tests.desk.measures.layers import THICKNESS, draw
from viewer.desk.desk import Desk
from viewer.desk.measures import run
from viewer.desk.measures.files import write_result
from viewer.desk.measures.keep import add_to_ledger, plain
from viewer.errors import InputError
from viewer.plates.tables import read_table
from viewer.store.documents import Units
from viewer.store.requests import LayerThicknessRequest

BETWEEN = LayerThicknessRequest(lower="Floor", upper="Roof", spacing_um=150.0)
UNIT = LayerThicknessRequest(unit="Seam", spacing_um=150.0)


@pytest.mark.parametrize("mirror", [False, True])
def test_contacts_and_unit_agree(desk: Desk, mirror: bool) -> None:
    draw(desk, mirror=mirror)
    by_lines, by_unit = run(desk, MAP, BETWEEN), run(desk, MAP, UNIT)
    for result in (by_lines, by_unit):
        mean = result.findings[0]
        assert mean.name == "mean apparent thickness"
        assert mean.value is not None
        # Square to a wavy mid-line the layer is a little thinner than straight across.
        assert 0.95 * THICKNESS < mean.value < THICKNESS
        assert mean.low is not None
        assert mean.low <= mean.value
    assert by_lines.subject == "Floor to Roof"
    assert by_unit.subject == "Seam"
    assert by_unit.findings[0].value == pytest.approx(by_lines.findings[0].value, rel=5e-3)


def test_cut_angle_and_its_words(desk: Desk) -> None:
    draw(desk)
    apparent, true = run(desk, MAP, BETWEEN), run(desk, MAP, replace(BETWEEN, cut_deg=30.0))
    assert true.findings[0].name == "mean true thickness"
    assert true.findings[0].value == pytest.approx(0.5 * (apparent.findings[0].value or 0.0))
    assert any("apparent thickness" in r for r in apparent.remarks)
    assert not any("apparent thickness" in r for r in true.remarks)
    assert "sin(30°)" in true.method


def test_result_is_whole(desk: Desk, tmp_path: Path) -> None:
    draw(desk)
    result = run(desk, MAP, BETWEEN)
    assert [f.name for f in result.figures] == [
        "thickness-along",
        "thickness-against-depth",
        "thickness-distribution",
    ]
    assert result.overlay is not None
    values = [s.value for s in result.overlay.shapes if s.value is not None]
    assert result.overlay.low <= min(values)
    assert max(values) <= result.overlay.high
    rows = add_to_ledger(desk, result)
    assert len(rows) == len(result.findings) == 4
    assert rows[0].request == BETWEEN
    json.dumps(plain(result), allow_nan=False)
    _, *paths = write_result(tmp_path, result, ())
    header, cells = read_table(paths[0])
    assert header[:4] == ["along_um", "x_um", "y_um", "thickness_um"]
    assert len(cells) == result.findings[0].n
    thickness = np.array([float(row[3]) for row in cells if row[3]])
    assert thickness.mean() == pytest.approx(result.findings[0].value)


def test_a_window_limits_the_layer(desk: Desk) -> None:
    draw(desk)
    part = run(desk, MAP, replace(BETWEEN, view_um=(0.0, 3000.0, 2600.0, 9000.0)))
    assert part.findings[0].detail["length_um"] == pytest.approx(6300.0, rel=0.1)
    assert "off the map or outside the window" in part.findings[0].excluded


def test_a_unit_needs_to_know_which_way_is_up(desk: Desk) -> None:
    draw(desk, up=False)
    with pytest.raises(InputError, match="Nobody has said which way is up"):
        run(desk, MAP, UNIT)
    # Named contacts say so themselves.
    assert run(desk, MAP, BETWEEN).findings[0].value is not None


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        (LayerThicknessRequest(lower="Roof", upper="Floor"), "«Roof» lies above «Floor»"),
        (LayerThicknessRequest(lower="Floor"), "between a lower and an upper"),
        (LayerThicknessRequest(), "between a lower and an upper"),
        (LayerThicknessRequest(lower="Floor", upper="floor "), "the same line"),
        (LayerThicknessRequest(lower="Floor", upper="Roof", unit="Seam"), "not both"),
        (LayerThicknessRequest(lower="Floor", upper="Attic"), "no contact «Attic»"),
        (LayerThicknessRequest(unit="Attic"), "Attic"),
    ],
)
def test_refused(desk: Desk, request_: LayerThicknessRequest, message: str) -> None:
    draw(desk)
    with pytest.raises(InputError, match=message):
        run(desk, MAP, request_)


def test_a_unit_off_the_map(desk: Desk) -> None:
    draw(desk)
    (seam,) = desk.state.units.units
    off = tuple((x - 9000.0, y) for x, y in seam.polygons[0])
    desk.apply("Move", units=Units(units=(replace(seam, polygons=(off,)),)))
    with pytest.raises(InputError, match="off the map"):
        run(desk, MAP, UNIT)
    # The map is 2600 µm wide: the upper edge of this one lies beyond.
    wide = tuple((x + 1600.0, y) for x, y in seam.polygons[0])
    desk.apply("Move", units=Units(units=(replace(seam, polygons=(wide,)),)))
    with pytest.raises(InputError, match="upper edge of «Seam» is not on the map"):
        run(desk, MAP, UNIT)
