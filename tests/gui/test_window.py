"""The window as a user meets it: from a folder of maps to a measurement and back by undo."""

from __future__ import annotations

import gc
import threading
import time
import weakref
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import pytest
import tifffile
from msgspec.structs import replace
from PySide6.QtCore import QEvent, QMimeData, QPoint, QPointF, QSettings, Qt, QUrl
from PySide6.QtGui import QDropEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QApplication,
    QFileDialog,
    QInputDialog,
    QLineEdit,
)
from pytestqt.qtbot import QtBot

from viewer.desk import drawing, measuring
from viewer.desk.deriving import derive
from viewer.desk.desk import Desk
from viewer.desk.gather import gather, plan
from viewer.desk.measures.result import Drawn, Finding, Overlay, Result
from viewer.errors import InputError
from viewer.intake.formats import scan
from viewer.panels import theme
from viewer.panels.map.shapes import DRAW_TOOLS
from viewer.panels.measure import run_strip
from viewer.panels.measure.ruler_tools import RULERS
from viewer.panels.shell.window import MainWindow
from viewer.panels.shell.workspace import Workspace
from viewer.science.progress import Progress
from viewer.science.sort.recipe import Formula
from viewer.store.documents import Mark
from viewer.store.project import Project, new_project
from viewer.store.requests import REQUESTS, Request, Window

ROWS, COLS = 300, 420


@pytest.fixture(scope="module")
def maps(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of four maps of two halves of different rock, 10 µm a pixel."""
    folder = tmp_path_factory.mktemp("maps") / "hollin-C"
    folder.mkdir()
    rng = np.random.default_rng(8)
    half = np.arange(ROWS)[:, None] < ROWS // 2
    for name, above, below in (("Fe", 20, 150), ("Cr", 5, 90), ("Al", 200, 30), ("Ca", 90, 60)):
        level = np.where(half, above, below) * np.ones((1, COLS))
        tifffile.imwrite(
            folder / f"hollin-C-{name}-K.tif",
            rng.poisson(level).astype(np.uint16),
            resolution=(1000, 1000),
            resolutionunit="CENTIMETER",
        )
    return folder


@pytest.fixture(scope="module")
def gathered(maps: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("project") / "hollin.maps.h5"
    gather(plan(scan([maps]), target, name="Slab C"))
    return target


@pytest.fixture
def settings(tmp_path: Path, qapp: QApplication) -> None:
    qapp.setOrganizationName("Grainlight")
    qapp.setApplicationName("Grainlight tests")
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, str(tmp_path))
    theme.apply(qapp, "dark")


@pytest.fixture
def window(qtbot: QtBot, settings: None) -> Iterator[MainWindow]:
    made = MainWindow()
    qtbot.addWidget(made)
    made.resize(1400, 900)
    made.show()
    yield made
    made.close()


@pytest.fixture
def opened(window: MainWindow, gathered: Path, tmp_path: Path, qtbot: QtBot) -> Workspace:
    copy = tmp_path / "copy.maps.h5"
    copy.write_bytes(gathered.read_bytes())
    assert window.open_project(copy)
    assert window.workspace is not None
    rest(window, qtbot)
    return window.workspace


def rest(window: MainWindow, qtbot: QtBot) -> None:
    """Wait until nothing is being read, counted or drawn."""
    space = window.workspace
    assert space is not None
    qtbot.waitUntil(lambda: not space.look.busy and not space.desk.jobs.running, timeout=30_000)


def press(window: MainWindow, name: str) -> None:
    action = window.actions_by_name[name]
    assert action.isEnabled(), name
    action.trigger()


def test_an_empty_window_says_what_to_do_and_offers_nothing_else(window: MainWindow) -> None:
    assert window.middle.currentWidget() is window.welcome
    assert window.welcome.gather.isVisible()
    for name in ("export", "turn_left", "undo", "measure", "close", "ledger"):
        assert not window.actions_by_name[name].isEnabled()


def test_a_dropped_folder_becomes_a_project(
    window: MainWindow, maps: Path, tmp_path: Path, qtbot: QtBot
) -> None:
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(str(maps))])
    window.dropEvent(
        QDropEvent(
            QPointF(300, 300), Qt.DropAction.CopyAction, mime, Qt.MouseButton.LeftButton,
            Qt.KeyboardModifier.NoModifier,
        )
    )  # fmt: skip
    page = window._intake
    assert page is not None
    qtbot.waitUntil(lambda: len(page.draft.lines) == 4 and not page.trouble, timeout=20_000)
    from viewer.panels.intake.draft import plan_of

    planned = plan_of(page.draft)
    page.close()
    window.gather(msgspec_replace(planned, target=tmp_path / "new.maps.h5"))
    qtbot.waitUntil(lambda: window.workspace is not None, timeout=30_000)
    assert window.workspace is not None
    desk = window.workspace.desk
    assert [x.element for x in desk.map().channels.values()] == ["Al", "Ca", "Cr", "Fe"]
    assert desk.map().pixel_um == (10.0, 10.0)
    assert "Gathered" in window.messages.text.text()


def msgspec_replace(planned, **changes):  # type: ignore[no-untyped-def]
    import dataclasses

    return dataclasses.replace(planned, **changes)


def test_every_command_has_words_and_the_shortcuts_are_distinct(
    window: MainWindow, opened: Workspace
) -> None:
    keys: dict[str, str] = {}
    actions = {a.text(): a for a in (*window.actions_by_name.values(), *opened.go_to_actions())}
    for action in actions.values():
        assert action.text()
        assert action.toolTip()
        shortcut = action.shortcut().toString()
        if shortcut:
            assert shortcut not in keys, f"{shortcut}: {action.text()} and {keys.get(shortcut)}"
            keys[shortcut] = action.text()


def test_a_distance_drawn_with_the_mouse_is_a_row_that_undo_takes_back(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    opened.look.set_mode("single")
    rest(window, qtbot)
    opened.take_tool("distance")
    view = opened.view
    assert opened.bench == "measure"
    lens = view.lens
    ends = ((1000.0, 500.0), (1000.0, 2500.0))
    for x, y in ends:
        at = lens.to_view(x, y) if hasattr(lens, "to_view") else lens.to_screen((x, y))
        spot = QPoint(round(at.x()), round(at.y()))
        qtbot.mouseMove(view, spot)
        qtbot.mouseClick(view, Qt.MouseButton.LeftButton, pos=spot)
    (row,) = opened.desk.state.ledger.rows
    assert row.value == pytest.approx(2000.0, abs=2 * lens.um_per_px + 1)
    assert row.low is not None
    assert row.high is not None
    assert row.low < row.value < row.high
    assert opened.measure.ledger.model.rowCount() == 1
    press(window, "undo")
    assert opened.desk.state.ledger.rows == ()
    assert opened.desk.state.marks.marks == ()
    press(window, "redo")
    assert opened.desk.state.ledger.rows == (row,)


def test_turning_and_way_up_are_stored_and_undone(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    desk, map_id = opened.desk, opened.map_id
    assert map_id is not None
    opened._way_up_drawn(30.0)
    press(window, "turn_right")
    press(window, "mirror")
    orientation = desk.setup(map_id).orientation
    assert orientation.mirror
    assert orientation.way_up_deg == pytest.approx((-120.0) % 360)
    assert opened.view.orientation == orientation
    path = desk.path
    window.close_project()
    with Project.open(path) as project:
        assert project.state.setup.maps[map_id].orientation == orientation


def test_a_suggested_outline_excludes_and_can_be_cleared(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    map_id = opened.map_id
    assert map_id is not None
    triangle = (((0.0, 0.0), (4200.0, 0.0), (0.0, 3000.0)),)
    opened._outline_edited(triangle, True)
    rest(window, qtbot)
    layer = next(iter(opened.desk.maps[map_id].layers))
    assert opened.desk.histogram(map_id, layer).total == pytest.approx(ROWS * COLS / 2, rel=0.01)
    press(window, "no_outline")
    assert opened.desk.histogram(map_id, layer).total == ROWS * COLS


def test_going_to_a_position_off_the_map_is_refused_in_words(
    window: MainWindow, opened: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened.look.set_mode("single")
    for text, said in (("99, 1", "off the map"), ("here", "not a position")):
        monkeypatch.setattr(QInputDialog, "getText", lambda *a, text=text: (text, True))
        press(window, "go_to")
        assert said in window.messages.text.text()
    monkeypatch.setattr(QInputDialog, "getText", lambda *a: ("1.5, 0.7", True))
    press(window, "go_to")
    assert opened.view.view_state.centre_um == pytest.approx((1500.0, 700.0))


def test_the_pointer_reads_every_channel(window: MainWindow, opened: Workspace, qtbot: QtBot) -> None:
    opened.look.set_mode("single")
    rest(window, qtbot)
    opened._hovered(1005.0, 2005.0, 200, 100)
    assert window.read_out is not None
    box = window.read_out
    qtbot.waitUntil(lambda: "Fe" in box.values.text(), timeout=5000)
    expected = opened.desk.layer(opened.map_id or "", "Fe").values(slice(200, 201), slice(100, 101))
    assert f"Fe {expected[0, 0]}" in box.values.text()
    assert "row 200" in box.position.text()


def test_a_project_that_is_none_is_refused_and_the_open_one_stays(
    window: MainWindow, opened: Workspace, tmp_path: Path
) -> None:
    wrong = tmp_path / "wrong.maps.h5"
    wrong.write_text("no")
    assert not window.open_project(wrong)
    assert "not a Grainlight project" in window.messages.text.text()
    assert window.workspace is opened


def test_the_same_project_in_a_second_window_is_for_reading(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    second = MainWindow()
    qtbot.addWidget(second)
    assert second.open_project(opened.desk.path)
    assert "Another window" in second.messages.text.text()
    assert not second.actions_by_name["turn_left"].isEnabled()
    assert "(reading)" in second.windowTitle()
    second.close()


def test_markup_in_names_is_shown_as_text(
    window: MainWindow, maps: Path, tmp_path: Path, qtbot: QtBot
) -> None:
    target = tmp_path / "x.maps.h5"
    gather(plan(scan([maps]), target, name="<b>Slab</b>"))
    assert window.open_project(target)
    window.messages.say("info", "<i>hello</i>")
    assert window.messages.text.textFormat() == Qt.TextFormat.PlainText


def test_a_message_moves_nothing_and_takes_no_keys(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    window.messages.hide()
    before = opened.view.rect(), opened.mapTo(window, QPoint(0, 0)), opened.tabs.geometry()
    for text in ("short", "words " * 60):
        window.messages.say("caution", text)
        QApplication.processEvents()
        assert window.messages.isVisible()
        assert before == (
            opened.view.rect(), opened.mapTo(window, QPoint(0, 0)), opened.tabs.geometry()
        )  # fmt: skip
        strip, middle = window.messages, opened.middle
        top_left = strip.mapTo(window, QPoint(0, 0))
        corner = middle.mapTo(window, QPoint(0, 0))
        assert middle.rect().translated(corner).contains(strip.rect().translated(top_left))
        # All of its words are to be seen.
        assert strip.text.height() >= strip.text.heightForWidth(strip.text.width())
    assert window.messages.close_button.focusPolicy() == Qt.FocusPolicy.NoFocus
    window.resize(1000, 650)
    QApplication.processEvents()
    assert window.messages.width() <= opened.middle.width()


def test_the_light_table_has_the_keys_and_brings_its_bench(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=5000)
    opened.look.set_mode("single")
    opened.show_bench("measure")
    opened.view.setFocus()
    opened.look.modes[0].trigger()
    assert opened.look.mode == "table"
    assert opened.bench == "look"
    assert opened.look.table.grid.hasFocus()
    opened.look.channels.view.setFocus()
    opened.look.modes[0].trigger()
    assert opened.look.table.grid.hasFocus()


def test_a_narrow_window_keeps_names_and_words(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    opened.look.set_mode("composite")
    for layer, slot in (("Fe", 0), ("Cr", 1), ("Ca", 2)):
        opened.look.send(layer, slot)
    rest(window, qtbot)
    for size in ((1000, 650), (960, 600)):
        window.resize(*size)
        QApplication.processEvents()
        assert (window.width(), window.height()) == size
        dock = opened.look.histograms
        assert opened.look.channels.width() >= 180
        assert opened.middle.width() >= 380
        assert dock.legend.width() >= dock.legend.sizeHint().width()
        for key in ("red", "green", "blue"):
            canvas = dock.plot(key).canvas
            assert canvas.height() >= canvas.minimumSizeHint().height()
            assert canvas.mapTo(dock.area, QPoint(0, canvas.height())).y() <= dock.area.height()


def test_an_empty_composite_says_what_to_do(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    opened.look.set_mode("single")
    assert not opened.note.isVisible()
    opened.look.set_mode("composite")
    assert opened.note.isVisible()
    assert "Suggest" in opened.note.text()
    opened.look.send("Fe", 0)
    assert not opened.note.isVisible()


def test_a_set_outline_is_drawn_and_named(window: MainWindow, opened: Workspace, qtbot: QtBot) -> None:
    opened.look.set_mode("single")
    rest(window, qtbot)
    assert "whole map" in opened.look.histograms.legend.words
    plain = opened.view.grab().toImage()
    opened._outline_edited((((500.0, 500.0), (3500.0, 600.0), (2000.0, 2500.0)),), True)
    rest(window, qtbot)
    assert "inside the outline" in opened.look.histograms.legend.words
    assert opened.view.grab().toImage() != plain
    assert opened.view._show_outline
    press(window, "no_outline")
    assert "whole map" in opened.look.histograms.legend.words


def test_lit_pixels_are_counted_in_words(window: MainWindow, opened: Workspace, qtbot: QtBot) -> None:
    opened.look.set_mode("single")
    map_id = opened.map_id or ""
    values = opened.desk.layer(map_id, "Fe").values(slice(0, ROWS), slice(0, COLS))
    rest(window, qtbot)
    QApplication.processEvents()
    before = opened.view.size()
    opened.desk.light(map_id, "Fe", 100.0, 200.0)
    lit = int(((values >= 100) & (values <= 200)).sum())
    words = opened.look.histograms.lit_words.text()
    assert words.replace("\u2009", "").startswith(f"{lit} px, {100 * lit / (ROWS * COLS):.1f} %")
    rest(window, qtbot)
    QApplication.processEvents()
    assert opened.view.size() == before
    opened.desk.douse(map_id)
    assert not opened.look.histograms.lit_words.text()


def test_a_long_hint_leaves_the_values_their_room(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    window.resize(1000, 650)
    window._say_hint("Drag a vertex; " * 20)
    opened._hovered(1005.0, 2005.0, 200, 100)
    QApplication.processEvents()
    assert window.read_out is not None
    assert window.read_out.width() > window.hint.width() > 100
    window._say_hint("")
    assert window.hint.isHidden()


def test_opening_says_so_before_anything_is_read(
    window: MainWindow, gathered: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[str] = []

    def refuse(path: Path, *_: object) -> Desk:
        seen.append(window.welcome.opening.text())
        raise InputError("no")

    monkeypatch.setattr(Desk, "open", refuse)
    assert not window.open_project(gathered)
    assert seen == ["Opening hollin …"]
    assert window.welcome.opening.text() == ""


def test_recent_projects_are_kept_by_their_whole_path(
    window: MainWindow, opened: Workspace, gathered: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(gathered.parent)
    assert window.open_project(Path(gathered.name))
    assert window._recent()[0] == str(gathered.resolve())
    QSettings().setValue("window/recent", [gathered.name, str(gathered.resolve())])
    assert window._recent() == [str(gathered.resolve())]


def test_choosing_no_file_changes_nothing(window: MainWindow, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *a, **k: ("", ""))
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *a, **k: "")
    window.pick_project()
    window.make_demo()
    assert window.workspace is None


def test_the_theme_changes_and_is_remembered(window: MainWindow, opened: Workspace) -> None:
    press(window, "scheme")
    assert theme.current().scheme == "light"
    assert QSettings().value("window/scheme") == "light"
    press(window, "scheme")
    assert theme.current().scheme == "dark"


def test_closing_folds_every_edit_into_the_file(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    path = opened.desk.path
    opened.look.set_mode("composite")
    state = opened.desk.state
    window.close()
    assert not path.with_name(path.name + ".journal").exists()
    with Desk.open(path, inline=True) as desk:
        assert msgspec.json.encode(desk.state) == msgspec.json.encode(state)


def test_opening_the_open_project_again_keeps_it_writable(
    window: MainWindow, opened: Workspace
) -> None:
    assert window.open_project(opened.desk.path)
    assert window.workspace is opened
    assert opened.desk.readonly is None


def test_a_closed_project_is_let_go(
    window: MainWindow, gathered: Path, tmp_path: Path, qtbot: QtBot
) -> None:
    copy = tmp_path / "twice.maps.h5"
    copy.write_bytes(gathered.read_bytes())
    actions = []
    gone = []
    for _ in range(2):
        assert window.open_project(copy)
        assert window.workspace is not None
        rest(window, qtbot)
        gone.append(weakref.ref(window.workspace.desk))
        window.close_project()
        QApplication.sendPostedEvents(None, int(QEvent.Type.DeferredDelete))
        QApplication.processEvents()
        gc.collect()
        actions.append(len(window.actions()))
    assert [ref() for ref in gone] == [None, None]
    assert actions[0] == actions[1]


def test_a_project_closed_while_its_plots_are_counted_is_let_go(
    window: MainWindow, gathered: Path, tmp_path: Path
) -> None:
    copy = tmp_path / "soon.maps.h5"
    copy.write_bytes(gathered.read_bytes())
    assert window.open_project(copy)
    assert window.workspace is not None
    window.workspace.show_bench("sort")
    for _ in range(5):
        QApplication.processEvents()
    gone = weakref.ref(window.workspace.desk)
    window.close_project()
    QApplication.sendPostedEvents(None, int(QEvent.Type.DeferredDelete))
    QApplication.processEvents()
    gc.collect()
    assert gone() is None


def test_full_screen_gives_back_what_it_hid(window: MainWindow, opened: Workspace) -> None:
    opened.show_bench("sort")
    assert opened.sort.board.isVisible()
    window.toggle_full_screen()
    assert not opened.sort.board.isVisible()
    assert not opened.right.isVisible()
    window._refresh()  # as after any edit
    window.toggle_full_screen()
    assert opened.sort.board.isVisible()
    assert opened.right.isVisible()
    opened.show_bench("look")
    assert opened.look.histograms.isVisible()
    assert not opened.sort.board.isVisible()


def test_a_layer_that_was_finished_when_the_window_closed_is_kept(
    window: MainWindow, opened: Workspace
) -> None:
    desk, map_id = opened.desk, opened.map_id
    assert map_id is not None
    path = desk.path
    derive(desk, map_id, "Ratio", Formula(expression="Fe/(Fe+Cr)"))
    # The thread ends its work while no event is handled here, so that its result waits.
    deadline = time.monotonic() + 30
    while not desk.jobs._ends and time.monotonic() < deadline:
        time.sleep(0.01)
    window.close()
    with Desk.open(path, inline=True) as again:
        assert [d.name for d in again.state.derived.layers] == ["Ratio"]
        assert again.layer(map_id, "Ratio").stats.pixels == ROWS * COLS


def test_an_end_placed_on_a_small_picture_is_less_sure(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    opened.look.set_mode("single")
    rest(window, qtbot)
    widths = []
    for scale in (2.0, 20.0):  # µm to a pixel of the screen; a map pixel is 10 µm
        opened.view.go_to(2000.0, 1500.0, scale)
        opened.take_tool("distance")
        lens = opened.view.lens
        for x, y in ((1200.0, 1500.0), (2800.0, 1500.0)):
            at = lens.to_view(x, y)
            spot = QPoint(round(at.x()), round(at.y()))
            qtbot.mouseClick(opened.view, Qt.MouseButton.LeftButton, pos=spot)
        row = opened.desk.state.ledger.rows[-1]
        assert row.low is not None
        assert row.high is not None
        widths.append(row.high - row.low)
        sure = max(0.5, 0.5 * lens.um_per_px / 10.0)
        assert row.detail["placed_by_hand_px"] == pytest.approx(sure, abs=0.01)
    assert widths[1] > 1.5 * widths[0]


def draw(space: Workspace) -> str:
    """A contact, a traverse and a unit on the map that is shown; gives back the unit's id."""
    desk, map_id = space.desk, space.map_id
    assert map_id is not None
    size = desk.maps[map_id].size_um
    band = ((0.0, 0.0), (4200.0, 0.0), (4200.0, 1500.0), (0.0, 1500.0))
    drawing.apply(
        desk, drawing.add_line(desk.state, map_id, "contact", ((100.0, 1500.0), (4100.0, 1500.0)))
    )
    drawing.apply(
        desk,
        drawing.add_line(
            desk.state, map_id, "traverse", ((2000.0, 200.0), (2000.0, 2800.0)), width_um=500.0
        ),
    )
    return drawing.apply(desk, drawing.add_unit(desk.state, map_id, (band,), size_um=size))[0]


def typed(qtbot: QtBot, view: QAbstractItemView, text: str) -> None:
    """Press F2 on a list that has the keys, and type."""
    view.setFocus()
    qtbot.waitUntil(view.hasFocus)
    qtbot.keyClick(view, Qt.Key.Key_F2)
    editor = view.viewport().findChild(QLineEdit)
    assert editor is not None
    editor.setText(text)
    qtbot.keyClick(editor, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: view.state() == QAbstractItemView.State.NoState)
    for _ in range(3):  # the name is kept after the editor has closed
        QApplication.processEvents()


def test_f2_renames_in_lists_and_elsewhere_shows_the_light_table(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    unit = draw(opened)
    window.activateWindow()
    opened.show_bench("measure")
    opened.measure.show_page("draw")
    panel = opened.measure.drawn
    panel.select([unit])
    # Where the keys of the row start from is kept when the list is filled anew: twice.
    for name in ("Norite", "Leuconorite"):
        typed(qtbot, panel.list, name)
        assert drawing.unit_by_id(opened.desk.state, unit).name == name
        assert (opened.bench, panel.selected) == ("measure", [unit])
    # A click on the size of a row is a click on its name.
    item = panel.list.currentItem()
    box = panel.list.visualItemRect(item)
    size_at = QPoint(panel.list.viewport().width() - 12, box.center().y())
    qtbot.mouseClick(panel.list.viewport(), Qt.MouseButton.LeftButton, pos=size_at)
    typed(qtbot, panel.list, "Norite")
    assert drawing.unit_by_id(opened.desk.state, unit).name == "Norite"
    # The sort bench's list of units.
    opened.show_bench("sort")
    modes = opened.sort.modes
    opened.sort.panel.show_page("modes")
    modes.tabs.setCurrentWidget(modes.units)
    modes.units.select(unit)
    for name in ("Seam", "Upper seam"):
        typed(qtbot, modes.units.list, name)
        assert drawing.unit_by_id(opened.desk.state, unit).name == name
        assert opened.bench == "sort"
    # Elsewhere the key is the light table's.
    opened.show_bench("measure")
    opened.view.setFocus()
    qtbot.keyClick(opened.view, Qt.Key.Key_F2)
    assert (opened.bench, opened.look.mode) == ("look", "table")


def test_f2_renames_a_row_of_the_ledger_from_any_of_its_cells(
    window: MainWindow, opened: Workspace, qtbot: QtBot
) -> None:
    assert opened.map_id is not None
    opened.show_bench("measure")
    opened.measure.show_page("ledger")
    opened.measure.add_mark(
        Mark(id="m", map=opened.map_id, kind="distance", points=((10.0, 10.0), (510.0, 10.0)))
    )
    view = opened.measure.view
    view.setCurrentIndex(view.model().index(0, 2))
    typed(qtbot, view, "Seam")
    assert [row.label for row in opened.desk.state.ledger.rows] == ["Seam"]
    assert opened.bench == "measure"


def test_words_over_the_map_lead_to_the_bench_that_helps(window: MainWindow, opened: Workspace) -> None:
    opened.look.set_mode("composite")
    assert opened.note.text() == "Choose layers on the right, or press Suggest"
    opened.show_bench("measure")
    assert "on the Look bench" in opened.note.text()
    assert "on the right" not in opened.note.text()
    opened.show_bench("look")
    assert "on the right" in opened.note.text()


def test_what_is_in_view_is_known_to_the_measure_bench_once(
    window: MainWindow, opened: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened.look.set_mode("single")
    opened.ask("traverse")
    form = opened.measure.requests.form
    assert form is not None
    assert form.region is not None
    form.region.choose("What is in view")
    told: list[object] = []
    tell = opened.measure.set_view

    def kept(view_um: Window | None) -> None:
        told.append(view_um)
        tell(view_um)

    monkeypatch.setattr(opened.measure, "set_view", kept)
    opened.view.go_to(2000.0, 1500.0, 1.0)
    assert len(told) == 1
    left, _top, right, _bottom = form.region.view_um or (0.0, 0.0, 0.0, 0.0)
    assert (left + right) / 2 == pytest.approx(2000.0, abs=1.0)
    assert right - left == pytest.approx(opened.view.width(), rel=0.01)
    # Of a view that reaches beyond the map, the map.
    opened.view.go_to(2000.0, 1500.0, 20.0)
    assert form.region.view_um == (0.0, 0.0, 4200.0, 3000.0)


def test_rulers_let_the_desk_go_with_the_workspace(window: MainWindow, opened: Workspace) -> None:
    shown: list[str] = []
    opened.ruler.show_marks = lambda: shown.append("marks")  # type: ignore[method-assign]
    opened.desk.changed.emit("marks")
    assert shown == ["marks"]
    opened.ruler.close()
    opened.ruler.close()
    opened.desk.changed.emit("marks")
    assert shown == ["marks"]


@pytest.fixture
def reading(window: MainWindow, gathered: Path, tmp_path: Path, qtbot: QtBot) -> Iterator[Workspace]:
    """A project on which something was drawn and measured, open for reading."""
    path = tmp_path / "read.maps.h5"
    path.write_bytes(gathered.read_bytes())
    with Desk.open(path, inline=True) as desk:
        map_id = desk.map().id
        edit = drawing.add_line(desk.state, map_id, "contact", ((100.0, 1500.0), (4100.0, 1500.0)))
        drawing.apply(desk, edit)
        band = ((0.0, 0.0), (4200.0, 0.0), (4200.0, 1500.0), (0.0, 1500.0))
        drawing.apply(desk, drawing.add_unit(desk.state, map_id, (band,), name="Norite"))
        mark = Mark(id="m", map=map_id, kind="distance", points=((500.0, 500.0), (2500.0, 500.0)))
        marks, ledger = measuring.add_mark(desk.state, mark, (10.0, 10.0), 0.5)
        desk.apply("Measure", marks=marks, ledger=ledger)
    with Desk.open(path, inline=True):  # whoever has it open for writing
        assert window.open_project(path)
        assert window.workspace is not None
        assert window.workspace.desk.readonly is not None
        rest(window, qtbot)
        yield window.workspace


def test_a_project_open_for_reading_is_measured_and_not_changed(
    window: MainWindow, reading: Workspace, qtbot: QtBot
) -> None:
    desk, bench = reading.desk, reading.measure
    before = desk.state
    said: list[str] = []
    desk.said.connect(lambda _kind, text: said.append(text))
    window.activateWindow()
    reading.look.set_mode("single")
    reading.show_bench("measure")
    # What is drawn: nothing is renamed, deleted or made, by key, by button or by hand.
    bench.show_page("draw")
    panel = bench.drawn
    unit = desk.state.units.units[0].id
    panel.select([unit])
    panel.list.setFocus()
    qtbot.waitUntil(panel.list.hasFocus)
    qtbot.keyClick(panel.list, Qt.Key.Key_Delete)
    panel.list.edit_name()
    assert panel.list.viewport().findChild(QLineEdit) is None
    for button in (panel.name, panel.delete, panel.split, panel.merge, panel.between, panel.unit):
        assert not button.isEnabled()
    assert said == []
    panel.rename(unit, "Seam")
    panel.remove([unit])
    assert len(said) == 2
    assert all("reading" in text or "window" in text for text in said), said
    said.clear()
    # Rows of the ledger.
    bench.show_page("ledger")
    bench.view.selectRow(0)
    value = bench.view.shown[0].value
    bench.view.edit_label()
    assert bench.view.viewport().findChild(QLineEdit) is None
    bench.view.remove_selected()
    assert len(said) == 1
    # The end of a ruler that is dragged falls back, on the map and in the ledger.
    mark = desk.state.marks.marks[0]
    moved = replace(mark, points=((500.0, 500.0), (3500.0, 500.0)))
    bench.follow_mark(moved, finished=False)
    bench.follow_mark(moved, finished=True)
    assert bench.view.shown[0].value == value
    # Measuring works; keeping is refused. Nothing that is missing can be drawn.
    reading.ask("contact")
    bench.requests.measure()
    rest(window, qtbot)
    assert bench.requests.answer is not None
    assert not bench.requests.result.add_button.isEnabled()
    said.clear()
    bench.requests.result.add()
    assert len(said) == 1
    reading.ask("traverse")
    assert bench.requests.form is not None
    assert bench.requests.form.lack is not None
    assert not bench.requests.run.mend.isEnabled()
    after = desk.state
    assert (after.units, after.lines) == (before.units, before.lines)
    assert (after.marks, after.ledger) == (before.marks, before.ledger)


def test_a_project_without_maps_opens_on_every_bench(
    window: MainWindow, tmp_path: Path, qtbot: QtBot
) -> None:
    path = tmp_path / "empty.maps.h5"
    with new_project(path):
        pass
    assert window.open_project(path)
    space = window.workspace
    assert space is not None
    for name in ("measure", "sort", "look", "measure"):
        space.show_bench(name)
        QApplication.processEvents()
    for page in ("draw", "ledger", "measure"):
        space.measure.show_page(page)
        QApplication.processEvents()
    for kind in REQUESTS:
        space.ask(kind)
        space.measure.requests.measure()
        QApplication.processEvents()
        assert space.measure.requests.form is not None
        assert not space.measure.requests.run.running
    for tool in (*DRAW_TOOLS, *RULERS):
        space.take_tool(tool)
        qtbot.mouseClick(space.view, Qt.MouseButton.LeftButton)
        QApplication.processEvents()
    rest(window, qtbot)
    window.close_project()


@pytest.mark.parametrize("how", ["closed", "another map", "another project"])
def test_a_measurement_that_runs_while_the_user_goes_on(
    window: MainWindow,
    opened: Workspace,
    gathered: Path,
    maps: Path,
    tmp_path: Path,
    qtbot: QtBot,
    monkeypatch: pytest.MonkeyPatch,
    how: str,
) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def slow(_desk: Desk, map_id: str, request: Request, progress: Progress) -> Result:
        progress(0.25, "tracing")
        begun.set()
        assert go_on.wait(20)
        progress(0.75, "tracing")
        finding = Finding("length", 412.0, 380.0, 451.0, "95 % interval", 7, "µm")
        shapes = (Drawn(np.array(((100.0, 100.0), (900.0, 900.0)))),)
        return Result(map_id, request, "x", (finding,), "by a rule", overlay=Overlay(shapes))

    monkeypatch.setattr(run_strip, "run", slow)
    draw(opened)
    if how == "another map":
        opened.desk.gather(plan(scan([maps]), opened.desk.path, name="Slab D"))
        rest(window, qtbot)
    first = opened.map_id
    assert first is not None
    opened.ask("contact")
    opened.measure.requests.measure()
    assert opened.measure.requests.run.running
    assert begun.wait(10)
    if how == "another map":
        other = next(m for m in opened.desk.maps if m != first)
        opened.look.set_map(other)
        assert opened.measure.requests.run.running
        go_on.set()
        rest(window, qtbot)
        # The answer is of the map that was measured: nothing of it lies over this one.
        assert opened.measure.requests.answer is None
        assert opened._overlay is None
        assert "Slab C" in window.messages.text.text()
        opened.look.set_map(first)
        assert opened.measure.requests.answer is not None
        assert opened._overlay is not None
    else:
        threading.Timer(0.3, go_on.set).start()
        if how == "closed":
            window.close_project()
            assert window.workspace is None
        else:
            second = tmp_path / "second.maps.h5"
            second.write_bytes(gathered.read_bytes())
            assert window.open_project(second)
            assert window.workspace is not opened
            rest(window, qtbot)
        QApplication.processEvents()
