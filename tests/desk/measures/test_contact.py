"""A contact of the open document: as a line, and its waves."""

from __future__ import annotations

import json

import numpy as np
import pytest
from msgspec.structs import replace

from tests.desk.conftest import MAP
from tests.desk.measures.layers import AMPLITUDE, LENGTH, WAVELENGTH, contact, draw
from viewer.desk.desk import Desk
from viewer.desk.measures import run
from viewer.desk.measures.keep import add_to_ledger, plain
from viewer.desk.measures.result import Result
from viewer.errors import InputError
from viewer.plates.chart import Chart
from viewer.store.documents import Lines
from viewer.store.requests import ContactRequest, UndulationRequest

LINE = ContactRequest(line="Floor")
WAVES = UndulationRequest(line="Floor", shortest_um=1200.0)


def found(result: Result, name: str) -> float:
    return next(f.value for f in result.findings if f.name.startswith(name) and f.value is not None)


@pytest.mark.parametrize("mirror", [False, True])
def test_a_contact_as_a_line(desk: Desk, mirror: bool) -> None:
    draw(desk, mirror=mirror)
    result = run(desk, MAP, LINE)
    points = np.array(desk.state.lines.lines[0].points)
    drawn = float(np.hypot(*np.diff(points, axis=0).T).sum())
    assert found(result, "length") == pytest.approx(drawn, rel=0.01)
    assert found(result, "tortuosity") == pytest.approx(drawn / LENGTH, rel=0.01)
    # It runs across way-up.
    assert found(result, "mean direction from way-up") == pytest.approx(90.0, abs=0.5)
    assert "(chosen: four pixels of 30 µm)" in result.method
    assert [f.name for f in result.figures] == ["offset", "length-by-step"]
    json.dumps(plain(result), allow_nan=False)
    assert len(add_to_ledger(desk, result)) == 3


def test_without_way_up_it_says_what_directions_count_from(desk: Desk) -> None:
    draw(desk, up=False)
    result = run(desk, MAP, LINE)
    axis = found(result, "mean direction from the map's top")
    # It runs down the map: an axis of 0, which is 180.
    assert min(axis, 180.0 - axis) == pytest.approx(0.0, abs=0.5)
    assert any("Nobody has said which way is up" in r for r in result.remarks)
    waves = run(desk, MAP, WAVES)
    assert any("Nobody has said which way is up" in r for r in waves.remarks)


def test_waves_of_a_contact(desk: Desk) -> None:
    draw(desk)
    result = run(desk, MAP, WAVES)
    assert [f.name for f in result.findings][:3] == ["RMS offset", "wavelength", "amplitude"]
    assert found(result, "wavelength") == pytest.approx(WAVELENGTH, rel=0.01)
    assert found(result, "amplitude") == pytest.approx(AMPLITUDE, rel=0.02)
    assert found(result, "RMS offset") == pytest.approx(AMPLITUDE / np.sqrt(2.0), rel=0.05)
    assert found(result, "peak to trough") == pytest.approx(2.0 * AMPLITUDE, rel=0.1)
    chart = result.figures[0]
    assert isinstance(chart, Chart)
    # The contact lies farthest up, to the right, at its beginning.
    assert chart.y.label == "offset upwards"
    assert chart.curves[0].y[0] > 0.5 * AMPLITUDE
    json.dumps(plain(result), allow_nan=False)
    assert result.overlay is not None
    assert len(add_to_ledger(desk, result)) == len(result.findings)


def test_a_contact_without_waves_says_so(desk: Desk) -> None:
    draw(desk)
    points = np.array([[900.0, 0.0], [950.0, 7000.0], [880.0, 12_000.0], [930.0, LENGTH]])
    desk.apply("Draw", lines=Lines(lines=(contact("Plain", points),)))
    result = run(desk, MAP, replace(WAVES, line="Plain"))
    missing = result.findings[1]
    assert (missing.name, missing.value) == ("wavelength", None)
    assert "no wave stands out" in missing.uncertainty


def test_a_window_cuts_the_contact_and_says_how_much(desk: Desk) -> None:
    draw(desk)
    result = run(desk, MAP, replace(LINE, view_um=(0.0, 3000.0, 2600.0, 6000.0)))
    assert found(result, "length") == pytest.approx(3050.0, abs=100.0)
    assert result.findings[0].excluded.endswith("of Floor off the map or outside the window")


def test_a_contact_partly_off_the_map_is_cut(desk: Desk) -> None:
    points = np.array([[1000.0, -3000.0], [1000.0, 5000.0]])
    desk.apply("Draw", lines=Lines(lines=(contact("Long", points),)))
    result = run(desk, MAP, ContactRequest(line="Long"))
    assert found(result, "length") == pytest.approx(5000.0)
    assert result.findings[0].excluded.startswith("3,000 µm of Long")


@pytest.mark.parametrize(
    ("points", "message"),
    [
        (((1000.0, 0.0), (1000.0, 90.0)), "only 3.0 pixels long"),
        (((9000.0, 0.0), (9000.0, 900.0)), "Nothing of «Bad» lies on the map"),
    ],
)
def test_refused(desk: Desk, points: tuple[tuple[float, float], ...], message: str) -> None:
    desk.apply("Draw", lines=Lines(lines=(contact("Bad", np.array(points)),)))
    for request in (ContactRequest(line="Bad"), UndulationRequest(line="Bad")):
        with pytest.raises(InputError, match=message):
            run(desk, MAP, request)


def test_a_contact_is_not_limited_to_a_unit(desk: Desk) -> None:
    draw(desk)
    with pytest.raises(InputError, match="cannot be limited"):
        run(desk, MAP, replace(LINE, unit="Seam"))
    with pytest.raises(InputError, match="no contact «Roof 2»"):
        run(desk, MAP, replace(LINE, line="Roof 2"))
