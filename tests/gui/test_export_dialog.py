"""The export page: real clicks on a real project, and the files that come of them read back."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PySide6.QtCore import QEvent, QPoint, QSettings, Qt
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QAbstractButton, QApplication, QFileDialog, QWidget
from pytestqt.qtbot import QtBot

from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.panels import theme
from viewer.panels.publish import export_dialog
from viewer.panels.publish.choice import KIND_WORDS, Choice, named, suggested_name
from viewer.panels.publish.export_dialog import FOLDER, ExportDialog
from viewer.panels.publish.proof import draw_proof
from viewer.panels.publish.trial import PIXEL_UM, SHAPE, trial_desk
from viewer.panels.qt import Poster
from viewer.plates.composite import write_composite
from viewer.plates.foresee import foresee_page
from viewer.plates.page import Page
from viewer.science.look.orient import Orientation
from viewer.science.look.stretch import Stretch
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.documents import Composite, Key

VIEW_UM = (2000.0, 1250.0, 6000.0, 5000.0)
"""Columns 100 to 300 and rows 50 to 200 of the trial map."""


@pytest.fixture(scope="module", autouse=True)
def _dressed(qapp: QApplication, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = str(tmp_path_factory.mktemp("settings"))
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, folder)
    qapp.setOrganizationName("grainlight-tests")
    theme.apply(qapp, "dark")


@pytest.fixture(scope="module")
def project_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("trial")
    with trial_desk(folder) as desk:
        return desk.path


@pytest.fixture
def desk(project_file: Path, tmp_path: Path) -> Iterator[Desk]:
    QSettings().remove(FOLDER)
    copy = tmp_path / "trial.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    with Desk.open(copy, inline=True) as opened:
        yield opened


@pytest.fixture
def dialog(qtbot: QtBot, desk: Desk) -> ExportDialog:
    made = ExportDialog(desk)
    qtbot.addWidget(made)
    show(qtbot, made, desk)
    return made


@pytest.fixture
def said(desk: Desk) -> list[tuple[str, str]]:
    heard: list[tuple[str, str]] = []
    desk.said.connect(lambda level, text: heard.append((level, text)))
    return heard


Choose = Callable[[Path], None]


@pytest.fixture
def choose(monkeypatch: pytest.MonkeyPatch) -> Choose:
    """Say which name the user gives in the file dialog."""

    def name(path: Path) -> None:
        monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(path), ""))

    return name


def show(qtbot: QtBot, dialog: ExportDialog, desk: Desk, view: object = VIEW_UM) -> None:
    found = desk.map()
    dialog.show_picture(found.id, desk.picture(found.id), view)  # type: ignore[arg-type]
    settle(qtbot, dialog)


def settle(qtbot: QtBot, dialog: ExportDialog) -> None:
    """Wait until the page shows what is chosen."""
    qtbot.waitUntil(lambda: not dialog._pause.isActive() and not dialog._latest.busy, timeout=20_000)


def click(qtbot: QtBot, button: QAbstractButton) -> None:
    # A radio button or check box answers to its sign and words only, which stand at the left.
    at = QPoint(8, button.height() // 2)
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton, pos=at)


def type_into(qtbot: QtBot, field: QWidget, text: str) -> None:
    field.setFocus()
    qtbot.keyClick(field, Qt.Key.Key_A, Qt.KeyboardModifier.ControlModifier)
    qtbot.keyClicks(field, text)
    qtbot.keyClick(field, Qt.Key.Key_Tab)


def choose_kind(qtbot: QtBot, dialog: ExportDialog, kind: str) -> None:
    """Pick a kind with the keyboard, as its list would."""
    box = dialog.options.kind
    box.setFocus()
    qtbot.keyClick(box, Qt.Key.Key_Home)
    for _ in range(len(KIND_WORDS)):
        if box.currentData() == kind:
            break
        qtbot.keyClick(box, Qt.Key.Key_Down)
    assert box.currentData() == kind
    settle(qtbot, dialog)


def kinds(dialog: ExportDialog) -> list[str]:
    return [note.kind for note in dialog.notes.notes]


def pixels(image: QImage) -> np.ndarray:
    image = image.convertToFormat(QImage.Format.Format_RGB888)
    flat = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine())
    return flat[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).copy()


def set_way_up(desk: Desk, orientation: Orientation) -> None:
    found = desk.map().id
    setup = msgspec.structs.replace(desk.setup(found), orientation=orientation)
    desk.set_setup("Turn the map", found, setup)


# -- the page on the screen ---------------------------------------------------------------------


def test_shows_the_page_and_its_size(dialog: ExportDialog, desk: Desk) -> None:
    assert dialog.isVisible()
    assert not dialog.isModal()
    assert "Upper face" in dialog.windowTitle()
    assert dialog.size_line.text().startswith("2126 × ")
    assert "180 × " in dialog.size_line.text()
    image = dialog.view.image
    assert image is not None
    foreseen = foresee_page(dialog._source, Page(), vector=False).foreseen  # type: ignore[arg-type]
    assert image.width() / image.height() == pytest.approx(
        foreseen.width_px / foreseen.height_px, rel=0.01
    )
    assert image.width() <= dialog.view.room[0]
    assert dialog.view.rect().toRectF().contains(dialog.view.page_rect())
    assert dialog.export_button.isEnabled()


def test_the_page_has_an_edge_on_neutral_ground(qtbot: QtBot, dialog: ExportDialog) -> None:
    shot = dialog.view.grab().toImage()
    tokens = theme.current()
    page = dialog.view.page_rect()
    assert shot.pixelColor(2, 2).name() == tokens.map_ground
    middle = round(page.center().y())
    assert shot.pixelColor(round(page.left()) - 1, middle).name() == tokens.mark
    assert shot.pixelColor(round(page.left()) + 1, middle).name() == "#ffffff"
    click(qtbot, dialog.options.dark)
    settle(qtbot, dialog)
    shot = dialog.view.grab().toImage()
    assert shot.pixelColor(round(page.left()) + 1, middle).name() == "#121212"


@pytest.mark.parametrize("turns", [0, 1])
def test_the_page_shows_the_colours_of_the_screen(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk, turns: int
) -> None:
    set_way_up(desk, Orientation(quarter_turns=turns, mirror=True))
    click(qtbot, dialog.options.view_only)
    choose_kind(qtbot, dialog, "map-8")
    assert dialog.view.image is not None
    shown = pixels(dialog.view.image)
    wanted = desk.picture(desk.map().id).rgb(0, slice(50, 200), slice(100, 300), 8)
    wanted = desk.setup(desk.map().id).orientation.apply(wanted)
    # Larger than the map here: each screen pixel is the map pixel under its centre.
    assert shown.shape[0] >= wanted.shape[0]
    rows = ((np.arange(shown.shape[0]) + 0.5) * wanted.shape[0] / shown.shape[0]).astype(int)
    cols = ((np.arange(shown.shape[1]) + 0.5) * wanted.shape[1] / shown.shape[1]).astype(int)
    same = (shown == wanted[np.ix_(rows, cols)]).all(axis=2)
    assert same.mean() > 0.98  # centres that fall on an edge between two pixels may go either way
    across, down = (PIXEL_UM[1], PIXEL_UM[0]) if turns else PIXEL_UM
    true = wanted.shape[1] * across / (wanted.shape[0] * down)
    assert shown.shape[1] / shown.shape[0] == pytest.approx(true, rel=0.01)


def test_follows_the_look(qtbot: QtBot, dialog: ExportDialog, desk: Desk) -> None:
    before = pixels(dialog.view.image)  # type: ignore[arg-type]
    found = desk.map().id
    look = desk.look(found)
    swapped = msgspec.structs.replace(
        look.composite, red=look.composite.green, green=look.composite.red
    )
    desk.set_look("Swap", found, msgspec.structs.replace(look, composite=swapped))
    settle(qtbot, dialog)
    after = pixels(dialog.view.image)  # type: ignore[arg-type]
    box = (slice(20, 200), slice(20, 400))
    np.testing.assert_array_equal(after[box][..., [1, 0, 2]], before[box])
    desk.undo()
    settle(qtbot, dialog)
    np.testing.assert_array_equal(pixels(dialog.view.image), before)  # type: ignore[arg-type]


def test_the_light_table_is_no_picture(qtbot: QtBot, dialog: ExportDialog, desk: Desk) -> None:
    before = pixels(dialog.view.image)  # type: ignore[arg-type]
    found = desk.map().id
    desk.set_look("Table", found, msgspec.structs.replace(desk.look(found), mode="table"))
    settle(qtbot, dialog)
    np.testing.assert_array_equal(pixels(dialog.view.image), before)  # type: ignore[arg-type]


def test_says_why_an_empty_composite_cannot_be_exported(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk
) -> None:
    found = desk.map().id
    desk.set_look("Empty", found, msgspec.structs.replace(desk.look(found), composite=Composite()))
    settle(qtbot, dialog)
    assert dialog.view.words.startswith("No layer is shown")
    assert not dialog.export_button.isEnabled()
    desk.undo()
    settle(qtbot, dialog)
    assert dialog.export_button.isEnabled()


# -- what is offered ----------------------------------------------------------------------------


def test_way_up_is_offered_only_where_it_is_set(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk
) -> None:
    arrow = dialog.options.arrow
    assert arrow.isEnabled()
    assert arrow.isChecked()
    set_way_up(desk, Orientation())
    settle(qtbot, dialog)
    assert not arrow.isEnabled()
    assert not arrow.isChecked()
    assert arrow.text() == "Way-up arrow (way-up is not set)"
    set_way_up(desk, Orientation(way_up_deg=90.0))
    settle(qtbot, dialog)
    assert arrow.isEnabled()
    assert arrow.isChecked()


@pytest.mark.parametrize(
    ("view", "words"),
    [
        (None, "not in view"),
        ((0.0, 0.0, 0.0, 0.0), "not in view"),
        ((-10.0, -10.0, 12000.0, 7500.0), "whole map is in view"),
    ],
)
def test_no_view_or_all_of_it(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk, view: object, words: str
) -> None:
    click(qtbot, dialog.options.view_only)
    assert dialog.options.choice.window_um == VIEW_UM
    show(qtbot, dialog, desk, view)
    assert not dialog.options.view_only.isEnabled()
    assert words in dialog.options.view_only.toolTip()
    assert dialog.options.choice.window_um is None


def test_width_presets_and_the_field_agree(qtbot: QtBot, dialog: ExportDialog) -> None:
    preset, width = dialog.options.width_preset, dialog.options.width_mm
    preset.setFocus()
    qtbot.keyClick(preset, Qt.Key.Key_Up)
    assert width.value() == 120.0
    qtbot.keyClick(preset, Qt.Key.Key_Up)
    assert width.value() == 85.0
    type_into(qtbot, width, "180")
    assert preset.currentText() == "Two columns"
    type_into(qtbot, width, "140")
    assert preset.currentText() == "Other width"
    assert dialog.options.choice.width_mm == 140.0
    settle(qtbot, dialog)
    assert "140 × " in dialog.size_line.text()


def test_a_coarse_page_is_cautioned(qtbot: QtBot, dialog: ExportDialog) -> None:
    # 600 map pixels over 176 mm are 87 an inch.
    assert kinds(dialog) == ["coarse", "sampling"]
    assert "87 pixels an inch is all the map holds" in dialog.notes.notes[0].text
    type_into(qtbot, dialog.options.width_mm, "50")
    settle(qtbot, dialog)
    assert kinds(dialog) == ["sampling"]
    type_into(qtbot, dialog.options.dpi, "100")
    settle(qtbot, dialog)
    assert dialog.notes.notes[0].text.startswith("100 pixels an inch was asked for")


def test_a_letter_that_cannot_be_drawn_is_cautioned(qtbot: QtBot, dialog: ExportDialog) -> None:
    dialog.options.title.insert("Face 面")  # as an input method does
    settle(qtbot, dialog)
    assert "missing letters" in kinds(dialog)


def test_notes_foreseen_are_those_of_the_file(
    qtbot: QtBot, dialog: ExportDialog, tmp_path: Path
) -> None:
    for kind in ("png", "pdf"):
        choice = Choice(kind=kind, width_mm=85.0, dpi=150.0)  # type: ignore[arg-type]
        source = dialog._source
        assert source is not None
        foreseen = draw_proof(source, choice, (400, 400)).foreseen
        written = write_composite(source, tmp_path / f"a.{kind}", choice.page())
        assert foreseen.notes == written.notes
        assert (foreseen.width_px, foreseen.height_px) == (written.width_px, written.height_px)
        assert foreseen.width_mm == written.width_mm
        assert foreseen.height_mm == written.height_mm


def test_a_map_size_tiff_has_no_page(qtbot: QtBot, dialog: ExportDialog) -> None:
    choose_kind(qtbot, dialog, "map-8")
    for part in ("width_mm", "dpi", "title", "caption", "bar", "names", "arrow", "dark"):
        assert not getattr(dialog.options, part).isEnabled(), part
    for part in ("title", "caption"):
        label = dialog.options.form.labelForField(getattr(dialog.options, part))
        assert not label.isEnabled(), part
    assert dialog.size_line.text().startswith("600 × 300 px, 0.18 megapixels.\n12 × 7.5 mm of rock")
    choose_kind(qtbot, dialog, "svg")
    assert dialog.options.title.isEnabled()
    assert dialog.options.arrow.isEnabled()


def test_16_bits_of_a_colour_map_say_that_they_hold_no_more(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk
) -> None:
    found = desk.map().id
    desk.set_look("Single", found, msgspec.structs.replace(desk.look(found), mode="single"))
    choose_kind(qtbot, dialog, "map-16")
    assert "colour map" in kinds(dialog)
    choose_kind(qtbot, dialog, "map-8")
    assert "colour map" not in kinds(dialog)


def test_describes_what_is_shown(qtbot: QtBot, dialog: ExportDialog, desk: Desk) -> None:
    found = desk.map().id
    look = desk.look(found)
    assert look.composite.red is not None
    assert look.composite.green is not None
    red = msgspec.structs.replace(
        look.composite.red, stretch=Stretch(low=20, high=420.5, by="value", curve="log", gamma=1.25)
    )
    green = msgspec.structs.replace(
        look.composite.green,
        stretch=Stretch(low=3, high=400, by="value", invert=True, weight=0.8),
    )
    composite = msgspec.structs.replace(look.composite, red=red, green=green, blue=None)
    desk.set_look("Stretch", found, msgspec.structs.replace(look, composite=composite))
    click(qtbot, dialog.options.describe)
    words = dialog.options.caption.toPlainText()
    assert words == (
        "Red: Fe; Green: Mg. Map pixel 20 × 25 µm (width × height). "
        "Way-up 30° clockwise from the top. Stretch, black to bright: "
        "Fe 20 to 420.5 counts, log, gamma 1.25; "
        "Mg 3 to 400 counts, linear, gamma 1, inverted, weight 0.8."
    )
    dialog.options.caption.undo()
    assert dialog.options.caption.toPlainText() == ""


@pytest.mark.parametrize("up", [0.0, 360.0])
def test_up_at_the_top_is_said_in_words(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk, up: float
) -> None:
    set_way_up(desk, Orientation(way_up_deg=up % 360))
    click(qtbot, dialog.options.describe)
    words = dialog.options.caption.toPlainText()
    assert "Up is the top of the picture." in words
    assert "°" not in words


def test_percentiles_are_described_as_the_values_they_came_to(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk
) -> None:
    found = desk.map()
    click(qtbot, dialog.options.describe)
    stretch = desk.picture(found.id).stretches[0]
    assert stretch.by == "value"
    assert f"Fe {stretch.low:.5g} to {stretch.high:.5g} counts" in (
        dialog.options.caption.toPlainText()
    )


# -- faults -------------------------------------------------------------------------------------


def test_a_page_without_room_says_so_at_its_sizes(qtbot: QtBot, dialog: ExportDialog) -> None:
    type_into(qtbot, dialog.options.width_mm, "20")
    settle(qtbot, dialog)
    fault = dialog.options.size_fault
    assert fault.isVisible()
    assert "no room between margins" in fault.text()
    assert not dialog.options.part_fault.isVisible()
    assert not dialog.export_button.isEnabled()
    assert dialog.size_line.text() == ""
    type_into(qtbot, dialog.options.width_mm, "85")
    settle(qtbot, dialog)
    assert not fault.isVisible()
    assert dialog.export_button.isEnabled()


def test_a_page_too_large_is_refused_before_it_is_drawn(
    qtbot: QtBot, dialog: ExportDialog
) -> None:
    type_into(qtbot, dialog.options.width_mm, "1000")
    type_into(qtbot, dialog.options.dpi, "2400")
    settle(qtbot, dialog)
    assert "too large to draw" in dialog.options.size_fault.text()
    assert not dialog.export_button.isEnabled()
    # As PDF the map's own pixels go in, which are few.
    choose_kind(qtbot, dialog, "pdf")
    assert not dialog.options.size_fault.isVisible()
    assert dialog.export_button.isEnabled()


def test_a_view_off_the_map_says_so_at_the_part(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk
) -> None:
    show(qtbot, dialog, desk, (50_000.0, 0.0, 60_000.0, 1000.0))
    click(qtbot, dialog.options.view_only)
    settle(qtbot, dialog)
    assert dialog.options.part_fault.isVisible()
    assert "outside the map" in dialog.options.part_fault.text()
    assert not dialog.options.size_fault.isVisible()


def test_a_height_without_room(qtbot: QtBot, dialog: ExportDialog) -> None:
    type_into(qtbot, dialog.options.caption, "word " * 400)
    type_into(qtbot, dialog.options.tallest, "30")
    assert dialog.options.choice.max_height_mm == 30.0
    settle(qtbot, dialog)
    assert "no room for this map" in dialog.options.size_fault.text()


def test_a_name_of_another_kind_is_refused(
    qtbot: QtBot, dialog: ExportDialog, choose: Choose, tmp_path: Path
) -> None:
    choose(tmp_path / "figure.pdf")
    click(qtbot, dialog.export_button)
    assert "ends in .pdf" in dialog.status.text()
    assert dialog.status.property("tone") == "error"
    assert not (tmp_path / "figure.pdf").exists()


def test_a_file_that_nobody_was_asked_about_is_not_replaced(
    qtbot: QtBot, dialog: ExportDialog, choose: Choose, tmp_path: Path
) -> None:
    (tmp_path / "figure.png").write_bytes(b"dear to someone")
    choose(tmp_path / "figure")  # the ending is added after the question
    click(qtbot, dialog.export_button)
    assert "There is a file of this name already" in dialog.status.text()
    assert (tmp_path / "figure.png").read_bytes() == b"dear to someone"
    assert dialog.export_button.isEnabled()


def test_a_folder_that_is_gone(
    qtbot: QtBot, dialog: ExportDialog, choose: Choose, tmp_path: Path,
    said: list[tuple[str, str]],
) -> None:  # fmt: skip
    choose(tmp_path / "no" / "figure.png")
    click(qtbot, dialog.export_button)
    assert "cannot be written here" in dialog.status.text()
    assert said == []


# -- files --------------------------------------------------------------------------------------


def test_png(
    qtbot: QtBot, dialog: ExportDialog, choose: Choose, tmp_path: Path,
    said: list[tuple[str, str]],
) -> None:  # fmt: skip
    folder = tmp_path / "figures"
    folder.mkdir()
    choose(folder / "figure.png")
    type_into(qtbot, dialog.options.title, "Upper contact")
    settle(qtbot, dialog)
    click(qtbot, dialog.export_button)
    with Image.open(folder / "figure.png") as image:
        assert image.size[0] == 2126
        assert dialog.size_line.text().startswith(f"2126 × {image.size[1]} px")
        # 2126 pixels on 180 mm, in whole pixels per metre.
        assert image.info["dpi"] == pytest.approx((11811 * 0.0254,) * 2)
        assert image.info["Title"] == "Upper contact"
    assert said == [("info", f"Picture written to {folder / 'figure.png'}")]
    assert dialog.status.text().startswith("Wrote figure.png, 2126 × ")
    assert QSettings().value(FOLDER) == str(folder)
    choose_kind(qtbot, dialog, "pdf")
    assert not dialog.status.isVisible()


def test_a_file_is_replaced_where_the_file_dialog_asked(
    qtbot: QtBot, dialog: ExportDialog, choose: Choose, tmp_path: Path
) -> None:
    (tmp_path / "figure.png").write_bytes(b"old")
    choose(tmp_path / "figure.png")
    click(qtbot, dialog.export_button)
    with Image.open(tmp_path / "figure.png") as image:
        assert image.format == "PNG"


def test_nothing_happens_where_no_name_is_given(
    qtbot: QtBot, dialog: ExportDialog, monkeypatch: pytest.MonkeyPatch,
    said: list[tuple[str, str]],
) -> None:  # fmt: skip
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: ("", ""))
    click(qtbot, dialog.export_button)
    assert said == []
    assert dialog.export_button.isEnabled()


def test_the_file_dialog_starts_in_the_last_folder_with_a_name(
    qtbot: QtBot, dialog: ExportDialog, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    asked: list[tuple[str, str]] = []

    def save(_parent: object, _title: str, start: str, kind: str) -> tuple[str, str]:
        asked.append((start, kind))
        return "", ""

    monkeypatch.setattr(QFileDialog, "getSaveFileName", save)
    click(qtbot, dialog.export_button)
    other = tmp_path / "other"
    other.mkdir()
    QSettings().setValue(FOLDER, str(other))
    choose_kind(qtbot, dialog, "map-16")
    click(qtbot, dialog.export_button)
    assert asked == [
        (str(tmp_path / "Upper face Fe-Mg-Ca.png"), "PNG figure (*.png)"),
        (str(other / "Upper face Fe-Mg-Ca.tif"), "Map-size TIFF, 16-bit (*.tif *.tiff)"),
    ]


def test_tiff_page(qtbot: QtBot, dialog: ExportDialog, choose: Choose, tmp_path: Path) -> None:
    choose(tmp_path / "figure.tiff")
    choose_kind(qtbot, dialog, "tif")
    type_into(qtbot, dialog.options.width_mm, "85")
    type_into(qtbot, dialog.options.dpi, "600")
    click(qtbot, dialog.options.dark)
    settle(qtbot, dialog)
    click(qtbot, dialog.export_button)
    with tifffile.TiffFile(tmp_path / "figure.tiff") as file:
        page = file.pages.first
        image = page.asarray()
        x, y = page.tags["XResolution"].value, page.tags["YResolution"].value
        assert page.tags["ResolutionUnit"].value == 3  # centimetre
    assert image.shape[1] == 2008  # 85 mm at 600 dpi: 2007.87
    assert image.shape[2] == 3
    assert x[0] / x[1] == pytest.approx(2008 / 8.5)
    assert y == x
    assert tuple(image[0, 0]) == (18, 18, 18)


@pytest.mark.parametrize("depth", [8, 16])
@pytest.mark.parametrize("part", ["whole", "view"])
def test_map_size_tiff(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk, choose: Choose, tmp_path: Path,
    depth: int, part: str,
) -> None:  # fmt: skip
    set_way_up(desk, Orientation(quarter_turns=1))
    choose(tmp_path / "map.tif")
    choose_kind(qtbot, dialog, f"map-{depth}")
    if part == "view":
        click(qtbot, dialog.options.view_only)
    settle(qtbot, dialog)
    click(qtbot, dialog.export_button)
    with tifffile.TiffFile(tmp_path / "map.tif") as file:
        page = file.pages.first
        image = page.asarray()
        x, y = page.tags["XResolution"].value, page.tags["YResolution"].value
    rows, cols = (slice(0, SHAPE[0]), slice(0, SHAPE[1]))
    if part == "view":
        rows, cols = slice(50, 200), slice(100, 300)
    wanted = desk.picture(desk.map().id).rgb(0, rows, cols, depth)  # type: ignore[arg-type]
    assert image.dtype == (np.uint8 if depth == 8 else np.uint16)
    np.testing.assert_array_equal(image, np.rot90(wanted, -1))
    # Pixels 20 µm wide and 25 µm high lie on their side.
    assert x[0] / x[1] == 400.0
    assert y[0] / y[1] == 500.0


def test_view_only_page_holds_the_view(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk, choose: Choose, tmp_path: Path
) -> None:
    choose(tmp_path / "view.png")
    click(qtbot, dialog.options.view_only)
    for box in (dialog.options.bar, dialog.options.names, dialog.options.arrow):
        click(qtbot, box)
        assert not box.isChecked()
    settle(qtbot, dialog)
    click(qtbot, dialog.export_button)
    with Image.open(tmp_path / "view.png") as image:
        page = np.asarray(image)
    # Nothing but the map within margins of 2 mm.
    margin = round(2 * 2126 / 180)
    inner = page[margin:-margin, margin:-margin]
    assert (page[: margin - 1] == 255).all()
    assert inner.shape[1] / inner.shape[0] == pytest.approx(4000 / 3750, rel=0.005)
    wanted = desk.picture(desk.map().id).rgb(0, slice(50, 200), slice(100, 300), 8)
    assert tuple(inner[3, 3]) == tuple(wanted[0, 0])
    assert tuple(inner[-3, -3]) == tuple(wanted[-1, -1])


def test_svg_and_pdf(qtbot: QtBot, dialog: ExportDialog, choose: Choose, tmp_path: Path) -> None:
    type_into(qtbot, dialog.options.caption, "Red is iron")
    choose(tmp_path / "figure.svg")
    choose_kind(qtbot, dialog, "svg")
    click(qtbot, dialog.export_button)
    text = (tmp_path / "figure.svg").read_text(encoding="utf-8")
    for words in ("Red: Fe", "Green: Mg", "Blue: Ca", "way up", "Red is iron"):
        assert words in text
    choose(tmp_path / "figure.pdf")
    choose_kind(qtbot, dialog, "pdf")
    click(qtbot, dialog.export_button)
    pdf = (tmp_path / "figure.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    assert b"/Title (Upper face)" in pdf  # the page has no title: the file is called as the map


def test_exports_what_is_shown_now_and_not_what_was(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk, choose: Choose, tmp_path: Path
) -> None:
    choose(tmp_path / "map.tif")
    choose_kind(qtbot, dialog, "map-8")
    found = desk.map().id
    look = desk.look(found)
    only_red = msgspec.structs.replace(look.composite, green=None, blue=None)
    desk.set_look("Red", found, msgspec.structs.replace(look, composite=only_red))
    click(qtbot, dialog.export_button)  # before the page is drawn anew
    image = tifffile.imread(tmp_path / "map.tif")
    assert image[..., 0].any()
    assert not image[..., 1:].any()


# -- keys, closing, jobs ------------------------------------------------------------------------


@pytest.mark.parametrize("key", [Qt.Key.Key_Return, Qt.Key.Key_Enter])
def test_ctrl_enter_exports_from_any_field(
    qtbot: QtBot, dialog: ExportDialog, choose: Choose, tmp_path: Path, key: Qt.Key
) -> None:
    choose(tmp_path / "figure.png")
    dialog.options.caption.setFocus()
    qtbot.keyClicks(dialog.options.caption, "a caption")
    qtbot.keyClick(dialog.options.caption, key, Qt.KeyboardModifier.ControlModifier)
    assert (tmp_path / "figure.png").exists()
    assert dialog.options.caption.toPlainText() == "a caption"


def test_escape_closes_and_the_page_comes_back(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk
) -> None:
    type_into(qtbot, dialog.options.title, "kept")
    qtbot.keyClick(dialog, Qt.Key.Key_Escape)
    assert not dialog.isVisible()
    set_way_up(desk, Orientation(quarter_turns=1))  # nothing is drawn for a closed page
    assert not dialog._pause.isActive()
    show(qtbot, dialog, desk)
    assert dialog.options.choice.title == "kept"
    image = dialog.view.image
    assert image is not None
    assert image.height() > image.width()


@pytest.fixture
def busy_desk(
    qtbot: QtBot, project_file: Path, tmp_path: Path
) -> Iterator[tuple[Desk, threading.Event]]:
    """A desk with jobs in threads, of which all are held until the event is set."""
    copy = tmp_path / "busy.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    poster = Poster()
    go = threading.Event()
    with Desk.open(copy, poster.post) as opened:
        for _ in range(2):
            opened.jobs.run("Hold", lambda _: go.wait(20), lambda _: None, opened.say)
        yield opened, go
        go.set()
    poster.close()


def test_progress_and_stop(
    qtbot: QtBot, busy_desk: tuple[Desk, threading.Event], choose: Choose, tmp_path: Path
) -> None:
    desk, go = busy_desk
    dialog = ExportDialog(desk)
    qtbot.addWidget(dialog)
    show(qtbot, dialog, desk)
    choose(tmp_path / "figure.png")
    click(qtbot, dialog.export_button)
    assert not dialog.export_button.isEnabled()
    assert dialog.progress.isVisible()
    assert dialog.status.text() == "Writing figure.png…"
    click(qtbot, dialog.stop_button)
    go.set()
    qtbot.waitUntil(dialog.export_button.isEnabled, timeout=20_000)
    assert dialog.status.text() == "Stopped; no file was written."
    assert not dialog.progress.isVisible()
    assert not (tmp_path / "figure.png").exists()


@pytest.mark.parametrize(
    ("error", "words", "defect"),
    [
        (RuntimeError("no such thing"), "RuntimeError: no such thing", True),
        (MemoryError(), "not enough memory", False),
        (InputError("It is full.", hint="Make room."), "It is full. Make room.", False),
    ],
)
def test_whatever_fails_ends_the_wait(
    qtbot: QtBot, busy_desk: tuple[Desk, threading.Event], choose: Choose, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch, error: Exception, words: str, defect: bool,
) -> None:  # fmt: skip
    desk, go = busy_desk
    dialog = ExportDialog(desk)
    qtbot.addWidget(dialog)
    show(qtbot, dialog, desk)
    choose(tmp_path / "figure.png")

    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(export_dialog, "write", fail)
    click(qtbot, dialog.export_button)
    assert dialog.progress.isVisible()
    with qtbot.captureExceptions() as raised:
        go.set()
        qtbot.waitUntil(dialog.export_button.isEnabled, timeout=20_000)
    assert words in dialog.status.text()
    assert dialog.status.property("tone") == "error"
    assert not dialog.progress.isVisible()
    assert not dialog.stop_button.isVisible()
    assert [kind for kind, *_ in raised] == ([type(error)] if defect else [])


def test_a_page_that_cannot_be_drawn_says_so_and_is_drawn_again(
    qtbot: QtBot, dialog: ExportDialog, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("no such thing")

    with monkeypatch.context() as broken, qtbot.captureExceptions() as raised:
        broken.setattr(export_dialog, "draw_proof", fail)
        click(qtbot, dialog.options.bar)
        settle(qtbot, dialog)
    assert [kind for kind, *_ in raised] == [RuntimeError]
    assert "RuntimeError: no such thing" in dialog.view.words
    assert not dialog.export_button.isEnabled()
    click(qtbot, dialog.options.bar)
    settle(qtbot, dialog)
    assert dialog.view.image is not None
    assert dialog.export_button.isEnabled()


@pytest.mark.parametrize("deleted", [False, True])
def test_a_job_outlives_its_page(
    qtbot: QtBot, busy_desk: tuple[Desk, threading.Event], choose: Choose, tmp_path: Path,
    deleted: bool,
) -> None:  # fmt: skip
    desk, go = busy_desk
    heard: list[tuple[str, str]] = []
    desk.said.connect(lambda level, text: heard.append((level, text)))
    dialog = ExportDialog(desk)
    show(qtbot, dialog, desk)
    choose(tmp_path / "figure.png")
    click(qtbot, dialog.export_button)
    dialog.close()
    if deleted:
        dialog.deleteLater()
        QApplication.sendPostedEvents(dialog, int(QEvent.Type.DeferredDelete))
        desk.changed.emit("look")  # reaches nobody
    go.set()
    qtbot.waitUntil(lambda: bool(heard), timeout=20_000)
    assert heard == [("info", f"Picture written to {tmp_path / 'figure.png'}")]
    with Image.open(tmp_path / "figure.png") as image:
        assert image.size[0] == 2126
    if not deleted:
        dialog.deleteLater()


def test_a_job_that_fails_after_its_page_is_closed_is_told_on_the_desk(
    qtbot: QtBot, busy_desk: tuple[Desk, threading.Event], choose: Choose, tmp_path: Path
) -> None:
    desk, go = busy_desk
    heard: list[tuple[str, str]] = []
    desk.said.connect(lambda level, text: heard.append((level, text)))
    dialog = ExportDialog(desk)
    qtbot.addWidget(dialog)
    show(qtbot, dialog, desk)
    choose(tmp_path / "no" / "figure.png")
    click(qtbot, dialog.export_button)
    dialog.close()
    go.set()
    qtbot.waitUntil(lambda: bool(heard), timeout=20_000)
    assert heard[0][0] == "error"
    assert "cannot be written here" in heard[0][1]


# -- names --------------------------------------------------------------------------------------


@given(st.text(max_size=300), st.lists(st.text(max_size=20), max_size=3).map(tuple))
def test_a_suggested_name_is_one_name(map_name: str, layers: tuple[str, ...]) -> None:
    name = suggested_name(map_name, layers, ".png")
    assert Path(name).name == name
    assert name.endswith(".png")
    assert len(name) > len(".png")
    assert not set(name) & set('\\/:*?"<>|\x00\n')


@pytest.mark.parametrize(
    ("name", "kind", "wanted"),
    [
        ("a", "png", "a.png"),
        ("a.PNG", "png", "a.PNG"),
        ("a.v2", "svg", "a.v2.svg"),
        ("a.tiff", "tif", "a.tiff"),
        ("a.tiff", "map-16", "a.tiff"),
        ("a", "map-8", "a.tif"),
    ],
)
def test_endings(name: str, kind: str, wanted: str) -> None:
    assert named(Path(name), Choice(kind=kind)) == Path(wanted)  # type: ignore[arg-type]


def test_an_ending_of_another_kind() -> None:
    with pytest.raises(InputError, match=r"ends in \.tif, but the kind chosen is PNG figure"):
        named(Path("a.tif"), Choice())
    assert replace(Choice(), kind="map-8").suffix == ".tif"


# -- phase maps ---------------------------------------------------------------------------------


def sort_map(desk: Desk) -> None:
    """Sort the trial map into two phases and what is left, and look at it."""
    desk.sorting.set_scheme(
        "Sort",
        desk.map().id,
        Scheme(
            populations=(
                Population(id="much", name="Much", gate=Range(layer="Fe", low=300.0)),
                Population(id="little", name="Little", gate=Range(layer="Fe", high=60.0)),
            ),
            phases=tuple(
                Phase(id=p, name=name, rules=((Term(population=p),),))
                for p, name in (("much", "Magnetite"), ("little", "Forsterite"))
            ),
        ),
    )
    look = msgspec.structs.replace(desk.look(desk.map().id), mode="phases")
    desk.set_look("Show phases", desk.map().id, look)


def test_a_phase_map_has_a_key_and_areas(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk, choose: Choose, tmp_path: Path
) -> None:
    assert not dialog.options.areas.isVisible()
    sort_map(desk)
    settle(qtbot, dialog)
    assert dialog.options.areas.isVisible()
    assert dialog.options.names.text() == "Key of the phases"
    dialog.options.areas.setChecked(True)
    click(qtbot, dialog.options.describe)
    settle(qtbot, dialog)
    assert dialog.options.caption.toPlainText().startswith("Phases: Magnetite ")
    assert "not of volume or weight" in dialog.options.caption.toPlainText()
    choose_kind(qtbot, dialog, "svg")
    choose(tmp_path / "phases.svg")
    click(qtbot, dialog.export_button)
    text = (tmp_path / "phases.svg").read_text("utf-8")
    assert re.search(r"<text[^>]*>Magnetite \d+\.\d %</text>", text)
    assert re.search(r"<text[^>]*>Unsorted \d+\.\d %</text>", text)


def test_a_phase_map_follows_the_key_and_not_the_eyes(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk
) -> None:
    sort_map(desk)
    desk.set_vision("protan")
    entries = desk.sorting.key.entries
    changed = (msgspec.structs.replace(entries[0], colour="#ff8000"), *entries[1:])
    desk.sorting.set_key("Orange", Key(entries=changed))
    settle(qtbot, dialog)
    shown = pixels(dialog.view.image)
    assert (shown == (255, 128, 0)).all(axis=2).any()


def test_the_file_of_a_phase_map_is_named_so(
    qtbot: QtBot, dialog: ExportDialog, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    sort_map(desk)
    settle(qtbot, dialog)
    asked: list[str] = []

    def save(_parent: object, _title: str, start: str, _kind: str) -> tuple[str, str]:
        asked.append(start)
        return "", ""

    monkeypatch.setattr(QFileDialog, "getSaveFileName", save)
    click(qtbot, dialog.export_button)
    assert asked[0].endswith("Upper face phases.png")
