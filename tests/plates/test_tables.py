"""Tables as files: whole or not at all, safe to open, the same numbers back."""

from __future__ import annotations

import csv
import errno
import math
import os
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.errors import InputError, ResourceError
from viewer.plates.tables import (
    ledger_table,
    neutral,
    plain,
    read_table,
    unit_name,
    write_ledger,
    write_table,
)
from viewer.store.documents import Row
from viewer.store.requests import Request, RimsRequest


def row(label: str, value: float | None, unit: str, **more: object) -> Row:
    fields: dict[str, object] = {
        "id": f"id-{label}",
        "map": "face",
        "kind": "distance",
        "label": label,
        "value": value,
        "low": None if value is None else value - 1.5,
        "high": None if value is None else value + 1.5,
        "uncertainty": "95 % interval",
        "n": 2,
        "unit": unit,
        "method": "Distance between two points.",
        "made": "2031-04-05T06:07:08+00:00",
        "program": "grainlight 0.1.0",
    }
    return Row(**(fields | more))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("unit", "name"),
    [("µm", "um"), ("μm", "um"), ("mm", "mm"), ("°", "deg"), ("%", "percent"), ("", "none"),
     ("1/mm²", "1_per_mm2"), ("µm²", "um2")],
)  # fmt: skip
def test_units_are_written_so_that_a_column_name_can_hold_them(unit: str, name: str) -> None:
    assert unit_name(unit) == name


def test_each_unit_has_its_own_columns() -> None:
    header, cells = ledger_table([row("D1", 10.0, "µm"), row("A1", 30.0, "°")], {"face": "Upper"})
    assert header[:9] == [
        *("label", "kind", "map"),
        *("value_um", "low_um", "high_um"),
        *("value_deg", "low_deg", "high_deg"),
    ]
    assert cells[0][:9] == ["D1", "distance", "Upper", 10.0, 8.5, 11.5, None, None, None]
    assert cells[1][:9] == ["A1", "distance", "Upper", None, None, None, 30.0, 28.5, 31.5]


def test_details_are_columns_and_rows_without_one_leave_it_empty(tmp_path: Path) -> None:
    rows = [row("H1", 4.0, "µm", detail={"min_um": 3.25, "max_um": None}), row("D1", 2.0, "µm")]
    header, cells = read_table(write_ledger(tmp_path / "ledger.csv", rows))
    assert [line[header.index("detail_min_um")] for line in cells] == ["3.25", ""]
    assert [line[header.index("detail_max_um")] for line in cells] == ["", ""]


def test_an_empty_ledger_still_has_its_header(tmp_path: Path) -> None:
    header, cells = read_table(write_ledger(tmp_path / "ledger.csv", []))
    assert header[:4] == ["label", "kind", "map", "value_um"]
    assert cells == []


@given(
    label=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=30),
    value=st.floats(allow_nan=False, allow_infinity=False),
)
def test_numbers_and_texts_come_back_the_same(
    tmp_path_factory: pytest.TempPathFactory, label: str, value: float
) -> None:
    path = tmp_path_factory.mktemp("round") / "ledger.csv"
    header, cells = read_table(write_ledger(path, [row(label, value, "µm", low=None, high=None)]))
    assert cells[0][header.index("label")] == label
    assert float(cells[0][header.index("value_um")]) == value
    assert cells[0][header.index("low_um")] == ""


# A cell that begins with one of these is run as a formula by common spreadsheets
# (OWASP, "CSV Injection", https://owasp.org/www-community/attacks/CSV_Injection).
@pytest.mark.parametrize("text", ["=1+1", "+A1", "-A1", "@SUM(A1)", "\t=1", "\r=1", "'=1", "''@x"])
def test_a_formula_is_not_run(text: str, tmp_path: Path) -> None:
    assert neutral(text) == "'" + text
    path = write_table(tmp_path / "t.csv", ["label"], [[text]])
    with open(path, encoding="utf-8", newline="") as stream:
        assert list(csv.reader(stream))[1] == ["'" + text]
    assert read_table(path)[1] == [[text]]


@pytest.mark.parametrize("text", ["-5", "+2.5e-3", "'quoted'", "D1", "", "rim - east"])
def test_numbers_and_ordinary_texts_are_left_alone(text: str) -> None:
    assert neutral(text) == text


@given(st.text("'=+-@\t\r0a", max_size=6))
def test_plain_undoes_neutral(text: str) -> None:
    assert plain(neutral(text)) == text


def test_numbers_that_are_none_are_empty_cells(tmp_path: Path) -> None:
    path = write_table(tmp_path / "t.csv", ["a", "b", "c"], [[math.nan, math.inf, None]])
    assert path.read_bytes() == b"a,b,c\r\n,,\r\n"


def test_text_is_utf8_whatever_the_machine_is_set_to(tmp_path: Path) -> None:
    path = write_table(tmp_path / "t.csv", ["label"], [["20 µm · älter"]])
    assert path.read_bytes() == "label\r\n20 µm · älter\r\n".encode()


def test_a_missing_folder_is_explained(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        write_table(tmp_path / "nowhere" / "t.csv", ["a"], [])
    assert "nowhere" in str(caught.value)
    assert caught.value.exit_code == 3


def test_a_folder_is_not_overwritten(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="folder"):
        write_table(tmp_path, ["a"], [])


def test_a_full_disk_leaves_the_earlier_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_table(tmp_path / "t.csv", ["a"], [["first"]])

    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("viewer.plates.tables.os.fsync", full)
    with pytest.raises(ResourceError) as caught:
        write_table(path, ["a"], [["second"]])
    assert caught.value.exit_code == 5
    assert path.read_bytes() == b"a\r\nfirst\r\n"
    assert [entry.name for entry in tmp_path.iterdir()] == ["t.csv"]


def test_rows_that_fail_half_way_leave_nothing(tmp_path: Path) -> None:
    def rows() -> object:
        yield ["1"]
        raise RuntimeError("the source broke")

    with pytest.raises(RuntimeError):
        write_table(tmp_path / "t.csv", ["a"], rows())  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []


def test_a_link_is_written_through(tmp_path: Path) -> None:
    real = tmp_path / "real.csv"
    real.write_text("old", encoding="utf-8")
    link = tmp_path / "link.csv"
    link.symlink_to(real)
    write_table(link, ["a"], [["1"]])
    assert link.is_symlink()
    assert real.read_bytes() == b"a\r\n1\r\n"


def test_rights_of_a_replaced_file_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("old", encoding="utf-8")
    path.chmod(0o640)
    write_table(path, ["a"], [])
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_ragged_table_names_its_row(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("a,b\n1,2\n3\n", encoding="utf-8")
    with pytest.raises(InputError, match="Row 3"):
        read_table(path)


def test_a_row_tells_what_was_asked_so_that_it_can_be_asked_again() -> None:
    asked = RimsRequest(host="Plagioclase", rim="Calcic rim")
    header, cells = ledger_table([row("a", 1.0, "µm", request=asked), row("b", 2.0, "µm")])
    at = header.index("request")
    assert msgspec.json.decode(str(cells[0][at]), type=Request) == asked
    assert cells[1][at] == ""


def test_details_of_answers_stand_in_one_column() -> None:
    asked = RimsRequest(host="Plagioclase", rim="Calcic rim")
    detail = {"hosts": 20.0, "wilcoxon_p": 9.5e-7, "none": None}
    header, cells = ledger_table(
        [row("a", 1.0, "µm", request=asked, detail=detail), row("b", 2.0, "µm", detail={"sd_um": 3.0})]
    )
    assert [h for h in header if h.startswith("detail_")] == ["detail_sd_um"]
    at = header.index("details")
    assert cells[0][at] == "hosts=20.0; wilcoxon_p=9.5e-07"
    assert cells[0][header.index("detail_sd_um")] is None
    assert cells[1][at] == ""
    assert cells[1][header.index("detail_sd_um")] == 3.0
