"""Reference points read and measured, and layers in weight per cent that follow their line."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.desk.conftest import MAP, PIXEL, ROCK
from viewer.desk.calibrating import (
    _Sums,
    calibrated,
    calibration_of,
    make_layer,
    make_ratio,
    parse_points,
    read_at,
    read_phase,
    read_points,
    set_calibration,
    standards_of,
)
from viewer.desk.deriving import Follower
from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.science.progress import silent
from viewer.science.sort.calibration import Calibration, Standard
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.documents import MapSetup

LINE = Calibration(
    standards=(
        Standard(label="none", counts=20.0, percent=0.0, pixels=900),
        Standard(label="rich", counts=820.0, percent=40.0, pixels=900),
    )
)
RICHER = Calibration(
    standards=(
        Standard(label="none", counts=20.0, percent=0.0, pixels=900),
        Standard(label="rich", counts=820.0, percent=20.0, pixels=900),
    )
)


def pixels(desk: Desk, name: str) -> np.ndarray[Any, Any]:
    layer = desk.layer(MAP, name)
    return layer.values(slice(0, layer.shape[0]), slice(0, layer.shape[1]))


def test_a_table_of_points(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_bytes(
        "\ufefflabel;x_um;y_um;phase;Fe;Fe_error;Cl wt%\n"
        "one;100;200.5;;12.5;0.2;\n"
        ";;;; DROP;;;6.81\n".replace(";;;; DROP", ';;;"; DROP"').encode()
    )
    one, two = read_points(path)
    assert (one.label, one.at_um, one.percents) == ("one", (100.0, 200.5), {"Fe": (12.5, 0.2)})
    assert (two.label, two.phase, two.percents) == ("; DROP", "; DROP", {"Cl": (6.81, 0.0)})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("x_um,y_um,Fe\n", "no points"),
        ("x_um,y_um\n1,2\n", "weight per cent of an element"),
        ("x_um,y_um,Fe,Qq\n1,2,3,4\n", "«Qq»"),
        ("x_um,y_um,Fe,Fe\n1,2,3,4\n", "Two columns"),
        ("x_um,y_um,Fe\n1,,3\n", "line 2.*x and y"),
        ("x_um,y_um,phase,Fe\n1,2,spinel,3\n", "line 2.*one of them"),
        ("x_um,y_um,Fe\n1,2,nan\n", "line 2, column percent Fe.*not a number"),
        ('x_um,y_um,Fe\n1,2,"3,5"\n', "written with a point"),
        ("x_um,y_um,Fe\n1,2,300\n", "between 0 and 100"),
        ("x_um,y_um,Fe\n1,2,3,4\n", "4 cells"),
    ],
)
def test_tables_that_cannot_be_read(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        parse_points(text)


@pytest.mark.parametrize("end", ["\r", "\r\n", "\n"])
def test_lines_end_as_they_like_and_may_be_empty(end: str) -> None:
    text = end.join(("", " ; ", "x_um;y_um;Fe", "1;2;3", "", "4;5;6", ""))
    one, two = parse_points(text)
    assert (one.at_um, two.at_um) == ((1.0, 2.0), (4.0, 5.0))
    with pytest.raises(InputError, match="line 6"):
        parse_points(text.replace("4;5;6", "4;;6"))


def test_a_cell_without_end_is_told() -> None:
    with pytest.raises(InputError, match="line 2"):
        parse_points("x_um,y_um,Fe\n1,2," + "3" * 200_000 + "\n")


def test_pixels_outside_the_sample_and_saturated_ones_do_not_count(desk: Desk) -> None:
    at = (10.5 * PIXEL[0], 20.5 * PIXEL[1])
    # The sample ends at the left edge of the pixel in the middle.
    left, right, low = 10 * PIXEL[0], 130 * PIXEL[0], 600 * PIXEL[1]
    edge = ((left, 0.0), (right, 0.0), (right, low), (left, low))
    desk.set_setup("outline", MAP, MapSetup(outline=(edge,)))
    read = read_at(desk, MAP, "Fe", *at, 35.0)
    assert (read.pixels, read.outside) == (4, 1)
    with pytest.raises(InputError, match="1 lie outside the sample"):
        read_at(desk, MAP, "Fe", 3.0, 3.0, 0.0)
    sums = _Sums()
    counts = np.array([[1, 2, 255, 3]], np.uint8)
    sums.add(counts, np.array([[True, True, True, False]]))
    told = sums.reading("here")
    assert (told.mean, told.pixels, told.saturated) == (1.5, 2, 1)


def test_counts_at_a_place(desk: Desk) -> None:
    # Pixels are 20 by 30 µm: within 35 µm of a centre lie it, one beside and one above and below.
    read = read_at(desk, MAP, "Fe", 10.5 * PIXEL[0], 20.5 * PIXEL[1], 35.0)
    held = [ROCK["Fe"][r, c] for r, c in ((20, 9), (20, 10), (20, 11), (19, 10), (21, 10))]
    assert read.pixels == 5
    assert read.mean == pytest.approx(np.mean(held))
    assert read.error == pytest.approx(np.std(held, ddof=1) / math.sqrt(5))
    one = read_at(desk, MAP, "Fe", 3.0, 3.0, 0.0)
    assert (one.pixels, one.mean) == (1, ROCK["Fe"][0, 0])
    assert one.error == pytest.approx(math.sqrt(one.mean))
    with pytest.raises(InputError, match="off the map"):
        read_at(desk, MAP, "Fe", -1.0, 3.0, 10.0)
    with pytest.raises(InputError, match="has a value"):
        read_at(desk, MAP, "Cr", 25 * PIXEL[0], 512 * PIXEL[1], 10.0)


def test_neighbours_that_are_alike_count_for_less(desk: Desk) -> None:
    # Grains of this map are 20 pixels wide: 3 000 pixels are far fewer readings.
    wide = read_at(desk, MAP, "Fe", 65 * PIXEL[0], 300 * PIXEL[1], 1000.0)
    assert wide.pixels > 3000
    assert wide.effective < wide.pixels / 5


def test_points_are_read_from_the_map(desk: Desk) -> None:
    scheme = Scheme(
        populations=(Population(id="a", name="rich", gate=Range(layer="Fe", low=500.0)),),
        phases=(Phase(id="1", name="; DROP", rules=((Term(population="a"),),)),),
    )
    desk.sorting.set_scheme("Draw", MAP, scheme)
    points = parse_points('phase\tFe\n"; DROP"\t30\n')
    with pytest.raises(InputError, match="not been sorted"):
        standards_of(desk, MAP, "Fe", points, 50.0)
    desk.sorting.sort_now(MAP)
    (found,) = standards_of(desk, MAP, "Fe", points, 50.0)
    rich = ROCK["Fe"][ROCK["Fe"] >= 500]
    assert (found.label, found.pixels, found.percent) == ("; DROP", rich.size, 30.0)
    assert found.counts == pytest.approx(rich.mean())
    assert read_phase(desk, MAP, "Fe", "; DROP").mean == pytest.approx(rich.mean())
    assert read_phase(desk, MAP, "Fe", " ; drop").mean == pytest.approx(rich.mean())
    with pytest.raises(InputError, match="No point has a weight per cent of Mg"):
        standards_of(desk, MAP, "Mg", points, 50.0)


def test_a_layer_in_weight_per_cent_follows_its_line(desk: Desk) -> None:
    follower = Follower(desk)
    set_calibration(desk, MAP, "Fe", LINE)
    assert make_layer(desk, MAP, "Fe", silent) == "Fe wt%"
    np.testing.assert_allclose(
        pixels(desk, "Fe wt%"), (ROCK["Fe"] - 20.0) / 20.0, rtol=1e-5, atol=1e-5
    )
    set_calibration(desk, MAP, "Fe", RICHER)
    np.testing.assert_allclose(
        pixels(desk, "Fe wt%"), (ROCK["Fe"] - 20.0) / 40.0, rtol=1e-5, atol=1e-5
    )
    desk.undo()
    assert calibration_of(desk, MAP, "Fe") == LINE
    np.testing.assert_allclose(
        pixels(desk, "Fe wt%"), (ROCK["Fe"] - 20.0) / 20.0, rtol=1e-5, atol=1e-5
    )
    assert follower


def test_cations_in_moles(desk: Desk) -> None:
    for layer in ("Fe", "Mg"):
        set_calibration(desk, MAP, layer, LINE)
    with pytest.raises(InputError, match="Mg is not calibrated"):
        make_ratio(desk, MAP, ["Mg"], ["Mg", "Fe"], progress=silent)
    for layer in ("Fe", "Mg"):
        make_layer(desk, MAP, layer, silent)
    assert calibrated(desk, MAP) == {"Fe": "Fe wt%", "Mg": "Mg wt%"}
    name = make_ratio(desk, MAP, ["Mg"], ["Mg", "Fe"], progress=silent)
    assert name == "Mg/(Mg+Fe) mol"
    mg, fe = (pixels(desk, n).astype(float) for n in ("Mg wt%", "Fe wt%"))
    expected = (mg / 24.305) / (mg / 24.305 + fe / 55.845)
    np.testing.assert_allclose(pixels(desk, name), expected, rtol=1e-5)


def test_no_line_no_layer(desk: Desk) -> None:
    with pytest.raises(InputError, match="two reference points"):
        make_layer(desk, MAP, "Fe", silent)
