"""Results drawn over the map: colours, scale, words of what the pointer is on."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QPointF
from PySide6.QtGui import QColor, QImage
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from viewer.desk.measures.result import Drawn, Overlay
from viewer.panels import theme
from viewer.panels.map import overlay_item
from viewer.panels.map.map_view import MapView
from viewer.panels.map.synthetic import SyntheticPicture
from viewer.science.look.orient import Orientation

MIDDLE = (12_000.0, 9_000.0)


@pytest.fixture
def view(qtbot: QtBot, qapp: QApplication) -> MapView:
    theme.apply(qapp, "dark")
    made = MapView()
    qtbot.addWidget(made)
    made.resize(800, 600)
    made.set_picture(SyntheticPicture((900, 1200)), Orientation(quarter_turns=1, mirror=True))
    made.show()
    return made


def _ring(radius: float, value: float | None, words: str, **more: object) -> Drawn:
    turn = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
    points = np.column_stack(
        [MIDDLE[0] + radius * np.cos(turn), MIDDLE[1] + radius * np.sin(turn)]
    )
    return Drawn(points, closed=True, value=value, words=words, **more)  # type: ignore[arg-type]


def _overlay(*shapes: Drawn, diverging: bool = True) -> Overlay:
    return Overlay(shapes, label="up minus down", unit="µm", low=-5, high=20, diverging=diverging)


def _at(view: MapView, x: float, y: float) -> QPointF:
    return view.lens.to_view(x, y)


def _colour(view: MapView, at: QPointF) -> QColor:
    image: QImage = view.grab().toImage()
    return QColor(image.pixel(at.toPoint()))


def test_a_shape_is_drawn_in_the_colour_of_its_value(view: MapView) -> None:
    for value in (-20.0, 0.0, 20.0):
        view.set_overlay(_overlay(_ring(4000.0, value, "grain 1")))
        wanted = QColor(overlay_item.scale(True)[round((value + 20) / 40 * 32)])
        found = _colour(view, _at(view, MIDDLE[0] + 4000.0, MIDDLE[1]))
        assert abs(found.red() - wanted.red()) + abs(found.blue() - wanted.blue()) < 60


def test_zero_is_the_middle_of_a_diverging_scale_and_values_beyond_are_held_at_its_ends() -> None:
    overlay = _overlay(_ring(10.0, 3.0, ""))
    assert overlay_item.ends(overlay) == (-20, 20)
    assert overlay_item.place(overlay, 0.0) == 0.5
    assert overlay_item.place(overlay, 99.0) == 1.0
    plain = _overlay(_ring(10.0, 3.0, ""), diverging=False)
    assert overlay_item.place(plain, -5.0) == 0.0
    flat = Overlay((), low=3.0, high=3.0)
    assert overlay_item.place(flat, 3.0) == 0.5


def test_colours_of_scales_can_be_told_from_a_dark_ground() -> None:
    for diverging in (True, False):
        for colour in overlay_item.scale(diverging):
            found = QColor(colour)
            assert max(found.red(), found.green(), found.blue()) > 110


def test_the_pointer_finds_the_nearest_line_else_the_smallest_shape_about_it(view: MapView) -> None:
    outer, inner = _ring(4000.0, 3.0, "outer"), _ring(1500.0, 3.0, "inner")
    line = Drawn(np.array([[0.0, 500.0], [24_000.0, 500.0]]), words="contact")
    view.set_overlay(_overlay(outer, inner, line))
    item = view._overlay
    assert item.hit(view.lens, _at(view, MIDDLE[0] + 4000.0, MIDDLE[1])) is outer
    assert item.hit(view.lens, _at(view, *MIDDLE)) is inner
    assert item.hit(view.lens, _at(view, MIDDLE[0] + 2500.0, MIDDLE[1])) is outer
    assert item.hit(view.lens, _at(view, 3000.0, 520.0)) is line
    assert item.hit(view.lens, _at(view, 2000.0, 17_000.0)) is None


def test_words_are_said_while_the_hand_is_on_a_shape(view: MapView, qtbot: QtBot) -> None:
    ring = _ring(4000.0, 3.0, "grain 1: up minus down 3 µm")
    view.set_overlay(_overlay(ring))
    before = view.grab().toImage()
    qtbot.mouseMove(view, _at(view, *MIDDLE).toPoint())
    assert view._on_overlay is ring
    assert view.grab().toImage() != before
    view.set_tool("distance")
    qtbot.mouseMove(view, (_at(view, *MIDDLE) + QPointF(3, 3)).toPoint())
    assert view._on_overlay is None


def test_taking_the_overlay_away_leaves_the_map_as_it_was(view: MapView, qtbot: QtBot) -> None:
    qtbot.waitUntil(lambda: view._tiles.based)
    qtbot.wait(50)
    before = view.grab().toImage()
    view.set_overlay(_overlay(_ring(4000.0, 3.0, "grain 1")))
    assert view.overlay is not None
    assert view.grab().toImage() != before
    view.set_overlay(None)
    assert view.grab().toImage() == before


def test_odd_shapes_are_drawn_without_fault(view: MapView) -> None:
    nothing = Drawn(np.empty((0, 2)), closed=True, value=1.0)
    dot = Drawn(np.array([[500.0, 500.0]]), value=float("nan"))
    holes = Drawn(np.array([[0.0, 0.0], [np.nan, 5.0], [9.0, 9.0]]), role="caution")
    view.set_overlay(_overlay(nothing, dot, holes, _ring(900.0, None, "", role="faint")))
    view.grab()
    assert view._overlay.hit(view.lens, QPointF(2, 2)) is None


def test_a_heavy_overlay_moves_with_the_view_and_is_drawn_anew_when_it_rests(
    view: MapView, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(overlay_item, "SLOW_MS", -1)
    view.set_overlay(_overlay(_ring(4000.0, 3.0, "grain 1")))
    view.grab()
    kept = view._overlay._kept
    assert kept is not None
    view.zoom(1.3)
    view.grab()
    assert view._overlay._kept is kept
    qtbot.waitUntil(lambda: view._overlay._kept is not kept, timeout=2000)
