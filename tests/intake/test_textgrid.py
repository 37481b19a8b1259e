"""Text grids with every delimiter, header and fault."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from viewer.errors import InputError
from viewer.intake.base import Candidate
from viewer.intake.formats import scan, survey
from viewer.intake.gridlabels import even


def grid(path: Path, text: str | bytes) -> Candidate:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    (found,) = scan([path])
    return found


def read(candidate: Candidate) -> np.ndarray:
    with candidate.open() as reader:
        rows = [reader.rows(r, r + 1) for r in range(reader.shape[0])]
        together = reader.rows(0, reader.shape[0])
    np.testing.assert_array_equal(np.concatenate(rows), together)
    assert together.dtype == candidate.dtype
    assert together.shape == candidate.shape
    return together


N = np.nan
GRIDS = {
    "comma": ("1,2,3\n4,5,6\n", [[1, 2, 3], [4, 5, 6]], "int32"),
    "tab": ("1\t2\t3\n4\t5\t6", [[1, 2, 3], [4, 5, 6]], "int32"),
    "semicolon": ("1;2;3\r\n4;5;6\r\n", [[1, 2, 3], [4, 5, 6]], "int32"),
    "blanks": ("  1   2 3\n 4 5   6\n", [[1, 2, 3], [4, 5, 6]], "int32"),
    "comma and blank": ("1, 2, 3\n4, 5, 6\n", [[1, 2, 3], [4, 5, 6]], "int32"),
    "decimal comma, semicolon": ("1,5;2\n-3;4e-1\n", [[1.5, 2], [-3, 0.4]], "float64"),
    "decimal comma, tab": ("1,5\t2,0\n3\t4,25\n", [[1.5, 2], [3, 4.25]], "float64"),
    "decimal comma, blanks": ("1,5 2,0\n3,1 4,25\n", [[1.5, 2], [3.1, 4.25]], "float64"),
    "decimal comma, first in row 2": ("1;2\n3;4,25\n", [[1, 2], [3, 4.25]], "float64"),
    "decimal comma, first in row 3, tab": (
        "1\t2\n3\t4\n5,5\t6\n",
        [[1, 2], [3, 4], [5.5, 6]],
        "float64",
    ),
    "decimal comma, first in row 2, blanks": ("1 2\n3 4,25\n", [[1, 2], [3, 4.25]], "float64"),
    "decimal comma, far below": ("1;2\n" * 300 + "3;4,25\n", [[1, 2]] * 300 + [[3, 4.25]], "float64"),
    "negative": ("-1,2\n3,-4\n", [[-1, 2], [3, -4]], "int32"),
    "floats": ("1.5,2\n.5,4.\n", [[1.5, 2], [0.5, 4]], "float64"),
    "header": ("Fe map\nx,y\n1,2\n3,4\n", [[1, 2], [3, 4]], "int32"),
    "header above blank": ("Fe map\n\n1,2\n3,4\n", [[1, 2], [3, 4]], "int32"),
    "ESRI header": (
        "ncols 3\nnrows 2\nxllcorner 0.0\nyllcorner 0\ncellsize 20\nNODATA_value -9999\n"
        "1 2 -9999\n4 5 6\n",
        [[1, 2, N], [4, 5, 6]],
        "float64",
    ),
    "blank lines at the end": ("1,2\n3,4\n\n  \n\n", [[1, 2], [3, 4]], "int32"),
    "empty cells": ("1,,3\n,5,6\n7,8,\n", [[1, N, 3], [N, 5, 6], [7, 8, N]], "float64"),
    "empty first row's end": ("1,2,\n4,5,6\n", [[1, 2, N], [4, 5, 6]], "float64"),
    "closing delimiter": ("1,2,3,\n4,5,6,\n", [[1, 2, 3], [4, 5, 6]], "int32"),
    "closing tab": ("1\t2\t\n3\t4\t\n", [[1, 2], [3, 4]], "int32"),
    "missing-value words": ("1,NaN,3\nNA,5,nan\n", [[1, N, 3], [N, 5, N]], "float64"),
    "dash for missing": ("1,-,3\n4,5,6\n", [[1, N, 3], [4, 5, 6]], "float64"),
    "quotes": ('"1","2"\n"3","4"\n', [[1, 2], [3, 4]], "float64"),
    "byte order mark": (b"\xef\xbb\xbf1,2\n3,4\n", [[1, 2], [3, 4]], "int32"),
    "large": ("12345678901,2\n3,4\n", [[12345678901, 2], [3, 4]], "float64"),
    "infinite": ("inf,2\n3,-inf\n", [[np.inf, 2], [3, -np.inf]], "float64"),
}


@pytest.mark.parametrize("kind", GRIDS)
def test_grids(tmp_path: Path, kind: str) -> None:
    text, expected, dtype = GRIDS[kind]
    found = grid(tmp_path / "Fe.csv", text)
    assert found.dtype == np.dtype(dtype)
    np.testing.assert_array_equal(read(found), np.array(expected, dtype))


FAULTS = {
    "ragged": ("1,2,3\n4,5\n7,8,9\n", "Fe.csv, line 2: The row has 2 cells, but the first one has 3"),
    "ragged after a header": ("a,b\n1,2\n3,4\n5,6,7\n", "line 4"),
    "word": ("1,2,3\n4,5,6\n7,high,9\n", "Fe.csv, line 3, column 2: 'high' is no number"),
    "word in the first row": ("1,high,3\n4,5,6\n", "line 1, column 2: 'high'"),
    "blank line within": ("1,2\n\n3,4\n", "line 2"),
    "thousands beside decimal commas": ("1;2,5\n1.234;3,5\n", "line 2, column 1: '1.234'"),
    "UTF-16": ("1,2\n3,4\n".encode("utf-16"), "UTF-16"),
    "prose": ("Nothing here\nbut words, words\n", "no format that is read"),
    "empty": ("", r"empty \(0 bytes\)"),
}


@pytest.mark.parametrize("kind", FAULTS)
def test_faults(tmp_path: Path, kind: str) -> None:
    text, message = FAULTS[kind]
    with pytest.raises(InputError, match=message):
        grid(tmp_path / "Fe.csv", text)


def test_malformed_number_names_line_and_column(tmp_path: Path) -> None:
    found = grid(tmp_path / "Fe.csv", "h\n1.5,2\n3,1.2.3\n")
    with found.open() as reader, pytest.raises(InputError, match=r"line 3, column 2: '1.2.3'"):
        reader.rows(0, 2)


def test_a_file_that_went_away_is_said_to_be_gone(tmp_path: Path) -> None:
    found = grid(tmp_path / "Fe.csv", "1,2\n3,4\n")
    found.path.unlink()
    with pytest.raises(InputError, match=r"Fe\.csv: It cannot be opened: the file is not there"):
        found.open()


def test_prose_in_a_folder_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / "README.txt").write_text("How these were measured.\n")
    (tmp_path / "Fe.csv").write_text("1,2\n3,4\n")
    found = survey([tmp_path])
    assert [c.name for c in found.candidates] == ["Fe"]
    assert [p.name for p in found.passed_over] == ["README.txt"]


@settings(max_examples=60, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(
    data=arrays.arrays(
        np.float64,
        arrays.array_shapes(min_dims=2, max_dims=2, min_side=2, max_side=8),
        elements=st.floats(allow_nan=True, allow_infinity=True),
    ),
    delimiter=st.sampled_from([",", ";", "\t", " "]),
    comma=st.booleans(),
    header=st.sampled_from(["", "counts of Fe\n", "# made by hand\n\n"]),
    end=st.sampled_from(["\n", "\r\n"]),
)
def test_round_trip(
    tmp_path: Path, data: np.ndarray, delimiter: str, comma: bool, header: str, end: str
) -> None:
    # The first row must show how its cells are written, and no edge may look like labels.
    data[0] = np.arange(data.shape[1]) ** 2 + 0.5
    data[1, 0] = data[0, 0]
    comma = comma and delimiter != ","
    lines = [delimiter.join(repr(float(v)) for v in row) for row in data]
    text = header.replace("\n", end) + end.join(lines).replace(".", "," if comma else ".") + end
    path = tmp_path / "grid.txt"
    found = grid(path, text)
    np.testing.assert_array_equal(read(found), data)


# -- labels ---------------------------------------------------------------------------------------

COUNTS = np.random.default_rng(5).poisson(40, (7, 5))


def table(
    pixels: np.ndarray,
    top: list[str] | None,
    side: list[str] | None,
    corner: str = "",
    delimiter: str = ",",
) -> str:
    """A grid as libraries for tables write it."""
    rows = [[str(v) for v in row] for row in pixels.tolist()]
    if side is not None:
        rows = [[label, *row] for label, row in zip(side, rows, strict=True)]
    if top is not None:
        rows.insert(0, top if side is None else [corner, *top])
    return "".join(delimiter.join(row) + "\n" for row in rows)


def said(candidate: Candidate, kind: str = "info") -> str:
    return " ".join(note.text for note in candidate.notes if note.kind == kind)


def steps(n: int, first: float = 0, step: float = 1) -> list[str]:
    return [f"{first + step * i:g}" for i in range(n)]


LABELLED = {
    "both": (steps(5), steps(7), ""),
    "both, from 1": (steps(5, 1), steps(7, 1), ""),
    "both, a word in the corner": (steps(5), steps(7), "row"),
    "both, a number in the corner": (steps(5, 10, 10), steps(7, 10, 10), "5"),
    "both, the corner goes on": (steps(5, 10, 10), steps(7, 10, 10), "0"),
    "positions": (steps(5, 0.5, 20), steps(7, 0.5, 25), "y\\x (\u00b5m)"),
    "rounded positions": (["0", "0.33", "0.67", "1", "1.33"], steps(7, 3, -1), ""),
    "quotes": ([f'"{v}"' for v in steps(5)], [f'"{v}"' for v in steps(7)], '""'),
    "above": (steps(5), None, ""),
    "beside": (None, steps(7), ""),
}


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("kind", LABELLED)
def test_labels_are_left_out(tmp_path: Path, kind: str, delimiter: str) -> None:
    top, side, corner = LABELLED[kind]
    found = grid(tmp_path / "Fe.csv", table(COUNTS, top, side, corner, delimiter))
    np.testing.assert_array_equal(read(found), COUNTS)
    assert found.dtype == np.int32
    assert ("Line 1 numbers the columns" in said(found)) == (top is not None)
    assert ("first column numbers the rows" in said(found)) == (side is not None)
    assert not said(found, "caution")
    assert found.pixel_um is None


def test_steps_and_corner_are_told(tmp_path: Path) -> None:
    top, side, corner = LABELLED["positions"]
    found = grid(tmp_path / "Fe.csv", "Fe map\n" + table(COUNTS, top, side, corner))
    np.testing.assert_array_equal(read(found), COUNTS)
    assert "Line 2 numbers the columns (0.5 to 80.5 in steps of 20)" in said(found)
    assert "numbers the rows (0.5 to 150.5 in steps of 25)" in said(found)
    assert "(\u00b5m)" in said(found)
    assert "1 header line was skipped" in said(found)


@pytest.mark.parametrize("top", [steps(5), ["a", "b", "c", "d", "e"]])
def test_labels_between_blanks(tmp_path: Path, top: list[str]) -> None:
    """The corner is blank: the row of labels has a cell less."""
    text = "  " + " ".join(top) + "\n" + table(COUNTS, None, steps(7), delimiter="  ")
    found = grid(tmp_path / "Fe.txt", text)
    np.testing.assert_array_equal(read(found), COUNTS)
    assert "first column numbers the rows" in said(found)


def test_missing_and_fractional_pixels_beside_labels(tmp_path: Path) -> None:
    text = ";0;1;2\n0;1,5;;3\n1;nan;7;1\n2;0;-;4,25\n"
    found = grid(tmp_path / "Fe.csv", text)
    np.testing.assert_array_equal(read(found), [[1.5, N, 3], [N, 7, 1], [0, N, 4.25]])


def test_whole_pixels_beside_fractional_labels_stay_whole(tmp_path: Path) -> None:
    found = grid(tmp_path / "Fe.csv", table(COUNTS, None, steps(7, 0, 0.25)))
    assert found.dtype == np.int32
    assert found.unit == "counts"


def test_faults_beside_labels_are_found_by_the_file_s_own_lines(tmp_path: Path) -> None:
    text = table(COUNTS, steps(5), steps(7)).splitlines()
    text[3] = "2,40,high,40,40,40"
    with pytest.raises(InputError, match="line 4, column 3: 'high'"):
        grid(tmp_path / "Fe.csv", "\n".join(text))
    text[3] = "2,40,1.2.3,40,40,40"
    found = grid(tmp_path / "Fe.csv", "\n".join(text))
    with found.open() as reader, pytest.raises(InputError, match=r"line 4, column 3: '1.2.3'"):
        reader.rows(0, 7)


@pytest.mark.parametrize("break_at", [250, 299])
def test_a_column_that_is_even_only_at_first_is_pixels(tmp_path: Path, break_at: int) -> None:
    pixels = np.random.default_rng(6).poisson(40, (300, 4))
    pixels[:, 0] = np.arange(300)
    pixels[break_at, 0] += 1
    found = grid(tmp_path / "Fe.csv", table(pixels, None, None))
    np.testing.assert_array_equal(read(found), pixels)
    assert found.notes == ()


def test_numbered_columns_beside_an_uneven_one(tmp_path: Path) -> None:
    uneven = ["0", "1", "5", "6", "9", "10", "30"]
    found = grid(tmp_path / "Fe.csv", table(COUNTS, steps(5), uneven))
    np.testing.assert_array_equal(read(found), np.column_stack([np.array(uneven, int), COUNTS]))
    assert "kept as pixels" in said(found, "caution")


PIXELS = {
    "ramp across": np.tile(np.arange(6), (5, 1)),
    "ramp down": np.tile(np.arange(6)[:, None], (1, 5)),
    "ramp across and down": np.arange(30).reshape(5, 6),
    "product of ramps": np.outer(np.arange(1, 7), np.arange(1, 6)),
    "fractions": np.arange(30).reshape(5, 6) * 0.1 + 0.05,
    "zeros": np.zeros((4, 4), int),
    "counts": COUNTS,
    "three even, then not": np.array([[1, 2, 3, 9], [4, 8, 7, 1], [3, 5, 2, 2], [4, 1, 1, 6]]),
    "too few rows": np.array([[0, 1, 2, 3], [7, 5, 9, 1]]),
    "too few columns": np.array([[0, 5], [1, 9], [2, 1], [3, 4]]),
    "one value": np.array([[40, 40, 40, 40], [3, 9, 2, 7], [8, 4, 4, 1], [1, 7, 9, 3]]),
}


@pytest.mark.parametrize("kind", PIXELS)
def test_pixels_are_not_taken_for_labels(tmp_path: Path, kind: str) -> None:
    found = grid(tmp_path / "Fe.csv", table(PIXELS[kind], None, None))
    np.testing.assert_array_equal(read(found), PIXELS[kind])
    assert found.notes == ()


def test_a_header_that_counts_the_pixels_leaves_no_labels(tmp_path: Path) -> None:
    text = "ncols 5\nnrows 8\n" + table(COUNTS, steps(5), None, delimiter=" ")
    found = grid(tmp_path / "Fe.asc", text)
    assert found.shape == (8, 5)


@settings(max_examples=60, deadline=None)
@given(first=st.floats(-1e4, 1e4), step=st.floats(0.05, 500), n=st.integers(3, 200))
def test_rounded_positions_are_even(first: float, step: float, n: int) -> None:
    printed = [float(f"{first + step * i:.3f}") for i in range(n)]
    axis = even(printed)
    if any(v % 1 for v in printed):
        assert axis is not None
        assert axis.step == pytest.approx(step, abs=0.001)


@given(
    values=st.lists(st.integers(-1000, 1000), min_size=3, max_size=30),
    step=st.integers(1, 50),
    at=st.integers(1, 28),
)
def test_whole_numbers_are_even_exactly_or_not_at_all(values: list[int], step: int, at: int) -> None:
    ramp = [values[0] + step * i for i in range(len(values))]
    assert even(ramp) == (ramp[0], ramp[-1], step)
    ramp[min(at, len(ramp) - 2)] += 1
    assert even(ramp) is None


def test_the_largest_numbers_there_are_make_no_axis() -> None:
    assert even([0.5, 0.5, 1.7976931348623157e308, 1.7976931348623157e308]) is None
    assert even([-1.7e308, 0.3, 1.7e308]) is None
