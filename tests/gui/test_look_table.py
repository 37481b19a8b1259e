"""The light table: cells that zoom, pan and point together."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QEnterEvent, QWheelEvent
from PySide6.QtWidgets import QApplication, QLineEdit
from pytestqt.qtbot import QtBot

from viewer.errors import InputError
from viewer.panels import theme
from viewer.panels.look.block_loader import BlockLoader, Window
from viewer.panels.look.layers import Flag, LayerEntry
from viewer.panels.look.light_table import LightTable
from viewer.panels.look.table_view import TableMap, TableView, columns_for
from viewer.science.look.orient import Orientation

SHAPE = (300, 700)
PIXEL = (20.0, 25.0)
NAMES = ("Fe", "Mg", "Ca", "Al", "Si")
ZOOM = 4.0


class Source:
    """Layers whose every pixel is known: a ramp that differs from neighbour to neighbour."""

    def __init__(self) -> None:
        rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
        base = ((rows * 7 + cols * 3) % 256).astype(np.uint16)
        self.levels = {name: pyramid(np.roll(base, 11 * i, 1)) for i, name in enumerate(NAMES)}
        self.threads: set[int] = set()
        self.reads: list[tuple[str, int]] = []
        self.tables = {name: (np.arange(65536) % 256).astype(np.uint8) for name in NAMES}

    def load(self, layer: str, level: int, rows: slice, cols: slice) -> npt.NDArray[np.uint16]:
        self.threads.add(threading.get_ident())
        self.reads.append((layer, level))
        return self.levels[layer][level][rows, cols]

    def lut(self, layer: str, level: int) -> npt.NDArray[np.uint8]:
        return self.tables[layer]

    def values(self, layer: str, level: int) -> npt.NDArray[np.float64]:
        return np.arange(65536, dtype=np.float64)


def pyramid(codes: npt.NDArray[np.uint16]) -> list[npt.NDArray[np.uint16]]:
    levels = [codes]
    while max(levels[-1].shape) > 256:
        levels.append(levels[-1][::2, ::2])
    return levels


def entries() -> list[LayerEntry]:
    flag = Flag(short="striped", words="Some lines are brighter than their neighbours.")
    return [
        LayerEntry(
            id=name,
            name=name,
            number=number,
            dtype="uint16",
            minimum=0,
            maximum=255,
            structure=structure,
            flags=(flag,) if name == "Al" else (),
        )
        for name, number, structure in zip(NAMES, (26, 12, 20, 13, 14), (1, 5, 3, 0.1, 4), strict=True)
    ]


def table_map(source: Source, orientation: Orientation | None = None) -> TableMap:
    shapes = tuple(x.shape for x in source.levels["Fe"])
    return TableMap(SHAPE, PIXEL, shapes, orientation or Orientation())


@pytest.fixture(autouse=True, scope="module")
def _dressed(qapp: QApplication) -> None:
    theme.apply(qapp, "dark")


@pytest.fixture
def source() -> Source:
    return Source()


@pytest.fixture
def table(qtbot: QtBot, source: Source) -> Iterator[LightTable]:
    widget = LightTable(source)
    qtbot.addWidget(widget)
    widget.resize(900, 600)
    widget.set_map(table_map(source), entries())
    widget.show()
    settle(qtbot, widget)
    yield widget
    widget.grid.stop()


def settle(qtbot: QtBot, table: LightTable) -> None:
    def read() -> bool:
        return (
            not table.grid._ask.isActive()
            and not table.grid._loader._busy
            and all(c.base is not None for c in table.grid._visible())
        )

    qtbot.waitUntil(read, timeout=5000)
    qtbot.wait(30)


def wheel(table: LightTable, at: QPointF, turned: int) -> None:
    port = table.grid.viewport()
    event = QWheelEvent(
        at, QPointF(port.mapToGlobal(at.toPoint())), QPoint(), QPoint(0, turned),
        Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier,
        Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    QApplication.sendEvent(port, event)


# -- geometry ------------------------------------------------------------------------------------

ORIENTATIONS = st.builds(
    Orientation, quarter_turns=st.integers(0, 3), mirror=st.booleans(), way_up_deg=st.none()
)


@given(ORIENTATIONS, st.integers(0, 299), st.integers(0, 699))
def test_pixel_at_finds_the_pixel_that_is_shown_there(
    orientation: Orientation, row: int, col: int
) -> None:
    grid = TableMap(SHAPE, PIXEL, (SHAPE, (150, 350), (75, 175)), orientation)
    x, y = orientation.to_display((col + 0.5) * PIXEL[0], (row + 0.5) * PIXEL[1], *grid.stored_um)
    assert grid.pixel_at(x, y, 0) == (row, col)
    assert grid.pixel_at(x, y, 1) == (row // 2, col // 2)


@given(
    ORIENTATIONS,
    st.floats(0, 1),
    st.floats(0, 1),
    st.floats(0.01, 1),
    st.integers(0, 2),
)
def test_window_covers_what_is_shown(
    orientation: Orientation, x: float, y: float, size: float, level: int
) -> None:
    grid = TableMap(SHAPE, PIXEL, (SHAPE, (150, 350), (75, 175)), orientation)
    width, height = grid.shown_um
    half = size * 3000.0
    shown = (x * width - half, y * height - half, x * width + half, y * height + half)
    window = grid.window("Fe", level, shown, 0.0)
    left, top, right, bottom = grid.window_um(window)
    reach = max(PIXEL) * 2**level
    assert left <= max(shown[0], 0.0) + 1e-6
    assert top <= max(shown[1], 0.0) + 1e-6
    assert right >= min(shown[2], width) - 1e-6
    assert bottom >= min(shown[3], height) - 1e-6
    assert right - left <= (shown[2] - shown[0]) + 2.001 * reach


@given(st.floats(0, 14000), st.floats(0, 7000), st.floats(1, 50), st.floats(0.2, 5))
def test_zoom_keeps_the_place_under_the_mouse(x: float, y: float, scale: float, by: float) -> None:
    view = TableView(7000.0, 3500.0, scale)
    before = view.pixel(x, y, 300, 200)
    after = view.zoomed(by, (x, y), 0.1, 500.0).pixel(x, y, 300, 200)
    assert after == pytest.approx(before, abs=1e-6)


def test_level_never_shows_pixels_larger_than_the_screens() -> None:
    grid = TableMap((4000, 4000), (10.0, 10.0), ((4000, 4000), (2000, 2000), (1000, 1000)))
    assert [grid.level_for(s) for s in (5.0, 10.0, 19.9, 20.0, 39.0, 40.0, 4000.0)] == [
        0, 0, 0, 1, 1, 2, 2,
    ]  # fmt: skip


@pytest.mark.parametrize("count", [1, 5, 14, 40])
def test_all_cells_are_in_view_where_they_are_not_too_small(count: int) -> None:
    columns = columns_for(count, 1400, 900, 0.4, 24, 8, 150)
    width = (1400 - 8 * (columns + 1)) / columns
    rows = -(-count // columns)
    assert width >= 150
    if count < 40:
        assert rows * 24 + 8 * (rows + 1) < 900


# -- hands ---------------------------------------------------------------------------------------


def test_pixels_are_read_off_the_window_thread(table: LightTable, source: Source) -> None:
    assert source.threads
    assert threading.get_ident() not in source.threads


def test_cells_show_the_pixels(table: LightTable, source: Source, qtbot: QtBot) -> None:
    grid = table.grid
    grid.set_view(TableView(350 * 20.0, 150 * 25.0, 25.0 / ZOOM))
    settle(qtbot, table)
    picture = grid.grab().toImage()
    rect = grid.picture_rect("Mg")
    for row, col in ((148, 346), (152, 353), (150, 350)):
        x, y = grid.view.pixel((col + 0.5) * 20.0, (row + 0.5) * 25.0, rect.width(), rect.height())
        seen = picture.pixelColor(round(rect.left() + x), round(rect.top() + y))
        assert seen.red() == source.levels["Mg"][0][row, col]


def test_turned_map_is_shown_turned(table: LightTable, source: Source, qtbot: QtBot) -> None:
    orientation = Orientation(quarter_turns=1, mirror=True)
    table.set_map(table_map(source, orientation), entries())
    settle(qtbot, table)
    grid = table.grid
    stored = ((350 + 0.5) * 20.0, (100 + 0.5) * 25.0)
    x, y = orientation.to_display(*stored, 700 * 20.0, 300 * 25.0)
    grid.set_view(TableView(x, y, 20.0 / ZOOM))
    settle(qtbot, table)
    rect = grid.picture_rect("Fe")
    seen = grid.grab().toImage().pixelColor(rect.center().toPoint())
    assert seen.red() == source.levels["Fe"][0][100, 350]


def test_wheel_zooms_all_cells_about_the_mouse(table: LightTable, qtbot: QtBot) -> None:
    grid = table.grid
    rect = grid.picture_rect("Mg")
    at = QPointF(round(rect.left() + rect.width() * 0.3), round(rect.center().y()))
    before = grid.view
    assert before is not None
    here = before.at(at.x() - rect.left(), at.y() - rect.top(), rect.width(), rect.height())
    wheel(table, at, 240)
    after = grid.view
    assert after is not None
    assert after.um_per_px == pytest.approx(before.um_per_px / 2)
    moved = after.at(at.x() - rect.left(), at.y() - rect.top(), rect.width(), rect.height())
    assert moved == pytest.approx(here)
    wheel(table, at, -2400)
    assert grid.view == before


def test_drag_on_a_picture_pans_and_does_not_select(table: LightTable, qtbot: QtBot) -> None:
    grid, port = table.grid, table.grid.viewport()
    grid.zoom(4.0)
    before = grid.view
    assert before is not None
    start = grid.picture_rect("Fe").center().toPoint()
    chosen: list[str] = []
    table.selected.connect(chosen.append)
    qtbot.mousePress(port, Qt.MouseButton.LeftButton, pos=start)
    qtbot.mouseMove(port, start + QPoint(15, 0))
    qtbot.mouseMove(port, start + QPoint(30, 10))
    qtbot.mouseRelease(port, Qt.MouseButton.LeftButton, pos=start + QPoint(30, 10))
    after = grid.view
    assert after is not None
    assert before.x - after.x == pytest.approx(30 * before.um_per_px)
    assert before.y - after.y == pytest.approx(10 * before.um_per_px)
    assert chosen == []


def test_click_selects_and_double_click_opens(table: LightTable, qtbot: QtBot) -> None:
    port = table.grid.viewport()
    at = table.grid.picture_rect("Ca").center().toPoint()
    with qtbot.waitSignal(table.selected) as told:
        qtbot.mouseClick(port, Qt.MouseButton.LeftButton, pos=at)
    assert told.args == ["Ca"]
    with qtbot.waitSignal(table.opened) as opened:
        qtbot.mouseDClick(port, Qt.MouseButton.LeftButton, pos=at)
    assert opened.args == ["Ca"]


@pytest.mark.parametrize(
    ("key", "slot"),
    [("1", 0), ("2", 1), ("3", 2), ("r", 0), ("g", 1), ("b", 2)],
)
def test_keys_send_the_cell_under_the_mouse(
    table: LightTable, qtbot: QtBot, key: str, slot: int
) -> None:
    grid = table.grid
    qtbot.mouseMove(grid.viewport(), grid.picture_rect("Si").center().toPoint())
    with qtbot.waitSignal(table.slot_requested) as told:
        qtbot.keyClicks(grid, key)
    assert told.args == ["Si", slot]


def test_all_cells_read_the_same_place(table: LightTable, source: Source, qtbot: QtBot) -> None:
    grid = table.grid
    grid.set_view(TableView(350.5 * 20.0, 150.5 * 25.0, 1.0))
    settle(qtbot, table)
    qtbot.mouseMove(grid.viewport(), grid.picture_rect("Al").center().toPoint())
    for name in NAMES:
        assert grid.reading(name) == (float(source.levels[name][0][150, 350]), False)
    qtbot.mouseMove(grid.viewport(), grid.caption_rect("Al").center().toPoint())
    assert grid.reading("Al") is None


def test_zoomed_out_readings_are_marked_as_means(table: LightTable, qtbot: QtBot) -> None:
    grid = table.grid
    table.columns.setCurrentIndex(table.columns.findData(6))
    settle(qtbot, table)
    qtbot.mouseMove(grid.viewport(), grid.picture_rect("Al").center().toPoint())
    reading = grid.reading("Al")
    assert reading is not None
    assert reading[1] is True
    assert grid.averaged > 1
    assert table.summary.text() == f"≈ mean of {grid.averaged} × {grid.averaged} px"
    assert f"{grid.averaged} × {grid.averaged} px" in grid._mean_words()
    grid.zoom(64.0)
    assert grid.averaged == 1
    assert "layers" in table.summary.text()


def test_the_pointer_brings_the_keys_but_leaves_typing_alone(table: LightTable, qtbot: QtBot) -> None:
    line = QLineEdit()
    qtbot.addWidget(line)
    table.layout().addWidget(line)
    line.show()
    table.activateWindow()
    qtbot.waitUntil(table.isActiveWindow, timeout=5000)
    at = QPointF(30.0, 30.0)
    line.setFocus()
    QApplication.sendEvent(table.grid.viewport(), QEnterEvent(at, at, at))
    assert line.hasFocus()
    table.sort.setFocus()
    QApplication.sendEvent(table.grid.viewport(), QEnterEvent(at, at, at))
    assert table.grid.hasFocus()


def test_orders(table: LightTable) -> None:
    assert table.grid.layer_ids() == ["Mg", "Al", "Si", "Ca", "Fe"]
    table.sort.setCurrentIndex(table.sort.findData("name"))
    assert table.grid.layer_ids() == ["Al", "Ca", "Fe", "Mg", "Si"]
    table.sort.setCurrentIndex(table.sort.findData("structure"))
    assert table.grid.layer_ids() == ["Mg", "Si", "Ca", "Fe", "Al"]


def test_a_new_order_reads_nothing_again(table: LightTable, source: Source, qtbot: QtBot) -> None:
    before = len(source.reads)
    table.sort.setCurrentIndex(table.sort.findData("name"))
    settle(qtbot, table)
    assert len(source.reads) == before


def test_a_new_stretch_reads_nothing_again(table: LightTable, source: Source, qtbot: QtBot) -> None:
    before = len(source.reads)
    dark = table.grid.grab().toImage()
    source.tables["Fe"] = (255 - source.tables["Fe"]).astype(np.uint8)
    table.grid.recolour("Fe")
    assert table.grid.grab().toImage() != dark
    assert len(source.reads) == before


def test_whole_map_stays_shown_when_the_window_changes(table: LightTable, qtbot: QtBot) -> None:
    grid = table.grid
    for size in ((700, 500), (1100, 800)):
        table.resize(*size)
        qtbot.waitUntil(lambda s=size: table.size().width() >= s[0] - 1)
        qtbot.wait(20)
        assert grid.view == grid._fit()
    grid.zoom(3.0)
    near = grid.view
    table.resize(800, 600)
    qtbot.wait(20)
    assert grid.view == near


def test_slots_are_marked(table: LightTable) -> None:
    before = table.grid.grab().toImage()
    table.grid.set_slots(("Fe", "Mg", None))
    assert table.grid.grab().toImage() != before


def test_many_cells_scroll(table: LightTable, source: Source, qtbot: QtBot) -> None:
    table.columns.setCurrentIndex(table.columns.findData(1))
    bar = table.grid.verticalScrollBar()
    assert bar.maximum() > 0
    qtbot.keyClick(table.grid, Qt.Key.Key_Down)
    for _ in NAMES:
        qtbot.keyClick(table.grid, Qt.Key.Key_Down)
    assert bar.value() > 0


def test_empty_table_says_what_to_do(qtbot: QtBot, source: Source) -> None:
    widget = LightTable(source)
    qtbot.addWidget(widget)
    widget.set_map(None, ())
    widget.grab()
    assert widget.grid.layer_ids() == []
    assert widget.summary.text() == ""


def test_a_layer_that_cannot_be_read_says_why(qtbot: QtBot, source: Source) -> None:
    class Broken(Source):
        def load(self, layer: str, level: int, rows: slice, cols: slice) -> npt.NDArray[np.uint16]:
            if layer == "Ca":
                raise InputError("The tile is damaged.")
            return super().load(layer, level, rows, cols)

    widget = LightTable(Broken())
    qtbot.addWidget(widget)
    widget.set_map(table_map(source), entries())
    widget.resize(900, 600)
    widget.show()
    grid = widget.grid
    qtbot.waitUntil(lambda: any(c.error for c in grid._cells), timeout=5000)
    assert {c.layer.id for c in grid._cells if c.error} == {"Ca"}
    grid.stop()


def test_overtaken_windows_are_not_read(qtbot: QtBot) -> None:
    gate = threading.Event()
    read: list[str] = []

    def load(layer: str, level: int, rows: slice, cols: slice) -> npt.NDArray[np.uint16]:
        gate.wait(5)
        read.append(layer)
        return np.zeros((1, 1), np.uint16)

    loader = BlockLoader(load)
    loader.want([Window(name, 0, 0, 1, 0, 1) for name in ("a", "b", "c")])
    qtbot.wait(30)
    loader.want([Window("d", 0, 0, 1, 0, 1)])
    gate.set()
    loader._pool.waitForDone()
    assert read == ["a", "d"]


def test_a_layer_with_other_pixels_is_read_anew_and_no_other(
    table: LightTable, source: Source, qtbot: QtBot
) -> None:
    before = entries()
    source.reads.clear()
    table.set_map(table_map(source), before)
    settle(qtbot, table)
    assert source.reads == []
    changed = table.grid._visible()[0].layer.id
    after = [replace(e, content="worked out anew") if e.id == changed else e for e in before]
    table.set_map(table_map(source), after)
    settle(qtbot, table)
    assert {layer for layer, _ in source.reads} == {changed}
