"""Modes on the desk: the region meant, the ledger, tables, the modal log."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.desk.conftest import MAP, PIXEL, ROCK, SHAPE, TRIANGLE, inside
from viewer.desk import modes as desk_modes
from viewer.desk.desk import Desk
from viewer.desk.measuring import shown
from viewer.desk.modes import (
    add_to_ledger,
    log_of,
    modes_of,
    name_of,
    plain,
    view_um,
    write_log,
    write_modes,
)
from viewer.desk.where import Where
from viewer.errors import InputError
from viewer.plates.tables import read_table
from viewer.science.look.orient import Orientation
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.documents import Key, KeyEntry, MapSetup, Unit

IRON = ROCK["Fe"].astype(float) >= 600
LIGHT = (ROCK["Al"] < 25) & ~IRON


@pytest.fixture
def sorted_desk(desk: Desk) -> Desk:
    """The rock sorted into «Iron» and «Light»; the rest is unsorted."""
    scheme = Scheme(
        populations=(
            Population(id="i", name="I", gate=Range(layer="Fe", low=600.0)),
            Population(id="l", name="L", gate=Range(layer="Al", high=24.0)),
        ),
        phases=(
            Phase(id="a", name="Iron", rules=((Term(population="i"),),)),
            Phase(id="b", name="Light", rules=((Term(population="l"),),)),
        ),
    )
    desk.sorting.set_scheme("Sort", MAP, scheme)
    desk.sorting.sort_now(MAP)
    return desk


def percent(part: np.ndarray, whole: np.ndarray) -> float:
    return 100.0 * np.count_nonzero(part & whole) / np.count_nonzero((IRON | LIGHT) & whole)


def test_map_view_unit_and_region(sorted_desk: Desk) -> None:
    desk = sorted_desk
    triangle = inside(TRIANGLE)
    view = np.zeros(SHAPE, bool)
    view[10:550, 20:90] = True
    desk.sorting.set_units("Draw", MAP, [Unit(id="u", map=MAP, name="Seam", polygons=(TRIANGLE,))])
    for where, whole, name in (
        (Where.map(), np.ones(SHAPE, bool), "whole sample"),
        (Where.view(slice(10, 550), slice(20, 90)), view, "view 0.4 to 1.8 mm across"),
        (Where.unit("u"), triangle, "Seam"),
        (Where.region((TRIANGLE,)), triangle, "drawn region"),
    ):
        found = modes_of(desk, MAP, where)
        assert found.mode("Iron").area == pytest.approx(percent(IRON, whole))
        assert found.mode("Light").area == pytest.approx(percent(LIGHT, whole))
        assert found.unsorted == np.count_nonzero(whole & ~IRON & ~LIGHT)
        assert name_of(desk, MAP, where).startswith(name)


def test_a_view_in_um(sorted_desk: Desk) -> None:
    px, py = PIXEL
    where = view_um(sorted_desk, MAP, (90 * px, 10 * py, 20 * px, 550 * py))
    assert where == Where.view(slice(10, 550), slice(20, 90))
    with pytest.raises(InputError, match="holds no pixel"):
        view_um(sorted_desk, MAP, (-100.0, 0.0, -50.0, 100.0))


def test_outside_the_outline_nothing_counts(sorted_desk: Desk) -> None:
    desk = sorted_desk
    desk.set_setup("Outline", MAP, MapSetup(outline=(TRIANGLE,)))
    desk.sorting.sort_now(MAP)
    found = modes_of(desk, MAP)
    assert found.mode("Iron").area == pytest.approx(percent(IRON, inside(TRIANGLE)))
    assert found.outside == np.count_nonzero(~inside(TRIANGLE))


def test_ledger_in_one_step(sorted_desk: Desk) -> None:
    desk = sorted_desk
    found = modes_of(desk, MAP)
    rows = add_to_ledger(desk, MAP, Where.map(), found)
    assert [r.label for r in rows] == ["Iron · whole sample", "Light · whole sample"]
    assert desk.state.ledger.rows == rows
    row, mode = rows[0], found.mode("Iron")
    assert (row.value, row.low, row.high, row.unit) == (mode.area, mode.low, mode.high, "area %")
    assert mode.n_eff is not None
    assert row.n == round(mode.n_eff)
    assert "unsorted pixels" in row.excluded
    assert row.detail["edge_low_percent"] == mode.edge_low
    assert shown(row).unit == "area %"
    assert shown(row).value.startswith(f"{mode.area:.3g}"[:2])
    desk.undo()
    assert desk.state.ledger.rows == ()
    only = add_to_ledger(desk, MAP, Where.map(), found, ["Light"])
    assert [r.label for r in only] == ["Light · whole sample"]
    with pytest.raises(InputError, match="no phase"):
        add_to_ledger(desk, MAP, Where.map(), found, ["Dark"])


def test_weights_follow_the_key(sorted_desk: Desk) -> None:
    desk = sorted_desk
    assert modes_of(desk, MAP).mode("Iron").weight is None
    entries = (
        KeyEntry(name="Iron", colour="#aa0000", density=5.0),
        KeyEntry(name="Light", colour="#00aa00", density=2.5),
    )
    desk.sorting.set_key("Densities", Key(entries=entries))
    found = modes_of(desk, MAP)
    iron, light = found.mode("Iron"), found.mode("Light")
    assert iron.weight == pytest.approx(100 * iron.area * 2 / (iron.area * 2 + light.area))


def test_tables(sorted_desk: Desk, tmp_path: Path) -> None:
    desk = sorted_desk
    found = modes_of(desk, MAP)
    header, rows = read_table(write_modes(tmp_path / "m.csv", [("Slab", "all", found)]))
    assert len(rows) == 2
    cells = dict(zip(header, rows[0], strict=True))
    assert (cells["map"], cells["region"], cells["phase"]) == ("Slab", "all", "Iron")
    assert float(cells["area_percent"]) == found.mode("Iron").area
    assert float(cells["n_eff"]) == found.mode("Iron").n_eff
    assert cells["weight_percent"] == ""
    document = json.loads(json.dumps(plain(found), allow_nan=False))
    assert document["modes"][1]["phase"] == "Light"
    assert document["modes"][1]["total_high"] == found.mode("Light").total_high
    assert "volume" in document["caution"]


def test_modal_log(sorted_desk: Desk, tmp_path: Path) -> None:
    desk = sorted_desk
    with pytest.raises(InputError, match="which way is up"):
        log_of(desk, MAP, 2000.0)
    desk.set_setup("Up", MAP, MapSetup(orientation=Orientation(way_up_deg=0.0)))
    log = log_of(desk, MAP, 2001.0)
    assert len(log.bands) == 9
    bottom = np.zeros(SHAPE, bool)
    bottom[-66:] = True  # the centre of the 67th row from below lies at 1995 µm: inside too
    bottom[-67:] = True
    assert log.bands[0].modes is not None
    assert log.bands[0].modes.mode("Iron").area == pytest.approx(percent(IRON, bottom))
    header, rows = read_table(write_log(tmp_path / "log.csv", log))
    assert len(rows) == 18
    cells = dict(zip(header, rows[0], strict=True))
    assert (cells["bottom_um"], cells["top_um"], cells["phase"]) == ("0.0", "2001.0", "Iron")
    json.dumps(plain(log), allow_nan=False)


def test_a_log_of_a_view_keeps_its_origin_on_the_map(sorted_desk: Desk) -> None:
    desk = sorted_desk
    desk.set_setup("Up", MAP, MapSetup(orientation=Orientation(way_up_deg=0.0)))
    where = Where.view(slice(100, 300), slice(0, 130))
    log = log_of(desk, MAP, 1001.0, where, origin=(0.0, 12000.0))
    # The view's lower side lies 9000 µm down: 3000 above the origin.
    assert log.bands[0].bottom_um == pytest.approx(2002.0)
    assert log.origin_um == pytest.approx(-12000.0)
    counted = sum(b.modes.counted for b in log.bands if b.modes)
    assert counted == modes_of(desk, MAP, where).counted


def test_an_unsorted_map_says_so(desk: Desk) -> None:
    with pytest.raises(InputError, match="not been sorted"):
        modes_of(desk, MAP)
    with pytest.raises(InputError, match="not been sorted"):
        desk_modes.log_of(desk, MAP, 500.0)
