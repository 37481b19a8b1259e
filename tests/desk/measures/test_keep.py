"""Results into the ledger."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from viewer.desk import drawing
from viewer.desk.desk import Desk
from viewer.desk.measures.files import files_of, refuse_existing, write_result
from viewer.desk.measures.inputs import line_of, region_of, up_of
from viewer.desk.measures.keep import add_to_ledger, plain, reading, rows_of, slug, stem
from viewer.desk.measures.result import Finding, Result, Table
from viewer.errors import InputError
from viewer.store.documents import Ledger, Line, Lines
from viewer.store.requests import REQUESTS, RimsRequest, TraverseRequest, UndulationRequest


def result(map_id: str, value: float = 12.5, names: tuple[str, ...] = ("mean",)) -> Result:
    return Result(
        map=map_id,
        request=RimsRequest(host="Plagioclase", rim="Calcic rim"),
        subject="Calcic rim on Plagioclase · whole map",
        findings=[
            Finding(
                name=n,
                value=np.float64(value),
                low=1.0,
                high=float("nan"),
                uncertainty="95 % interval",
                n=np.int64(7),  # type: ignore[arg-type]
                unit="µm",
                detail={"sd_um": float("inf")},
            )
            for n in names
        ],
        method="By hand.",
        tables=[Table("grains", ["grain", "rim_um"], [[np.int64(1), np.float64(3.5)], [2, None]])],
    )


def test_a_row_carries_its_request_and_plain_numbers(desk: Desk) -> None:
    map_id = next(iter(desk.maps))
    (row,) = add_to_ledger(desk, result(map_id))
    assert row.request == RimsRequest(host="Plagioclase", rim="Calcic rim")
    assert row.high is None
    assert row.detail == {"sd_um": None}
    stored = msgspec.json.decode(msgspec.json.encode(row))
    assert stored["request"]["kind"] == "rims"
    assert stored["n"] == 7


def test_the_same_request_again_takes_the_place_of_its_answer(desk: Desk) -> None:
    map_id = next(iter(desk.maps))
    add_to_ledger(desk, result(map_id, 1.0, ("mean", "up minus down")))
    other = msgspec.structs.replace(rows_of(result(map_id))[0], request=UndulationRequest(line="Foot"))
    desk.apply("Add another", ledger=type(desk.state.ledger)(rows=(*desk.state.ledger.rows, other)))
    add_to_ledger(desk, result(map_id, 2.0, ("mean", "up minus down")))
    rows = desk.state.ledger.rows
    assert [r.value for r in rows] == [2.0, 2.0, 12.5]
    desk.undo()
    assert [r.value for r in desk.state.ledger.rows] == [1.0, 1.0, 12.5]


def test_numbers_are_plain_json(desk: Desk) -> None:
    told = plain(result(next(iter(desk.maps))))
    again = json.loads(json.dumps(told))
    assert again["tables"]["grains"]["rows"] == [[1, 3.5], [2, None]]
    assert again["findings"][0]["high"] is None
    assert again["caution"]


def test_tables_are_files(desk: Desk, tmp_path: Path) -> None:
    told = result(next(iter(desk.maps)))
    numbers, table = write_result(tmp_path / "new" / "folder", told, ())
    assert table.name.startswith("rims-calcic-rim-on-plagioclase-whole-map-m-")
    assert table.name.endswith("-grains.csv")
    assert table.read_text(encoding="utf-8").splitlines() == ["grain,rim_um", "1,3.5", "2,"]
    assert json.loads(numbers.read_text(encoding="utf-8"))["subject"] == told.subject


def test_answers_to_different_requests_have_files_of_their_own(tmp_path: Path) -> None:
    """Of one subject, of subjects that differ in signs alone, and of two maps."""
    told = result("m")
    asked = [
        replace(told, request=RimsRequest(host="C", rim="R", class_deg=20.0)),
        replace(told, request=RimsRequest(host="C", rim="R", class_deg=30.0)),
        replace(told, subject="C", request=RimsRequest(host="C", rim="R")),
        replace(told, subject="C!", request=RimsRequest(host="C!", rim="R")),
        replace(told, subject="***", request=RimsRequest(host="***", rim="R")),
        replace(told, subject="???", request=RimsRequest(host="???", rim="R")),
        replace(told, subject="???", request=RimsRequest(host="???", rim="R"), map="n"),
    ]
    assert len({stem(r) for r in asked}) == len(asked)
    # The same from run to run, or nobody would find an older answer.
    assert stem(told) == "rims-calcic-rim-on-plagioclase-whole-map-m-e3a62f"
    for one in asked:
        write_result(tmp_path, one, ())
        with pytest.raises(InputError, match="--force"):
            refuse_existing(tmp_path, one.map, [told.request, one.request])
    refuse_existing(tmp_path, told.map, [told.request])
    refuse_existing(tmp_path / "not there", told.map, [told.request])
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="cannot be written"):
        refuse_existing(tmp_path / "file", told.map, [told.request])
    with pytest.raises(InputError, match="too long"):
        refuse_existing(tmp_path / ("x" * 300), told.map, [told.request])


def test_tables_of_one_name_are_two_files(tmp_path: Path) -> None:
    told = result("m")
    twice = replace(told, tables=[Table("c", ["a"], [[1]]), Table("c", ["a"], [[2]])])
    _, one, other = write_result(tmp_path, twice, ())
    assert one.read_text(encoding="utf-8") != other.read_text(encoding="utf-8")


def test_a_long_name_still_makes_a_file(tmp_path: Path) -> None:
    long = "\N{CJK UNIFIED IDEOGRAPH-5CA9}" * 90
    told = replace(result(slug(long)), subject=long, tables=[Table(slug(long), ["a"], [[1]])])
    for path in write_result(tmp_path, told, ()):
        assert path.stat().st_size > 0
    assert max(len(p.name.encode()) for p in files_of(tmp_path, told, ("pdf",)).values()) < 220


def test_a_renamed_line_keeps_what_was_measured_on_it(desk: Desk) -> None:
    map_id = next(iter(desk.maps))

    def draw(name: str) -> str:
        points = [(0.0, 100.0), (500.0, 100.0)]
        return drawing.apply(desk, drawing.add_line(desk.state, map_id, "contact", points, name=name))[
            0
        ]

    first = draw("K")
    old = replace(result(map_id, 1.0), request=UndulationRequest(line="k"))
    traverse = TraverseRequest(lines=("T", "K"), layers=("K",), contact="K")
    add_to_ledger(desk, old)
    add_to_ledger(desk, replace(old, request=traverse))
    elsewhere = msgspec.structs.replace(rows_of(old)[0], map="other")
    desk.apply("Add", ledger=Ledger(rows=(*desk.state.ledger.rows, elsewhere)))
    before = desk.state
    drawing.apply(desk, drawing.rename_line(desk.state, first, "Old K"))
    asked = [row.request for row in desk.state.ledger.rows]
    assert asked == [
        UndulationRequest(line="Old K"),
        TraverseRequest(lines=("T", "Old K"), layers=("K",), contact="Old K"),
        UndulationRequest(line="k"),
    ]
    desk.undo()
    assert desk.state == before
    desk.redo()
    draw("K")
    add_to_ledger(desk, replace(old, request=UndulationRequest(line="K")))
    assert [row.request for row in desk.state.ledger.rows][:2] == asked[:2]


def test_a_reading_says_when_there_is_none() -> None:
    found = result("m").findings[0]
    assert reading(found).startswith("12.5 µm")
    assert reading(Finding("x", None, None, None, "too few", 0, "µm")) == "cannot be told"
    assert "/" not in stem(result("m"))


def test_every_kind_of_request_survives_the_journal() -> None:
    for kind, struct in REQUESTS.items():
        required = {f.name: "A" for f in msgspec.structs.fields(struct) if f.required}
        if struct is TraverseRequest:
            required["lines"] = ("A", "B")  # type: ignore[assignment]
        request = struct(**required)
        assert msgspec.json.decode(msgspec.json.encode(request), type=struct) == request
        assert request.kind == kind


def test_a_window_without_a_size_is_refused() -> None:
    with pytest.raises(InputError, match="no size"):
        UndulationRequest(line="Foot", view_um=(10.0, 0.0, 10.0, 5.0))


def test_inputs_are_found_by_name_or_the_user_is_told(desk: Desk) -> None:
    map_id = next(iter(desk.maps))
    line = Line(id="l1", map=map_id, name="Foot", kind="contact", points=((0.0, 0.0), (9.0, 9.0)))
    desk.apply("Draw", lines=Lines(lines=(line,)))
    assert line_of(desk, map_id, " foot ") == line
    with pytest.raises(InputError, match="no traverse «Foot»"):
        line_of(desk, map_id, "Foot", "traverse")
    with pytest.raises(InputError, match=r"no line «Roof».*«Foot»"):
        line_of(desk, map_id, "Roof")
    with pytest.raises(InputError, match="which way is up"):
        up_of(desk, map_id)
    with pytest.raises(InputError, match="no pixel of the map"):
        region_of(desk, map_id, UndulationRequest(line="Foot", view_um=(-20.0, -9.0, -10.0, -5.0)))


@pytest.mark.parametrize("width", [float("nan"), float("inf"), -50.0])
def test_a_document_that_could_not_be_read_back_is_refused(desk: Desk, width: float) -> None:
    map_id = next(iter(desk.maps))
    points = ((0.0, 0.0), (9.0, 9.0))
    line = Line(id="l1", map=map_id, name="T", kind="traverse", points=points, width_um=width)
    before, label = desk.state, desk.undo_label
    with pytest.raises(InputError, match="cannot be kept"):
        desk.apply("Draw", lines=Lines(lines=(line,)))
    assert (desk.state, desk.undo_label) == (before, label)
    with pytest.raises(InputError, match="no width"):
        drawing.add_line(desk.state, map_id, "traverse", points, width_um=width)
