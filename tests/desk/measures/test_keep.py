"""Results into the ledger."""

from __future__ import annotations

import json
from pathlib import Path

import msgspec
import numpy as np
import pytest

from viewer.desk.desk import Desk
from viewer.desk.measures.inputs import line_of, region_of, up_of
from viewer.desk.measures.keep import add_to_ledger, plain, reading, rows_of, stem, write_tables
from viewer.desk.measures.result import Finding, Result, Table
from viewer.errors import InputError
from viewer.store.documents import Line, Lines
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
    (path,) = write_tables(tmp_path / "new" / "folder", result(next(iter(desk.maps))))
    assert path.name == "rims-calcic-rim-on-plagioclase-whole-map-grains.csv"
    assert path.read_text(encoding="utf-8").splitlines() == ["grain,rim_um", "1,3.5", "2,"]


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
