"""The key: real clicks, undo, and what it says of colours that look alike."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QApplication, QColorDialog, QFileDialog, QLineEdit
from pytestqt.qtbot import QtBot

from viewer.desk.desk import Desk
from viewer.panels import theme
from viewer.panels.publish.trial import trial_desk
from viewer.panels.sort import key_model
from viewer.panels.sort.key_panel import KeyPanel
from viewer.science.sort.key import default_colours
from viewer.science.sort.scheme import Phase, Scheme
from viewer.store.documents import Key, KeyEntry

PHASES = ("Plagioclase", "Olivine", "Chromite", "Sulfide")


@pytest.fixture(scope="module", autouse=True)
def _dressed(qapp: QApplication) -> None:
    theme.apply(qapp, "dark")


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with trial_desk(tmp_path, inline=True) as opened:
        yield opened


@pytest.fixture
def panel(qtbot: QtBot, desk: Desk) -> Iterator[KeyPanel]:
    phases = tuple(Phase(id=n, name=n) for n in PHASES)
    desk.sorting.set_scheme("Sort", desk.map().id, Scheme(phases=phases))
    made = KeyPanel(desk)
    qtbot.addWidget(made)
    made.resize(380, 640)
    made.show()
    yield made
    made.close()


def at(panel: KeyPanel, row: int, column: int) -> QPoint:
    return panel.view.visualRect(panel.model.index(row, column)).center()


def double_click(qtbot: QtBot, panel: KeyPanel, row: int, column: int) -> None:
    place = at(panel, row, column)
    qtbot.mouseClick(panel.view.viewport(), Qt.MouseButton.LeftButton, pos=place)
    qtbot.mouseDClick(panel.view.viewport(), Qt.MouseButton.LeftButton, pos=place)


def colour(desk: Desk, name: str) -> str:
    entry = desk.sorting.key.entry(name)
    assert entry is not None
    return entry.colour


def test_one_row_a_phase_in_its_colour(panel: KeyPanel, desk: Desk) -> None:
    assert panel.model.rowCount() == 4
    for row, name in enumerate(PHASES):
        assert panel.model.index(row, key_model.NAME).data() == name
        swatch = panel.model.index(row, key_model.COLOUR).data(Qt.ItemDataRole.DecorationRole)
        assert swatch == QColor(default_colours(4)[row])
        assert panel.model.index(row, key_model.USED).data() == "1"
    # What is painted is the colour itself.
    image = panel.view.viewport().grab().toImage()
    assert image.pixelColor(at(panel, 1, key_model.COLOUR)) == QColor(default_colours(4)[1])


def test_without_phases_the_page_says_what_to_do(qtbot: QtBot, desk: Desk) -> None:
    panel = KeyPanel(desk)
    qtbot.addWidget(panel)
    assert panel.pages.currentIndex() == 0
    assert not panel.spread_button.isEnabled()
    assert not panel.export_button.isEnabled()
    panel.close()


def test_choosing_a_colour_follows_live_and_is_one_step(
    qtbot: QtBot, panel: KeyPanel, desk: Desk
) -> None:
    before = colour(desk, "Olivine")
    double_click(qtbot, panel, 1, key_model.COLOUR)
    dialog = panel.findChild(QColorDialog)
    assert not dialog.isModal()
    for tried in ("#ff0000", "#00ff00", "#336699"):
        dialog.setCurrentColor(QColor(tried))
        assert colour(desk, "Olivine") == tried
    dialog.accept()
    assert colour(desk, "Olivine") == "#336699"
    desk.undo()
    assert colour(desk, "Olivine") == before


def test_a_colour_that_is_given_up_is_taken_back(qtbot: QtBot, panel: KeyPanel, desk: Desk) -> None:
    before = colour(desk, "Chromite")
    panel.view.setCurrentIndex(panel.model.index(2, key_model.COLOUR))
    qtbot.keyClick(panel.view, Qt.Key.Key_F2)
    dialog = panel.findChild(QColorDialog)
    dialog.setCurrentColor(QColor("#ffffff"))
    dialog.reject()
    assert colour(desk, "Chromite") == before


def test_colours_that_look_alike_are_cautioned_with_their_names(panel: KeyPanel, desk: Desk) -> None:
    assert panel.verdict.property("tone") == "dim"
    entries = [KeyEntry(name=n, colour=c) for n, c in zip(PHASES, default_colours(4), strict=True)]
    entries[1] = KeyEntry(name="Olivine", colour="#b04a20")
    entries[2] = KeyEntry(name="Chromite", colour="#7f6f00")
    desk.sorting.set_key("Alike", Key(entries=tuple(entries)))
    close = [v for v, n in panel.distances.numbers.items() if n.property("tone") == "caution"]
    assert set(close) & {"protan", "deutan"}
    assert "none" not in close
    assert panel.distances.pairs[close[0]].text() == "Olivine and Chromite"
    assert panel.verdict.property("tone") == "caution"
    desk.undo()
    assert panel.verdict.property("tone") == "dim"


def test_spreading(qtbot: QtBot, panel: KeyPanel, desk: Desk) -> None:
    entries = tuple(KeyEntry(name=n, colour="#808080") for n in PHASES)
    desk.sorting.set_key("Grey", Key(entries=entries))
    assert panel.distances.numbers["none"].text() == "0.0"
    qtbot.mouseClick(panel.spread_button, Qt.MouseButton.LeftButton)
    assert [colour(desk, n) for n in PHASES] == list(default_colours(4))


def test_a_mineral_brings_its_density(qtbot: QtBot, panel: KeyPanel, desk: Desk) -> None:
    double_click(qtbot, panel, 2, key_model.MINERAL)
    editor = panel.view.viewport().findChild(QLineEdit)
    qtbot.keyClicks(editor, "chromite")
    # The list of minerals has the keyboard while it is open, and hands on what it does not use.
    popup = editor.completer().popup()
    assert popup.isVisible()
    qtbot.keyClick(popup, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: desk.sorting.key.entry("Chromite").mineral == "chromite")
    entry = desk.sorting.key.entry("Chromite")
    assert entry is not None
    assert entry.density is not None
    assert 4.0 < entry.density < 5.5
    assert panel.model.setData(panel.model.index(2, key_model.DENSITY), "4.6")
    assert desk.sorting.key.entry("Chromite").density == 4.6


@pytest.mark.parametrize("text", ["heavy", "-1", "0", "nan", "inf", "99"])
def test_a_density_that_cannot_be_is_refused(panel: KeyPanel, desk: Desk, text: str) -> None:
    before = desk.sorting.key
    assert not panel.model.setData(panel.model.index(0, key_model.DENSITY), text)
    assert panel.status.isVisible()
    assert desk.sorting.key == before


def test_hovering_tells_the_phase(qtbot: QtBot, panel: KeyPanel) -> None:
    heard: list[str] = []
    panel.phase_hovered.connect(heard.append)
    qtbot.mouseMove(panel.view.viewport(), at(panel, 0, key_model.NAME))
    qtbot.mouseMove(panel.view.viewport(), at(panel, 3, key_model.NAME))
    qtbot.waitUntil(lambda: "Sulfide" in heard)
    QApplication.sendEvent(panel.view, _leave())
    assert heard[-1] == ""


def _leave():
    from PySide6.QtCore import QEvent

    return QEvent(QEvent.Type.Leave)


def test_the_map_as_others_see_it(qtbot: QtBot, panel: KeyPanel, desk: Desk) -> None:
    panel.vision.setFocus()
    qtbot.keyClick(panel.vision, Qt.Key.Key_Down)
    assert desk.vision == "protan"
    desk.set_vision("grey")
    assert panel.vision.currentData() == "grey"
    desk.set_vision("none")


def test_a_key_is_exported_and_imported(
    qtbot: QtBot, panel: KeyPanel, desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "shared"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *a: (str(target), ""))
    qtbot.mouseClick(panel.export_button, Qt.MouseButton.LeftButton)
    file = tmp_path / "shared.key.json"
    assert file.exists()
    desk.sorting.set_key(
        "Grey", Key(entries=tuple(KeyEntry(name=n, colour="#808080") for n in PHASES))
    )
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *a: (str(file), ""))
    qtbot.mouseClick(panel.import_button, Qt.MouseButton.LeftButton)
    assert [colour(desk, n) for n in PHASES] == list(default_colours(4))
    file.write_text("{}")
    qtbot.mouseClick(panel.import_button, Qt.MouseButton.LeftButton)
    assert "not a key file" in panel.status.text()
    assert panel.status.isVisible()


def test_phases_that_no_map_has_can_be_removed(qtbot: QtBot, panel: KeyPanel, desk: Desk) -> None:
    assert not panel.unused_button.isVisible()
    extra = KeyEntry(name="Old", colour="#777777")
    desk.sorting.set_key("Old", Key(entries=(*desk.sorting.key.entries, extra)))
    assert panel.unused_button.isVisible()
    qtbot.mouseClick(panel.unused_button, Qt.MouseButton.LeftButton)
    assert desk.sorting.key.entry("Old") is None
    assert not panel.unused_button.isVisible()


def test_a_closed_panel_hears_nothing_of_the_desk(panel: KeyPanel, desk: Desk) -> None:
    panel.close()
    desk.sorting.set_key("None", Key())
    desk.set_vision("protan")
    assert panel.model.rowCount() == 4
