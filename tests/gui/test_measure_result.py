"""A result on the screen: its numbers as the ledger prints them, its tables, its files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QSettings, Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication, QFileDialog, QMessageBox
from pytestqt.qtbot import QtBot

from tests.plates.figures import chart, rose
from viewer.desk.desk import Desk
from viewer.desk.measures.result import Drawn, Finding, Overlay, Result, Table
from viewer.panels import theme
from viewer.panels.measure.figure_view import FigureView
from viewer.panels.measure.findings_table import INTERVAL, NAME, VALUE, N
from viewer.panels.measure.result_table import ResultTable, pointed_at, title
from viewer.panels.measure.result_view import ResultView
from viewer.science.measure.registry import KINDS
from viewer.science.progress import silent
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map
from viewer.store.requests import RimsRequest

MAP = "m"
SHAPE = (20, 30)


@pytest.fixture(scope="module")
def project_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("result") / "sill.maps.h5"
    values = np.ones(SHAPE, np.uint8)
    with new_project(path) as file:
        group = write_map(file, MapInfo(id=MAP, name="Upper face", shape=SHAPE, pixel_um=(10.0, 10.0)))
        write_layer(
            group["channels"],
            LayerInfo(id="Mg", name="Mg", kind="channel", element="Mg", content="Mg"),
            SHAPE,
            values.dtype,
            lambda a, b: values[a:b],
            silent,
        )
    return path


@pytest.fixture
def desk(project_file: Path, tmp_path: Path) -> Iterator[Desk]:
    copy = tmp_path / "sill.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    with Desk.open(copy, inline=True) as opened:
        yield opened


@pytest.fixture(scope="module", autouse=True)
def _dressed(qapp: QApplication, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = str(tmp_path_factory.mktemp("settings"))
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, folder)
    qapp.setOrganizationName("grainlight-tests")
    theme.apply(qapp, "dark")


def made(value: float = 21.8) -> Result:
    shapes = [
        Drawn(np.array([[k * 10.0, 0.0], [k * 10.0, 50.0]]), words=f"host {k}: up minus down {k} µm")
        for k in (3, 1, 2, 7)
    ]
    return Result(
        map=MAP,
        request=RimsRequest(host="Plagioclase", rim="Calcic rim"),
        subject="Calcic rim on <b>Plagioclase</b>",
        findings=(
            Finding("up minus down", value, value - 3.9, value + 3.9, "95 % interval; bootstrap", 214,
                    "µm", "12 hosts cut by the map's edge", {"wilcoxon_p": 3.1e-14}),
            Finding("direction", 2.0, -3.1, 7.1, "95 % interval", 214, "°"),
            Finding("shared", None, None, None, "nothing to share", 0, "%"),
        ),
        method="Along the outward normal, in classes of 15°.",
        tables=(
            Table("grains", ("grain", "area_um2"), [(1, 900.5), (2, None), (3, 100.25)]),
            Table("directions", ("from_deg", "words"), [(0.0, "=up")]),
        ),
        figures=(rose(), chart()),
        overlay=Overlay(shapes, "up minus down", "µm", -60, 60, diverging=True),
        remarks=("Two classes hold no rim.",),
    )  # fmt: skip


@pytest.fixture
def view(qtbot: QtBot, desk: Desk) -> Iterator[ResultView]:
    shown = ResultView(desk)
    qtbot.addWidget(shown)
    shown.resize(380, 620)
    shown.set_result(made())
    shown.show()
    yield shown
    shown.close()


def cells(view: ResultView, row: int) -> list[str]:
    return [view.model.index(row, column).data() for column in (NAME, VALUE, INTERVAL, N)]


def titles(view: ResultView) -> list[str]:
    return [view.tabs.tabText(i) for i in range(view.tabs.count())]


def test_findings_are_printed_as_in_the_ledger(view):
    assert cells(view, 0) == ["up minus down", "21.8 µm", "17.9 to 25.7", "214"]
    assert cells(view, 1) == ["direction", "2.0°", "-3.1 to 7.1", "214"]
    assert cells(view, 2) == ["shared", "—", "—", "0"]
    tip = view.model.index(0, NAME).data(Qt.ItemDataRole.ToolTipRole)
    for words in (
        "95 % interval; bootstrap",
        "12 hosts cut by the map&#x27;s edge",
        "wilcoxon p: 3.1e-14",
    ):
        assert words in tip


@pytest.mark.parametrize(
    ("n", "words"),
    [
        (214, "214"),
        (9999, "9\N{THIN SPACE}999"),
        (272_842, "273k"),
        (999_600, "1M"),
        (12_345_678, "12.3M"),
    ],
)
def test_large_counts_are_short_and_whole_in_the_tip(view, n, words):
    result = made()
    view.set_result(replace(result, findings=(replace(result.findings[0], n=n),)))
    assert cells(view, 0)[3] == words
    tip = view.model.index(0, NAME).data(Qt.ItemDataRole.ToolTipRole)
    assert f"n = {n:,}".replace(",", "\N{THIN SPACE}") in tip


def test_what_must_be_told_is_told(view):
    assert view.remarks.text() == "Two classes hold no rim."
    assert view.remarks.isVisible()
    assert view.subject.text() == "Calcic rim on <b>Plagioclase</b>"
    assert KINDS["rims"].caution in view.method.text()
    assert "12 hosts cut by the map&#x27;s edge" in view.method.text()


def test_a_tab_for_each_figure_and_table_and_one_for_the_method(view):
    assert titles(view) == ["Rose", "Profile", "Table: grains", "Table: directions", "Method"]
    assert view.minimumSizeHint().width() <= 380


def test_without_a_result_there_is_nothing_to_do(view):
    view.set_result(None)
    assert view.tabs.count() == 0
    assert not view.add_button.isEnabled()
    assert not view.export_button.isEnabled()
    view.add()
    view.export("nowhere")
    view.set_result(made())
    assert titles(view)[0] == "Rose"


def test_measuring_again_keeps_the_figure_that_is_looked_at(view):
    view.tabs.setCurrentIndex(1)
    view.set_result(made(30.0))
    assert view.tabs.tabText(view.tabs.currentIndex()) == "Profile"
    assert cells(view, 0)[1] == "30.0 µm"


def test_adding_is_one_step_to_undo_and_the_button_says_what_the_ledger_holds(view, desk):
    assert view.add_button.text() == "Add to ledger"
    view.add_button.click()
    assert len(desk.state.ledger.rows) == 3
    assert view.add_button.text() == "In the ledger"
    assert not view.add_button.isEnabled()
    view.set_result(made(30.0))
    assert view.add_button.text() == "Replace in ledger"
    view.add_button.click()
    assert [row.value for row in desk.state.ledger.rows] == [30.0, 2.0, None]
    desk.undo()
    desk.undo()
    assert desk.state.ledger.rows == ()
    assert view.add_button.text() == "Add to ledger"
    assert view.add_button.isEnabled()


def test_a_project_open_for_reading_takes_nothing(qtbot, project_file, tmp_path):
    copy = tmp_path / "read.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    with Desk.open(copy, write=False, inline=True) as desk:
        shown = ResultView(desk)
        qtbot.addWidget(shown)
        shown.set_result(made())
        assert not shown.add_button.isEnabled()
        assert shown.add_button.toolTip() == desk.readonly
        assert shown.export_button.isEnabled()
        shown.close()


def test_export_writes_every_figure_table_and_number(view, desk, qtbot, tmp_path, monkeypatch):
    said: list[tuple[str, str]] = []
    desk.said.connect(lambda level, words: said.append((level, words)))
    folder = tmp_path / "out"
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_: str(folder))
    view.export_button.click()
    assert not view.export_button.isEnabled()
    qtbot.waitUntil(lambda: bool(said), timeout=30_000)
    assert said == [("info", f"Wrote 9 files into {folder}.")]
    assert sorted(path.suffix for path in folder.iterdir()) == sorted(
        [".json", *[".csv"] * 2, *[".pdf", ".svg", ".png"] * 2]
    )
    assert view.export_button.isEnabled()
    asked: list[str] = []

    def question(*parts: object) -> QMessageBox.StandardButton:
        asked.append(str(parts[2]))
        return QMessageBox.StandardButton.Cancel

    monkeypatch.setattr(QMessageBox, "question", question)
    view.pick_export()
    assert asked == ["9 of its files are in this folder already. Replace?"]
    assert len(said) == 1


def test_a_folder_that_cannot_be_written_is_said(view, desk, qtbot, tmp_path):
    said: list[str] = []
    desk.said.connect(lambda level, words: said.append(level))
    (tmp_path / "file").write_text("in the way")
    view.export(tmp_path / "file" / "out")
    qtbot.waitUntil(lambda: bool(said), timeout=30_000)
    assert said == ["error"]
    assert view.export_button.isEnabled()


def test_saving_one_figure_is_said_by_the_desk(view, desk, tmp_path):
    said: list[str] = []
    desk.said.connect(lambda level, words: said.append(words))
    figure = view.tabs.widget(0)
    assert isinstance(figure, FigureView)
    assert figure.stem.startswith("rims-calcic-rim-on-b-plagioclase-b-")
    assert figure.stem.endswith("-rose")
    figure.save_figure(tmp_path / "a.svg")
    assert said == [f"Wrote {tmp_path / 'a.svg'}."]


def test_a_row_under_the_pointer_lights_its_shape(view, qtbot):
    view.tabs.setCurrentIndex(2)
    table = view.tabs.widget(2)
    assert isinstance(table, ResultTable)
    lit: list[Drawn | None] = []
    view.glow.connect(lit.append)
    table.sortByColumn(1, Qt.SortOrder.DescendingOrder)
    at = table.visualRect(table.model().index(1, 0)).center()
    qtbot.mouseMove(table.viewport(), at)
    assert lit[-1] is not None
    assert lit[-1].words.startswith("host 3:")
    table.leaveEvent(None)  # type: ignore[arg-type]
    assert lit[-1] is None


def test_a_table_that_lists_other_things_lights_nothing(view, qtbot):
    table = view.tabs.widget(3)
    view.tabs.setCurrentIndex(3)
    lit: list[object] = []
    view.glow.connect(lit.append)
    qtbot.mouseMove(table.viewport(), QPoint(5, 5))
    assert lit == []


def test_other_tables_list_shapes_in_order_where_they_are_as_many():
    overlay = made().overlay
    stations = Table("local", ("from_um",), [(float(k),) for k in range(4)])
    assert pointed_at(stations, overlay) == list(overlay.shapes)
    assert pointed_at(Table("local", ("from_um",), [(0.0,)]), overlay) == [None]
    assert pointed_at(stations, None) == [None] * 4


def test_tables_sort_by_number_with_what_is_missing_last(view):
    table = view.tabs.widget(2)
    table.sortByColumn(1, Qt.SortOrder.DescendingOrder)
    order = [table.model().index(row, 0).data() for row in range(3)]
    assert order == ["1", "3", "2"]


def test_tables_and_findings_are_copied_with_all_digits(view, qtbot):
    table = view.tabs.widget(2)
    view.tabs.setCurrentIndex(2)
    qtbot.keyClick(table, Qt.Key.Key_C, Qt.KeyboardModifier.ControlModifier)
    assert QGuiApplication.clipboard().text() == "grain\tarea_um2\n1\t900.5\n2\t\n3\t100.25\n"
    table.selectRow(2)
    table.copy()
    assert QGuiApplication.clipboard().text() == "grain\tarea_um2\n3\t100.25\n"
    view.findings.copy()
    assert QGuiApplication.clipboard().text().startswith("Finding\tValue\tInterval\tn\nup minus down\t")


@pytest.mark.parametrize(
    ("column", "words"),
    [("area_um2", "area (µm²)"), ("from_deg", "from (°)"), ("grain", "grain"), ("n_hosts", "n hosts")],
)
def test_headers_of_tables_are_for_people(column, words):
    assert title(column) == words


def test_a_change_of_scheme_recolours_the_method(view, qapp):
    theme.apply(qapp, "light")
    assert theme.current().caution in view.method.text()
    theme.apply(qapp, "dark")


def test_after_closing_the_view_leaves_the_desk_alone(view, desk):
    view.close()
    before = view.add_button.text()
    view.result = replace(made(), remarks=())
    desk.apply("Nothing", ledger=desk.state.ledger)
    assert view.add_button.text() == before
    view.close()
