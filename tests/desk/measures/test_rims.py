"""Rims on the desk: from a sorted map to findings, tables, figures and what is drawn."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.science.measure.rim_phantoms import Habit, Law, rock
from viewer.desk.desk import Desk
from viewer.desk.measures import run
from viewer.desk.measures.files import write_result
from viewer.desk.measures.keep import add_to_ledger, plain
from viewer.desk.measures.result import Result
from viewer.errors import CancelledError, InputError
from viewer.plates.chart import Chart, Rose
from viewer.plates.tables import read_table
from viewer.science.look.orient import Orientation
from viewer.science.progress import silent
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.documents import MapSetup, Unit
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map
from viewer.store.requests import RimsRequest

MAP = "m"
PIXEL = (20.0, 26.0)
HOSTS = 14
MADE = rock(3, HOSTS, Law(mean=90.0, swing=30.0, scatter=8.0), Habit(long=240, short=120), PIXEL)
SHAPE = MADE.host.shape
REQUEST = RimsRequest(host="Core", rim="Coat")


@pytest.fixture(scope="module")
def made_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("rims") / "rims.maps.h5"
    counts = np.where(MADE.host, 90, np.where(MADE.rim, 50, 10)).astype(np.uint16)
    with new_project(path) as file:
        group = write_map(file, MapInfo(id=MAP, name="Slab", shape=SHAPE, pixel_um=PIXEL))
        write_layer(
            group["channels"],
            LayerInfo(id="Ca", name="Ca", kind="channel", element="Ca", content="Ca"),
            SHAPE, counts.dtype, lambda a, b: counts[a:b], silent,
        )  # fmt: skip
    return path


@pytest.fixture
def desk(made_file: Path, tmp_path: Path) -> Iterator[Desk]:
    path = Path(shutil.copy(made_file, tmp_path / "rims.maps.h5"))
    with Desk.open(path, inline=True) as opened:
        yield opened


def sort(desk: Desk) -> None:
    ranges = {"Core": (70.0, None), "Coat": (30.0, 70.0), "Ground": (None, 30.0)}
    desk.sorting.set_scheme(
        "Sort",
        MAP,
        Scheme(
            populations=tuple(
                Population(id=n, name=n, gate=Range(layer="Ca", low=low, high=high))
                for n, (low, high) in ranges.items()
            ),
            phases=tuple(Phase(id=n, name=n, rules=((Term(population=n),),)) for n in ranges),
        ),
    )
    desk.sorting.sort_now(MAP)


@pytest.fixture
def ready(desk: Desk) -> Desk:
    desk.set_setup("Up", MAP, MapSetup(orientation=Orientation(way_up_deg=0.0)))
    sort(desk)
    return desk


def value(result: Result, name: str) -> float:
    found = next(f for f in result.findings if f.name == name)
    assert found.value is not None
    assert found.low is not None
    assert found.high is not None
    assert found.low <= found.value <= found.high
    return found.value


def test_findings(ready: Desk) -> None:
    result = run(ready, MAP, REQUEST)
    assert result.subject == "Coat on Core · whole map"
    assert result.findings[0].name == "up minus down"
    assert value(result, "up minus down") == pytest.approx(57.0, abs=4.0)
    assert value(result, "first harmonic") == pytest.approx(30.0, abs=2.5)
    assert value(result, "direction of the thickest rim") == pytest.approx(0.0, abs=8.0)
    assert value(result, "rim thickness, up side") == pytest.approx(117.0, abs=6.0)
    assert value(result, "rim thickness, down side") == pytest.approx(61.0, abs=6.0)
    assert result.findings[0].n == HOSTS
    assert result.findings[0].detail["wilcoxon_p"] == pytest.approx(2.0 / 2**HOSTS)
    assert "15,600 µm²" in result.method
    assert "0 hosts cut" in result.findings[0].excluded


def test_numbers_go_to_ledger_tables_and_json(ready: Desk, tmp_path: Path) -> None:
    result = run(ready, MAP, REQUEST)
    rows = add_to_ledger(ready, result)
    assert len(rows) == len(result.findings)
    assert rows[0].request == REQUEST
    json.dumps(plain(result), allow_nan=False)
    grains, directions = (read_table(p) for p in write_result(tmp_path, result, ())[1:])
    header, table = grains
    assert len(table) == HOSTS
    cells = dict(zip(header, table[0], strict=True))
    assert float(cells["up_um"]) - float(cells["down_um"]) == pytest.approx(
        float(cells["up_minus_down_um"])
    )
    assert float(cells["measured_percent"]) == pytest.approx(100.0)
    header, table = directions
    assert len(table) == 24
    assert dict(zip(header, table[0], strict=True))["hosts"] == str(HOSTS)


def test_figures_and_overlay(ready: Desk) -> None:
    result = run(ready, MAP, REQUEST)
    rose, *charts = result.figures
    assert isinstance(rose, Rose)
    assert len(rose.values) == 24
    assert rose.arrow_deg == pytest.approx(0.0, abs=8.0)
    assert rose.fit is not None
    assert all(isinstance(c, Chart) for c in charts)
    assert len({f.name for f in result.figures}) == len(result.figures)
    histogram = charts[0]
    assert isinstance(histogram, Chart)
    assert histogram.bars[0].heights.sum() == HOSTS
    overlay = result.overlay
    assert overlay is not None
    assert overlay.diverging
    assert overlay.low == -overlay.high
    assert len(overlay.shapes) == HOSTS
    # The outlines enclose the hosts' own area.
    area = sum(_area(s.points) for s in overlay.shapes)
    assert area == pytest.approx(MADE.host.sum() * PIXEL[0] * PIXEL[1], rel=0.02)
    assert all("up minus down" in s.words for s in overlay.shapes)
    middle = np.mean(overlay.shapes[0].points, axis=0)
    assert MADE.host[int(middle[1] // PIXEL[1]), int(middle[0] // PIXEL[0])]


def _area(points: np.ndarray) -> float:
    x, y = points.T
    return 0.5 * abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))))


def test_a_unit_cuts_hosts_and_its_places_are_those_of_the_map(ready: Desk) -> None:
    width, height = SHAPE[1] * PIXEL[0], SHAPE[0] * PIXEL[1]
    left, right = 2.5 * width / HOSTS, 6.5 * width / HOSTS
    box = ((left, 0.0), (right, 0.0), (right, height), (left, height))
    ready.sorting.set_units("Draw", MAP, [Unit(id="u", map=MAP, name="Seam", polygons=(box,))])
    result = run(ready, MAP, RimsRequest(host="Core", rim="Coat", unit="Seam"))
    assert result.subject == "Coat on Core · Seam"
    assert "2 hosts cut by the edge" in result.findings[0].excluded
    grains = result.tables[0]
    x = [row[grains.header.index("x_um")] for row in grains.rows]
    assert len(x) == 3
    assert all(left < v < right for v in x)  # type: ignore[operator]
    # Whole ones first measured alone on the whole map: the same hosts, the same numbers.
    whole = run(ready, MAP, REQUEST).tables[0]
    column = grains.header.index("mean_um")
    there = {round(r[1]): r[column] for r in whole.rows}  # type: ignore[arg-type]
    for row in grains.rows:
        assert there[round(row[1])] == pytest.approx(row[column])  # type: ignore[arg-type]
    assert result.findings[0].low is None
    assert any("needed" in r for r in result.remarks)
    assert result.overlay is not None
    assert sum(s.role == "caution" for s in result.overlay.shapes) == 2
    window = run(ready, MAP, RimsRequest(host="Core", rim="Coat", view_um=(left, 0.0, right, height)))
    assert window.findings[3].value == pytest.approx(result.findings[3].value)


def test_a_map_shown_mirrored_and_turned_gives_the_same(ready: Desk) -> None:
    before = run(ready, MAP, REQUEST)
    setup = ready.setup(MAP)
    turned = setup.orientation.flipped().turned(1)
    ready.set_setup("Turn", MAP, MapSetup(orientation=turned))
    after = run(ready, MAP, REQUEST)
    # But for rays along the very edge of a class, which goes to the class clockwise of it.
    assert value(after, "up minus down") == pytest.approx(value(before, "up minus down"), rel=1e-3)
    # Mirroring exchanges clockwise and anticlockwise.
    assert value(after, "direction of the thickest rim") == pytest.approx(
        -value(before, "direction of the thickest rim")
    )


def test_way_up_is_asked_for(desk: Desk) -> None:
    sort(desk)
    with pytest.raises(InputError, match="which way is up"):
        run(desk, MAP, REQUEST)


def test_what_is_not_there_says_so(ready: Desk) -> None:
    with pytest.raises(InputError, match="no phase «Shell»"):
        run(ready, MAP, RimsRequest(host="Core", rim="Shell"))
    with pytest.raises(InputError, match="same phase"):
        run(ready, MAP, RimsRequest(host="Core", rim="Core"))
    with pytest.raises(InputError, match="into a circle"):
        run(ready, MAP, RimsRequest(host="Core", rim="Coat", class_deg=16.0))
    with pytest.raises(InputError, match="as large as"):
        run(ready, MAP, RimsRequest(host="Core", rim="Coat", smallest_um2=1e9))
    ready.sorting.set_units(
        "Draw",
        MAP,
        [Unit(id="o", map=MAP, name="Off", polygons=(((-9e3, 0.0), (-8e3, 0.0), (-8e3, 9.0)),))],
    )
    with pytest.raises(InputError, match="host phase"):
        run(ready, MAP, RimsRequest(host="Core", rim="Coat", unit="Off"))


def test_an_unsorted_map_says_so(desk: Desk) -> None:
    desk.set_setup("Up", MAP, MapSetup(orientation=Orientation(way_up_deg=0.0)))
    with pytest.raises(InputError, match="not been sorted"):
        run(desk, MAP, REQUEST)


def test_open_directions_as_no_thickness(ready: Desk) -> None:
    result = run(ready, MAP, RimsRequest(host="Core", rim="Coat", open_as_zero=True))
    assert "count as no thickness" in result.method
    assert "% of the outline open" not in result.findings[0].excluded


def test_thin_sides_are_told_of_in_runs(ready: Desk) -> None:
    from viewer.desk.measures.rims import _runs

    told = np.array([True, False, True, True, True, False, True])
    assert _runs(np.arange(7) * 15.0, told) == "0°, 30° to 60°, 90°"
    assert not any("hardly thicker" in r for r in run(ready, MAP, REQUEST).remarks)


def test_it_can_be_cancelled(ready: Desk) -> None:
    def stop(done: float, doing: str = "") -> None:
        if done > 0.5:
            raise CancelledError("stopped")

    with pytest.raises(CancelledError):
        run(ready, MAP, REQUEST, stop)
