"""Zoning asked for by name."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.desk.measures.grain_projects import MAP, scheme_of, write_project
from viewer.desk.desk import Desk
from viewer.desk.measures import run
from viewer.desk.measures.keep import plain
from viewer.errors import CancelledError, InputError
from viewer.plates.chart import Chart
from viewer.store.documents import Unit
from viewer.store.requests import ZoningRequest

PIXEL = (20.0, 30.0)
SHAPE = (240, 360)
PITCH = 1200.0


def _layers() -> dict[str, np.ndarray]:
    """Round grains of 400 µm with a core of 300 µm; Ca falls by 40 counts from core to edge."""
    rng = np.random.default_rng(1)
    y, x = np.indices(SHAPE)
    x, y = (x + 0.5) * PIXEL[0], (y + 0.5) * PIXEL[1]
    far = np.hypot(x % PITCH - PITCH / 2, y % PITCH - PITCH / 2)
    al = np.where(far <= 300.0, 100, np.where(far <= 400.0, 150, 10)).astype(np.uint16)
    ca = np.where(far <= 400.0, 140.0 - 0.1 * far, 20.0) + rng.normal(0.0, 2.0, SHAPE)
    ca[:, 200] = np.nan
    fe = np.full(SHAPE, 65535, np.uint16)
    return {"Al": al, "Ca": ca.astype(np.float32), "Fe": fe}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    path = write_project(tmp_path / "grains.maps.h5", _layers(), PIXEL)
    with Desk.open(path, inline=True) as opened:
        scheme = scheme_of({"Core": ("Al", 80, 120), "Rim": ("Al", 130, 200), "Rest": ("Al", 0, 50)})
        opened.sorting.set_scheme("Sort", MAP, scheme)
        opened.sorting.sort_now(MAP)
        yield opened


def test_all_grains_with_their_rims(desk: Desk) -> None:
    result = run(desk, MAP, ZoningRequest(phase="core", layer="Ca", with_rims=("rim",), bins=10))
    first = result.findings[0]
    assert first.name == "rim minus core"
    assert first.n == 36
    assert first.low is not None
    assert first.high is not None
    # The rim begins two pixels within the edge, at about 351 of 400 µm.
    assert first.value == pytest.approx(-0.1 * (0.9 - 0.13) * 351.0, abs=2.5)
    assert first.high < -15.0
    assert "pixels without a value" in first.excluded
    shares = {f.name: f.value for f in result.findings[1:]}
    assert shares["grains falling towards the rim"] == pytest.approx(100.0, abs=6.0)
    assert sum(v for v in shares.values() if v is not None) == pytest.approx(100.0)
    assert [t.name for t in result.tables] == ["profile", "grains", "grain-profiles"]
    assert all(len(r) == len(t.header) for t in result.tables for r in t.rows)
    profile = result.figures[0]
    assert isinstance(profile, Chart)
    assert profile.y.words == "Ca (counts)"
    assert plain(result)["tables"]["grains"]["rows"][0][7] == "falling"


def test_overlay_lies_on_the_grains(desk: Desk) -> None:
    view = (1200.0, 2400.0, 6000.0, 7200.0)
    result = run(desk, MAP, ZoningRequest(phase="Core", layer="Ca", with_rims=("Rim",), view_um=view))
    assert result.overlay is not None
    assert len(result.overlay.shapes) == 16
    for shape in result.overlay.shapes:
        x, y = shape.points.mean(axis=0)
        assert np.hypot(x % PITCH - PITCH / 2, y % PITCH - PITCH / 2) < 40.0
        assert shape.value is not None
        assert shape.value < 0
        assert "falling" in shape.words
    # The table's places are those of the map too.
    table = next(t for t in result.tables if t.name == "grains")
    assert float(table.rows[0][1]) == pytest.approx(1800.0, abs=15.0)  # type: ignore[arg-type]


def test_one_grain(desk: Desk) -> None:
    request = ZoningRequest(phase="Core", layer="Ca", with_rims=("Rim",), at_um=(1800.0, 3000.0))
    result = run(desk, MAP, request)
    assert [f.name for f in result.findings] == ["rim minus core", "turns from core to rim"]
    first = result.findings[0]
    assert first.high is not None
    assert first.high < 0
    assert len(result.figures) == 1
    with pytest.raises(InputError, match="no grain"):
        run(desk, MAP, ZoningRequest(phase="Core", layer="Ca", at_um=(1200.0, 1200.0)))


def test_grains_cut_by_a_unit_are_counted(desk: Desk) -> None:
    box = ((0.0, 0.0), (1800.0, 0.0), (1800.0, 7200.0), (0.0, 7200.0))
    desk.sorting.set_units("Draw", MAP, [Unit(id="u", map=MAP, name="Left", polygons=(box,))])
    result = run(desk, MAP, ZoningRequest(phase="Core", layer="Ca", with_rims=("Rim",), unit="Left"))
    assert result.findings[0].n == 6
    assert "6 grains cut" in result.findings[0].excluded


def test_errors(desk: Desk) -> None:
    for request, words in (
        (ZoningRequest(phase="Garnet", layer="Ca"), "no phase"),
        (ZoningRequest(phase="Core", layer="Ca", with_rims=("Core",)), "own rim"),
        (ZoningRequest(phase="Core", layer="Fe"), "without values"),
        (ZoningRequest(phase="Core", layer="Ca", smallest_um2=1e9), "no grain|No grain"),
    ):
        with pytest.raises(InputError, match=words):
            run(desk, MAP, request)
    with pytest.raises(InputError):
        run(desk, MAP, ZoningRequest(phase="Core", layer="Xx"))


def test_it_can_be_stopped(desk: Desk) -> None:
    def stop(done: float, doing: str = "") -> None:
        if done > 0.5:
            raise CancelledError("stopped")

    with pytest.raises(CancelledError):
        run(desk, MAP, ZoningRequest(phase="Core", layer="Ca"), stop)
