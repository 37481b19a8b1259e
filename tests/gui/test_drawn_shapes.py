"""Drawing, following, editing and picking units and lines: real widgets on a real project."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QApplication, QLineEdit
from pytestqt.qtbot import QtBot

from viewer.desk import drawing
from viewer.desk.desk import Desk
from viewer.desk.gather import gather, plan
from viewer.intake.formats import scan
from viewer.panels import theme
from viewer.panels.map.map_view import MapView
from viewer.panels.measure.drawn_panel import DrawnPanel
from viewer.panels.measure.on_map_shapes import ShapesOnMap
from viewer.science.look.orient import Orientation
from viewer.science.measure import region
from viewer.store.documents import Line, MapSetup, Unit

SIZE = (2000.0, 1200.0)
LEFT, RIGHT = Qt.MouseButton.LeftButton, Qt.MouseButton.RightButton
NO, CTRL, ALT = (
    Qt.KeyboardModifier.NoModifier,
    Qt.KeyboardModifier.ControlModifier,
    Qt.KeyboardModifier.AltModifier,
)


def edge_at(x: float) -> float:
    """Where the edge of the test map lies, µm down, at a place µm from the left."""
    return 600.0 + 150.0 * math.sin(2.0 * math.pi * x / 2000.0)


@pytest.fixture(scope="module")
def project_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Gather a map of 2 × 1.2 mm that a wavy edge parts."""
    folder = tmp_path_factory.mktemp("maps")
    random = np.random.default_rng(5)
    y, x = np.indices((60, 100))
    below = (y + 0.5) * 20.0 > 600.0 + 150.0 * np.sin(2.0 * np.pi * (x + 0.5) / 100.0)
    for name, low, high in (("Fe", 40, 400), ("Mg", 300, 20)):
        values = random.poisson(np.where(below, high, low).astype(float)).astype(np.uint16)
        tifffile.imwrite(folder / f"{name} K.tif", values)
    target = folder / "sill.maps.h5"
    gather(plan(scan([folder]), target, name="Upper face", pixel_um=(20.0, 20.0)))
    return target


@pytest.fixture
def desk(project_file: Path, tmp_path: Path) -> Iterator[Desk]:
    copy = tmp_path / "sill.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    with Desk.open(copy, inline=True) as opened:
        opened.set_setup("Up", opened.map().id, MapSetup(orientation=Orientation(way_up_deg=0.0)))
        yield opened


class Scene:
    """A panel and a view that work together."""

    def __init__(self, qtbot: QtBot, desk: Desk) -> None:
        self.bot, self.desk, self.map_id = qtbot, desk, desk.map().id
        self.view, self.panel = MapView(), DrawnPanel(desk)
        self.both = ShapesOnMap(self.panel, self.view)
        for widget in (self.view, self.panel):
            qtbot.addWidget(widget)
        self.view.resize(1000, 640)
        self.panel.resize(360, 640)
        self.view.set_picture(desk.picture(self.map_id), Orientation(), self.map_id)
        self.panel.set_map(self.map_id)
        self.view.show()
        self.panel.show()
        self.said: list[str] = []
        desk.said.connect(lambda _kind, text: self.said.append(text))

    def at(self, x: float, y: float) -> QPoint:
        return self.view.lens.to_view(x, y).toPoint()

    def click(self, x: float, y: float, keys: Qt.KeyboardModifier = NO) -> None:
        self.bot.mouseClick(self.view, LEFT, keys, self.at(x, y))

    def point(self, x: float, y: float) -> None:
        self.bot.mouseMove(self.view, self.at(x, y))

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        self.bot.mousePress(self.view, LEFT, NO, self.at(*start))
        for share in (0.3, 0.7, 1.0):
            x, y = (a + share * (b - a) for a, b in zip(start, end, strict=True))
            self.bot.mouseMove(self.view, self.at(x, y))
        self.bot.mouseRelease(self.view, LEFT, NO, self.at(*end))

    def key(self, key: Qt.Key) -> None:
        self.bot.keyClick(self.view, key)

    @property
    def lines(self) -> tuple[Line, ...]:
        return drawing.lines_of(self.desk.state, self.map_id)

    @property
    def units(self) -> tuple[Unit, ...]:
        return drawing.units_of(self.desk.state, self.map_id)

    def add_unit(self, left: float, top: float, right: float, bottom: float) -> str:
        ring = ((left, top), (right, top), (right, bottom), (left, bottom))
        edit = drawing.add_unit(self.desk.state, self.map_id, (ring,), size_um=SIZE)
        return drawing.apply(self.desk, edit)[0]

    def add_line(self, *points: tuple[float, float], kind: str = "contact", width: float = 0) -> str:
        edit = drawing.add_line(self.desk.state, self.map_id, kind, points, width_um=width)  # type: ignore[arg-type]
        return drawing.apply(self.desk, edit)[0]

    def name_of(self, line_id: str) -> str:
        return drawing.line_by_id(self.desk.state, line_id).name

    def press(self, button: object) -> None:
        self.bot.mouseClick(button, LEFT)


@pytest.fixture
def scene(qtbot: QtBot, qapp: QApplication, desk: Desk) -> Iterator[Scene]:
    theme.apply(qapp, "dark")
    made = Scene(qtbot, desk)
    yield made
    made.both.close()
    made.panel.close()


# Drawing ----------------------------------------------------------------------------------------


def test_a_contact_is_clicked_and_one_undo_takes_it_back(scene: Scene) -> None:
    scene.panel.tools.actions_by_tool["contact"].trigger()
    assert scene.view.tool == "contact"
    for x in (200.0, 900.0, 1700.0):
        scene.click(x, 300.0)
    scene.key(Qt.Key.Key_Return)
    (line,) = scene.lines
    assert (line.kind, line.name, len(line.points)) == ("contact", "Contact 1", 3)
    assert line.points[0] == pytest.approx((200.0, 300.0), abs=3.0)
    assert scene.panel.selected == [line.id]
    assert scene.view.shapes.selected == (line.id,)
    scene.desk.undo()
    assert scene.lines == ()
    assert scene.panel.selected == []


def test_backspace_takes_a_click_back_and_escape_drops_the_line(scene: Scene) -> None:
    scene.view.set_tool("contact")
    for x in (200.0, 900.0, 1700.0):
        scene.click(x, 300.0)
    scene.key(Qt.Key.Key_Backspace)
    scene.key(Qt.Key.Key_Return)
    assert len(scene.lines[0].points) == 2
    scene.click(200.0, 500.0)
    scene.key(Qt.Key.Key_Escape)
    assert scene.view.tool == "contact"
    scene.key(Qt.Key.Key_Return)
    assert len(scene.lines) == 1
    scene.key(Qt.Key.Key_Escape)
    assert scene.view.tool == "hand"
    assert scene.panel.tools.tool == "hand"


def test_a_double_click_ends_a_line(scene: Scene) -> None:
    scene.view.set_tool("contact")
    scene.click(200.0, 300.0)
    scene.click(900.0, 400.0)
    scene.bot.mouseDClick(scene.view, LEFT, NO, scene.at(900.0, 400.0))
    assert len(scene.lines) == 1


@pytest.mark.parametrize("kind", ["layer", "turned"])
def test_between_clicks_the_line_follows_the_edge(scene: Scene, kind: str) -> None:
    if kind == "turned":
        scene.view.set_orientation(Orientation(quarter_turns=3, mirror=True))
    names = [scene.panel.tools.along.itemText(n) for n in range(scene.panel.tools.along.count())]
    scene.panel.tools.along.setCurrentIndex(
        next(n for n, name in enumerate(names) if name.endswith("in Fe"))
    )
    scene.view.set_tool("contact")
    for x in (60.0, 700.0, 1300.0, 1940.0):
        scene.click(x, edge_at(x) + 12.0)
    scene.key(Qt.Key.Key_Return)
    scene.bot.waitUntil(lambda: len(scene.lines) == 1, timeout=20_000)
    points = np.array(scene.lines[0].points)
    assert len(points) > 10
    off = points[:, 1] - np.array([edge_at(x) for x in points[:, 0]])
    assert np.sqrt((off**2).mean()) < 12.0
    assert abs(off.mean()) < 5.0
    assert points[0, 0] < 120.0
    assert points[-1, 0] > 1880.0


def test_a_preview_follows_the_pointer_and_ctrl_goes_straight(scene: Scene) -> None:
    scene.panel.tools.along.setCurrentIndex(1)
    scene.view.set_tool("contact")
    scene.click(200.0, edge_at(200.0))
    scene.point(800.0, edge_at(800.0))
    tool = scene.view._tool
    scene.bot.waitUntil(lambda: len(tool._preview) > 5, timeout=20_000)
    scene.view.grab()
    scene.click(800.0, edge_at(800.0), CTRL)
    scene.key(Qt.Key.Key_Return)
    assert len(scene.lines[0].points) == 2


def test_following_can_be_switched_off_before_all_paths_have_come(scene: Scene) -> None:
    answers: list[tuple[Any, ...]] = []
    scene.view.set_tool("contact")
    scene.view.shapes.tracer = lambda key, a, b, hold, done: answers.append((key, done))
    for x in (200.0, 800.0, 1400.0):
        scene.click(x, 600.0)
    scene.key(Qt.Key.Key_Return)
    assert scene.lines == ()
    scene.view.shapes.tracer = None
    for key, done in answers:
        if key == "stretch":
            done(None)
    assert len(scene.lines[0].points) == 3


def test_a_line_that_waits_for_its_path_can_be_taken_back(scene: Scene) -> None:
    answers: list[tuple[Any, ...]] = []
    scene.view.set_tool("contact")
    scene.view.shapes.tracer = lambda key, a, b, hold, done: answers.append((key, a, b, hold, done))
    for x in (200.0, 800.0, 1400.0):
        scene.click(x, 600.0)
    scene.key(Qt.Key.Key_Return)
    assert scene.lines == ()
    assert "Following" in scene.view.hint
    scene.view.grab()
    scene.key(Qt.Key.Key_Backspace)
    stretches = [a for a in answers if a[0] == "stretch"]
    assert len(stretches) == 1
    _, start, end, hold, done = stretches[0]
    assert not hold
    done([(start[0], 610.0), (500.0, 640.0), (end[0], 610.0)])
    scene.key(Qt.Key.Key_Return)
    assert [y for _, y in scene.lines[0].points] == [610.0, 640.0, 610.0]


def test_an_edge_that_cannot_be_followed_goes_straight_and_says_so(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    from viewer.errors import InputError
    from viewer.panels.measure import on_map_shapes

    def fails(*_: object, **__: object) -> None:
        raise InputError("Every pixel is missing.")

    monkeypatch.setattr(on_map_shapes, "follow", fails)
    scene.panel.tools.along.setCurrentIndex(1)
    scene.view.set_tool("contact")
    scene.click(200.0, 600.0)
    scene.click(800.0, 600.0)
    scene.key(Qt.Key.Key_Return)
    scene.bot.waitUntil(lambda: len(scene.lines) == 1, timeout=5_000)
    assert len(scene.lines[0].points) == 2
    assert any("goes straight" in text for text in scene.said)


def test_a_traverse_has_the_width_of_brackets_and_box(scene: Scene) -> None:
    assert scene.view.shapes.width_um == 400.0
    scene.view.set_tool("traverse")
    scene.click(300.0, 1000.0)
    scene.key(Qt.Key.Key_BracketLeft)
    scene.view.grab()
    scene.click(300.0, 200.0)
    scene.key(Qt.Key.Key_Return)
    (line,) = scene.lines
    assert line.width_um == pytest.approx(320.0)
    assert scene.panel.tools.width_box.value() == 320.0
    scene.panel.tools.width_box.setValue(150.0)
    assert scene.lines[0].width_um == 150.0
    scene.view.set_tool("edit")
    scene.key(Qt.Key.Key_BracketRight)
    assert scene.lines[0].width_um == pytest.approx(187.5)
    scene.desk.undo()
    assert scene.lines[0].width_um == 320.0


def test_a_traverse_is_drawn_by_one_drag_too(scene: Scene) -> None:
    scene.view.set_tool("traverse")
    scene.drag((300.0, 1000.0), (600.0, 200.0))
    (line,) = scene.lines
    assert line.points[1] == pytest.approx((600.0, 200.0), abs=4.0)


def test_a_unit_leaves_out_what_its_neighbour_has(scene: Scene) -> None:
    scene.add_unit(0.0, 600.0, 2000.0, 1200.0)
    scene.view.set_tool("unit")
    for x, y in ((2.0, 2.0), (1998.0, 2.0), (1998.0, 900.0), (2.0, 900.0)):
        scene.click(x, y)
    scene.key(Qt.Key.Key_Return)
    lower, upper = scene.units
    assert max(y for _, y in upper.polygons[0]) == 600.0
    assert region.area_um2(lower.polygons) == 2000.0 * 600.0
    scene.panel.tools.clear_of_others.setChecked(False)
    for x, y in ((2.0, 2.0), (1998.0, 2.0), (1998.0, 900.0)):
        scene.click(x, y)
    scene.key(Qt.Key.Key_Return)
    assert max(y for _, y in scene.units[2].polygons[0]) > 880.0


def test_a_band_lies_between_two_lines(scene: Scene) -> None:
    scene.view.set_tool("band")
    for y in (300.0, 600.0):
        scene.click(100.0, y)
        scene.click(1900.0, y)
        scene.key(Qt.Key.Key_Return)
        scene.view.grab()
    (unit,) = scene.units
    assert region.area_um2(unit.polygons) == pytest.approx(1800.0 * 300.0, rel=0.02)
    scene.click(100.0, 300.0)
    scene.click(1900.0, 600.0)
    scene.key(Qt.Key.Key_Return)
    scene.click(100.0, 600.0)
    scene.click(1900.0, 300.0)
    scene.key(Qt.Key.Key_Return)
    assert len(scene.units) == 1
    assert any("cross" in text for text in scene.said)


def test_a_line_across_splits_the_unit_and_the_lower_piece_keeps_its_name(scene: Scene) -> None:
    scene.add_unit(0.0, 0.0, 2000.0, 1200.0)
    scene.view.set_tool("split")
    scene.click(5.0, 800.0)
    scene.click(1995.0, 800.0)
    scene.key(Qt.Key.Key_Return)
    assert [u.name for u in scene.units] == ["Unit 1", "Unit 1 2"]
    assert region.centroid(scene.units[0].polygons)[1] == pytest.approx(1000.0, abs=4.0)
    assert set(scene.panel.selected) == {u.id for u in scene.units}


# Editing ----------------------------------------------------------------------------------------


def test_a_point_is_dragged_added_and_removed(scene: Scene) -> None:
    line = scene.add_line((200.0, 300.0), (1000.0, 300.0), (1800.0, 300.0))
    scene.panel.select([line])
    scene.view.set_tool("edit")
    scene.drag((1000.0, 300.0), (1000.0, 500.0))
    assert scene.lines[0].points[1] == pytest.approx((1000.0, 500.0), abs=4.0)
    scene.drag((600.0, 400.0), (600.0, 200.0))
    assert len(scene.lines[0].points) == 4
    assert scene.lines[0].points[1] == pytest.approx((600.0, 200.0), abs=4.0)
    scene.click(600.0, 200.0, ALT)
    assert len(scene.lines[0].points) == 3
    scene.desk.undo()
    scene.click(600.0, 200.0, CTRL)
    assert len(scene.lines[0].points) == 3
    scene.point(1000.0, 500.0)
    scene.view.grab()
    scene.key(Qt.Key.Key_Delete)
    assert len(scene.lines[0].points) == 2
    scene.click(200.0, 300.0, ALT)
    assert len(scene.lines[0].points) == 2
    for count in (3, 4, 3, 3):
        scene.desk.undo()
        assert len(scene.lines[0].points) == count


def test_escape_puts_a_point_back(scene: Scene) -> None:
    line = scene.add_line((200.0, 300.0), (1000.0, 300.0))
    scene.panel.select([line])
    scene.view.set_tool("edit")
    scene.bot.mousePress(scene.view, LEFT, NO, scene.at(1000.0, 300.0))
    scene.point(1000.0, 600.0)
    scene.key(Qt.Key.Key_Escape)
    assert scene.lines[0].points[1] == (1000.0, 300.0)
    assert scene.desk.undo_label == "Draw Contact 1"


def test_neighbours_stay_together_when_a_shared_corner_is_dragged(scene: Scene) -> None:
    low, high = scene.add_unit(0, 600, 2000, 1200), scene.add_unit(0, 0, 2000, 600)
    scene.panel.select([low])
    scene.view.set_tool("edit")
    scene.drag((2000.0, 600.0), (2000.0, 400.0))
    areas = {u.id: region.area_um2(u.polygons) for u in scene.units}
    assert areas[low] > 2000.0 * 600.0 > areas[high]
    assert sum(areas.values()) == pytest.approx(2000.0 * 1200.0)


def test_crowded_points_move_together_and_far_ones_stay(scene: Scene) -> None:
    dense = [(float(x), 300.0) for x in range(100, 1900, 4)]
    line = scene.add_line(*dense)
    scene.panel.select([line])
    scene.view.set_tool("edit")
    scene.drag((1000.0, 300.0), (1000.0, 500.0))
    points = np.array(scene.lines[0].points)
    assert len(points) == len(dense)
    assert points[:, 1].max() == pytest.approx(500.0, abs=4.0)
    assert np.abs(np.diff(points[:, 1])).max() < 30.0
    assert points[0].tolist() == [100.0, 300.0]
    assert points[-1, 1] == 300.0


def test_clicking_another_shape_edits_that_one(scene: Scene) -> None:
    scene.add_line((200.0, 300.0), (1800.0, 300.0))
    other = scene.add_line((200.0, 700.0), (1800.0, 700.0))
    scene.view.set_tool("edit")
    assert "Click a unit or a line" in scene.view.hint
    scene.click(1000.0, 700.0)
    assert scene.panel.selected == [other]
    assert "Drag a point" in scene.view.hint


# Picking, listing, making one of another ----------------------------------------------------------


def test_the_hand_picks_shapes_and_says_which_it_is_on(scene: Scene) -> None:
    line = scene.add_line((200.0, 300.0), (1800.0, 300.0))
    unit = scene.add_unit(100.0, 500.0, 1900.0, 1100.0)
    scene.panel.select([])
    scene.point(1000.0, 300.0)
    assert scene.view.shapes.glowing == line
    assert scene.view.cursor().shape() == Qt.CursorShape.PointingHandCursor
    scene.click(1000.0, 300.0)
    assert scene.panel.selected == [line]
    scene.click(100.0, 700.0, CTRL)
    assert set(scene.panel.selected) == {line, unit}
    scene.click(1000.0, 100.0)
    assert set(scene.panel.selected) == {line, unit}
    scene.key(Qt.Key.Key_Escape)
    assert scene.panel.selected == []
    scene.click(1000.0, 300.0)
    scene.key(Qt.Key.Key_Delete)
    assert scene.lines == ()
    scene.desk.undo()
    assert len(scene.lines) == 1


def test_hidden_shapes_are_neither_drawn_nor_picked(scene: Scene) -> None:
    scene.add_line((200.0, 300.0), (1800.0, 300.0))
    scene.panel.select([])
    scene.bot.waitUntil(lambda: scene.view._tiles.based)
    shown = scene.view.grab().toImage()
    scene.both.set_active(False)
    assert scene.view.grab().toImage() != shown
    scene.point(1000.0, 300.0)
    scene.click(1000.0, 300.0)
    assert scene.panel.selected == []


def test_a_double_click_on_a_shape_edits_it(scene: Scene) -> None:
    line = scene.add_line((200.0, 300.0), (1800.0, 300.0))
    scene.point(1000.0, 300.0)
    scene.bot.mouseDClick(scene.view, LEFT, NO, scene.at(1000.0, 300.0))
    assert scene.view.tool == "edit"
    assert scene.panel.selected == [line]


def test_units_are_listed_as_they_lie_with_their_sizes(scene: Scene) -> None:
    low, high = scene.add_unit(0, 600, 2000, 1200), scene.add_unit(0, 0, 2000, 600)
    scene.add_line((0.0, 600.0), (2000.0, 600.0), kind="traverse", width=250.0)
    rows = scene.panel.list._items()
    assert [row.text(0) for row in rows] == ["Unit 2", "Unit 1", "Traverse 1"]
    assert rows[0].text(1) == "1.2 mm²"
    assert rows[2].text(1) == "2 mm × 250 µm"
    scene.panel.select([low, high])
    assert scene.panel.between.isEnabled()
    assert scene.panel.merge.isEnabled()
    assert not scene.panel.unit.isEnabled()
    assert not scene.panel.show_it.isEnabled()


def test_contact_merge_split_and_unit_between_are_made_of_what_is_selected(scene: Scene) -> None:
    low, high = scene.add_unit(0, 600, 2000, 1200), scene.add_unit(0, 0, 2000, 600)
    scene.panel.select([low, high])
    scene.press(scene.panel.between)
    (line,) = scene.lines
    assert line.between == ("Unit 1", "Unit 2")
    assert {y for _, y in line.points} == {600.0}
    scene.panel.select([low, high])
    scene.press(scene.panel.merge)
    (unit,) = scene.units
    assert region.area_um2(unit.polygons) == pytest.approx(2000.0 * 1200.0)
    scene.panel.select([unit.id, line.id])
    scene.press(scene.panel.split)
    assert len(scene.units) == 2
    other = scene.add_line((0.0, 900.0), (2000.0, 900.0))
    scene.panel.select([line.id, other])
    # Units that are there have all of the band: only where they may lie in two is it made.
    scene.press(scene.panel.unit)
    assert "cover all" in scene.said[-1]
    assert len(scene.units) == 2
    scene.panel.tools.clear_of_others.setChecked(False)
    scene.press(scene.panel.unit)
    assert region.area_um2(scene.units[2].polygons) == pytest.approx(2000.0 * 300.0)
    scene.panel.select([line.id])
    scene.press(scene.panel.turn)
    assert scene.lines[0].points == line.points[::-1]


def test_a_name_is_typed_in_the_list_and_one_that_is_taken_is_refused(scene: Scene) -> None:
    first = scene.add_line((0.0, 600.0), (2000.0, 600.0))
    second = scene.add_line((0.0, 700.0), (2000.0, 700.0))
    for shape, name, wanted in ((first, "Footwall", "Footwall"), (second, "footwall", "Contact 2")):
        scene.panel.select([shape])
        scene.press(scene.panel.name)
        editor = scene.panel.list.findChild(QLineEdit)
        assert editor is not None
        editor.setText(name)
        scene.bot.keyClick(editor, Qt.Key.Key_Return)
        # An editor hands over what was typed when the event loop comes round to it.
        said = len(scene.said)
        scene.bot.waitUntil(
            lambda s=shape, w=wanted, n=name, c=said: (
                scene.name_of(s) == w and (n == w or len(scene.said) > c)
            )
        )
    rows = [row.text(0) for row in scene.panel.list._items()]
    assert rows == ["Footwall", "Contact 2"]
    assert any("is taken" in text for text in scene.said)


def test_going_to_a_shape_brings_all_of_it_into_view(scene: Scene) -> None:
    line = scene.add_line((1500.0, 1000.0), (1800.0, 1100.0))
    scene.view.go_to(200.0, 200.0, 0.5)
    scene.panel.select([line])
    scene.press(scene.panel.show_it)
    seen = scene.view.lens.visible_um
    assert seen.contains(1500.0, 1000.0)
    assert seen.contains(1800.0, 1100.0)


def test_a_row_under_the_pointer_glows_on_the_map(scene: Scene) -> None:
    line = scene.add_line((0.0, 600.0), (2000.0, 600.0))
    item = scene.panel.list._items()[0]
    place = scene.panel.list.visualItemRect(item).center()
    scene.view.hide()  # it lies over the panel
    scene.bot.mouseMove(scene.panel.list.viewport(), place + QPoint(2, 0))
    scene.bot.mouseMove(scene.panel.list.viewport(), place)
    scene.bot.waitUntil(lambda: scene.view.shapes.glowing == line, timeout=1000)
    scene.view.show()
    scene.view.grab()


def test_what_others_do_is_followed_and_another_map_shows_its_own(scene: Scene) -> None:
    scene.add_line((0.0, 600.0), (2000.0, 600.0))
    assert len(scene.view.shapes.lines) == 1
    scene.panel.set_map(None)
    assert scene.view.shapes.lines == ()
    assert scene.panel.pages.currentWidget() is scene.panel.empty
    scene.panel.set_map(scene.map_id)
    assert len(scene.view.shapes.lines) == 1


def test_a_project_open_for_reading_shows_but_does_not_draw(
    qtbot: QtBot, qapp: QApplication, desk: Desk
) -> None:
    theme.apply(qapp, "light")
    first = Scene(qtbot, desk)
    first.add_line((0.0, 600.0), (2000.0, 600.0))
    first.both.close()
    first.panel.close()
    with Desk.open(desk.path, write=False, inline=True) as reader:
        scene = Scene(qtbot, reader)
        assert not any(a.isEnabled() for a in scene.panel.tools.actions_by_tool.values())
        scene.panel.select([scene.lines[0].id])
        assert not scene.panel.delete.isEnabled()
        assert scene.panel.show_it.isEnabled()
        scene.view.set_picture(None)
        scene.both.close()
        scene.panel.close()
