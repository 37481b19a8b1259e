"""Traverses on the desk: what is counted, aligned, found, written, and refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.desk.conftest import MAP, PIXEL, ROCK, SHAPE, TRIANGLE, inside
from viewer.desk.desk import Desk
from viewer.desk.measures import run
from viewer.desk.measures.files import write_result
from viewer.desk.measures.keep import add_to_ledger, plain
from viewer.desk.measures.result import Result
from viewer.errors import CancelledError, InputError
from viewer.plates.chart import Chart
from viewer.plates.tables import read_table
from viewer.science.look.orient import Orientation
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.documents import Line, Lines, MapSetup, Setups, Unit
from viewer.store.requests import TraverseRequest

DOWN = ((1300.0, 600.0), (1300.0, 17400.0))
IRON = ROCK["Fe"].astype(float) >= 600
LIGHT = (ROCK["Al"] < 25) & ~IRON


def line(name: str, points: tuple[tuple[float, float], ...], **fields: object) -> Line:
    kind = fields.pop("kind", "traverse")
    return Line(
        id=name.lower().replace(" ", "-"), map=MAP, name=name, kind=kind, points=points, **fields
    )


LINES = (
    line("Down", DOWN, width_um=800.0),
    line("Up", ((700.0, 17400.0), (700.0, 600.0)), width_um=800.0),
    line("Beside", ((1900.0, 700.0), (1900.0, 17000.0)), width_um=800.0),
    line("Thin", DOWN),
    line("Off", ((-90_000.0, 100.0), (-80_000.0, 100.0)), width_um=500.0),
    line("Over the edge", ((1300.0, 9000.0), (1300.0, 30_000.0)), width_um=800.0),
    line("Base", ((0.0, 9000.0), (2600.0, 9000.0)), kind="contact"),
)


@pytest.fixture
def drawn(desk: Desk) -> Desk:
    """Lines, and the rock sorted into «Iron» and «Light»."""
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
    desk.apply("Draw", lines=Lines(lines=LINES))
    desk.sorting.sort_now(MAP)
    return desk


def ask(desk: Desk, *names: str, **fields: object) -> Result:
    return run(desk, MAP, TraverseRequest(lines=names, **fields))


def column(result: Result, name: str, table: int = 0) -> np.ndarray:
    found = result.tables[table]
    place = list(found.header).index(name)
    return np.array([np.nan if r[place] is None else r[place] for r in found.rows], float)


def strip_of(steps: int, step_um: float) -> list[np.ndarray]:
    """Pixels of each step of «Down», by their centres alone."""
    rows, cols = np.indices(SHAPE)
    x, y = (cols + 0.5) * PIXEL[0], (rows + 0.5) * PIXEL[1] - 600.0
    wide = np.abs(x - 1300.0) <= 400.0
    return [wide & (y >= i * step_um) & (y < (i + 1) * step_um) for i in range(steps)]


def test_means_medians_and_shares_are_those_of_the_pixels(drawn: Desk) -> None:
    found = ask(drawn, "Down", layers=("Fe",), phases=("Iron",), step_um=600.0)
    for i, pixels in enumerate(strip_of(28, 600.0)):
        fe = ROCK["Fe"][pixels].astype(float)
        assert column(found, "Fe_mean_counts")[i] == pytest.approx(fe.mean())
        assert column(found, "Fe_median_counts")[i] == pytest.approx(np.median(fe))
        assert column(found, "Fe_pixels")[i] == fe.size
        # Most pixels are in no phase: some steps have so few that they tell nothing.
        share = 100.0 * IRON[pixels].sum() / (IRON | LIGHT)[pixels].sum()
        assert column(found, "Iron_mean_area_percent")[i] == pytest.approx(share) or (
            np.isnan(column(found, "Iron_mean_area_percent")[i])
        )
    assert np.isfinite(column(found, "Iron_mean_area_percent")).sum() > 20
    assert column(found, "distance_um")[0] == 300.0
    assert "pixels unsorted" in found.findings[2].excluded


def test_the_first_finding_is_the_answer(drawn: Desk) -> None:
    change = ask(drawn, "Down", layers=("Fe",))
    assert [f.name for f in change.findings] == ["change of Fe from end to end", "mean of Fe"]
    detail = change.findings[0].detail
    assert change.findings[0].value == pytest.approx(
        detail["slope_per_mm"] * detail["length_um"] / 1000.0
    )
    assert 0.0 <= detail["mann_kendall_p"] <= 1.0
    assert change.findings[0].low < change.findings[0].value < change.findings[0].high
    small = ask(drawn, "Down", layers=("Fe",), bound=1e-6)
    assert small.findings[0].name.startswith("cannot rule out a change of Fe")
    large = ask(drawn, "Down", layers=("Fe",), bound=1e6)
    assert large.findings[0].name == "no change of Fe by 1e+06 counts or more"
    assert large.findings[0].detail["equivalence_p"] < 0.01
    assert "chosen" in change.method


def test_a_contact_gives_distances_and_a_step(drawn: Desk) -> None:
    found = ask(drawn, "Down", layers=("Fe",), contact="Base", step_um=600.0)
    at = column(found, "distance_um")
    assert at[0] == -8400.0 + 300.0
    step = found.findings[0]
    assert step.name == "step of Fe at Base"
    means = column(found, "Fe_mean_counts")
    assert step.value == pytest.approx(means[at > 0].mean() - means[at < 0].mean())
    chart = found.figures[0]
    assert isinstance(chart, Chart)
    assert chart.x.words == "distance from Base (mm)"
    assert chart.rules[0].at == 0.0


def test_distances_grow_upwards_where_way_up_is_known(drawn: Desk) -> None:
    down = ask(drawn, "Down", layers=("Fe",), contact="Base", step_um=600.0)
    setups = dict(drawn.state.setup.maps)
    setups[MAP] = MapSetup(orientation=Orientation(way_up_deg=0.0))
    drawn.apply("Way-up", setup=Setups(maps=setups))
    up = ask(drawn, "Down", layers=("Fe",), contact="Base", step_um=600.0)
    assert up.findings[0].value == pytest.approx(-down.findings[0].value)
    assert any("turned round" in r for r in up.remarks)
    assert "grow upwards" in up.method
    assert "way-up is not set" in down.method
    assert not down.remarks or not any("turned round" in r for r in down.remarks)


def test_several_traverses_are_aligned_and_averaged(drawn: Desk) -> None:
    found = ask(drawn, "Down", "Up", "Beside", layers=("Fe",), contact="Base", step_um=600.0)
    each = found.tables[1]
    assert {r[0] for r in each.rows} == {"Down", "Up", "Beside"}
    at, mean = column(found, "distance_um"), column(found, "Fe_mean_counts")
    here = [r[4] for r in each.rows if r[3] == at[10]]
    assert len(here) == 3
    assert mean[10] == pytest.approx(np.mean(here))
    assert column(found, "Fe_traverses")[10] == 3
    # «Up» was drawn the other way.
    assert any("Up" in r for r in found.remarks)
    # Without a contact they begin together.
    plainly = ask(drawn, "Down", "Beside", layers=("Fe",), step_um=600.0)
    assert column(plainly, "distance_um")[0] == 300.0
    assert "beginnings" in plainly.method


def test_a_unit_limits_and_what_is_left_out_is_counted(drawn: Desk) -> None:
    drawn.sorting.set_units("Draw", MAP, [Unit(id="u", map=MAP, name="Seam", polygons=(TRIANGLE,))])
    found = ask(drawn, "Down", layers=("Fe", "Cr"), unit="Seam", step_um=600.0)
    triangle = inside(TRIANGLE)
    for i, pixels in enumerate(strip_of(28, 600.0)):
        assert column(found, "Fe_pixels")[i] == np.count_nonzero(pixels & triangle)
    assert found.subject == "Fe, Cr along Down · Seam"
    assert "outside the sample's outline or the region" in found.findings[0].excluded
    assert "with too few pixels" in found.findings[0].excluded
    # Pixels without a number lie in the strip of «Cr» only.
    whole = ask(drawn, "Up", layers=("Cr",))
    assert "without a number" in whole.findings[0].excluded


def test_one_mineral_alone(drawn: Desk) -> None:
    found = ask(drawn, "Down", layers=("Mg",), phases=("Light",), only_in="Iron", step_um=600.0)
    for i, pixels in enumerate(strip_of(28, 600.0)):
        iron = pixels & IRON
        assert column(found, "Mg in Iron_pixels")[i] == np.count_nonzero(iron)
        mean = column(found, "Mg in Iron_mean_counts")[i]
        if np.isfinite(mean):
            assert mean == pytest.approx(ROCK["Mg"][iron].mean())
    assert "of other phases or of none" in found.findings[0].excluded
    # Shares are of all pixels that were sorted.
    assert "unsorted" in found.findings[2].excluded
    with pytest.raises(InputError, match="Gold"):
        ask(drawn, "Down", layers=("Mg",), only_in="Gold")


def test_partly_off_the_map(drawn: Desk) -> None:
    found = ask(drawn, "Over the edge", layers=("Fe",))
    assert "off the map" in found.findings[0].excluded
    assert found.findings[0].value is not None


def test_logarithms_are_told_as_factors(drawn: Desk) -> None:
    found = ask(drawn, "Down", layers=("Fe",), log=True, bound=1000.0)
    assert found.findings[0].unit == "×"
    assert found.findings[0].name == "no change of Fe by a factor of 1000 or more"
    assert found.findings[1].low > 0.0
    values = ROCK["Fe"][np.any(strip_of(28, 600.0), axis=0)].astype(float)
    assert found.findings[2].name == "geometric mean of Fe"
    assert found.findings[2].value == pytest.approx(10 ** np.log10(values).mean(), rel=0.02)
    assert found.figures[0].y.log
    with pytest.raises(InputError, match="factor"):
        ask(drawn, "Down", layers=("Fe",), log=True, bound=0.5)
    with pytest.raises(InputError, match="logarithms"):
        ask(drawn, "Down", phases=("Iron",), log=True)


def test_a_short_line_has_a_profile_but_no_trend(drawn: Desk) -> None:
    found = ask(drawn, "Down", layers=("Fe",), step_um=6000.0, bound=5.0, contact="Base")
    assert [f.value for f in found.findings] == [None] * 4
    assert len(found.tables[0].rows) == 4
    assert "too few" in found.findings[1].uncertainty or "fewer" in found.findings[1].uncertainty


def test_ledger_json_and_tables(drawn: Desk, tmp_path: Path) -> None:
    found = ask(drawn, "Down", layers=("Fe",), phases=("Iron", "Light"), bound=50.0)
    rows = add_to_ledger(drawn, found)
    assert len(rows) == len(found.findings) == 9
    assert rows[0].request == found.request
    assert json.loads(json.dumps(plain(found)))["kind"] == "traverse"
    _, path = write_result(tmp_path, found, ())
    header = read_table(path)[0]
    assert header[:2] == ["distance_um", "Fe_mean_counts"]
    assert [f.name for f in found.figures] == ["traverse-fe", "traverse-phases"]
    assert found.figures[1].curves[0].colour is not None
    assert len(found.overlay.shapes) == 2
    assert found.overlay.shapes[1].closed


@pytest.mark.parametrize(
    ("names", "fields", "words"),
    [
        (("Down",), {}, "Nothing is to be followed"),
        ((), {"layers": ("Fe",)}, "No traverse"),
        (("Down",), {"layers": ("Fe", "fe")}, "twice"),
        (("Down",), {"layers": ("Unobtainium",)}, "Unobtainium"),
        (("Down",), {"phases": ("Gold",)}, "Gold"),
        (("Across",), {"layers": ("Fe",)}, "no traverse «Across»"),
        (("Base",), {"layers": ("Fe",)}, "no traverse «Base»"),
        (("Thin",), {"layers": ("Fe",)}, "no width"),
        (("Off",), {"layers": ("Fe",)}, "off the map"),
        (("Down",), {"layers": ("Fe",), "step_um": 5.0}, "shorter than a pixel"),
        (("Down",), {"layers": ("Fe",), "contact": "Top"}, "no contact «Top»"),
        (("Down",), {"layers": ("Fe",), "unit": "Seam"}, "Seam"),
        (("Down",), {"layers": ("Fe",), "view_um": (0.0, 0.0, 100.0, 100.0)}, "No pixel"),
    ],
)
def test_bad_input(drawn: Desk, names: tuple[str, ...], fields: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        ask(drawn, *names, **fields)


def test_a_traverse_that_stops_before_the_contact(drawn: Desk) -> None:
    short = line("Short", ((1300.0, 600.0), (1300.0, 5000.0)), width_um=500.0)
    drawn.apply("Draw", lines=Lines(lines=(*LINES, short)))
    with pytest.raises(InputError, match="does not cross"):
        ask(drawn, "Short", layers=("Fe",), contact="Base")


def test_phases_need_a_sorted_map(desk: Desk) -> None:
    desk.apply("Draw", lines=Lines(lines=LINES))
    with pytest.raises(InputError, match="not been sorted"):
        ask(desk, "Down", phases=("Iron",))


def test_it_can_be_cancelled(drawn: Desk) -> None:
    seen = []

    def stop(done: float, doing: str = "") -> None:
        seen.append(done)
        if done > 0.5:
            raise CancelledError("stopped")

    with pytest.raises(CancelledError):
        run(drawn, MAP, TraverseRequest(lines=("Down",), layers=("Fe", "Al")), stop)
    assert seen == sorted(seen)
