"""Figures on the screen: what the pointer reads, what is saved and copied, in both schemes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, QRect, QSettings, Qt
from PySide6.QtGui import QGuiApplication, QImage
from PySide6.QtWidgets import QApplication, QDialog, QFileDialog, QToolTip
from pytestqt.qtbot import QtBot

from tests.plates.figures import awkward, chart, histogram, ordinary, rose, strip
from viewer.panels import theme
from viewer.panels.measure import figure_examples
from viewer.panels.measure.figure_view import FigureView
from viewer.panels.measure.scene_painter import screen_ink
from viewer.panels.tokens import SCHEMES
from viewer.plates.paper import contrast
from viewer.plates.tables import read_table


@pytest.fixture(scope="module", autouse=True)
def _dressed(qapp: QApplication, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = str(tmp_path_factory.mktemp("settings"))
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, folder)
    qapp.setOrganizationName("grainlight-tests")
    theme.apply(qapp, "dark")


@pytest.fixture(params=["dark", "light"])
def scheme(request: pytest.FixtureRequest, qapp: QApplication) -> Iterator[str]:
    theme.apply(qapp, request.param)
    yield request.param
    theme.apply(qapp, "dark")


def shown(qtbot: QtBot, figure, width: int = 420, height: int = 320) -> FigureView:
    view = FigureView(figure)
    qtbot.addWidget(view)
    view.resize(width, height)
    view.show()
    return view


def pixels(image: QImage) -> np.ndarray:
    image = image.convertToFormat(QImage.Format.Format_RGB32)
    raw = np.frombuffer(image.constBits(), np.uint8)
    return raw.reshape(image.height(), image.bytesPerLine() // 4, 4)[:, : image.width(), 2::-1].copy()


@pytest.mark.parametrize("figure", ordinary(), ids=lambda f: f.name)
def test_every_figure_is_drawn_in_both_schemes(qtbot, scheme, figure):
    drawn = pixels(shown(qtbot, figure).grab().toImage())
    ground = tuple(int(SCHEMES[scheme].sunken[k : k + 2], 16) for k in (1, 3, 5))
    assert (drawn == ground).all(axis=2).mean() > 0.2
    assert len(np.unique(drawn.reshape(-1, 3), axis=0)) > 3


@pytest.mark.parametrize("figure", awkward(), ids=lambda f: f.name)
def test_what_is_awkward_to_draw_is_drawn(qtbot, figure):
    assert len(np.unique(pixels(shown(qtbot, figure).grab().toImage()).reshape(-1, 3), axis=0)) > 3


@pytest.mark.parametrize("name", ["dark", "light"])
def test_lines_and_words_stand_out_from_their_ground(name):
    ink = screen_ink(SCHEMES[name])

    def rgb(colour: str) -> tuple[int, int, int]:
        red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
        return red, green, blue

    assert min(contrast(rgb(c), rgb(ink.ground)) for c in (ink.text, ink.dim)) >= 4.5
    # Graphics: WCAG 2.2, success criterion 1.4.11.
    told = [colour for role, colour in ink.roles.items() if role != "faint"]
    assert min(contrast(rgb(c), rgb(ink.ground)) for c in told) >= 3.0
    # What stands behind is seen, but steps back.
    assert 2.0 <= contrast(rgb(ink.roles["faint"]), rgb(ink.ground)) < 4.5


def test_a_change_of_scheme_repaints(qtbot, qapp):
    view = shown(qtbot, chart())
    dark = pixels(view.grab().toImage()).mean()
    theme.apply(qapp, "light")
    assert pixels(view.grab().toImage()).mean() > dark + 100
    theme.apply(qapp, "dark")


def test_the_pointer_reads_the_nearest_point(qtbot):
    view = shown(qtbot, chart())
    scene = view.scene()
    assert scene is not None
    at = scene.spots.at[2]
    assert view.words_at(QPointF(at[0] + 3, at[1] - 3)) == (
        "mean\ndistance: 2 mm\nCa: 4 counts (3.5 to 4.5)"
    )
    assert view.words_at(QPointF(2, 2)) == ""


def test_a_ring_marks_the_point_that_is_read_and_goes_with_the_pointer(qtbot):
    view = shown(qtbot, chart())
    x, y = (round(part) for part in view.scene().spots.at[2])

    def near() -> np.ndarray:
        return pixels(view.grab(QRect(x - 9, y - 9, 18, 18)).toImage())

    before = near()
    qtbot.mouseMove(view, QPoint(x, y))
    assert (near() != before).any()
    qtbot.mouseMove(view, QPoint(view.width() - 2, view.height() - 2))
    qtbot.waitUntil(lambda: bool((near() == before).all()))


def test_the_keyboard_reads_too(qtbot, monkeypatch):
    view = shown(qtbot, chart(curves=chart().curves[:1]))
    told: list[str] = []
    monkeypatch.setattr(QToolTip, "showText", lambda at, words, widget: told.append(words))
    for key in (Qt.Key.Key_Right, Qt.Key.Key_Right, Qt.Key.Key_Left, Qt.Key.Key_Left, Qt.Key.Key_A):
        qtbot.keyClick(view, key)
    assert ["distance: 0 mm" in words for words in told] == [True, False, True, True]


def test_a_rose_is_read_by_direction(qtbot):
    view = shown(qtbot, rose())
    frame = view.scene().frame
    words = view.words_at(QPointF(frame.x + frame.w * 0.65, frame.y + frame.h / 2))
    assert words == "45° to 135° from way-up\nmean thickness: 50 µm (45 to 55)\nn = 10"


def test_the_picture_of_a_strip_is_read_pixel_by_pixel(qtbot):
    view = shown(qtbot, strip(curves=()))
    frame = view.scene().frame
    at = QPointF(frame.x + frame.w * 0.9, frame.y + frame.h * 0.1)
    assert view.words_at(at).splitlines()[-1] == "Fe: 23 counts"
    hole = QPointF(frame.x + frame.w * 0.6, frame.y + frame.h * 0.5)
    assert view.words_at(hole).splitlines()[-1] == "Fe: no value"


def test_without_a_figure_there_is_nothing_to_save(qtbot):
    view = shown(qtbot, None)
    assert not view.more.isVisible()
    view.set_figure(rose(), "rims-plagioclase")
    assert view.more.isVisible()
    assert view.stem == "rims-plagioclase-rose"
    assert view.accessibleName() == "Rims by direction"


def test_a_figure_is_saved_at_the_width_chosen(qtbot, tmp_path, monkeypatch):
    view = shown(qtbot, chart())
    said: list[tuple[str, str]] = []
    view.said.connect(lambda level, words: said.append((level, words)))
    two = next(a for a in view.widths.actions() if a.data() == 175.0)
    two.trigger()
    target = tmp_path / "a.svg"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(target), "SVG (*.svg)"))
    view.pick_figure_file()
    assert f'width="{175 / 25.4 * 72:.6f}'[:12] in target.read_text("utf-8")
    assert said == [("info", f"Wrote {target}.")]
    view.more.menu().aboutToShow.emit()
    assert [a.data() for a in view.widths.actions() if a.isChecked()] == [175.0]
    QSettings().remove("measure/figure_mm")


def test_a_name_without_an_ending_gets_that_of_the_format_chosen(qtbot, tmp_path, monkeypatch):
    view = shown(qtbot, chart())
    monkeypatch.setattr(
        QFileDialog, "getSaveFileName", lambda *_: (str(tmp_path / "profile"), "PNG (*.png)")
    )
    view.pick_figure_file()
    assert (tmp_path / "profile.png").exists()


def test_numbers_are_saved_as_they_are_drawn(qtbot, tmp_path, monkeypatch):
    view = shown(qtbot, histogram())
    monkeypatch.setattr(
        QFileDialog, "getSaveFileName", lambda *_: (str(tmp_path / "n"), "Tables (*.csv)")
    )
    view.pick_numbers_file()
    header, rows = read_table(tmp_path / "n.csv")
    assert header[:2] == ["series", "up_minus_down_um"]
    assert len(rows) == 3


def test_what_cannot_be_saved_is_said(qtbot, tmp_path):
    view = shown(qtbot, chart())
    said: list[str] = []
    view.said.connect(lambda level, words: said.append(level))
    assert not view.save_figure(tmp_path / "none" / "a.pdf")
    assert not view.save_numbers(tmp_path / "none" / "a.csv")
    assert not view.save_figure(tmp_path / "a.bmp")
    assert said == ["error"] * 3


def test_a_copied_picture_is_black_on_white_and_fine(qtbot):
    view = shown(qtbot, chart())
    view.copy_picture()
    drawn = pixels(QGuiApplication.clipboard().image())
    assert drawn.shape[:2] == (960, 1260)
    assert (drawn == 255).all(axis=2).mean() > 0.6


def test_a_double_click_opens_the_figure_large(qtbot):
    view = shown(qtbot, chart())
    qtbot.mouseDClick(view, Qt.MouseButton.LeftButton, pos=QPoint(200, 200))
    (window,) = view.findChildren(QDialog)
    large = window.findChild(FigureView)
    assert large.figure is view.figure
    assert large.width() > 2 * view.width()
    window.close()


def test_names_are_shown_as_they_are(qtbot):
    view = shown(qtbot, chart(title="<b>&amp;</b>"))
    assert view.accessibleName() == "<b>&amp;</b>"


@pytest.mark.parametrize("figure", figure_examples.figures(), ids=lambda f: f.name)
def test_examples_fit_a_narrow_panel(qtbot, figure, tmp_path: Path):
    view = shown(qtbot, figure, 356, 280)
    assert view.minimumSizeHint().width() <= 356
    scene = view.scene()
    assert scene.frame.w > 90
    assert scene.frame.h > 60
    assert view.grab().save(str(tmp_path / "a.png"))
