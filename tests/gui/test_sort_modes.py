"""The modes page: real widgets on a sorted map, each edit one undo step."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QModelIndex, QPoint, QSettings, Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication, QFileDialog, QLineEdit
from pytestqt.qtbot import QtBot

from viewer.desk.desk import Desk
from viewer.panels import theme
from viewer.panels.sort import modes_table, modes_words
from viewer.panels.sort.modes_chart import nice_step
from viewer.panels.sort.modes_panel import ModesPanel
from viewer.plates.tables import read_table
from viewer.science.look.orient import Orientation
from viewer.science.progress import silent
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.documents import MapSetup
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map

MAP = "m"
SHAPE = (120, 100)
PIXEL = (10.0, 10.0)
LOWER = ((0.0, 600.0), (1000.0, 600.0), (1000.0, 1200.0), (0.0, 1200.0))
"""The lower half of the map, in µm: darker than the upper one."""


@pytest.fixture(scope="module")
def project_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng = np.random.default_rng(5)
    grains = np.kron(rng.random((24, 20)), np.ones((5, 5)))
    # Above: 30 % olivine; below: 70 %; a corner is neither.
    olivine = grains < np.where(np.arange(SHAPE[0]) < 60, 0.3, 0.7)[:, None]
    pixels = np.where(olivine, 200, 100).astype(np.uint8)
    pixels[:10, :10] = 0
    path = tmp_path_factory.mktemp("modes") / "sill.maps.h5"
    with new_project(path) as file:
        group = write_map(file, MapInfo(id=MAP, name="Upper face", shape=SHAPE, pixel_um=PIXEL))
        write_layer(
            group["channels"],
            LayerInfo(id="Mg", name="Mg", kind="channel", element="Mg", content="Mg"),
            SHAPE,
            pixels.dtype,
            lambda a, b: pixels[a:b],
            silent,
        )
    return path


@pytest.fixture
def desk(project_file: Path, tmp_path: Path) -> Iterator[Desk]:
    copy = tmp_path / "sill.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    with Desk.open(copy, inline=True) as opened:
        yield opened


@pytest.fixture
def sorted_desk(desk: Desk) -> Desk:
    scheme = Scheme(
        populations=(
            Population(id="o", name="O", gate=Range(layer="Mg", low=150.0)),
            Population(id="p", name="P", gate=Range(layer="Mg", low=50.0)),
        ),
        phases=(
            Phase(id="ol", name="olivine", rules=((Term(population="o"),),)),
            Phase(id="pl", name="plagioclase", rules=((Term(population="p"),),)),
            Phase(id="ch", name="chromite"),
        ),
    )
    desk.sorting.set_scheme("Sort", MAP, scheme)
    desk.set_setup("Up", MAP, MapSetup(orientation=Orientation(way_up_deg=0.0)))
    return desk


@pytest.fixture(scope="module", autouse=True)
def _dressed(qapp: QApplication, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = str(tmp_path_factory.mktemp("settings"))
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, folder)
    qapp.setOrganizationName("grainlight-tests")
    theme.apply(qapp, "dark")


@pytest.fixture
def panel(qtbot: QtBot, sorted_desk: Desk) -> Iterator[ModesPanel]:
    made = ModesPanel(sorted_desk)
    qtbot.addWidget(made)
    made.resize(380, 760)
    made.set_map(MAP)
    made.show()
    settle(qtbot, made)
    yield made
    made.close()


def settle(qtbot: QtBot, panel: ModesPanel) -> None:
    qtbot.waitUntil(lambda: not panel._soon.isActive() and not panel._latest.busy, timeout=20000)


def area(panel: ModesPanel, phase: str) -> float:
    assert panel.found is not None
    return panel.found.mode(phase).area


def choose(qtbot: QtBot, panel: ModesPanel, text: str) -> None:
    at = panel.where.findText(text)
    assert at >= 0
    panel.where.setCurrentIndex(at)
    panel.where.activated.emit(at)
    settle(qtbot, panel)


def cell(panel: ModesPanel, row: int, column: int) -> str:
    return str(panel.model.index(row, column).data())


def type_into(qtbot: QtBot, panel: ModesPanel, index: QModelIndex, text: str) -> None:
    panel.table.scrollTo(index)
    panel.table.setCurrentIndex(index)
    panel.table.edit(index)
    # One that is done with may not be gone yet.
    (editor,) = (e for e in panel.table.findChildren(QLineEdit) if e.isVisible())
    editor.selectAll()
    qtbot.keyClicks(editor, text)
    qtbot.keyClick(editor, Qt.Key.Key_Return)
    QApplication.processEvents()  # Qt queues the end of an edit
    settle(qtbot, panel)


def test_the_table_says_what_was_measured(panel: ModesPanel) -> None:
    assert panel.found is not None
    assert [cell(panel, r, modes_table.PHASE) for r in range(3)] == [
        "olivine",
        "plagioclase",
        "chromite",
    ]
    assert cell(panel, 0, modes_table.AREA) == modes_words.value(panel.found.mode("olivine"))
    assert cell(panel, 0, modes_table.INTERVAL)
    assert cell(panel, 0, modes_table.WEIGHT) == ""
    assert panel.found.unsorted == 100
    assert "100 unsorted" in panel.facts.text()
    assert 40 < area(panel, "olivine") < 60


def test_unit_view_and_region(qtbot: QtBot, panel: ModesPanel) -> None:
    whole = area(panel, "olivine")
    tools: list[str] = []
    panel.tool_wanted.connect(tools.append)
    panel.tabs.setCurrentWidget(panel.units)
    qtbot.mouseClick(panel.units.draw, Qt.MouseButton.LeftButton)
    assert tools == ["region"]
    panel.region_drawn(LOWER)
    assert tools == ["region", "hand"]
    unit = panel.desk.sorting.units(MAP)[0]
    assert (unit.name, unit.polygons) == ("Unit 1", (LOWER,))
    panel.tabs.setCurrentIndex(0)
    choose(qtbot, panel, "Unit 1")
    lower = area(panel, "olivine")
    assert lower > whole + 10
    panel.set_window((slice(60, 120), slice(0, 100)))
    choose(qtbot, panel, "What is in view")
    assert area(panel, "olivine") == lower
    panel.set_window((slice(0, 60), slice(0, 100)))
    settle(qtbot, panel)
    assert area(panel, "olivine") < whole - 10
    choose(qtbot, panel, "Draw a region…")
    assert tools[-1] == "region"
    panel.region_drawn(LOWER)
    settle(qtbot, panel)
    assert panel.where.currentText() == "Drawn region"
    assert area(panel, "olivine") == lower
    # A region that nobody asked for is another bench's.
    panel.region_drawn(LOWER[:3])
    assert len(panel.desk.sorting.units(MAP)) == 1


def test_units_are_renamed_and_deleted(qtbot: QtBot, panel: ModesPanel) -> None:
    desk = panel.desk
    panel.tabs.setCurrentWidget(panel.units)
    for _ in range(2):
        qtbot.mouseClick(panel.units.draw, Qt.MouseButton.LeftButton)
        panel.region_drawn(LOWER)
    assert [u.name for u in desk.sorting.units(MAP)] == ["Unit 1", "Unit 2"]
    panel.units.list.item(0).setText("Chromite seam")
    assert [u.name for u in desk.sorting.units(MAP)] == ["Chromite seam", "Unit 2"]
    assert panel.where.findText("Chromite seam") >= 0
    said: list[str] = []
    desk.said.connect(lambda _kind, text: said.append(text))
    panel.units.list.item(1).setText("chromite SEAM")
    assert "Another unit" in said[-1]
    assert [u.name for u in desk.sorting.units(MAP)] == ["Chromite seam", "Unit 2"]
    panel.units.select(desk.sorting.units(MAP)[0].id)
    qtbot.mouseClick(panel.units.delete, Qt.MouseButton.LeftButton)
    assert [u.name for u in desk.sorting.units(MAP)] == ["Unit 2"]
    desk.undo()
    assert [u.name for u in desk.sorting.units(MAP)] == ["Chromite seam", "Unit 2"]


def test_a_unit_that_is_deleted_is_measured_no_more(qtbot: QtBot, panel: ModesPanel) -> None:
    whole = area(panel, "olivine")
    panel._draw("unit")
    panel.region_drawn(LOWER)
    choose(qtbot, panel, "Unit 1")
    assert area(panel, "olivine") != whole
    panel.desk.undo()
    settle(qtbot, panel)
    assert panel.where.currentText() == "Whole sample"


def test_a_density_is_edited_in_place(qtbot: QtBot, panel: ModesPanel) -> None:
    desk = panel.desk
    type_into(qtbot, panel, panel.model.index(0, modes_table.DENSITY), "3.4")
    type_into(qtbot, panel, panel.model.index(1, modes_table.DENSITY), "2,7")
    assert panel.found is not None
    olivine, plagioclase = panel.found.mode("olivine"), panel.found.mode("plagioclase")
    assert (olivine.density, plagioclase.density) == (3.4, 2.7)
    heavy, light = olivine.area * 3.4, plagioclase.area * 2.7
    assert olivine.weight == pytest.approx(100 * heavy / (heavy + light))
    said: list[str] = []
    desk.said.connect(lambda _kind, text: said.append(text))
    type_into(qtbot, panel, panel.model.index(0, modes_table.DENSITY), "heavy")
    assert "not a density" in said[-1]
    desk.undo()
    desk.undo()
    entry = desk.sorting.key.entry("olivine")
    assert entry is not None
    assert entry.density is None


def test_add_to_ledger(qtbot: QtBot, panel: ModesPanel) -> None:
    qtbot.mouseClick(panel.add, Qt.MouseButton.LeftButton)
    rows = panel.desk.state.ledger.rows
    assert [r.label for r in rows] == ["olivine · whole sample", "plagioclase · whole sample"]
    panel.desk.undo()
    panel.table.selectRow(1)
    qtbot.mouseClick(panel.add, Qt.MouseButton.LeftButton)
    assert [r.label for r in panel.desk.state.ledger.rows] == ["plagioclase · whole sample"]


def test_export(
    qtbot: QtBot, panel: ModesPanel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "modes.csv"
    answer = (str(target), "Table (*.csv)")
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: answer)
    qtbot.mouseClick(panel.export, Qt.MouseButton.LeftButton)
    header, rows = read_table(target)
    assert [dict(zip(header, r, strict=True))["phase"] for r in rows] == [
        "olivine",
        "plagioclase",
        "chromite",
    ]
    panel.table.setFocus()
    qtbot.keyClick(panel.table, Qt.Key.Key_C, Qt.KeyboardModifier.ControlModifier)
    assert QGuiApplication.clipboard().text().startswith("Phase\tArea %")


def test_the_modal_log(qtbot: QtBot, panel: ModesPanel, tmp_path: Path) -> None:
    panel.tabs.setCurrentIndex(1)
    panel.height_box.setValue(200.0)
    settle(qtbot, panel)
    assert panel.log is not None
    assert len(panel.log.bands) == 6
    low, high = panel.log.bands[0].modes, panel.log.bands[-1].modes
    assert low is not None
    assert high is not None
    assert low.mode("olivine").area > high.mode("olivine").area
    view = panel.log_view
    view.grab()
    hovered: list[str] = []
    panel.phase_hovered.connect(hovered.append)
    frame = view._frame
    assert frame is not None
    at = frame.bands.bottomLeft().toPoint() + QPoint(4, -4)
    qtbot.mouseMove(view, at)
    assert panel.told.text().startswith("0 to 0.2 mm: olivine")
    assert hovered[-1] == "ol"
    for name in ("log.csv", "log.pdf", "log.png"):
        panel.export_log_to(tmp_path / name)
    header, rows = read_table(tmp_path / "log.csv")
    assert len(rows) == 6 * 3
    assert header[0] == "bottom_um"
    assert (tmp_path / "log.pdf").read_bytes()[:4] == b"%PDF"
    assert (tmp_path / "log.png").read_bytes()[:4] == b"\x89PNG"


def test_without_a_way_up_the_log_says_what_to_do(qtbot: QtBot, panel: ModesPanel) -> None:
    panel.tabs.setCurrentIndex(1)
    settle(qtbot, panel)
    panel.desk.set_setup("Up", MAP, MapSetup())
    settle(qtbot, panel)
    assert panel.log is None
    assert "way-up" in panel.log_empty.text()


def test_bands_thinner_than_a_pixel_are_refused(qtbot: QtBot, panel: ModesPanel) -> None:
    panel.tabs.setCurrentIndex(1)
    panel.height_box.setValue(4.0)
    settle(qtbot, panel)
    assert "thinner than a pixel" in panel.log_empty.text()


def test_without_phases_it_says_what_to_do(qtbot: QtBot, desk: Desk) -> None:
    panel = ModesPanel(desk)
    qtbot.addWidget(panel)
    panel.set_map(MAP)
    panel.show()
    settle(qtbot, panel)
    assert "no phases yet" in panel.empty.text()
    assert not panel.export.isEnabled()
    panel.set_map(None)
    assert "Choose a map" in panel.empty.text()
    panel.close()


def test_a_closed_panel_hears_nothing(qtbot: QtBot, panel: ModesPanel) -> None:
    panel.close()
    panel.desk.sorting.set_scheme("Empty", MAP, Scheme())
    panel.close()


@pytest.mark.parametrize(
    ("n", "text"), [(None, ""), (91.2, "91"), (995.0, "1.0k"), (9040.0, "9.0k"), (250_400.0, "250k")]
)
def test_effective_numbers(n: float | None, text: str) -> None:
    assert modes_words.number(n) == text


def test_steps() -> None:
    assert nice_step(100.0, 5) == 20.0
    assert nice_step(18.0, 10) == 2.0
    assert nice_step(0.03, 4) == 0.01
