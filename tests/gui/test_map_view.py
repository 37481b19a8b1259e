"""The map view, driven by real mouse and key events."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from PySide6.QtCore import QPoint, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from viewer.panels import theme
from viewer.panels.map import outline_item
from viewer.panels.map.arrow_item import bearing, toward
from viewer.panels.map.lens import Lens
from viewer.panels.map.loader import Loader
from viewer.panels.map.map_view import TOOLS, MapView
from viewer.panels.map.marks_item import Label, with_point
from viewer.panels.map.synthetic import SyntheticPicture, describe_plainly
from viewer.panels.map.tiles import SIDE, Grid, Tile
from viewer.panels.qt import ElidedLabel, Pixels, image_of, silenced
from viewer.science.look.orient import Orientation
from viewer.science.measure.ruler import Snap
from viewer.store.documents import Mark, Point

LEFT, MIDDLE = Qt.MouseButton.LeftButton, Qt.MouseButton.MiddleButton
PLAIN, SHIFT = Qt.KeyboardModifier.NoModifier, Qt.KeyboardModifier.ShiftModifier

SNAP = Snap(0.5, (1.0, 0.0))

ORIENTATIONS = [
    Orientation(quarter_turns=turns, mirror=mirror) for turns in range(4) for mirror in (False, True)
]


class Plain:
    """A picture whose codes are given: block by block, without the compiled kernels."""

    def __init__(
        self, codes: npt.NDArray[np.uint8], pixel_um: tuple[float, float] = (1.0, 1.0), levels: int = 1
    ) -> None:
        self.codes = codes
        self.shape = (codes.shape[0], codes.shape[1])
        self.pixel_um = pixel_um
        self.levels = levels
        self.key: Any = id(codes)
        self.table = np.arange(256, dtype=np.uint8)
        self.loads: list[tuple[int, slice, slice]] = []
        self.threads: set[str] = set()

    def load(self, level: int, rows: slice, cols: slice) -> npt.NDArray[np.uint8]:
        self.loads.append((level, rows, cols))
        self.threads.add(threading.current_thread().name)
        step = 2**level
        return self.codes[::step, ::step][rows, cols]

    def paint(self, block: Any, out: npt.NDArray[np.uint8]) -> None:
        out[..., :3] = self.table[block][..., None]
        out[..., 3] = 255


@pytest.fixture
def view(qapp: QApplication, qtbot: Any) -> Iterator[MapView]:
    theme.apply(qapp, "dark")
    made = MapView()
    made.set_describe(describe_plainly)
    made.resize(600, 400)
    qtbot.addWidget(made)
    made.show()
    qtbot.waitExposed(made)
    yield made
    qapp.setStyleSheet("")


@pytest.fixture
def settle(qtbot: Any) -> Callable[[MapView], None]:
    def wait(view: MapView) -> None:
        def done() -> bool:
            view.repaint()
            return bool(view._tiles.loader.idle)

        qtbot.waitUntil(done, timeout=10_000)
        view.repaint()

    return wait


@pytest.fixture
def shown(view: MapView, settle: Callable[[MapView], None]) -> MapView:
    """A view of 8000 x 6000 pixels of 20 µm, whole."""
    view.set_picture(SyntheticPicture(), Orientation())
    settle(view)
    return view


def at(view: MapView, x: float, y: float) -> QPoint:
    return view.lens.to_view(x, y).toPoint()


def drag(view: MapView, button: Qt.MouseButton, path: list[QPoint], keys: Any = PLAIN) -> None:
    QTest.mouseMove(view, path[0])
    QTest.mousePress(view, button, keys, path[0])
    for point in path[1:]:
        move(view, point, button, keys)
    QTest.mouseRelease(view, button, keys, path[-1])


def move(view: MapView, to: QPoint, button: Any = Qt.MouseButton.NoButton, keys: Any = PLAIN) -> None:
    """A move with a button and keys held, which QTest.mouseMove cannot say."""
    from PySide6.QtCore import QEvent
    from PySide6.QtGui import QMouseEvent

    where = QPointF(to)
    event = QMouseEvent(
        QEvent.Type.MouseMove,
        where,
        view.mapToGlobal(where),
        Qt.MouseButton.NoButton,
        button,
        keys,
    )
    QApplication.sendEvent(view, event)


def click(view: MapView, to: QPoint, keys: Any = PLAIN) -> None:
    move(view, to, keys=keys)
    QTest.mouseClick(view, LEFT, keys, to)


def scroll(view: MapView, where: QPoint, notches: float) -> None:
    event = QWheelEvent(
        QPointF(where),
        view.mapToGlobal(QPointF(where)),
        QPoint(),
        QPoint(0, round(120 * notches)),
        Qt.MouseButton.NoButton,
        PLAIN,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(view, event)


# Arithmetic --------------------------------------------------------------------------------------


@given(
    turns=st.integers(0, 3),
    mirror=st.booleans(),
    x=st.floats(-500, 1500),
    y=st.floats(-500, 1500),
    scale=st.floats(0.01, 100),
)
def test_lens_goes_there_and_back(
    turns: int, mirror: bool, x: float, y: float, scale: float
) -> None:
    lens = Lens(
        map_um=(900.0, 400.0),
        pixel_um=(3.0, 2.0),
        orientation=Orientation(quarter_turns=turns, mirror=mirror),
        centre_um=(123.0, 321.0),
        um_per_px=scale,
        size_px=(640, 480),
    )
    there = lens.to_view(x, y)
    assert lens.to_map(there) == pytest.approx((x, y), abs=1e-6)
    by_matrix = lens.transform.map(QPointF(x, y))
    # QTransform works in double precision, but snaps very small numbers.
    assert (by_matrix.x(), by_matrix.y()) == pytest.approx((there.x(), there.y()), abs=1e-4)
    assert lens.to_view(123.0, 321.0) == QPointF(320, 240)
    dx, dy = lens.direction_to_map(3.0, 4.0)
    step = lens.to_map(QPointF(323, 244))
    assert (dx * scale, dy * scale) == pytest.approx(
        (step[0] - 123.0, step[1] - 321.0), abs=1e-6
    )


def test_level_covers_a_device_pixel() -> None:
    grid = Grid((6000, 8000), (20.0, 20.0), 5)
    for um_per_px in np.geomspace(15, 250, 200):
        covered = grid.pixel(grid.level_for(float(um_per_px)))[0] / um_per_px
        assert 1 / math.sqrt(2) - 1e-9 <= covered <= math.sqrt(2) + 1e-9
    assert grid.level_for(0.001) == 0
    assert grid.level_for(1e6) == 4


def test_tiles_cover_the_view_and_no_more() -> None:
    grid = Grid((1100, 1500), (2.0, 3.0), 3)
    assert grid.shapes == [(1100, 1500), (550, 750), (275, 375)]
    area = QRectF(0, 0, 2 * SIDE, 3 * SIDE)
    assert grid.within(0, area) == [Tile(0, 0, 0)]
    area = QRectF(2 * SIDE - 1, 3 * SIDE - 1, 2, 2)
    assert sorted(grid.within(0, area)) == [(0, 0, 0), (0, 0, 1), (0, 1, 0), (0, 1, 1)]
    assert sorted(grid.within(0, QRectF(-99, -99, 9999, 9999))) == grid.all(0)
    assert grid.span(Tile(0, 2, 2)) == (slice(1024, 1100), slice(1024, 1500))
    assert list(Tile(0, 5, 3).over(3)) == [(1, 2, 1), (2, 1, 0)]


def test_bearings_are_clockwise_from_the_top() -> None:
    for degrees in (0.0, 45.0, 90.0, 180.0, 300.0):
        assert bearing(toward(degrees)) == pytest.approx(degrees, abs=1e-9)
    assert bearing(QPointF(1, 0)) == 90.0
    assert bearing(QPointF(-1e-300, -1)) < 360.0


def test_moving_a_point_keeps_the_others() -> None:
    other = Snap(0.25, (0.0, 1.0))
    mark = Mark(
        id="m",
        map="a",
        kind="thickness",
        points=((0, 0), (1, 0)),
        second=((0, 5), (1, 5)),
        snaps=(None, SNAP, None, None),
    )
    moved = with_point(mark, 2, (0.0, 6.0), other)
    assert moved.points == mark.points
    assert moved.second == ((0, 6), (1, 5))
    assert moved.snaps == (None, SNAP, other, None)
    assert with_point(mark, 1, (2.0, 0.0), None).snaps == ()


# Pixels ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("orientation", ORIENTATIONS, ids=str)
def test_stored_pixels_are_drawn_where_the_lens_says(
    view: MapView, settle: Callable[[MapView], None], orientation: Orientation
) -> None:
    codes = np.random.default_rng(5).integers(0, 256, (7, 11), dtype=np.uint8)
    view.set_overlays(False)
    view.set_picture(Plain(codes, pixel_um=(3.0, 2.0)), orientation)
    settle(view)
    image = view.grab().toImage()
    for row in range(7):
        for col in range(11):
            spot = view.lens.to_view((col + 0.5) * 3.0, (row + 0.5) * 2.0).toPoint()
            value = int(codes[row, col])
            assert image.pixelColor(spot) == QColor(value, value, value), (row, col)
    assert image.pixelColor(1, 1) == QColor(theme.current().map_ground)


def test_tiles_meet_without_gaps(view: MapView, settle: Callable[[MapView], None]) -> None:
    codes = np.full((1300, 1700), 200, np.uint8)
    view.set_overlays(False)
    view.set_picture(Plain(codes, (1.0, 1.0)), Orientation())
    for um_per_px, centre in ((0.83, (512.3, 511.7)), (1.37, (600.0, 640.0)), (0.11, (512.0, 512.0))):
        view.go_to(*centre, um_per_px)
        settle(view)
        image = view.grab().toImage()
        grey = {
            image.pixelColor(x, y).red()
            for x in range(image.width())
            for y in range(0, image.height(), 3)
        }
        assert grey == {200}


def test_coarse_first_then_sharp(view: MapView, qtbot: Any) -> None:
    """With sharp tiles held back, the coarsest level fills the view."""
    gate = threading.Event()

    class Slow(Plain):
        def load(self, level: int, rows: slice, cols: slice) -> npt.NDArray[np.uint8]:
            if level < self.levels - 1:
                assert gate.wait(10)
            return super().load(level, rows, cols)

    picture = Slow(np.full((2048, 2048), 90, np.uint8), levels=3)
    picture.codes[1::4, 1::4] = 91
    try:
        view.set_overlays(False)
        view.set_picture(picture, Orientation())
        view.go_to(1000, 1000, 1.0)
        qtbot.waitUntil(lambda: view._tiles.based, timeout=5000)
        image = view.grab().toImage()
        assert {image.pixelColor(x, 200).red() for x in range(600)} == {90}
        assert [level for level, *_ in picture.loads] == [2]
    finally:
        gate.set()
    qtbot.waitUntil(lambda: view._tiles.loader.idle, timeout=5000)
    image = view.grab().toImage()
    assert {image.pixelColor(x, y).red() for x in range(9) for y in range(9)} == {90, 91}


def test_reading_never_happens_on_the_gui_thread(
    view: MapView, settle: Callable[[MapView], None]
) -> None:
    picture = Plain(np.zeros((3000, 3000), np.uint8), levels=3)
    view.set_picture(picture, Orientation())
    settle(view)
    view.go_to(1500, 1500, 1.0)
    settle(view)
    assert picture.threads
    assert threading.current_thread().name not in picture.threads


def test_recolouring_loads_nothing(view: MapView, settle: Callable[[MapView], None]) -> None:
    picture = Plain(np.full((900, 900), 100, np.uint8), levels=2)
    view.set_overlays(False)
    view.set_picture(picture, Orientation())
    settle(view)
    before = len(picture.loads)
    picture.table = picture.table[::-1].copy()
    view.recolour()
    assert view.grab().toImage().pixelColor(300, 200).red() == 155
    # Another object with the same key: colours of the new one, blocks of the old one.
    other = Plain(picture.codes, levels=2)
    other.table = np.full(256, 7, np.uint8)
    view.set_picture(other)
    assert view.grab().toImage().pixelColor(300, 200).red() == 7
    settle(view)
    assert len(picture.loads) == before
    assert other.loads == []


def test_other_layers_of_a_map_keep_the_view_and_never_show_blank(
    view: MapView, settle: Callable[[MapView], None], qtbot: Any
) -> None:
    view.set_overlays(False)
    view.set_picture(Plain(np.full((2000, 2000), 60, np.uint8), levels=3), Orientation())
    view.go_to(900, 700, 1.5)
    settle(view)
    lens = view.lens
    view.set_picture(Plain(np.full((2000, 2000), 180, np.uint8), levels=3))
    assert view.lens == lens
    assert view.grab().toImage().pixelColor(300, 200).red() in (60, 180)
    settle(view)
    assert view.grab().toImage().pixelColor(300, 200).red() == 180


def test_cache_keeps_within_its_bytes(shown: MapView, settle: Callable[[MapView], None]) -> None:
    shown._tiles.cache_bytes = 24 * 2**20
    for x in range(20_000, 140_000, 12_000):
        shown.go_to(x, 60_000, 20.0)
        settle(shown)
        assert shown._tiles.loaded_bytes <= 24 * 2**20


def test_stale_requests_are_dropped(qtbot: Any) -> None:
    """What left the view before its turn is not read."""
    gate, begun = threading.Event(), threading.Semaphore(0)

    class Slow(Plain):
        def load(self, level: int, rows: slice, cols: slice) -> npt.NDArray[np.uint8]:
            begun.release()
            assert gate.wait(10)
            return super().load(level, rows, cols)

    picture = Slow(np.zeros((4096, 4096), np.uint8))
    arrived: list[Tile] = []
    loader = Loader(lambda found: arrived.extend(tile for _, tile, _ in found), pytest.fail)
    try:
        loader.start(picture, Grid((4096, 4096), (1.0, 1.0), 1))
        loader.want([Tile(0, 0, col) for col in range(8)])
        assert begun.acquire(timeout=5)
        assert begun.acquire(timeout=5)
        loader.want([Tile(0, 7, 7)])
    finally:
        gate.set()
    qtbot.waitUntil(lambda: loader.idle, timeout=5000)
    assert sorted(arrived) == [(0, 0, 0), (0, 0, 1), (0, 7, 7)]
    loader.close()


def test_a_fault_while_reading_is_said_once_and_the_coarse_level_stays(
    view: MapView, settle: Callable[[MapView], None], qtbot: Any
) -> None:
    class Broken(Plain):
        def load(self, level: int, rows: slice, cols: slice) -> npt.NDArray[np.uint8]:
            if level == 0:
                raise OSError("the disk is gone")
            return super().load(level, rows, cols)

    view.set_picture(Broken(np.full((2000, 2000), 50, np.uint8), levels=3), Orientation())
    said: list[str] = []
    view.failed.connect(said.append)
    settle(view)
    view.go_to(1000, 1000, 0.8)
    settle(view)
    qtbot.waitUntil(lambda: bool(said), timeout=5000)
    settle(view)
    assert said == ["the disk is gone"]
    assert view.grab().toImage().pixelColor(300, 200).red() == 50


def test_empty_view_says_what_to_do(view: MapView) -> None:
    view.set_empty("")
    blank = view.grab().toImage()
    view.set_empty("Gather maps to begin")
    assert view.grab().toImage() != blank
    assert view.viewport_window() == (slice(0, 0), slice(0, 0))
    click(view, QPoint(50, 50))
    QTest.keyClick(view, Qt.Key.Key_Plus)
    scroll(view, QPoint(50, 50), 3)
    view.set_picture(SyntheticPicture((600, 800)), Orientation())
    view.set_picture(None)
    assert view.picture is None
    view.grab()


# Moving about ------------------------------------------------------------------------------------


def test_fit_shows_all_and_stays_fitted(shown: MapView, qtbot: Any) -> None:
    assert shown.lens.whole
    assert shown.viewport_window() == (slice(0, 6000), slice(0, 8000))
    shown.resize(500, 500)
    assert shown.lens.whole
    assert shown.lens.um_per_px == pytest.approx(160_000 / (500 - 16))
    shown.zoom(2)
    scale = shown.lens.um_per_px
    shown.resize(600, 400)
    assert shown.lens.um_per_px == scale
    QTest.keyClick(shown, Qt.Key.Key_0)
    assert shown.lens.whole


@pytest.mark.parametrize("orientation", ORIENTATIONS[:5], ids=str)
def test_wheel_zooms_about_the_pointer(shown: MapView, orientation: Orientation) -> None:
    shown.set_orientation(orientation)
    scroll(shown, QPoint(300, 200), 6)
    where = QPoint(420, 130)
    before = shown.lens.to_map(QPointF(where))
    scale = shown.lens.um_per_px
    scroll(shown, where, 4)
    assert shown.lens.um_per_px == pytest.approx(scale / 2)
    assert shown.lens.to_map(QPointF(where)) == pytest.approx(before)
    scroll(shown, where, -4)
    assert shown.lens.um_per_px == pytest.approx(scale)


def test_zoom_has_ends(shown: MapView) -> None:
    scroll(shown, QPoint(300, 200), 500)
    assert shown.lens.um_per_px == pytest.approx(20 / 64)
    scroll(shown, QPoint(300, 200), -500)
    assert shown.lens.um_per_px == pytest.approx(4 * shown.lens.fitted())


@pytest.mark.parametrize("how", ["hand", "middle", "space"])
def test_drag_pans(shown: MapView, how: str) -> None:
    shown.go_to(80_000, 60_000, 20.0)
    start, stop = QPoint(200, 200), QPoint(260, 170)
    under = shown.lens.to_map(QPointF(start))
    if how == "hand":
        drag(shown, LEFT, [start, QPoint(230, 180), stop])
    elif how == "middle":
        shown.set_tool("distance")
        drag(shown, MIDDLE, [start, QPoint(230, 180), stop])
    else:
        shown.set_tool("distance")
        QTest.keyPress(shown, Qt.Key.Key_Space)
        drag(shown, LEFT, [start, QPoint(230, 180), stop])
        QTest.keyRelease(shown, Qt.Key.Key_Space)
    assert shown.lens.to_map(QPointF(stop)) == pytest.approx(under)
    move(shown, QPoint(100, 100))
    assert shown.lens.to_map(QPointF(stop)) == pytest.approx(under)


def test_keys_zoom_and_pan(shown: MapView) -> None:
    QTest.keyClick(shown, Qt.Key.Key_1)
    assert shown.lens.um_per_px == pytest.approx(20.0)
    QTest.keyClick(shown, Qt.Key.Key_Plus)
    QTest.keyClick(shown, Qt.Key.Key_Plus)
    assert shown.lens.um_per_px == pytest.approx(10.0)
    QTest.keyClick(shown, Qt.Key.Key_Minus)
    QTest.keyClick(shown, Qt.Key.Key_Minus)
    x, y = shown.lens.centre_um
    QTest.keyClick(shown, Qt.Key.Key_Right)
    assert shown.lens.centre_um == pytest.approx((x + 0.1 * 600 * 20, y))
    QTest.keyClick(shown, Qt.Key.Key_Up)
    assert shown.lens.centre_um == pytest.approx((x + 1200, y - 800))


def test_arrow_keys_pan_as_displayed(shown: MapView) -> None:
    shown.set_orientation(Orientation(quarter_turns=1))
    shown.go_to(80_000, 60_000, 20.0)
    QTest.keyClick(shown, Qt.Key.Key_Right)
    # Turned clockwise, the displayed right is the stored top.
    assert shown.lens.centre_um == pytest.approx((80_000, 60_000 - 1200))


def test_pointer_is_told_in_stored_coordinates(shown: MapView, qtbot: Any) -> None:
    shown.set_orientation(Orientation(quarter_turns=1, mirror=True))
    shown.go_to(50_010.0, 40_010.0, 2.0)
    with qtbot.waitSignal(shown.hovered) as told:
        move(shown, QPoint(300, 200))
    x, y, row, col = told.args
    assert (x, y) == pytest.approx((50_010, 40_010))
    assert (row, col) == (2000, 2500)
    shown.fit()
    with qtbot.waitSignal(shown.hover_left):
        move(shown, QPoint(1, 1))


def test_view_changes_are_told(shown: MapView, qtbot: Any) -> None:
    with qtbot.waitSignal(shown.view_changed) as told:
        shown.go_to(80_000, 60_000, 10.0)
    seen, scale = told.args
    assert scale == 10.0
    assert (seen.x(), seen.y(), seen.width(), seen.height()) == pytest.approx(
        (77_000, 58_000, 6000, 4000)
    )
    assert shown.viewport_window() == (slice(2900, 3100), slice(3850, 4150))


def test_window_with_pixels_that_are_not_square(view: MapView) -> None:
    view.set_picture(Plain(np.zeros((300, 400), np.uint8), pixel_um=(2.0, 5.0)), Orientation())
    view.go_to(400, 750, 0.5)
    assert view.viewport_window() == (slice(130, 170), slice(125, 275))
    view.set_orientation(Orientation(quarter_turns=3))
    assert view.viewport_window() == (slice(120, 180), slice(150, 250))


def test_turning_keeps_the_middle(shown: MapView) -> None:
    shown.go_to(30_000, 20_000, 20.0)
    shown.set_orientation(Orientation(quarter_turns=2, mirror=True))
    assert shown.lens.centre_um == (30_000, 20_000)
    assert shown.lens.um_per_px == 20.0


def test_linked_views_move_together(shown: MapView, qtbot: Any) -> None:
    other = MapView()
    qtbot.addWidget(other)
    other.resize(200, 200)
    other.set_picture(SyntheticPicture(), Orientation())
    other.link(shown.view_state)
    scroll(shown, QPoint(100, 100), 5)
    assert other.lens.centre_um == shown.lens.centre_um
    assert other.lens.um_per_px == shown.lens.um_per_px
    with qtbot.waitSignal(shown.view_changed):
        other.go_to(1000, 2000)
    assert shown.lens.centre_um == (1000, 2000)


def test_overview_steers(shown: MapView) -> None:
    assert shown._overview.place(shown.lens).isEmpty()
    shown.go_to(80_000, 60_000, 20.0)
    place = shown._overview.place(shown.lens)
    assert not place.isEmpty()
    quarter = QPointF(place.left() + place.width() / 4, place.top() + place.height() / 4)
    drag(shown, LEFT, [place.center().toPoint(), quarter.toPoint()])
    assert shown.lens.centre_um == pytest.approx((40_000, 30_000), abs=1500)


# Marks -------------------------------------------------------------------------------------------


DISTANCE = Mark(
    id="d1", map="map", kind="distance", points=((79_000.0, 60_000.0), (81_000.0, 60_000.0))
)


@pytest.fixture
def close(shown: MapView) -> MapView:
    """A view of 12 x 8 mm about the middle, 20 µm to a pixel of the screen."""
    shown.go_to(80_000, 60_000, 20.0)
    return shown


def collected(signal: Any) -> list[tuple[Any, ...]]:
    found: list[tuple[Any, ...]] = []
    signal.connect(lambda *args: found.append(args))
    return found


def test_distance_by_two_clicks(close: MapView) -> None:
    drawn = collected(close.mark_drawn)
    close.set_tool("distance")
    click(close, QPoint(200, 200))
    move(close, QPoint(300, 250))
    assert drawn == []
    click(close, QPoint(400, 300))
    ((kind, points, second, snaps),) = drawn
    assert kind == "distance"
    assert points[0] == pytest.approx(close.lens.to_map(QPointF(200, 200)))
    assert points[1] == pytest.approx(close.lens.to_map(QPointF(400, 300)))
    assert (second, snaps) == ((), ())
    assert close.tool == "distance"


def test_distance_by_one_drag(close: MapView) -> None:
    drawn = collected(close.mark_drawn)
    close.set_tool("distance")
    drag(close, LEFT, [QPoint(200, 200), QPoint(300, 200), QPoint(400, 200)])
    ((_, points, _, _),) = drawn
    assert math.dist(*points) == pytest.approx(4000.0)


@pytest.mark.parametrize("orientation", ORIENTATIONS, ids=str)
def test_shift_keeps_to_45_degrees_as_displayed(close: MapView, orientation: Orientation) -> None:
    close.set_orientation(orientation)
    drawn = collected(close.mark_drawn)
    close.set_tool("distance")
    click(close, QPoint(200, 200))
    click(close, QPoint(400, 212), SHIFT)
    click(close, QPoint(200, 200))
    click(close, QPoint(300, 290), SHIFT)
    flat, slanted = ([close.lens.to_view(*p) for p in points] for _, points, _, _ in drawn)
    assert flat[1].y() == pytest.approx(flat[0].y())
    step = slanted[1] - slanted[0]
    assert step.x() == pytest.approx(step.y())
    assert step.x() == pytest.approx(95)


def test_escape_drops_then_leaves(close: MapView) -> None:
    drawn = collected(close.mark_drawn)
    tools = collected(close.tool_changed)
    close.set_tool("distance")
    click(close, QPoint(200, 200))
    QTest.keyClick(close, Qt.Key.Key_Escape)
    assert close.tool == "distance"
    QTest.keyClick(close, Qt.Key.Key_Escape)
    assert close.tool == "hand"
    assert drawn == []
    assert tools == [("distance",), ("hand",)]


@pytest.mark.parametrize("end", ["enter", "double"])
def test_polyline(close: MapView, end: str) -> None:
    drawn = collected(close.mark_drawn)
    close.set_tool("polyline")
    spots = [QPoint(100, 100), QPoint(200, 150), QPoint(250, 300), QPoint(300, 100)]
    for spot in spots[:3]:
        click(close, spot)
    click(close, QPoint(400, 380))
    QTest.keyClick(close, Qt.Key.Key_Backspace)
    click(close, spots[3])
    if end == "enter":
        QTest.keyClick(close, Qt.Key.Key_Return)
    else:
        QTest.mouseDClick(close, LEFT, PLAIN, spots[3])
    ((kind, points, _, _),) = drawn
    assert kind == "polyline"
    assert len(points) == 4
    for point, spot in zip(points, spots, strict=True):
        assert point == pytest.approx(close.lens.to_map(QPointF(spot)))


@pytest.mark.parametrize("kind", ["angle", "perpendicular"])
def test_three_clicks(close: MapView, kind: str) -> None:
    drawn = collected(close.mark_drawn)
    close.set_tool(kind)
    spots = [QPoint(100, 100), QPoint(200, 300), QPoint(400, 200)]
    for spot in spots:
        click(close, spot)
    ((told, points, _, _),) = drawn
    assert told == kind
    assert points[1] == pytest.approx(close.lens.to_map(QPointF(200, 300)))


def test_thickness_draws_two_lines(close: MapView) -> None:
    drawn = collected(close.mark_drawn)
    hints = collected(close.hint_changed)
    close.set_tool("thickness")
    for x in (100, 200, 300):
        click(close, QPoint(x, 100))
    QTest.keyClick(close, Qt.Key.Key_Enter)
    assert "second" in hints[-1][0]
    close.grab()
    for x in (300, 120):
        click(close, QPoint(x, 180))
        close.grab()
    QTest.mouseDClick(close, LEFT, PLAIN, QPoint(120, 180))
    ((kind, points, second, _),) = drawn
    assert (kind, len(points), len(second)) == ("thickness", 3, 2)


def test_ends_of_a_distance_snap_along_it(close: MapView) -> None:
    asked: list[Any] = []

    def snap(x: float, y: float, along: Any) -> tuple[Point, Snap] | None:
        asked.append((x, y, along))
        return ((x + 100.0, y), SNAP) if x < 80_000 else None

    drawn = collected(close.mark_drawn)
    close.set_snap(snap)
    close.set_tool("distance")
    click(close, at(close, 78_000, 60_000))
    click(close, at(close, 82_000, 60_000))
    ((_, points, _, snaps),) = drawn
    assert points[0] == pytest.approx((78_100, 60_000))
    assert points[1] == pytest.approx((82_000, 60_000))
    assert snaps == (SNAP, None)
    assert [along for *_, along in asked] == [(1.0, 0.0), (1.0, 0.0)]


def test_dragging_an_end_moves_the_mark(close: MapView) -> None:
    close.set_marks([DISTANCE])
    moved = collected(close.mark_moved)
    picked = collected(close.mark_picked)
    end = at(close, 81_000, 60_000)
    # Taken hold of two pixels off its middle: the end must not jump.
    drag(close, LEFT, [end + QPoint(2, 1), end + QPoint(30, 20), end + QPoint(42, 41)])
    assert picked == [("d1",)]
    assert [finished for *_, finished in moved] == [False, False, True]
    _, points, second, snaps, _ = moved[-1]
    assert points[0] == DISTANCE.points[0]
    assert points[1] == pytest.approx((81_800, 60_800))
    assert (second, snaps) == ((), ())


def test_escape_puts_a_dragged_end_back(close: MapView) -> None:
    close.set_marks([DISTANCE])
    moved = collected(close.mark_moved)
    end = at(close, 81_000, 60_000)
    QTest.mousePress(close, LEFT, PLAIN, end)
    move(close, end + QPoint(40, 0), LEFT)
    QTest.keyClick(close, Qt.Key.Key_Escape)
    assert moved[-1][1] == DISTANCE.points
    assert moved[-1][-1] is True
    QTest.mouseRelease(close, LEFT, PLAIN, end + QPoint(40, 0))
    assert len(moved) == 2


def test_a_dragged_end_snaps_when_let_go(close: MapView) -> None:
    close.set_marks([DISTANCE])
    close.set_snap(lambda x, y, along: ((x, y + 7.0), SNAP))
    moved = collected(close.mark_moved)
    end = at(close, 81_000, 60_000)
    drag(close, LEFT, [end, end + QPoint(50, 0), end + QPoint(100, 0)])
    _, points, _, snaps, finished = moved[-1]
    assert finished
    assert points[1] == pytest.approx((83_000, 60_007))
    assert snaps == (None, SNAP)


def test_the_end_that_is_not_dragged_keeps_its_place_and_its_snap(close: MapView) -> None:
    before = Snap(3.0, (0.6, 0.8), 0.2)
    close.set_marks([replace(DISTANCE, snaps=(before, SNAP))])
    new = Snap(2.0, (1.0, 0.0))
    close.set_snap(lambda x, y, along: ((x, y + 7.0), new))
    moved = collected(close.mark_moved)
    end = at(close, 81_000, 60_000)
    drag(close, LEFT, [end, end + QPoint(50, 0), end + QPoint(100, 0)])
    _, points, _, snaps, _ = moved[-1]
    assert points[0] == DISTANCE.points[0]
    assert snaps == (before, new)


def test_the_point_of_a_perpendicular_snaps_square_to_its_line(close: MapView) -> None:
    points = ((79_000.0, 60_000.0), (81_000.0, 60_000.0), (80_000.0, 60_400.0))
    close.set_marks([Mark(id="h1", map="map", kind="perpendicular", points=points)])
    asked: list[Any] = []
    close.set_snap(lambda x, y, along: asked.append(along))
    end = at(close, 80_000, 60_400)
    drag(close, LEFT, [end, end + QPoint(0, 20), end + QPoint(0, 40)])
    assert asked == [(0.0, 1.0)]


def test_pointer_finds_marks(close: MapView) -> None:
    close.set_marks([DISTANCE])
    over = collected(close.mark_hovered)
    picked = collected(close.mark_picked)
    opened = collected(close.mark_activated)
    removed = collected(close.mark_removed)
    middle = at(close, 80_000, 60_000)
    move(close, middle + QPoint(0, 3))
    move(close, middle + QPoint(0, 60))
    assert over == [("d1",), ("",)]
    assert close.mark_at(QPointF(middle)) == "d1"
    click(close, middle)
    click(close, middle + QPoint(0, 90))
    assert picked == [("d1",), ("",)]
    QTest.mouseDClick(close, LEFT, PLAIN, middle)
    assert opened == [("d1",)]
    close.select_mark("d1")
    QTest.keyClick(close, Qt.Key.Key_Delete)
    assert removed == [("d1",)]


def test_glow_and_selection_show(close: MapView, settle: Callable[[MapView], None]) -> None:
    settle(close)
    plain = close.grab().toImage()
    close.set_marks([DISTANCE])
    marked = close.grab().toImage()
    close.glow("d1")
    glowing = close.grab().toImage()
    close.glow(None)
    close.select_mark("d1")
    selected = close.grab().toImage()
    images = [plain, marked, glowing, selected]
    for i, one in enumerate(images):
        assert all(one != other for other in images[i + 1 :])


def test_text_is_never_mirrored(view: MapView, settle: Callable[[MapView], None]) -> None:
    """The reading of a mark in the middle looks the same on a mirrored map."""
    view.set_overlays(False)
    picture = Plain(np.full((200, 200), 90, np.uint8))
    mark = Mark(id="a", map="map", kind="distance", points=((60.0, 100.0), (140.0, 100.0)))
    view.set_marks([mark])
    view.set_picture(picture, Orientation())
    settle(view)
    one = view.grab().toImage()
    view.set_orientation(Orientation(mirror=True))
    settle(view)
    assert view.grab().toImage() == one


def test_reading_is_asked_for_once(close: MapView) -> None:
    asked: list[Mark] = []

    def describe(mark: Mark) -> str:
        asked.append(mark)
        return "2.00 mm"

    close.set_describe(describe)
    close.set_marks([DISTANCE])
    for _ in range(5):
        close.grab()
    assert asked == [DISTANCE]


# Outline and way-up ------------------------------------------------------------------------------

SQUARE = (((78_000.0, 58_500.0), (82_000.0, 58_500.0), (82_000.0, 61_500.0), (78_000.0, 61_500.0)),)


def test_outline_vertex_is_dragged(close: MapView) -> None:
    close.set_outline(SQUARE)
    close.set_tool("outline")
    edited = collected(close.outline_edited)
    corner = at(close, 82_000, 58_500)
    drag(close, LEFT, [corner, corner + QPoint(10, 0), corner + QPoint(25, -10)])
    assert [finished for _, finished in edited] == [False, False, True]
    polygons, _ = edited[-1]
    assert polygons[0][1] == pytest.approx((82_500, 58_300))
    assert polygons[0][0] == SQUARE[0][0]


def test_outline_vertex_is_added_and_removed(close: MapView) -> None:
    close.set_outline(SQUARE)
    close.set_tool("outline")
    edited = collected(close.outline_edited)
    on_edge = at(close, 80_000, 58_500)
    move(close, on_edge)
    QTest.mouseDClick(close, LEFT, PLAIN, on_edge)
    polygons, finished = edited[-1]
    assert finished
    assert len(polygons[0]) == 5
    assert polygons[0][1] == pytest.approx((80_000, 58_500))
    corner = at(close, 78_000, 61_500)
    move(close, corner)
    QTest.keyClick(close, Qt.Key.Key_Delete)
    polygons, _ = edited[-1]
    assert len(polygons[0]) == 4
    assert SQUARE[0][3] not in polygons[0]


def test_outline_is_drawn_from_nothing(close: MapView) -> None:
    close.set_tool("outline")
    edited = collected(close.outline_edited)
    corners = [QPoint(100, 100), QPoint(300, 100), QPoint(200, 300)]
    for corner in corners:
        click(close, corner)
    close.grab()
    click(close, corners[0])
    ((polygons, finished),) = edited
    assert finished
    assert len(polygons) == 1
    assert polygons[0][2] == pytest.approx(close.lens.to_map(QPointF(200, 300)))


def test_outline_takes_a_second_polygon(close: MapView) -> None:
    close.set_outline(SQUARE)
    close.set_tool("outline")
    edited = collected(close.outline_edited)
    click(close, QPoint(280, 180), Qt.KeyboardModifier.ControlModifier)
    click(close, QPoint(320, 180))
    click(close, QPoint(300, 220))
    QTest.keyClick(close, Qt.Key.Key_Return)
    polygons, _ = edited[-1]
    assert len(polygons) == 2
    assert polygons[0] == SQUARE[0]


def test_nearest_vertex_before_edge(close: MapView) -> None:
    lens = close.lens
    corner = lens.to_view(82_000, 58_500)
    assert outline_item.find(SQUARE, lens, corner + QPointF(4, 4)) == outline_item.Spot(0, 1)
    found = outline_item.find(SQUARE, lens, lens.to_view(80_000, 58_500) + QPointF(0, 3))
    assert found is not None
    assert found.edge == pytest.approx((80_000, 58_500))
    assert outline_item.find(SQUARE, lens, QPointF(300, 200)) is None


def test_way_up_is_told_as_displayed(close: MapView) -> None:
    close.set_orientation(Orientation(quarter_turns=1, mirror=True))
    told = collected(close.way_up_drawn)
    close.set_tool("way-up")
    drag(close, LEFT, [QPoint(300, 200), QPoint(350, 200), QPoint(400, 200)])
    drag(close, LEFT, [QPoint(300, 200), QPoint(310, 100), QPoint(330, 100)], SHIFT)
    drag(close, LEFT, [QPoint(300, 200), QPoint(301, 201)])
    assert [round(degrees, 9) for (degrees,) in told] == [90.0, 0.0]


def test_every_tool_draws(close: MapView) -> None:
    for name in TOOLS:
        close.set_tool(name)
        assert close.hint
        move(close, QPoint(100, 100))
        close.grab()
    with pytest.raises(ValueError, match="no tool"):
        close.set_tool("lasso")


# Qt helpers --------------------------------------------------------------------------------------


def test_pixels_share_memory() -> None:
    pixels = Pixels(3, 5)
    pixels.array[...] = 0
    pixels.array[2, 4] = (10, 20, 30, 255)
    assert pixels.image.pixelColor(4, 2) == QColor(30, 20, 10)


def test_image_of_owns_its_memory() -> None:
    array = np.full((4, 3, 4), 9, np.uint8)
    image = image_of(array)
    array[...] = 0
    del array
    assert image.pixelColor(2, 3) == QColor(9, 9, 9)


def test_silenced_gives_back_what_was(view: MapView) -> None:
    found = collected(view.hover_left)
    with silenced(view):
        view.hover_left.emit()
        with silenced(view):
            pass
        view.hover_left.emit()
    view.hover_left.emit()
    assert len(found) == 1


def test_elided_label_keeps_its_text(qtbot: Any) -> None:
    label = ElidedLabel("A rather long name of a map that will not fit")
    qtbot.addWidget(label)
    label.resize(80, 20)
    label.show()
    label.grab()
    assert label.text().endswith("not fit")
    assert label.toolTip() == label.text()
    label.resize(600, 20)
    label.grab()
    assert label.toolTip() == ""


def test_readings_stay_in_view_and_give_way_to_each_other() -> None:
    frame = QRectF(4, 4, 392, 292)
    cut = Label("2.4 mm", QRectF(370, 100, 60, 16)).within(frame)
    assert cut.box == QRectF(336, 100, 60, 16)
    gone = Label("far", QRectF(900, 100, 60, 16))
    assert gone.within(frame) is gone
    below = Label("other", QRectF(340, 104, 60, 16)).clear_of([cut.box])
    assert not below.box.intersects(cut.box)
    assert abs(below.box.center().y() - 112) <= 20
