"""Painting and drawing regions on the map, by real mouse and key events."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QMouseEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from viewer.panels import theme
from viewer.panels.map.map_view import MapView
from viewer.panels.map.synthetic import describe_plainly
from viewer.science.look.orient import Orientation
from viewer.science.sort.scheme import Painted, Stroke

LEFT = Qt.MouseButton.LeftButton
PLAIN, ALT, CTRL = (
    Qt.KeyboardModifier.NoModifier,
    Qt.KeyboardModifier.AltModifier,
    Qt.KeyboardModifier.ControlModifier,
)
ORIENTATIONS = [
    Orientation(quarter_turns=turns, mirror=mirror) for turns in range(4) for mirror in (False, True)
]
GROUND = 60


class Flat:
    """A plain grey picture of pixels that are not square."""

    shape = (300, 500)
    pixel_um = (4.0, 5.0)
    levels = 1
    key: Any = "flat"

    def load(self, level: int, rows: slice, cols: slice) -> npt.NDArray[np.uint8]:
        return np.zeros((rows.stop - rows.start, cols.stop - cols.start), np.uint8)

    def paint(self, block: Any, out: npt.NDArray[np.uint8]) -> None:
        out[..., :3] = GROUND
        out[..., 3] = 255


@pytest.fixture
def view(qapp: QApplication, qtbot: Any) -> Iterator[MapView]:
    theme.apply(qapp, "dark")
    made = MapView()
    made.set_describe(describe_plainly)
    made.set_overlays(False)
    made.resize(600, 400)
    qtbot.addWidget(made)
    made.show()
    qtbot.waitExposed(made)
    made.set_picture(Flat(), Orientation())
    qtbot.waitUntil(lambda: colour(made, 1000, 1000) == (GROUND,) * 3, timeout=10_000)
    yield made
    qapp.setStyleSheet("")


def send(view: MapView, kind: QEvent.Type, to: QPoint, keys: Qt.KeyboardModifier, down: bool) -> None:
    where = QPointF(to)
    moving = kind == QEvent.Type.MouseMove
    event = QMouseEvent(
        kind,
        where,
        view.mapToGlobal(where),
        Qt.MouseButton.NoButton if moving else LEFT,
        LEFT if down else Qt.MouseButton.NoButton,
        keys,
    )
    QApplication.sendEvent(view, event)


def move(view: MapView, to: QPoint, keys: Qt.KeyboardModifier = PLAIN, down: bool = False) -> None:
    send(view, QEvent.Type.MouseMove, to, keys, down)


def drag(view: MapView, path: list[QPoint], keys: Qt.KeyboardModifier = PLAIN) -> None:
    send(view, QEvent.Type.MouseButtonPress, path[0], keys, True)
    for point in path[1:]:
        move(view, point, keys, True)
    send(view, QEvent.Type.MouseButtonRelease, path[-1], keys, False)


def collected(signal: Any) -> list[tuple[Any, ...]]:
    found: list[tuple[Any, ...]] = []
    signal.connect(lambda *args: found.append(args))
    return found


def spot(view: MapView, at: QPoint) -> Any:
    return pytest.approx(view.lens.to_map(QPointF(at)))


def colour(view: MapView, x: float, y: float) -> tuple[int, int, int]:
    at = view.lens.to_view(x, y)
    seen = view.grab().toImage().pixelColor(round(at.x()), round(at.y()))
    return seen.red(), seen.green(), seen.blue()


def circle(centre: QPoint, radius: int, steps: int = 24) -> list[QPoint]:
    turns = [2 * math.pi * step / steps for step in range(steps)]
    return [centre + QPoint(round(radius * math.cos(t)), round(radius * math.sin(t))) for t in turns]


@pytest.mark.parametrize("orientation", ORIENTATIONS, ids=str)
def test_a_stroke_is_told_in_stored_coordinates(view: MapView, orientation: Orientation) -> None:
    view.set_orientation(orientation)
    view.set_tool("paint")
    drawn = collected(view.stroke_drawn)
    path = [QPoint(280, 180), QPoint(300, 190), QPoint(310, 210)]
    drag(view, path)
    ((points, radius, erase),) = drawn
    assert [spot(view, at) for at in path] == list(points)
    assert radius == pytest.approx(view.brush_um)
    assert erase is False


@pytest.mark.parametrize("orientation", ORIENTATIONS, ids=str)
def test_a_lasso_is_told_in_stored_coordinates(view: MapView, orientation: Orientation) -> None:
    view.set_orientation(orientation)
    view.set_tool("region")
    drawn = collected(view.region_drawn)
    path = circle(QPoint(300, 200), 50)
    drag(view, path)
    ((points,),) = drawn
    assert [spot(view, at) for at in path] == list(points)


def test_alt_or_ctrl_takes_away(view: MapView) -> None:
    view.set_tool("paint")
    drawn = collected(view.stroke_drawn)
    for keys in (ALT, CTRL, PLAIN):
        drag(view, [QPoint(280, 180), QPoint(300, 190)], keys)
    assert [erase for _, _, erase in drawn] == [True, True, False]


def test_a_click_paints_a_dot(view: MapView) -> None:
    view.set_tool("paint")
    drawn = collected(view.stroke_drawn)
    drag(view, [QPoint(280, 180)])
    ((points, _, _),) = drawn
    assert len(points) == 1
    assert points[0] == spot(view, QPoint(280, 180))


def test_brackets_change_the_brush_within_limits(view: MapView) -> None:
    view.set_tool("paint")
    hints = collected(view.hint_changed)
    first = view.brush_um
    assert first == pytest.approx(12 * view.lens.um_per_px)
    QTest.keyClick(view, Qt.Key.Key_BracketRight)
    assert view.brush_um > first
    assert len(hints) == 1
    QTest.keyClick(view, Qt.Key.Key_BracketLeft)
    assert view.brush_um == pytest.approx(first)
    for _ in range(60):
        QTest.keyClick(view, Qt.Key.Key_BracketLeft)
    assert view.brush_um == pytest.approx(2.0)
    for _ in range(80):
        QTest.keyClick(view, Qt.Key.Key_BracketRight)
    assert view.brush_um == pytest.approx(1000.0)


def test_the_brush_keeps_its_size_on_the_map(view: MapView) -> None:
    view.set_tool("paint")
    before = view.brush_um
    view.zoom(4.0)
    assert view.brush_um == before
    view.set_tool("hand")
    view.set_tool("paint")
    assert view.brush_um == before


def test_escape_gives_a_stroke_up_then_the_tool(view: MapView) -> None:
    view.set_tool("paint")
    drawn = collected(view.stroke_drawn)
    send(view, QEvent.Type.MouseButtonPress, QPoint(280, 180), PLAIN, True)
    move(view, QPoint(300, 190), PLAIN, True)
    QTest.keyClick(view, Qt.Key.Key_Escape)
    send(view, QEvent.Type.MouseButtonRelease, QPoint(300, 190), PLAIN, False)
    assert drawn == []
    assert view.tool == "paint"
    QTest.keyClick(view, Qt.Key.Key_Escape)
    assert view.tool == "hand"


@pytest.mark.parametrize("end", ["enter", "double", "first"])
def test_clicks_make_a_polygon(view: MapView, end: str) -> None:
    view.set_tool("region")
    drawn = collected(view.region_drawn)
    corners = [QPoint(200, 120), QPoint(380, 130), QPoint(330, 290)]
    drag(view, [corners[0]])
    drag(view, [corners[1]])
    move(view, QPoint(300, 100))
    drag(view, [QPoint(300, 60)])
    QTest.keyClick(view, Qt.Key.Key_Backspace)
    drag(view, [corners[2]])
    view.grab()
    assert drawn == []
    if end == "enter":
        QTest.keyClick(view, Qt.Key.Key_Return)
    elif end == "double":
        send(view, QEvent.Type.MouseButtonDblClick, corners[2], PLAIN, True)
        send(view, QEvent.Type.MouseButtonRelease, corners[2], PLAIN, False)
    else:
        drag(view, [corners[0] + QPoint(3, 2)])
    ((points,),) = drawn
    assert [spot(view, at) for at in corners] == list(points)
    assert "Drag around" in view.hint


def test_two_corners_enclose_nothing(view: MapView) -> None:
    view.set_tool("region")
    drawn = collected(view.region_drawn)
    drag(view, [QPoint(200, 120)])
    drag(view, [QPoint(380, 130)])
    QTest.keyClick(view, Qt.Key.Key_Return)
    assert drawn == []


def test_escape_gives_a_region_up(view: MapView) -> None:
    view.set_tool("region")
    drawn = collected(view.region_drawn)
    path = circle(QPoint(300, 200), 50)
    send(view, QEvent.Type.MouseButtonPress, path[0], PLAIN, True)
    for at in path[1:]:
        move(view, at, PLAIN, True)
    view.grab()
    QTest.keyClick(view, Qt.Key.Key_Escape)
    send(view, QEvent.Type.MouseButtonRelease, path[-1], PLAIN, False)
    assert drawn == []
    assert view.tool == "region"


def test_the_circle_follows_the_pointer_and_leaves_with_it(view: MapView) -> None:
    view.set_tool("paint")
    move(view, QPoint(300, 200))
    radius = view.brush_um / view.lens.um_per_px
    edge = view.lens.to_map(QPointF(300 + radius, 200))
    assert min(colour(view, *edge)) > 200
    QApplication.sendEvent(view, QEvent(QEvent.Type.Leave))
    assert colour(view, *edge) == (GROUND,) * 3


@pytest.mark.parametrize("orientation", ORIENTATIONS, ids=str)
def test_painted_places_are_shown_as_they_count(view: MapView, orientation: Orientation) -> None:
    view.set_orientation(orientation)
    square = ((200.0, 200.0), (600.0, 200.0), (600.0, 600.0), (200.0, 600.0))
    hole = ((300.0, 300.0), (500.0, 300.0), (500.0, 500.0), (300.0, 500.0))
    seeds = Painted(
        map="map",
        outlines=(square, hole),
        strokes=(
            Stroke(points=((1000.0, 700.0), (1600.0, 700.0)), radius_um=100.0),
            Stroke(points=((1300.0, 700.0),), radius_um=60.0, erase=True),
        ),
    )
    view.set_painted([(seeds, (255, 0, 0)), (Painted(map="map", outlines=(hole,)), (0, 0, 255))])
    red, _, blue = colour(view, 250, 400)
    assert red > 120 > GROUND > blue
    red, _, blue = colour(view, 400, 400)
    assert blue > 120 > GROUND > red
    assert colour(view, 1050, 760)[0] > 120
    assert colour(view, 1300, 700) == (GROUND,) * 3
    assert colour(view, 1000, 1000) == (GROUND,) * 3
    view.set_painted([])
    assert colour(view, 250, 400) == (GROUND,) * 3


def test_another_map_gives_up_what_is_unfinished(view: MapView) -> None:
    view.set_tool("region")
    drawn = collected(view.region_drawn)
    for corner in (QPoint(200, 120), QPoint(380, 130), QPoint(330, 290)):
        drag(view, [corner])
    view.set_picture(Flat(), map_id="other")
    QTest.keyClick(view, Qt.Key.Key_Return)
    assert drawn == []
