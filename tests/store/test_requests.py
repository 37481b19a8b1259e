"""Requests: what numbers they take, and what becomes of them when a thing is renamed."""

from __future__ import annotations

import msgspec
import pytest

from viewer.store.documents import Lines
from viewer.store.requests import (
    LINES,
    PHASES,
    REQUESTS,
    UNITS,
    ContactRequest,
    LayerThicknessRequest,
    Request,
    RimsRequest,
    TraverseRequest,
    ZoningRequest,
    named,
    renamed,
)


@pytest.mark.parametrize("number", ["-1", "1e12", "1e308"])
@pytest.mark.parametrize(
    "text",
    [
        '{"kind": "sharpness", "line": "A", "layer": "Cr", "beam_um": %s}',
        '{"kind": "gradient", "line": "A", "phase": "B", "reach_um": %s}',
        '{"kind": "traverse", "lines": ["A"], "width_um": %s}',
        '{"kind": "traverse", "lines": ["A"], "bound": %s}',
    ],
)
def test_lengths_beyond_reason_are_refused(text: str, number: str) -> None:
    msgspec.json.decode(text % "12.5", type=Request)
    with pytest.raises(msgspec.ValidationError):
        msgspec.json.decode(text % number, type=Request)


def test_a_width_beyond_reason_is_not_read() -> None:
    line = '{"lines": [{"id": "a", "map": "m", "name": "A", "kind": "traverse", '
    line += '"points": [[0, 0], [5, 5]], "width_um": %s}]}'
    assert msgspec.json.decode(line % "60", type=Lines).lines[0].width_um == 60.0
    for width in ("-50", "null", "1e300"):
        with pytest.raises(msgspec.ValidationError):
            msgspec.json.decode(line % width, type=Lines)


def test_a_new_name_stands_wherever_the_old_one_did() -> None:
    traverse = TraverseRequest(lines=("A", "k ", "B"), layers=("K",), contact="K", unit="K")
    assert renamed(traverse, LINES, "K", "Old K") == TraverseRequest(
        lines=("A", "Old K", "B"), layers=("K",), contact="Old K", unit="K"
    )
    assert renamed(traverse, UNITS, "k", "Seam").unit == "Seam"
    between = LayerThicknessRequest(lower="K", upper="Top")
    assert renamed(between, LINES, "Top", "Roof") == LayerThicknessRequest(lower="K", upper="Roof")
    rims = RimsRequest(host="Plagioclase", rim="Rim")
    assert renamed(rims, PHASES, "rim", "Calcic rim") == RimsRequest(
        host="Plagioclase", rim="Calcic rim"
    )
    zoning = ZoningRequest(phase="P", layer="An", with_rims=("R", "S"))
    assert renamed(zoning, PHASES, "S", "T").with_rims == ("R", "T")


def test_a_request_that_does_not_name_the_thing_is_left_alone() -> None:
    request = ContactRequest(line="K")
    for fields, old in ((LINES, "Kx"), (UNITS, "K"), (PHASES, "K")):
        assert renamed(request, fields, old, "New") is request


def test_every_field_that_holds_a_name_is_of_a_sort() -> None:
    sorts = {*LINES, *PHASES, *UNITS, "layer", "layers"}
    for struct in REQUESTS.values():
        for field in msgspec.structs.fields(struct):
            if "Name" in str(field.type) or "min_length" in str(field.type):
                assert field.name in sorts, (struct.kind, field.name)


def test_names_are_found_whatever_the_case_of_their_letters() -> None:
    traverse = TraverseRequest(lines=("A", "B "), contact="C")
    assert list(named(traverse, LINES)) == ["a", "b", "c"]
