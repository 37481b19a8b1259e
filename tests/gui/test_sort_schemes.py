"""Calibrate and Apply scheme: real widgets on a real project."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication, QFileDialog
from pytestqt.qtbot import QtBot

from viewer.desk.calibrating import calibration_of
from viewer.desk.desk import Desk
from viewer.desk.transfer import export_scheme
from viewer.panels import theme
from viewer.panels.publish.trial import trial_desk
from viewer.panels.sort.calibrate_dialog import CalibrateDialog
from viewer.panels.sort.calibrate_table import COUNTS, LABEL, PERCENT
from viewer.panels.sort.scheme_dialog import SchemeDialog
from viewer.panels.sort.scheme_table import VERDICT
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.schemes import read_scheme, write_scheme

SCHEME = Scheme(
    name="trial",
    populations=(Population(id="a", name="rich in Fe", gate=Range(layer="Fe", low=300.0)),),
    phases=(Phase(id="1", name="; DROP", rules=((Term(population="a"),),)),),
)


@pytest.fixture
def desk(qapp: QApplication, tmp_path: Path) -> Iterator[Desk]:
    theme.apply(qapp, "dark")
    with trial_desk(tmp_path, inline=True) as opened:
        yield opened


@pytest.fixture
def calibrate(qtbot: QtBot, desk: Desk) -> Iterator[CalibrateDialog]:
    dialog = CalibrateDialog(desk)
    qtbot.addWidget(dialog)
    dialog.show_map(desk.map().id)
    dialog.channel.setCurrentText(desk.layer(desk.map().id, "Fe").name)
    dialog.channel.activated.emit(dialog.channel.currentIndex())
    yield dialog
    dialog.close()


@pytest.fixture
def apply(qtbot: QtBot, desk: Desk) -> Iterator[SchemeDialog]:
    dialog = SchemeDialog(desk)
    qtbot.addWidget(dialog)
    dialog.show_map(desk.map().id)
    yield dialog
    dialog.close()


def test_typed_and_pasted_points_make_a_layer(
    qtbot: QtBot, desk: Desk, calibrate: CalibrateDialog
) -> None:
    map_id = desk.map().id
    assert not calibrate.make.isEnabled()
    assert "two reference points" in calibrate.result.text()
    QGuiApplication.clipboard().setText("none\t20\t0.1\t900\t0\t0\n; DROP\t420\t0.2\t900\t40\t0.1\n")
    qtbot.keyClick(calibrate.table, Qt.Key.Key_V, Qt.KeyboardModifier.ControlModifier)
    assert [s.label for s in calibration_of(desk, map_id, "Fe").standards] == ["none", "; DROP"]
    assert "Sensitivity 10" in calibrate.result.text()
    assert "paired" in calibrate.result.text()
    assert calibrate.make.isEnabled()
    qtbot.mouseClick(calibrate.make, Qt.MouseButton.LeftButton)
    assert desk.layer(map_id, "Fe wt%").kind == "derived"

    index = calibrate.model.index(1, COUNTS)
    assert calibrate.model.setData(index, "820")
    assert "Sensitivity 20" in calibrate.result.text()
    desk.undo()
    assert "Sensitivity 10" in calibrate.result.text()
    assert not calibrate.model.setData(calibrate.model.index(0, PERCENT), "140")
    assert "between 0 and 100" in calibrate.note.text()
    calibrate.model.setData(
        calibrate.model.index(1, LABEL), Qt.CheckState.Unchecked.value, Qt.ItemDataRole.CheckStateRole
    )
    assert not calibrate.make.isEnabled()
    calibrate.table.selectRow(0)
    qtbot.keyClick(calibrate.table, Qt.Key.Key_Delete)
    assert len(calibration_of(desk, map_id, "Fe").standards) == 1


def test_points_from_a_file(
    qtbot: QtBot, desk: Desk, calibrate: CalibrateDialog, tmp_path: Path
) -> None:
    table = tmp_path / "p.csv"
    table.write_text("label,x_um,y_um,Fe\na,3000,3000,10\nb,6000,5000,30\n", "utf-8")
    calibrate.read_file(table)
    qtbot.waitUntil(lambda: "2 points read" in calibrate.note.text())
    assert calibrate.model.rowCount() == 2
    table.write_text("x_um,Fe\n3,10\n", "utf-8")
    calibrate.read_file(table)
    assert "x and y" in calibrate.note.text()


def test_a_file_is_looked_at_and_accepted(
    qtbot: QtBot, desk: Desk, apply: SchemeDialog, tmp_path: Path
) -> None:
    map_id = desk.map().id
    desk.sorting.set_scheme("Draw", map_id, SCHEME)
    path = tmp_path / "s.json"
    write_scheme(export_scheme(desk, map_id), path)
    desk.undo()
    assert not apply.accept.isEnabled()
    apply.read_file(path)
    qtbot.waitUntil(lambda: apply.plan is not None)
    assert apply.model.rowCount() == 1
    assert apply.model.index(0, VERDICT).data() == "✓ in place"
    assert desk.sorting.scheme(map_id).phases == ()
    qtbot.mouseClick(apply.accept, Qt.MouseButton.LeftButton)
    assert [p.name for p in desk.sorting.scheme(map_id).phases] == ["; DROP"]
    assert not apply.isVisible()
    desk.undo()
    assert desk.sorting.scheme(map_id).phases == ()


def test_a_map_of_the_project_is_taken_as_it_counts_until_told_otherwise(
    qtbot: QtBot, desk: Desk, apply: SchemeDialog
) -> None:
    map_id = desk.map().id
    desk.sorting.set_scheme("Draw", map_id, SCHEME)
    file = export_scheme(desk, map_id)
    assert apply.method.currentData() == "peaks"
    apply.set_scheme(file, "of a map", own=True)
    qtbot.waitUntil(lambda: apply.plan is not None)
    assert apply.method.currentData() == "none"
    apply.set_scheme(file, "of a file")
    assert apply.method.currentData() == "peaks"
    apply.method.setCurrentIndex(apply.method.findData("quantiles"))
    apply.method.activated.emit(apply.method.currentIndex())
    apply.set_scheme(file, "of a map", own=True)
    assert apply.method.currentData() == "quantiles"
    qtbot.waitUntil(lambda: apply.plan is not None)


def test_a_missing_layer_is_asked_for(
    qtbot: QtBot, desk: Desk, apply: SchemeDialog, tmp_path: Path
) -> None:
    map_id = desk.map().id
    desk.sorting.set_scheme("Draw", map_id, SCHEME)
    path = tmp_path / "s.json"
    write_scheme(export_scheme(desk, map_id), path)
    path.write_bytes(path.read_bytes().replace(b'"Fe"', b'"Iron"'))
    apply.read_file(path)
    qtbot.waitUntil(lambda: apply.plan is not None)
    assert not apply.accept.isEnabled()
    assert "lacks 1 layer" in apply.status.text()
    apply.map_layer("Iron", desk.layer(map_id, "Fe").name)
    qtbot.waitUntil(lambda: apply.plan is not None and not apply.plan.missing)
    assert apply.accept.isEnabled()
    assert apply.model.index(0, VERDICT).data() == "✓ in place"


def test_a_bad_file_says_what_is_wrong(qtbot: QtBot, apply: SchemeDialog, tmp_path: Path) -> None:
    path = tmp_path / "bad.json"
    path.write_text('{"format": "grainlight scheme", "version": 9}', "utf-8")
    apply.read_file(path)
    assert "version 9" in apply.status.text()
    assert not apply.accept.isEnabled()


def test_export_asks_where(
    qtbot: QtBot, desk: Desk, apply: SchemeDialog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    map_id = desk.map().id
    desk.sorting.set_scheme("Draw", map_id, SCHEME)
    path = tmp_path / "out"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_, **__: (str(path), ""))
    apply.show_map(map_id, "export")
    assert read_scheme(tmp_path / "out.json").scheme == SCHEME
