"""The look bench on an open project: every hand movement reaches the desk, undo included."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QApplication, QHBoxLayout, QWidget
from pytestqt.qtbot import QtBot

from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.panels import theme
from viewer.panels.look.bench import LookBench
from viewer.panels.look.trial import Trial
from viewer.panels.qt import Poster
from viewer.science.look.orient import Orientation
from viewer.science.look.stretch import Stretch
from viewer.store.documents import MapSetup


@pytest.fixture(autouse=True, scope="module")
def _dressed(qapp: QApplication) -> None:
    theme.apply(qapp, "dark")


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Trial((240, 500)).write(tmp_path_factory.mktemp("bench") / "trial.maps.h5")


@pytest.fixture
def desk(project: Path, tmp_path: Path, qtbot: QtBot) -> Iterator[Desk]:
    copy = tmp_path / project.name
    copy.write_bytes(project.read_bytes())
    poster = Poster()
    with Desk.open(copy, poster.post) as opened:
        yield opened
    poster.close()


@pytest.fixture
def bench(desk: Desk, qtbot: QtBot) -> Iterator[LookBench]:
    made = LookBench(desk)
    window = QWidget()
    qtbot.addWidget(window)
    row = QHBoxLayout(window)
    for part in (made.channels, made.table, made.histograms, made.panel):
        row.addWidget(part)
    window.resize(1800, 760)
    window.show()
    quiet(made, qtbot)
    yield made
    made.close()


def quiet(bench: LookBench, qtbot: QtBot) -> None:
    qtbot.waitUntil(lambda: not bench.busy, timeout=20_000)


def shown(desk: Desk) -> list[str | None]:
    return [None if p is None else p.layer for p in desk.look("front").composite.panels]


def test_a_project_opens_on_the_light_table(bench: LookBench) -> None:
    assert bench.map_id == "front"
    assert bench.mode == "table"
    assert len(bench.table.grid.layer_ids()) == 14
    assert bench.table.grid.layer_ids()[0] == "Mg"
    assert bench.modes[0].isChecked()


def test_layers_are_judged_in_the_background(bench: LookBench, qtbot: QtBot) -> None:
    table = bench.table
    table.sort.setCurrentIndex(table.sort.findData("structure"))
    order = table.grid.layer_ids()
    assert order.index("V") > order.index("Cr")
    assert bench._entries["V"].structure == pytest.approx(0.0, abs=0.2)


def test_keys_on_the_table_fill_the_composite(bench: LookBench, desk: Desk, qtbot: QtBot) -> None:
    grid = bench.table.grid
    for layer, key in (("Fe", "1"), ("Mg", "2"), ("Ca", "3")):
        qtbot.mouseMove(grid.viewport(), grid.picture_rect(layer).center().toPoint())
        qtbot.keyClicks(grid, key)
    assert shown(desk) == ["Fe", "Mg", "Ca"]
    assert bench.mode == "table"
    assert bench.histograms.keys() == ["red", "green", "blue"]
    desk.undo()
    assert shown(desk) == ["Fe", "Mg", None]
    assert bench.histograms.keys() == ["red", "green"]


def test_a_drag_on_a_histogram_is_one_undo_step(bench: LookBench, desk: Desk, qtbot: QtBot) -> None:
    bench.send("Fe", 0)
    bench.send("Mg", 1)
    before = desk.look("front")
    canvas = bench.histograms.plot("green").canvas
    high = canvas.handle_values()["high"]
    y = round(canvas.plot_rect().center().y())
    start = QPoint(round(canvas.axis().x(high)), y)
    qtbot.mousePress(canvas, Qt.MouseButton.LeftButton, pos=start)
    for step in range(1, 8):
        qtbot.mouseMove(canvas, start - QPoint(step * 6, 0))
    assert desk.look("front") != before
    qtbot.mouseRelease(canvas, Qt.MouseButton.LeftButton, pos=start - QPoint(42, 0))
    assert desk.undo_label == "Stretch green"
    green = desk.look("front").composite.green
    assert green is not None
    assert green.stretch.by == "value"
    assert bench.composite.slots[1].controls.stretch == green.stretch
    desk.undo()
    assert desk.look("front") == before


def test_two_drags_are_two_undo_steps(bench: LookBench, desk: Desk) -> None:
    bench.send("Fe", 0)
    for high in (200.0, 150.0):
        for finished in (False, True):
            bench.histograms.stretch_changed.emit(
                "red", Stretch(low=1.0, high=high, by="value"), finished
            )
    red = desk.look("front").composite.red
    assert red is not None
    assert red.stretch.high == 150.0
    desk.undo()
    red = desk.look("front").composite.red
    assert red is not None
    assert red.stretch.high == 200.0


def test_suggestion_is_shown_with_its_reason(bench: LookBench, desk: Desk, qtbot: QtBot) -> None:
    bench.composite.suggest_button.click()
    quiet(bench, qtbot)
    assert None not in shown(desk)
    assert "V" not in shown(desk)
    assert bench.mode == "composite"
    assert bench.composite.reason.text()
    bench.composite.cycle.trigger()
    assert bench.composite.reason.text()
    bench.send("V", 0)
    assert not bench.composite.reason.text()


def test_double_click_shows_a_layer_alone(bench: LookBench, desk: Desk, qtbot: QtBot) -> None:
    grid = bench.table.grid
    at = grid.picture_rect("Cu").center().toPoint()
    with qtbot.waitSignal(bench.mode_changed) as told:
        qtbot.mouseDClick(grid.viewport(), Qt.MouseButton.LeftButton, pos=at)
    assert told.args == ["single"]
    assert desk.look("front").layer == "Cu"
    assert bench.panel.page == "single"
    assert bench.histograms.keys() == ["single"]
    # What was seen on the table is what is seen alone.
    assert desk.look("front").stretches["Cu"] == bench.source.suggested("Cu")


def test_chosen_cell_is_stretched_before_there_is_a_composite(
    bench: LookBench, desk: Desk, qtbot: QtBot
) -> None:
    grid = bench.table.grid
    at = grid.picture_rect("Mg").center().toPoint()
    qtbot.mouseClick(grid.viewport(), Qt.MouseButton.LeftButton, pos=at)
    assert bench.histograms.keys() == ["layer:Mg"]
    before = bench.source.lut("Mg", 1)
    wanted = Stretch(low=5.0, high=60.0, by="value")
    bench.histograms.stretch_changed.emit("layer:Mg", wanted, True)
    assert desk.look("front").stretches == {"Mg": wanted}
    assert not np.array_equal(bench.source.lut("Mg", 1), before)
    desk.undo()
    assert np.array_equal(bench.source.lut("Mg", 1), before)


def test_list_arrows_walk_through_the_single_view(bench: LookBench, desk: Desk, qtbot: QtBot) -> None:
    bench.show_alone("Mg")
    bench.channels.set_current("Mg")
    qtbot.keyClick(bench.channels.view, Qt.Key.Key_Down)
    assert desk.look("front").layer == "Al"


def test_range_lights_pixels_and_counts_them_in_all_histograms(
    bench: LookBench, desk: Desk, qtbot: QtBot
) -> None:
    bench.send("Fe", 0)
    bench.send("Mg", 1)
    bench.histograms.range_selected.emit("Fe", 200.0, 300.0)
    assert desk.lit("front") == ("Fe", 200.0, 300.0)
    qtbot.waitUntil(lambda: "Mg" in bench._selected, timeout=10_000)
    layers = desk.maps["front"].layers
    whole = slice(None)
    iron = layers["Fe"].values(slice(0, 240), slice(0, 500))[whole]
    magnesium = layers["Mg"].values(slice(0, 240), slice(0, 500))[whole]
    wanted = np.bincount(magnesium[(iron >= 200) & (iron <= 300)], minlength=65536)
    assert np.array_equal(bench._selected["Mg"].counts, wanted)
    bench.clear_range.trigger()
    assert desk.lit("front") is None
    assert bench._selected == {}


def test_window_in_view_is_counted(bench: LookBench, desk: Desk, qtbot: QtBot) -> None:
    bench.send("Si", 2)
    bench.set_window((slice(20, 90), slice(100, 300)))
    qtbot.waitUntil(lambda: "Si" in bench._in_view, timeout=10_000)
    pixels = desk.maps["front"].layers["Si"].values(slice(20, 90), slice(100, 300))
    assert np.array_equal(bench._in_view["Si"].counts, np.bincount(pixels.ravel(), minlength=65536))


def test_composites_are_saved_shown_and_deleted(bench: LookBench, desk: Desk) -> None:
    bench.send("Fe", 0)
    bench.composite.name.setText("Iron only")
    bench.composite.save_button.click()
    assert [c.name for c in desk.state.look.composites] == ["Iron only"]
    bench.send("Mg", 0)
    bench.composite.saved.menu().actions()[0].trigger()
    assert shown(desk) == ["Fe", None, None]
    assert bench.mode == "composite"
    bench.composite.delete.emit("Iron only")
    assert desk.state.look.composites == ()


def test_pins_stay_while_the_composite_changes(bench: LookBench, desk: Desk) -> None:
    bench.send("Fe", 0)
    bench.histograms.pinned.emit("K")
    assert bench.histograms.keys() == ["red", "pin:K"]
    bench.send("K", 1)
    assert bench.histograms.keys() == ["red", "green"]
    bench.send("Mg", 1)
    bench.histograms.unpinned.emit("K")
    assert bench.histograms.keys() == ["red", "green"]


def test_new_layer_joins_the_others(bench: LookBench, desk: Desk, qtbot: QtBot) -> None:
    bench.new_layer.trigger()
    bench.derive.formula.set_text("[Mg Kα] / ([Mg Kα] + [Fe Kα])")
    bench.derive.name.clear()
    qtbot.keyClicks(bench.derive.name, "Mg number")
    qtbot.waitUntil(lambda: not bench.derive.picture.pixmap().isNull(), timeout=10_000)
    bench.derive.make.click()
    qtbot.waitUntil(lambda: any(x.name == "Mg number" for x in bench._entries.values()), timeout=20_000)
    quiet(bench, qtbot)
    made = next(x for x in bench._entries.values() if x.name == "Mg number")
    assert made.kind == "derived"
    assert made.id in bench.table.grid.layer_ids()
    bench.send(made.id, 2)
    assert shown(desk)[2] == made.id


def test_a_layer_that_cannot_be_made_is_refused_in_the_dialog(
    bench: LookBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise InputError("No room for another layer.")

    monkeypatch.setattr("viewer.desk.deriving.derive", refuse)
    bench.new_layer.trigger()
    bench.derive.formula.set_text("[Mg Kα] / [Fe Kα]")
    bench.derive.make.click()
    assert bench.derive.isVisible()
    assert "No room" in bench.derive.note.text()


def test_a_project_for_reading_offers_no_new_layer(desk: Desk, qtbot: QtBot) -> None:
    second = Desk.open(desk.path, inline=True)
    assert second.readonly
    bench = LookBench(second)
    assert not bench.new_layer.isEnabled()
    assert "reading" in bench.new_layer.text()
    assert "reading" in bench.new_layer.toolTip()
    quiet(bench, qtbot)
    bench.close()
    second.close()


def test_turning_the_map_turns_the_table(bench: LookBench, desk: Desk, qtbot: QtBot) -> None:
    desk.set_setup("Turn", "front", MapSetup(orientation=Orientation(quarter_turns=1)))
    assert bench.table.grid._map is not None
    assert bench.table.grid._map.shown_um == (240 * 20.0, 500 * 20.0)


def test_errors_are_said_and_nothing_changes(bench: LookBench, desk: Desk) -> None:
    told: list[tuple[str, str]] = []
    desk.said.connect(lambda level, text: told.append((level, text)))
    bench.channels.remove_requested.emit("Fe")
    assert told[0][0] == "error"
    assert "Fe" in bench._entries


def test_closed_bench_lets_the_desk_go(bench: LookBench, desk: Desk, qtbot: QtBot) -> None:
    bench.close()
    with qtbot.assertNotEmitted(bench.picture_changed):
        desk.set_look("Later", "front", desk.look("front").__class__(mode="single"))
