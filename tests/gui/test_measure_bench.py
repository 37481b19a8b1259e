"""The measure bench: real widgets on a real project, each edit one undo step."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import tifffile
from msgspec.structs import replace
from PySide6.QtCore import QPoint, QPointF, QSettings, Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication, QFileDialog, QLineEdit
from pytestqt.qtbot import QtBot

from viewer.desk import measuring
from viewer.desk.desk import Desk
from viewer.desk.gather import gather, plan
from viewer.desk.measures.result import Drawn, Overlay
from viewer.intake.formats import scan
from viewer.panels import theme
from viewer.panels.map.map_view import MapView
from viewer.panels.measure import ledger_model
from viewer.panels.measure.bench import MeasureBench
from viewer.panels.measure.on_map import RulerOnMap, bounds
from viewer.panels.measure.ruler_tools import HAND, RULERS
from viewer.plates.tables import read_table
from viewer.science.measure.registry import KINDS
from viewer.store.documents import Mark

EDGE_UM = 1000.0
"""Where the step of the test map lies, from the left."""


@pytest.fixture(scope="module")
def project_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Gather a map of 2 × 1.2 mm with a step in the middle, in two channels."""
    folder = tmp_path_factory.mktemp("maps")
    random = np.random.default_rng(3)
    for name, low, high in (("Fe", 40, 400), ("Mg", 300, 20)):
        means = np.full((60, 100), low, float)
        means[:, 50:] = high
        values = random.poisson(means).astype(np.uint16)
        tifffile.imwrite(folder / f"{name} K.tif", values)
    target = folder / "sill.maps.h5"
    gather(plan(scan([folder]), target, name="Upper face", pixel_um=(20.0, 20.0)))
    return target


@pytest.fixture
def desk(project_file: Path, tmp_path: Path) -> Iterator[Desk]:
    copy = tmp_path / "sill.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    with Desk.open(copy, inline=True) as opened:
        yield opened


@pytest.fixture
def map_id(desk: Desk) -> str:
    return desk.map().id


@pytest.fixture(scope="module", autouse=True)
def _dressed(qapp: QApplication, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = str(tmp_path_factory.mktemp("settings"))
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, folder)
    qapp.setOrganizationName("grainlight-tests")
    theme.apply(qapp, "dark")


@pytest.fixture
def bench(qtbot: QtBot, desk: Desk, map_id: str) -> MeasureBench:
    made = MeasureBench(desk)
    qtbot.addWidget(made)
    made.resize(460, 760)
    made.set_map(map_id)
    made.show_page("ledger")
    made.show()
    return made


@pytest.fixture
def view(qtbot: QtBot, bench: MeasureBench, desk: Desk, map_id: str) -> MapView:
    shown = MapView()
    qtbot.addWidget(shown)
    shown.resize(800, 480)
    shown.set_picture(desk.picture(map_id))
    shown.show()
    RulerOnMap(bench, shown)
    return shown


def a_mark(map_id: str, name: str = "m", kind: str = "distance", x: float = 300.0) -> Mark:
    return Mark(id=name, map=map_id, kind=kind, points=((100.0, 100.0), (100.0 + x, 100.0)))  # type: ignore[arg-type]


def cell(bench: MeasureBench, row: int, column: int) -> str:
    return str(bench.view.model().index(row, column).data())


def labels(bench: MeasureBench) -> list[str]:
    return [row.label for row in bench.view.shown]


def click_at(qtbot: QtBot, view: MapView, x: float, y: float) -> None:
    qtbot.mouseClick(view, Qt.MouseButton.LeftButton, pos=view.lens.to_view(x, y).toPoint())


# -- ledger -------------------------------------------------------------------------------------


def test_empty_bench_says_what_to_do(bench: MeasureBench) -> None:
    assert bench.ledger.pages.currentIndex() == 0
    assert not bench.ledger.export_button.isEnabled()
    assert not bench.ledger.detail.isVisible()


def test_a_mark_becomes_a_row_and_undo_takes_both_back(
    bench: MeasureBench, desk: Desk, map_id: str
) -> None:
    bench.add_mark(a_mark(map_id))
    assert labels(bench) == ["D1"]
    assert cell(bench, 0, ledger_model.KIND) == "Distance"
    # 300 µm less a bias of under 2 µm; the interval of two ends on 20 µm pixels.
    assert cell(bench, 0, ledger_model.VALUE).endswith("± 32")
    assert cell(bench, 0, ledger_model.UNIT) == "µm"
    assert cell(bench, 0, ledger_model.MAP) == "Upper face"
    assert desk.undo_label == "Measure D1"
    desk.undo()
    assert labels(bench) == []
    assert desk.state.marks.marks == ()
    assert bench.ledger.pages.currentIndex() == 0
    desk.redo()
    assert labels(bench) == ["D1"]


def test_the_placement_of_ends_widens_the_interval(
    bench: MeasureBench, desk: Desk, map_id: str
) -> None:
    bench.tools.hand.setValue(2.0)
    bench.add_mark(a_mark(map_id))
    row = desk.state.ledger.rows[0]
    assert row.high is not None
    assert row.value is not None
    sd = 20.0 * np.sqrt(2 * (1 / 12 + 2.0**2))
    assert row.high - row.value == pytest.approx(1.96 * sd, rel=1e-3)


def test_a_label_is_edited_in_place(qtbot: QtBot, bench: MeasureBench, desk: Desk, map_id: str) -> None:
    bench.add_mark(a_mark(map_id))
    bench.view.selectRow(0)
    bench.view.edit_label()
    editor = bench.view.viewport().findChildren(QLineEdit)[-1]
    editor.selectAll()
    qtbot.keyClicks(editor, "seam base")
    qtbot.keyClick(editor, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: labels(bench) == ["seam base"])
    assert desk.state.marks.marks[0].label == "seam base"
    desk.undo()
    assert desk.state.marks.marks[0].label == "D1"
    assert labels(bench) == ["D1"]


def test_delete_removes_the_selected_rows_as_one_step(
    qtbot: QtBot, bench: MeasureBench, desk: Desk, map_id: str
) -> None:
    for at in range(3):
        bench.add_mark(a_mark(map_id, f"m{at}", x=100.0 * (at + 1)))
    bench.view.selectAll()
    assert "3 rows" in bench.ledger.detail.text.text()
    bench.view.clearSelection()
    bench.view.selectRow(0)
    selection = bench.view.selectionModel()
    both = selection.SelectionFlag.Select | selection.SelectionFlag.Rows
    selection.select(bench.view.model().index(2, 0), both)
    qtbot.keyClick(bench.view, Qt.Key.Key_Delete)
    assert labels(bench) == ["D2"]
    assert [mark.label for mark in desk.state.marks.marks] == ["D2"]
    assert desk.undo_label == "Remove 2 measurements"
    desk.undo()
    assert labels(bench) == ["D1", "D2", "D3"]


def test_sorting_goes_by_number(bench: MeasureBench, map_id: str) -> None:
    for at, x in enumerate((500.0, 90.0, 1200.0)):
        bench.add_mark(a_mark(map_id, f"m{at}", x=x))
    bench.view.sortByColumn(ledger_model.VALUE, Qt.SortOrder.AscendingOrder)
    # 1.2 mm is more than 90 µm, whatever is printed.
    assert labels(bench) == ["D2", "D1", "D3"]
    bench.view.sortByColumn(ledger_model.VALUE, Qt.SortOrder.DescendingOrder)
    assert labels(bench) == ["D3", "D1", "D2"]


def test_hover_glows_and_leaving_ends_it(qtbot: QtBot, bench: MeasureBench, map_id: str) -> None:
    bench.add_mark(a_mark(map_id))
    QApplication.processEvents()
    rect = bench.view.visualRect(bench.view.model().index(0, ledger_model.KIND))
    with qtbot.waitSignal(bench.glow) as caught:
        qtbot.mouseMove(bench.view.viewport(), rect.center() + QPoint(3, 0))
    assert caught.args == ["m"]
    with qtbot.waitSignal(bench.glow) as caught:
        qtbot.mouseMove(bench.view.viewport(), QPoint(20, bench.view.viewport().height() - 4))
    assert caught.args == [""]


def test_selecting_a_row_goes_to_its_mark(qtbot: QtBot, bench: MeasureBench, map_id: str) -> None:
    bench.add_mark(a_mark(map_id, "a"))
    bench.add_mark(a_mark(map_id, "b"))
    with qtbot.waitSignal(bench.go_to) as caught:
        bench.view.selectRow(0)
    assert caught.args == ["a"]
    with qtbot.assertNotEmitted(bench.go_to):
        bench.select_mark("b")
    assert [row.mark for row in bench.view.selected] == ["b"]


def test_the_detail_says_how_a_number_was_made(bench: MeasureBench, map_id: str) -> None:
    lines = ((100.0, 100.0), (900.0, 120.0)), ((100.0, 500.0), (900.0, 540.0))
    bench.add_mark(Mark(id="t", map=map_id, kind="thickness", points=lines[0], second=lines[1]))
    text = bench.ledger.detail.text.text()
    assert "T1" in text
    assert "95 % interval" in text
    assert "Smallest" in text
    assert "Standard deviation" in text
    assert "first-order propagation" in text.lower()
    assert KINDS["thickness"].caution in text
    assert "JCGM 100:2008" in text


def test_markup_in_a_label_is_text(bench: MeasureBench, map_id: str) -> None:
    bench.add_mark(replace(a_mark(map_id), label="<b>x</b> & y"))
    assert "&lt;b&gt;x&lt;/b&gt; &amp; y" in bench.ledger.detail.text.text()


def test_copy_is_tab_separated(qtbot: QtBot, bench: MeasureBench, map_id: str) -> None:
    bench.add_mark(a_mark(map_id, "a"))
    bench.add_mark(replace(a_mark(map_id, "b", x=1500.0), label="two\twords"))
    bench.view.clearSelection()
    qtbot.keyClick(bench.view, Qt.Key.Key_C, Qt.KeyboardModifier.ControlModifier)
    lines = QGuiApplication.clipboard().text().splitlines()
    assert lines[0].split("\t")[:4] == ["Label", "Kind", "Value", "Unit"]
    assert len(lines) == 3
    assert {len(line.split("\t")) for line in lines} == {9}
    bench.view.selectRow(0)
    bench.ledger.copy_button.click()
    assert len(QGuiApplication.clipboard().text().splitlines()) == 2


def test_the_ledger_is_exported(
    bench: MeasureBench, desk: Desk, map_id: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.add_mark(a_mark(map_id))
    said: list[tuple[str, str]] = []
    desk.said.connect(lambda level, text: said.append((level, text)))
    chosen = str(tmp_path / "table")
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_a, **_k: (chosen, ""))
    bench.ledger.export_button.click()
    header, cells = read_table(tmp_path / "table.csv")
    value = desk.state.ledger.rows[0].value
    assert float(cells[0][header.index("value_um")]) == value
    assert cells[0][header.index("map")] == "Upper face"
    assert said == [("info", f"Wrote 1 measurement to {tmp_path / 'table.csv'}.")]
    assert not bench.export(tmp_path / "nowhere" / "x.csv")
    assert said[-1][0] == "error"


def test_value_and_unit_are_whole_beside_a_long_label(
    qtbot: QtBot, bench: MeasureBench, map_id: str
) -> None:
    bench.resize(380, 700)  # as wide as the window gives at first
    bench.add_mark(replace(a_mark(map_id, "a", x=1327.5), label="Dyke at the upper contact, " * 3))
    bench.add_mark(a_mark(map_id, "b", x=6.0))  # its interval is written out
    table = bench.view

    def fits() -> bool:
        right = table.columnViewportPosition(ledger_model.UNIT) + table.columnWidth(ledger_model.UNIT)
        return right <= table.viewport().width()

    qtbot.waitUntil(fits)
    # The detail under the table tells the kind.
    assert table.isColumnHidden(ledger_model.KIND)
    for column in (ledger_model.VALUE, ledger_model.UNIT):
        assert table.columnWidth(column) >= table.sizeHintForColumn(column)
    assert table.columnWidth(ledger_model.LABEL) < table.sizeHintForColumn(ledger_model.LABEL)
    # A width that the user gave the label stays.
    table.setColumnWidth(ledger_model.LABEL, 300)
    bench.resize(420, 700)
    qtbot.wait(20)
    assert table.columnWidth(ledger_model.LABEL) == 300


def test_a_mark_that_cannot_be_read_is_explained(bench: MeasureBench, desk: Desk, map_id: str) -> None:
    said: list[str] = []
    desk.said.connect(lambda level, _text: said.append(level))
    bench.add_mark(replace(a_mark(map_id), points=((5.0, 5.0), (5.0, 5.0))))
    assert said == ["caution"]
    assert desk.state.ledger.rows == ()


def test_nothing_can_be_drawn_on_a_project_opened_for_reading(qtbot: QtBot, project_file: Path) -> None:
    with Desk.open(project_file, write=False, inline=True) as reading:
        bench = MeasureBench(reading)
        qtbot.addWidget(bench)
        bench.set_map(reading.map().id)
        assert not any(action.isEnabled() for action in bench.tools.actions_by_kind.values())
        assert "reading" in bench.tools.how.text()
        assert "reading" in bench.ledger.empty.text()
        assert "tool" not in bench.ledger.empty.text()
        said: list[str] = []
        reading.said.connect(lambda level, _text: said.append(level))
        bench.add_mark(a_mark(reading.map().id))
        assert said == ["error"]
        assert labels(bench) == []


# -- tools --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", sorted(RULERS))
def test_each_ruler_has_a_button_a_key_and_words(bench: MeasureBench, kind: str) -> None:
    action = bench.tools.actions_by_kind[kind]
    assert action.shortcut().toString() == RULERS[kind]
    assert len(action.toolTip()) > 20
    action.trigger()
    assert bench.tools.tool == kind
    action.trigger()
    assert bench.tools.tool == HAND


def test_one_tool_at_a_time(qtbot: QtBot, bench: MeasureBench) -> None:
    chosen: list[str] = []
    bench.tool_chosen.connect(chosen.append)
    bench.tools.actions_by_kind["distance"].trigger()
    bench.tools.actions_by_kind["angle"].trigger()
    assert [k for k, a in bench.tools.actions_by_kind.items() if a.isChecked()] == ["angle"]
    bench.tools.put_down()
    assert chosen == ["distance", "angle", HAND]


def test_keys_take_up_tools(qtbot: QtBot, bench: MeasureBench) -> None:
    bench.activateWindow()
    bench.view.setFocus()
    qtbot.waitUntil(bench.isActiveWindow)
    qtbot.keyClick(bench, Qt.Key.Key_T)
    assert bench.tools.tool == "thickness"


def test_snapping_names_its_layer(bench: MeasureBench, desk: Desk, map_id: str) -> None:
    assert bench.tools.snap_layer is None
    bench.tools.snap.click()
    names = [bench.tools.snap_layer_box.itemText(i) for i in range(2)]
    assert sorted(names) == ["Fe", "Mg"]
    assert bench.tools.snap_layer in desk.maps[map_id].layers
    bench.set_map(None)
    assert bench.tools.snap_layer is None
    assert not bench.tools.snap.isEnabled()


# -- with a map view ----------------------------------------------------------------------------


def test_two_clicks_on_the_map_make_a_distance(
    qtbot: QtBot, bench: MeasureBench, view: MapView, desk: Desk
) -> None:
    bench.tools.actions_by_kind["distance"].trigger()
    assert view.tool == "distance"
    assert bench.tools.how.text() == view.hint
    click_at(qtbot, view, 400.0, 600.0)
    assert bench.tools.how.text() == view.hint == "Click the second end."
    click_at(qtbot, view, 1600.0, 600.0)
    (row,) = desk.state.ledger.rows
    assert row.value == pytest.approx(1200.0, abs=10.0)
    assert view.marks.marks == desk.state.marks.marks
    assert view.marks.text_of(view.marks.marks[0]).startswith("D1  1.2")


def test_escape_on_the_map_puts_the_tool_down(qtbot: QtBot, bench: MeasureBench, view: MapView) -> None:
    bench.tools.actions_by_kind["angle"].trigger()
    qtbot.keyClick(view, Qt.Key.Key_Escape)
    assert bench.tools.tool == HAND


def test_dragging_an_end_is_one_undo_step(
    qtbot: QtBot, bench: MeasureBench, view: MapView, desk: Desk, map_id: str
) -> None:
    bench.add_mark(replace(a_mark(map_id), points=((400.0, 600.0), (1000.0, 600.0))))
    before = desk.state
    end = view.lens.to_view(1000.0, 600.0).toPoint()
    left = Qt.MouseButton.LeftButton
    qtbot.mousePress(view, left, pos=end)
    for x in (1100.0, 1200.0, 1400.0):
        qtbot.mouseMove(view, view.lens.to_view(x, 600.0).toPoint())
    assert desk.state == before
    live = bench.view.shown[0].value
    assert live == pytest.approx(1000.0, abs=10.0)
    qtbot.mouseRelease(view, left, pos=view.lens.to_view(1400.0, 600.0).toPoint())
    assert desk.state.ledger.rows[0].value == pytest.approx(1000.0, abs=10.0)
    assert desk.state.ledger.rows[0].id == before.ledger.rows[0].id
    assert desk.undo_label == "Move D1"
    desk.undo()
    assert desk.state == before
    assert view.marks.marks == before.marks.marks


def test_a_snapped_end_lies_on_the_edge_and_says_so(
    qtbot: QtBot, bench: MeasureBench, view: MapView, desk: Desk
) -> None:
    bench.tools.snap.click()
    bench.tools.actions_by_kind["distance"].trigger()
    click_at(qtbot, view, 400.0, 600.0)
    click_at(qtbot, view, EDGE_UM + 35.0, 600.0)
    mark, row = desk.state.marks.marks[0], desk.state.ledger.rows[0]
    by_hand, snapped = mark.snaps
    assert by_hand is None
    assert snapped is not None
    assert mark.points[1][0] == pytest.approx(EDGE_UM, abs=4 * snapped.error_um + 1.0)
    assert snapped.error_um < 10.0
    # Along the ruler, which runs level to within the pointer's pixel.
    assert snapped.direction == pytest.approx((1.0, 0.0), abs=0.01)
    assert "snapped" in row.method


def test_no_edge_leaves_the_end_and_says_why(bench: MeasureBench, view: MapView, desk: Desk) -> None:
    said: list[str] = []
    desk.said.connect(lambda _level, text: said.append(text))
    bench.tools.snap.click()
    ruler = bench.findChild(RulerOnMap)
    assert isinstance(ruler, RulerOnMap)
    assert ruler.snap(300.0, 600.0, (1.0, 0.0)) is None
    assert len(said) == 1


def test_delete_on_the_map_removes_the_row(
    qtbot: QtBot, bench: MeasureBench, view: MapView, desk: Desk, map_id: str
) -> None:
    bench.add_mark(replace(a_mark(map_id), points=((400.0, 600.0), (1000.0, 600.0))))
    click_at(qtbot, view, 700.0, 600.0)
    assert [row.mark for row in bench.view.selected] == ["m"]
    qtbot.keyClick(view, Qt.Key.Key_Delete)
    assert labels(bench) == []
    desk.undo()
    assert labels(bench) == ["D1"]


def test_hovering_a_row_makes_its_mark_glow(bench: MeasureBench, view: MapView, map_id: str) -> None:
    bench.add_mark(a_mark(map_id))
    bench.glow.emit("m")
    assert view.marks.glowing == "m"
    bench.glow.emit("")
    assert view.marks.glowing is None


def test_going_to_a_mark_brings_all_of_it_into_view(
    bench: MeasureBench, view: MapView, map_id: str
) -> None:
    bench.add_mark(replace(a_mark(map_id, "far"), points=((1500.0, 900.0), (1900.0, 1150.0))))
    bench.add_mark(a_mark(map_id, "near"))
    view.go_to(200.0, 200.0, 0.5)
    far = next(mark for mark in view.marks.marks if mark.id == "far")
    assert not view.lens.visible_um.contains(bounds(far))
    bench.view.selectRow(0)
    assert view.lens.visible_um.contains(bounds(far))
    assert view.marks.selected == "far"
    # What is in view already stays where it is.
    centre = QPointF(*view.lens.centre_um)
    bench.view.clearSelection()
    bench.view.selectRow(0)
    assert QPointF(*view.lens.centre_um) == centre


def test_a_mark_on_another_map_asks_for_that_map(
    qtbot: QtBot, bench: MeasureBench, view: MapView, desk: Desk, map_id: str
) -> None:
    bench.add_mark(a_mark(map_id))
    bench.set_map(None)
    assert view.marks.marks == ()
    ruler = bench.findChild(RulerOnMap)
    assert isinstance(ruler, RulerOnMap)
    ruler.map_wanted.connect(bench.set_map)
    bench.view.clearSelection()
    with qtbot.waitSignal(ruler.map_wanted) as caught:
        bench.view.selectRow(0)
    assert caught.args == [map_id]
    assert bench.map_id == map_id
    assert len(view.marks.marks) == 1


def test_a_reading_on_the_map_keeps_its_own_placement(
    bench: MeasureBench, view: MapView, desk: Desk, map_id: str
) -> None:
    bench.tools.hand.setValue(0.0)
    bench.add_mark(a_mark(map_id))
    bench.tools.hand.setValue(5.0)
    ruler = bench.findChild(RulerOnMap)
    assert isinstance(ruler, RulerOnMap)
    kept = ruler.describe(desk.state.marks.marks[0])
    drawn = ruler.describe(replace(desk.state.marks.marks[0], id="draft"))
    assert kept != drawn
    assert kept == measuring.reading(desk.state.marks.marks[0], (20.0, 20.0), 0.0).text()


def test_a_shape_of_a_results_overlay_lights_up(bench: MeasureBench, view: MapView) -> None:
    shape = Drawn(np.array([[100.0, 100.0], [900.0, 200.0]]), words="base")
    overlay = Overlay((shape,))
    view.set_overlay(overlay)
    dark = view.grab().toImage()
    bench.overlay_glow.emit(shape)
    assert view.grab().toImage() != dark
    bench.overlay_glow.emit(None)
    assert view.grab().toImage() == dark


def test_marks_are_hidden_while_something_else_lies_on_the_map(
    bench: MeasureBench, view: MapView, map_id: str
) -> None:
    ruler = bench.findChild(RulerOnMap)
    assert isinstance(ruler, RulerOnMap)
    bench.add_mark(a_mark(map_id))
    assert view.marks.marks
    ruler.set_active(False)
    assert not view.marks.marks
    ruler.set_active(True)
    assert view.marks.marks


def test_a_tool_that_a_measurement_needs_is_taken_up_and_its_hint_said_at_the_form(
    bench: MeasureBench, view: MapView
) -> None:
    bench.show_page("measure")
    bench.requests.show_kind("contact")
    bench.requests.run.mend.click()
    assert view.tool == "contact"
    assert bench.requests.run.words.text() == view.hint
    view.set_tool("hand")
    assert "Choose a contact" in bench.requests.run.words.text()
