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
    # The first row must show how its cells are written.
    data[0] = np.arange(data.shape[1]) + 0.5
    comma = comma and delimiter != ","
    lines = [delimiter.join(repr(float(v)) for v in row) for row in data]
    text = header.replace("\n", end) + end.join(lines).replace(".", "," if comma else ".") + end
    path = tmp_path / "grid.txt"
    found = grid(path, text)
    np.testing.assert_array_equal(read(found), data)
