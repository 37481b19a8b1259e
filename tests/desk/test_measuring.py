"""Marks and ledger rows, edited together."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from viewer.desk import measuring
from viewer.desk.measuring import (
    add_mark,
    mark_of,
    move_mark,
    next_label,
    reading,
    remove_marks,
    remove_rows,
    rename_mark,
    rename_row,
    row_for,
    shown,
)
from viewer.errors import InputError
from viewer.science.look.orient import Orientation
from viewer.science.measure.ruler import Snap
from viewer.store.documents import Ledger, Mark, Marks, Row, State

PIXEL = (20.0, 20.0)


def a_mark(name: str = "m1", kind: str = "distance", **more: object) -> Mark:
    points = {
        "distance": ((0.0, 0.0), (3000.0, 4000.0)),
        "polyline": ((0.0, 0.0), (1000.0, 0.0), (1000.0, 500.0)),
        "angle": ((1000.0, 0.0), (0.0, 0.0), (0.0, 1000.0)),
        "perpendicular": ((0.0, 0.0), (1000.0, 0.0), (400.0, 300.0)),
        "thickness": ((0.0, 0.0), (2000.0, 0.0)),
    }[kind]
    second = ((0.0, 600.0), (2000.0, 600.0)) if kind == "thickness" else ()
    fields = {"id": name, "map": "face", "kind": kind, "points": points, "second": second}
    return Mark(**(fields | more))  # type: ignore[arg-type]


def with_marks(*marks: Mark) -> State:
    state = State()
    for mark in marks:
        new_marks, ledger = add_mark(state, mark, PIXEL)
        state = replace(state, marks=new_marks, ledger=ledger)
    return state


def test_a_mark_and_its_row_come_together() -> None:
    marks, ledger = add_mark(State(), a_mark(), PIXEL)
    (mark,), (row,) = marks.marks, ledger.rows
    assert mark.label == row.label == "D1"
    assert row.mark == mark.id
    assert row.map == "face"
    assert row.kind == "distance"
    # 3-4-5 triangle; the bias of a 20 µm pixel on 5 mm is far below a micrometre.
    assert row.value == pytest.approx(5000.0, abs=0.1)
    assert row.low is not None
    assert row.high is not None
    assert row.low < 5000.0 < row.high
    assert row.unit == "µm"
    assert row.uncertainty
    assert row.program.startswith("grainlight ")


def test_the_interval_is_the_pixels_and_the_hands() -> None:
    """JCGM 100:2008, 4.3.7: a rectangular distribution of width w has a standard deviation w/√12."""
    row = add_mark(State(), a_mark(), PIXEL, hand_px=0.0)[1].rows[0]
    u = math.sqrt(2) * 20.0 / math.sqrt(12)
    assert row.high is not None
    assert row.value is not None
    assert row.high - row.value == pytest.approx(1.959964 * u, rel=1e-5)


def test_a_snapped_end_brings_its_own_error() -> None:
    mark = a_mark(snaps=(Snap(2.0, (0.6, 0.8)), Snap(3.0, (0.6, 0.8))))
    row = add_mark(State(), mark, PIXEL)[1].rows[0]
    assert row.detail["standard_uncertainty_um"] == pytest.approx(math.hypot(2.0, 3.0))
    assert "snapped" in row.method


def test_made_has_a_zone_and_ids_are_short() -> None:
    row = add_mark(State(), a_mark(), PIXEL)[1].rows[0]
    assert datetime.fromisoformat(row.made).tzinfo is not None
    assert 8 <= len(row.id) <= 16
    int(row.id, 16)


def test_a_time_without_zone_is_refused() -> None:
    mark = a_mark()
    naive = datetime(2031, 4, 5)
    with pytest.raises(ValueError, match="zone"):
        row_for(mark, reading(mark, PIXEL), made=naive)
    made = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
    assert row_for(mark, reading(mark, PIXEL), made=made).made == "2031-04-05T06:07:08+00:00"


@pytest.mark.parametrize(
    ("kind", "letter"),
    [("distance", "D"), ("polyline", "P"), ("angle", "A"), ("perpendicular", "H"),
     ("thickness", "T")],
)  # fmt: skip
def test_each_kind_counts_for_itself(kind: str, letter: str) -> None:
    state = with_marks(a_mark("a", kind), a_mark("b", kind))
    assert [mark.label for mark in state.marks.marks] == [f"{letter}1", f"{letter}2"]
    assert [row.kind for row in state.ledger.rows] == [kind, kind]


def test_a_label_is_not_given_twice_while_later_ones_stand() -> None:
    state = with_marks(a_mark("a"), a_mark("b"), a_mark("c"))
    marks, _ = remove_marks(state, {"b"})
    assert next_label(marks.marks, "distance") == "D4"
    assert next_label([a_mark("x", label="Dyke 12"), a_mark("y", label="D7")], "distance") == "D8"


def test_a_label_of_the_users_is_kept() -> None:
    marks, ledger = add_mark(State(), a_mark(label="rim, east"), PIXEL)
    assert marks.marks[0].label == ledger.rows[0].label == "rim, east"


def test_moving_an_end_moves_the_row_and_keeps_its_place() -> None:
    state = with_marks(a_mark("a"), a_mark("b"))
    before = state.ledger.rows
    moved = replace(mark_of(state, "a"), points=((0.0, 0.0), (6000.0, 8000.0)))
    marks, ledger = move_mark(state, moved, PIXEL)
    assert [row.id for row in ledger.rows] == [row.id for row in before]
    assert ledger.rows[0].value == pytest.approx(10000.0, abs=0.1)
    assert ledger.rows[1] == before[1]
    assert marks.marks[0].points == moved.points
    assert state.ledger.rows is before


def test_moving_keeps_the_placement_that_the_row_was_made_with() -> None:
    marks, ledger = add_mark(State(), a_mark("a"), PIXEL, hand_px=2.0)
    state = replace(State(), marks=marks, ledger=ledger)
    _, moved = move_mark(state, mark_of(state, "a"), PIXEL)
    assert moved.rows[0].high == ledger.rows[0].high
    _, other = move_mark(state, mark_of(state, "a"), PIXEL, hand_px=0.0)
    assert other.rows[0].high is not None
    assert ledger.rows[0].high is not None
    assert other.rows[0].high < ledger.rows[0].high


def test_a_mark_that_cannot_be_read_changes_nothing() -> None:
    state = with_marks(a_mark("a"))
    flat = replace(mark_of(state, "a"), points=((5.0, 5.0), (5.0, 5.0)))
    with pytest.raises(InputError):
        move_mark(state, flat, PIXEL)
    with pytest.raises(InputError):
        add_mark(state, replace(flat, id="b"), PIXEL)


def test_moving_an_unknown_mark_is_a_defect() -> None:
    with pytest.raises(KeyError):
        move_mark(State(), a_mark(), PIXEL)


def test_a_mark_and_its_row_share_their_label() -> None:
    state = with_marks(a_mark("a"), a_mark("b"))
    marks, ledger = rename_mark(state, "a", "  seam ")
    assert (marks.marks[0].label, ledger.rows[0].label) == ("seam", "seam")
    marks, ledger = rename_row(state, state.ledger.rows[1].id, "rim")
    assert (marks.marks[1].label, ledger.rows[1].label) == ("rim", "rim")
    assert (marks.marks[0].label, ledger.rows[0].label) == ("D1", "D1")


def test_a_row_without_a_mark_can_be_renamed_and_removed() -> None:
    state = with_marks(a_mark("a"))
    loose = replace(state.ledger.rows[0], id="loose", mark=None)
    state = replace(state, ledger=Ledger(rows=(*state.ledger.rows, loose)))
    marks, ledger = rename_row(state, "loose", "older")
    assert marks == state.marks
    assert [row.label for row in ledger.rows] == ["D1", "older"]
    marks, ledger = remove_rows(state, {"loose"})
    assert len(marks.marks) == 1
    assert [row.id for row in ledger.rows] == [state.ledger.rows[0].id]


def test_removing_takes_marks_and_rows_together() -> None:
    state = with_marks(a_mark("a"), a_mark("b"), a_mark("c"))
    marks, ledger = remove_marks(state, {"a", "c"})
    assert [mark.id for mark in marks.marks] == ["b"]
    assert [row.mark for row in ledger.rows] == ["b"]
    marks, ledger = remove_rows(state, {state.ledger.rows[1].id})
    assert [mark.id for mark in marks.marks] == ["a", "c"]
    assert [row.mark for row in ledger.rows] == ["a", "c"]


def test_rows_are_plain_documents() -> None:
    state = with_marks(a_mark("a", "thickness"))
    again = msgspec.json.decode(msgspec.json.encode(state), type=State)
    assert again == state
    assert "minimum_um" in state.ledger.rows[0].detail


@pytest.mark.parametrize("kind", ["distance", "polyline", "angle", "perpendicular", "thickness"])
@given(quarters=st.integers(0, 3), mirror=st.booleans())
def test_a_reading_is_the_same_however_the_map_is_turned(
    kind: str, quarters: int, mirror: bool
) -> None:
    turn = Orientation(quarter_turns=quarters, mirror=mirror)
    mark = a_mark("a", kind)
    turned = replace(
        mark,
        points=tuple(turn.to_display(x, y, 5000.0, 5000.0) for x, y in mark.points),
        second=tuple(turn.to_display(x, y, 5000.0, 5000.0) for x, y in mark.second),
    )
    here, there = reading(mark, PIXEL), reading(turned, PIXEL)
    assert there.value == pytest.approx(here.value, rel=1e-9)
    assert there.high == pytest.approx(here.high, rel=1e-9)


def a_row(value: float | None, low: float | None, high: float | None, unit: str) -> Row:
    return Row(
        id="r", map="face", kind="distance", value=value, low=low, high=high, uncertainty="",
        n=1, unit=unit, method="", made="", program="",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("row", "printed"),
    [
        (a_row(123.4, 121.2, 125.6, "µm"), ("123.4 ± 2.2", "121.2", "125.6", "µm")),
        (a_row(5000.0, 4970.0, 5030.0, "µm"), ("5.000 ± 0.030", "4.970", "5.030", "mm")),
        (a_row(34.2, 32.9, 35.5, "°"), ("34.2 ± 1.3", "32.9", "35.5", "°")),
        (a_row(34.2, 32.9, 35.5, "area %"), ("34.2 ± 1.3", "32.9", "35.5", "area %")),
        (a_row(0.0041, -0.0032, 0.0114, ""), ("0.0041 ± 0.0073", "-0.0032", "0.0114", "")),
        (a_row(1.032, 1.009, 1.033, ""), ("1.032 (1.009 to 1.033)", "1.009", "1.033", "")),
        (a_row(None, None, None, "µm"), ("none", "", "", "")),
    ],
)
def test_value_and_interval_are_printed_in_one_unit(row: Row, printed: tuple[str, ...]) -> None:
    assert tuple(shown(row)) == printed


def test_an_uneven_interval_is_written_out() -> None:
    assert shown(a_row(0.8, 0.0, 2.1, "µm")) == ("0.8 (0.0 to 2.1)", "0.0", "2.1", "µm")


def test_ids_differ() -> None:
    assert len({measuring.new_id() for _ in range(1000)}) == 1000


def test_the_same_marks_do_not_collide_on_other_maps() -> None:
    state = with_marks(a_mark("a"), a_mark("b", map="back"))
    assert [mark.label for mark in state.marks.marks] == ["D1", "D2"]
    assert Marks(marks=state.marks.marks) == state.marks
