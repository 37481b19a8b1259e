"""The numbers of a figure: all that is drawn, units in the names."""

from __future__ import annotations

import numpy as np
import pytest

from tests.plates.figures import awkward, chart, histogram, ordinary, rose, strip
from viewer.plates.chart import Axis
from viewer.plates.figure_table import column, figure_table
from viewer.plates.tables import read_table, write_table


def test_a_chart_gives_one_row_a_point():
    header, rows = figure_table(chart())
    assert header == ["series", "distance_mm", "distance_mm_to", "ca_counts", "ca_counts_low",
                      "ca_counts_high"]  # fmt: skip
    assert len(rows) == 10 + 4 + 10
    assert rows[2] == ["mean", 2.0, None, 4.0, 3.5, 4.5]
    assert rows[3] == ["mean", 3.0, None, None, None, None]
    assert rows[-1] == ["model", 9.0, None, 5.0, None, None]


def test_bars_give_their_edges():
    _, rows = figure_table(histogram())
    assert rows == [
        ["bars 1", -10.0, 0.0, 2.0, None, None],
        ["bars 1", 0.0, 10.0, 5.0, None, None],
        ["bars 1", 10.0, 20.0, 9.0, None, None],
    ]


def test_a_rose_gives_one_row_a_class():
    header, rows = figure_table(rose())
    assert header == ["from_deg", "to_deg", "mean_thickness_um", "mean_thickness_um_low",
                      "mean_thickness_um_high", "n"]  # fmt: skip
    assert rows[0] == [-45.0, 45.0, 80.0, 70.0, 90.0, 12]
    assert rows[3] == [225.0, 315.0, None, None, None, 0]


def test_a_strip_gives_its_curves_and_every_pixel_at_its_middle():
    header, rows = figure_table(strip())
    assert header[-1] == "fe_counts"
    assert rows[0] == ["edge", 0.0, None, 0.0, None, None, None]
    pixels = [row for row in rows if row[0] == "picture"]
    assert len(pixels) == 12
    assert pixels[0] == ["picture", 1.0, None, -1.0, None, None, 0.0]
    assert pixels[-1] == ["picture", 7.0, None, 1.0, None, None, 23.0]
    assert pixels[6][-1] is None


@pytest.mark.parametrize("figure", [*ordinary(), *awkward()], ids=lambda f: f.name)
def test_every_figures_numbers_can_be_written_and_read(tmp_path, figure):
    table = figure_table(figure)
    write_table(tmp_path / "a.csv", *table)
    header, rows = read_table(tmp_path / "a.csv")
    assert header == table.header
    assert len(rows) == len(table.rows)


@pytest.mark.parametrize(
    ("axis", "name"),
    [
        (Axis("distance from «seam base»", "mm"), "distance_from_seam_base_mm"),
        (Axis("grains"), "grains"),
        (Axis("", "µm"), "value_um"),
        (Axis("share", "%"), "share_percent"),
    ],
)
def test_names_of_columns_hold_their_unit(axis, name):
    assert column(axis) == name


def test_no_number_is_numpys():
    for figure in ordinary():
        for row in figure_table(figure).rows:
            assert not any(isinstance(cell, np.generic) for cell in row)
