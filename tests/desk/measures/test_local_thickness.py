"""Local thickness asked for by name."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.desk.measures.grain_projects import MAP, scheme_of, write_project
from viewer.desk.desk import Desk
from viewer.desk.measures import run
from viewer.desk.measures.keep import add_to_ledger, plain
from viewer.errors import InputError
from viewer.plates.chart import Chart, Strip
from viewer.store.documents import MapSetup, Unit
from viewer.store.requests import LocalThicknessRequest

PIXEL = (20.0, 30.0)
SHAPE = (150, 260)


def _layers() -> dict[str, np.ndarray]:
    """A seam of 20 rows over the whole width, and a plate that stands upright."""
    cr = np.full(SHAPE, 10, np.uint16)
    cr[40:60] = 200
    cr[80:140, 100:118] = 200
    fe = np.full(SHAPE, 50, np.uint16)
    return {"Cr": cr, "Fe": fe}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    path = write_project(tmp_path / "seam.maps.h5", _layers(), PIXEL)
    with Desk.open(path, inline=True) as opened:
        scheme = scheme_of(
            {"Chromite": ("Cr", 100, 1000), "Rest": ("Cr", 0, 99), "Absent": ("Fe", 900, 999)}
        )
        opened.sorting.set_scheme("Sort", MAP, scheme)
        opened.sorting.sort_now(MAP)
        yield opened


def rectangle(top: float, bottom: float) -> tuple[tuple[float, float], ...]:
    right = SHAPE[1] * PIXEL[0]
    return ((0.0, top), (right, top), (right, bottom), (0.0, bottom))


def test_seam_in_its_unit(desk: Desk) -> None:
    unit = Unit(id="u", map=MAP, name="Seam", polygons=(rectangle(0.0, 2100.0),))
    desk.sorting.set_units("Draw", MAP, [unit])
    result = run(desk, MAP, LocalThicknessRequest(phase="chromite", unit="seam"))
    first = result.findings[0]
    assert first.unit == "µm"
    assert first.value == pytest.approx(600.0, abs=12.0)
    assert "map's edge" in first.excluded
    assert result.subject == "Chromite · Seam"
    plate = run(desk, MAP, LocalThicknessRequest(phase="Chromite", view_um=(0, 2100, 5200, 4500)))
    assert plate.findings[0].value == pytest.approx(360.0, abs=12.0)


def test_what_is_laid_out(desk: Desk) -> None:
    result = run(desk, MAP, LocalThicknessRequest(phase="Chromite"))
    assert [f.name for f in result.findings] == ["mean local thickness", "median local thickness"]
    chart, picture = result.figures
    assert isinstance(chart, Chart)
    assert isinstance(picture, Strip)
    table = next(t for t in result.tables if t.name == "distribution")
    assert sum(float(r[2]) for r in table.rows) == pytest.approx(100.0)  # type: ignore[arg-type]
    # Row 0 of the picture is the lowest: the plate stands there, the seam above.
    lower, upper = np.array_split(picture.pixels, 2)
    assert np.nanmax(upper) > np.nanmax(lower)
    assert picture.y.high == pytest.approx(SHAPE[0] * PIXEL[1] / 1000 - 40 * PIXEL[1] / 1000)
    assert plain(result)["findings"][0]["unit"] == "µm"
    rows = add_to_ledger(desk, result)
    assert desk.state.ledger.rows == rows
    assert any("Pixels" in r for r in result.remarks)


def test_errors(desk: Desk) -> None:
    with pytest.raises(InputError, match="no phase"):
        run(desk, MAP, LocalThicknessRequest(phase="Garnet"))
    with pytest.raises(InputError, match="No pixel"):
        run(desk, MAP, LocalThicknessRequest(phase="Absent"))
    with pytest.raises(InputError, match="No pixel"):
        run(desk, MAP, LocalThicknessRequest(phase="Chromite", view_um=(0, 0, 500, 500)))
    with pytest.raises(InputError, match="no unit"):
        run(desk, MAP, LocalThicknessRequest(phase="Chromite", unit="Dyke"))


def test_beyond_the_outline_nobody_knows(desk: Desk) -> None:
    desk.set_setup("Outline", MAP, MapSetup(outline=(rectangle(0.0, 1500.0),)))
    desk.sorting.sort_now(MAP)
    # The seam's lower half lies outside: what is left reaches the outline everywhere.
    with pytest.raises(InputError, match="far enough"):
        run(desk, MAP, LocalThicknessRequest(phase="Chromite"))


def test_unsorted_maps_are_refused(tmp_path: Path) -> None:
    path = write_project(tmp_path / "raw.maps.h5", _layers(), PIXEL)
    with (
        Desk.open(path, inline=True) as opened,
        pytest.raises(InputError, match="not been sorted"),
    ):
        run(opened, MAP, LocalThicknessRequest(phase="Chromite"))
