"""Edits of units and lines: one undo step each, names unique, neighbours kept together."""

from __future__ import annotations

import numpy as np
import pytest

from tests.desk.conftest import MAP, PIXEL, SHAPE
from viewer.desk import drawing
from viewer.desk.desk import Desk
from viewer.desk.following import _label_of
from viewer.desk.phase_image import PhaseImage
from viewer.errors import InputError
from viewer.science.look.orient import Orientation
from viewer.science.measure import region
from viewer.science.sort.scheme import Phase, Scheme
from viewer.store.documents import Ledger, MapSetup, Row
from viewer.store.requests import LayerThicknessRequest

SIZE = (SHAPE[1] * PIXEL[0], SHAPE[0] * PIXEL[1])
LOW = ((0.0, 9000.0), (2600.0, 9000.0), (2600.0, 18000.0), (0.0, 18000.0))
HIGH = ((0.0, 0.0), (2600.0, 0.0), (2600.0, 9000.0), (0.0, 9000.0))


def _unit(desk: Desk, polygon: region.Points, name: str = "") -> str:
    edit = drawing.add_unit(desk.state, MAP, (polygon,), name=name, size_um=SIZE)
    return drawing.apply(desk, edit)[0]


def _line(desk: Desk, points: region.Points, kind: str = "contact", **more: object) -> str:
    edit = drawing.add_line(desk.state, MAP, kind, points, size_um=SIZE, **more)  # type: ignore[arg-type]
    return drawing.apply(desk, edit)[0]


def _names(desk: Desk) -> list[str]:
    return [u.name for u in drawing.units_of(desk.state, MAP)]


def test_lines_are_named_by_kind_and_number(desk: Desk) -> None:
    for _ in range(2):
        _line(desk, [(0.0, 100.0), (500.0, 100.0)])
    _line(desk, [(0.0, 100.0), (500.0, 100.0)], "traverse", width_um=90.0)
    lines = drawing.lines_of(desk.state, MAP)
    assert [x.name for x in lines] == ["Contact 1", "Contact 2", "Traverse 1"]
    assert [x.width_um for x in lines] == [0.0, 0.0, 90.0]
    assert drawing.lines_of(desk.state, MAP, "traverse") == lines[2:]


def test_every_edit_is_one_step_back(desk: Desk) -> None:
    line = _line(desk, [(0.0, 100.0), (500.0, 100.0)])
    unit = _unit(desk, LOW)
    before = desk.state
    for edit in (
        drawing.rename(desk.state, line, "Footwall"),
        drawing.rename(desk.state, unit, "Troctolite"),
        drawing.move_line(desk.state, line, [(0.0, 200.0), (500.0, 300.0)]),
        drawing.turn_line(desk.state, line),
        drawing.split_unit(desk.state, unit, [(-10.0, 12000.0), (2700.0, 12000.0)]),
        drawing.remove(desk.state, [line, unit]),
    ):
        drawing.apply(desk, edit)
        assert desk.undo_label == edit.label
        assert (desk.state.units, desk.state.lines) != (before.units, before.lines)
        desk.undo()
        assert (desk.state.units, desk.state.lines) == (before.units, before.lines)


def test_a_number_once_given_is_not_given_again_while_later_ones_stand(desk: Desk) -> None:
    first = _line(desk, [(0.0, 1.0), (5.0, 1.0)])
    _line(desk, [(0.0, 1.0), (5.0, 1.0)])
    drawing.apply(desk, drawing.remove(desk.state, [first]))
    _line(desk, [(0.0, 1.0), (5.0, 1.0)])
    assert [x.name for x in drawing.lines_of(desk.state, MAP)] == ["Contact 2", "Contact 3"]


@pytest.mark.parametrize(
    ("name", "words"), [("  ", "needs a name"), ("seam ", "is taken"), ("x" * 201, "at most 200")]
)
def test_names_are_refused_where_they_would_not_do(desk: Desk, name: str, words: str) -> None:
    _unit(desk, LOW, "Seam")
    other = _unit(desk, HIGH, "Norite")
    with pytest.raises(InputError, match=words):
        drawing.rename_unit(desk.state, other, name)
    _line(desk, [(0.0, 1.0), (5.0, 1.0)], name="Seam")
    line = _line(desk, [(0.0, 1.0), (5.0, 1.0)])
    with pytest.raises(InputError, match=words):
        drawing.rename_line(desk.state, line, name)


def test_a_contact_keeps_the_names_of_its_units_when_they_change(desk: Desk) -> None:
    low, _ = _unit(desk, LOW, "Troctolite"), _unit(desk, HIGH, "Norite")
    line = _line(desk, [(0.0, 9000.0), (2600.0, 9000.0)], between=("Troctolite", "Norite"))
    assert drawing.line_by_id(desk.state, line).name == "Troctolite / Norite"
    drawing.apply(desk, drawing.rename_unit(desk.state, low, "Footwall"))
    assert drawing.line_by_id(desk.state, line).between == ("Footwall", "Norite")
    again = _line(desk, [(0.0, 9000.0), (2600.0, 9000.0)], between=("Troctolite", "Norite"))
    assert drawing.line_by_id(desk.state, again).name == "Troctolite / Norite 2"


def test_units_are_ordered_along_way_up_which_must_be_known(desk: Desk) -> None:
    _unit(desk, LOW, "low")
    _unit(desk, HIGH, "high")
    with pytest.raises(InputError, match="which way is up"):
        drawing.units_up(desk, MAP)
    for degrees, mirror, wanted in (
        (0.0, False, ["low", "high"]),
        (180.0, True, ["high", "low"]),
        (30.0, True, ["low", "high"]),
    ):
        desk.set_setup("Up", MAP, MapSetup(orientation=Orientation(way_up_deg=degrees, mirror=mirror)))
        assert [u.name for u in drawing.units_up(desk, MAP)] == wanted


def test_a_unit_can_leave_clear_what_others_have(desk: Desk) -> None:
    _unit(desk, LOW)
    wide = ((0.0, 8000.0), (2600.0, 8000.0), (2600.0, 12000.0), (0.0, 12000.0))
    edit = drawing.add_unit(desk.state, MAP, (wide,), size_um=SIZE, keep_clear=True)
    drawing.apply(desk, edit)
    assert region.area_um2(drawing.units_of(desk.state, MAP)[1].polygons) == pytest.approx(2.6e6)


def test_merging_keeps_name_and_place_of_the_first_and_closes_the_gap(desk: Desk) -> None:
    low = _unit(desk, ((0.0, 9030.0), (2600.0, 9030.0), (2600.0, 18000.0), (0.0, 18000.0)), "low")
    high = _unit(desk, HIGH, "high")
    drawing.apply(desk, drawing.merge_units(desk.state, [low, high], PIXEL))
    (unit,) = drawing.units_of(desk.state, MAP)
    assert (unit.id, unit.name) == (low, "low")
    assert region.area_um2(unit.polygons) == pytest.approx(SIZE[0] * SIZE[1])
    with pytest.raises(InputError, match="two units"):
        drawing.merge_units(desk.state, [low, low])


def test_splitting_names_the_upper_piece_anew(desk: Desk) -> None:
    unit = _unit(desk, LOW, "Seam")
    line = [(0.0, 17000.0), (2600.0, 17000.0)]
    for up, kept in (((0.0, -1.0), 17500.0), ((0.0, 1.0), 13000.0), (None, 13000.0)):
        edit = drawing.split_unit(desk.state, unit, line, up)
        drawing.apply(desk, edit)
        assert _names(desk) == ["Seam", "Seam 2"]
        assert region.centroid(drawing.unit_by_id(desk.state, unit).polygons)[1] == kept
        desk.undo()


def test_a_drawn_line_splits_the_unit_that_it_runs_through_most(desk: Desk) -> None:
    low, high = _unit(desk, LOW), _unit(desk, HIGH)
    assert drawing.to_split(desk.state, MAP, [(100.0, 8000.0), (100.0, 18000.0)]).id == low
    assert drawing.to_split(desk.state, MAP, [(100.0, 0.0), (100.0, 9500.0)]).id == high
    with pytest.raises(InputError, match="through no unit"):
        drawing.to_split(desk.state, MAP, [(3000.0, 0.0), (3000.0, 9500.0)])


def test_a_unit_is_made_between_two_lines(desk: Desk) -> None:
    one = _line(desk, [(0.0, 5000.0), (2600.0, 5000.0)])
    other = _line(desk, [(2600.0, 7000.0), (0.0, 7000.0)])
    drawing.apply(desk, drawing.unit_between(desk.state, one, other, SIZE))
    (unit,) = drawing.units_of(desk.state, MAP)
    assert region.area_um2(unit.polygons) == pytest.approx(2600.0 * 2000.0)


def test_neighbours_follow_a_shared_corner(desk: Desk) -> None:
    low, high = _unit(desk, LOW, "low"), _unit(desk, HIGH, "high")

    def moved(unit: str, old: tuple[float, float], new: tuple[float, float]) -> region.Polygons:
        polygons = drawing.unit_by_id(desk.state, unit).polygons
        return tuple(tuple(new if p == old else p for p in ring) for ring in polygons)

    polygons = moved(low, (2600.0, 9000.0), (2600.0, 8000.0))
    drawing.apply(desk, drawing.reshape_unit(desk.state, low, polygons, size_um=SIZE))
    assert (2600.0, 8000.0) in drawing.unit_by_id(desk.state, high).polygons[0]
    areas = [region.area_um2(u.polygons) for u in drawing.units_of(desk.state, MAP)]
    assert sum(areas) == pytest.approx(SIZE[0] * SIZE[1])
    desk.undo()
    alone = drawing.reshape_unit(desk.state, low, polygons, size_um=SIZE, follow=False)
    drawing.apply(desk, alone)
    assert (2600.0, 9000.0) in drawing.unit_by_id(desk.state, high).polygons[0]


def test_neighbours_follow_a_corner_put_on_a_shared_side(desk: Desk) -> None:
    low, high = _unit(desk, LOW, "low"), _unit(desk, HIGH, "high")
    (ring,) = drawing.unit_by_id(desk.state, low).polygons
    at = next(
        n for n, p in enumerate(ring) if {p, ring[(n + 1) % 4]} == {(0.0, 9000.0), (2600.0, 9000.0)}
    )
    new = (*ring[: at + 1], (1300.0, 8500.0), *ring[at + 1 :])
    drawing.apply(desk, drawing.reshape_unit(desk.state, low, (new,), size_um=SIZE))
    assert (1300.0, 8500.0) in drawing.unit_by_id(desk.state, high).polygons[0]


def test_what_lies_off_the_map_is_cut_or_refused(desk: Desk) -> None:
    with pytest.raises(InputError, match="off the map"):
        _line(desk, [(-500.0, 0.0), (-10.0, 10.0)])
    with pytest.raises(InputError, match="off the map"):
        _unit(desk, ((-500.0, 0.0), (-10.0, 10.0), (-20.0, 500.0)))
    line = _line(desk, [(-500.0, 600.0), (9999.0, 600.0)])
    assert drawing.line_by_id(desk.state, line).points == ((0.0, 600.0), (2600.0, 600.0))


def test_a_contact_has_no_width_and_a_traverse_one_above_zero(desk: Desk) -> None:
    contact = _line(desk, [(0.0, 5.0), (50.0, 5.0)])
    traverse = _line(desk, [(0.0, 5.0), (50.0, 5.0)], "traverse")
    with pytest.raises(InputError, match="no width"):
        drawing.set_width(desk.state, contact, 5.0)
    with pytest.raises(InputError, match="no width"):
        drawing.set_width(desk.state, traverse, 0.0)
    drawing.apply(desk, drawing.set_width(desk.state, traverse, 250.0))
    assert drawing.line_by_id(desk.state, traverse).width_um == 250.0


def test_the_contact_of_two_units_tells_which_is_below(desk: Desk) -> None:
    low, high = _unit(desk, LOW, "Troctolite"), _unit(desk, HIGH, "Norite")
    with pytest.raises(InputError, match="which way is up"):
        drawing.contact_between(desk, MAP, low, high)
    desk.set_setup("Up", MAP, MapSetup(orientation=Orientation(way_up_deg=0.0)))
    for one, other in ((low, high), (high, low)):
        edit = drawing.contact_between(desk, MAP, one, other)
        (line,) = edit.documents["lines"].lines
        assert line.between == ("Troctolite", "Norite")
        assert line.points == ((0.0, 9000.0), (2600.0, 9000.0))
    desk.set_setup("Down", MAP, MapSetup(orientation=Orientation(way_up_deg=180.0)))
    (line,) = drawing.contact_between(desk, MAP, low, high).documents["lines"].lines
    assert line.between == ("Norite", "Troctolite")
    assert line.points == ((2600.0, 9000.0), (0.0, 9000.0))
    with pytest.raises(InputError, match="between two units"):
        drawing.contact_between(desk, MAP, low, low)


def test_units_that_hands_left_a_gap_between_meet_along_the_lower_ones_edge(desk: Desk) -> None:
    desk.set_setup("Up", MAP, MapSetup(orientation=Orientation(way_up_deg=0.0)))
    low = _unit(desk, ((0.0, 9040.0), (2600.0, 9040.0), (2600.0, 18000.0), (0.0, 18000.0)))
    high = _unit(desk, HIGH)
    (line,) = drawing.contact_between(desk, MAP, low, high).documents["lines"].lines
    assert {y for _, y in line.points} == {9040.0}
    far = _unit(desk, ((0.0, 100.0), (2600.0, 100.0), (2600.0, 500.0)))
    drawing.apply(desk, drawing.remove(desk.state, [high]))
    with pytest.raises(InputError, match="do not meet"):
        drawing.contact_between(desk, MAP, low, far)


def _wavy(bottom: bool) -> region.Points:
    """The lower or the upper of two units that share a contact of many points."""
    contact = [(float(x), 9000.0 + float(x % 400)) for x in range(0, 2601, 100)]
    ends = [(2600.0, 18000.0), (0.0, 18000.0)] if bottom else [(2600.0, 0.0), (0.0, 0.0)]
    return (*contact, *ends)


@pytest.mark.parametrize("what", ["move many", "put and move", "take out"])
def test_neighbours_follow_along_a_contact_of_many_points(desk: Desk, what: str) -> None:
    low, high = _unit(desk, _wavy(True), "low"), _unit(desk, _wavy(False), "high")
    (ring,) = drawing.unit_by_id(desk.state, low).polygons
    inner = [n for n, (x, y) in enumerate(ring) if 1000.0 <= x <= 1500.0 and y < 10_000.0]
    points = list(ring)
    if what == "take out":
        points.remove((1200.0, 9000.0))
    else:
        for n in inner:
            points[n] = (points[n][0], points[n][1] + 300.0)
    if what == "put and move":
        a, b = points[inner[2]], points[inner[3]]
        points.insert(inner[3], ((a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0 + 100.0))
    edit = drawing.reshape_unit(desk.state, low, (tuple(points),), size_um=SIZE)
    drawing.apply(desk, edit)
    lower, upper = (drawing.unit_by_id(desk.state, u).polygons for u in (low, high))
    areas = region.area_um2(lower) + region.area_um2(upper)
    assert areas == pytest.approx(SIZE[0] * SIZE[1])
    assert region.area_um2(region.merge([lower, upper])) == pytest.approx(areas)
    assert region.area_um2(lower) != pytest.approx(region.area_um2((_wavy(True),)))


def test_merging_leaves_a_thin_unit_between_its_pixels(desk: Desk) -> None:
    ends = {"A": (0.0, 100.0), "Vein": (100.0, 115.0), "C": (115.0, 300.0)}
    ids = {
        name: _unit(desk, ((0.0, top), (2600.0, top), (2600.0, end), (0.0, end)), name)
        for name, (top, end) in ends.items()
    }
    edit = drawing.merge_units(desk.state, [ids["A"], ids["C"]], (10.0, 10.0))
    drawing.apply(desk, edit)
    assert _names(desk) == ["A", "Vein"]
    merged, vein = drawing.units_of(desk.state, MAP)
    assert region.area_um2(merged.polygons) == pytest.approx(2600.0 * 285.0)
    within = np.array([[1300.0, 107.5], [10.0, 104.0]])
    assert region.inside(vein.polygons, within).all()
    assert not region.inside(merged.polygons, within).any()


def test_a_band_between_lines_leaves_clear_what_others_have(desk: Desk) -> None:
    _unit(desk, LOW, "low")
    one = _line(desk, [(0.0, 8000.0), (2600.0, 8000.0)])
    other = _line(desk, [(0.0, 11000.0), (2600.0, 11000.0)])
    edit = drawing.unit_between(desk.state, one, other, SIZE, keep_clear=True)
    (unit,) = (u for u in edit.documents["units"].units if u.id in edit.ids)
    assert region.area_um2(unit.polygons) == pytest.approx(2600.0 * 1000.0)
    edit = drawing.unit_between(desk.state, one, other, SIZE)
    (unit,) = (u for u in edit.documents["units"].units if u.id in edit.ids)
    assert region.area_um2(unit.polygons) == pytest.approx(2600.0 * 3000.0)


def test_what_the_ledger_asks_of_a_unit_follows_its_name(desk: Desk) -> None:
    low = _unit(desk, LOW, "Seam")
    _unit(desk, HIGH, "Norite")

    def row(name: str, map_id: str, unit: str | None) -> Row:
        request = LayerThicknessRequest(unit=unit) if unit else None
        return Row(
            id=name,
            map=map_id,
            kind="layer-thickness",
            value=1.0,
            low=None,
            high=None,
            uncertainty="",
            n=1,
            unit="µm",
            method="",
            made="",
            program="",
            request=request,
        )

    rows = (
        row("a", MAP, "Seam"),
        row("b", MAP, "Norite"),
        row("c", "another", "Seam"),
        row("d", MAP, "seam"),
        row("e", MAP, None),
    )
    desk.apply("Measure", ledger=Ledger(rows=rows))
    before = desk.state
    drawing.apply(desk, drawing.rename(desk.state, low, "Chromitite"))
    asked = [r.request.unit if r.request else None for r in desk.state.ledger.rows]
    assert asked == ["Chromitite", "Norite", "Seam", "Chromitite", None]
    desk.undo()
    assert (desk.state.units, desk.state.ledger) == (before.units, before.ledger)


def test_whether_a_phase_is_there_is_told_from_what_was_counted() -> None:
    phases = tuple(Phase(id=i, name=n, rules=()) for i, n in (("a", "Chromite"), ("b", "Olivine")))
    image = PhaseImage(
        map=MAP,
        scheme=Scheme(phases=phases),
        levels=(),  # no pixel can be looked at
        tally=None,  # type: ignore[arg-type]
        reports=(),
        mixed=0,
        content="",
        pixels=np.array([3, 0, 40]),
    )
    assert _label_of(image, " olivine", "Slab") == 2
    with pytest.raises(InputError, match="No pixel of this map"):
        _label_of(image, "Chromite", "Slab")
    with pytest.raises(InputError, match="no phase «Norite»"):
        _label_of(image, "Norite", "Slab")
