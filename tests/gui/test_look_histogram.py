"""The histogram plot: what it draws, and what dragging on it does."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from viewer.panels import theme
from viewer.panels.look.digits import lean, share, ticks, tidy
from viewer.panels.look.histogram_canvas import HistogramCanvas
from viewer.panels.look.histogram_dock import HistogramCard, LinkedHistograms
from viewer.panels.look.histogram_plot import HistogramPlot
from viewer.panels.look.histogram_scale import (
    CountAxis,
    ValueAxis,
    axis_range,
    bars,
    lay_out,
    top_of,
)
from viewer.panels.look.layers import LayerEntry
from viewer.science.look.histogram import Histogram
from viewer.science.look.stretch import Stretch

LEFT = Qt.MouseButton.LeftButton


def made_up(seed: int = 1, size: int = 40_000) -> Histogram:
    random = np.random.default_rng(seed)
    values = random.poisson(np.repeat([20.0, 90.0, 180.0], size // 3))
    return Histogram(np.bincount(values, minlength=400), np.arange(400, dtype=float))


@pytest.fixture(autouse=True, scope="module")
def _dressed(qapp: QApplication) -> None:
    theme.apply(qapp, "dark")


@pytest.fixture
def plot(qtbot: QtBot) -> HistogramPlot:
    widget = HistogramPlot()
    qtbot.addWidget(widget)
    widget.resize(520, 240)
    widget.set_title("Fe Kα")
    widget.set_histograms(made_up(), whole_numbers=True)
    widget.set_stretch(Stretch(low=20.0, high=180.0, by="value"))
    widget.show()
    return widget


def x_of(canvas: HistogramCanvas, value: float) -> int:
    return round(canvas.axis().x(value))


def middle(canvas: HistogramCanvas, value: float) -> QPoint:
    return QPoint(x_of(canvas, value), round(canvas.plot_rect().center().y()))


def drag(qtbot: QtBot, canvas: HistogramCanvas, start: QPoint, end: QPoint, **keys: object) -> None:
    modifier = keys.get("modifier", Qt.KeyboardModifier.NoModifier)
    qtbot.mousePress(canvas, LEFT, modifier, start)
    for part in (0.3, 0.6, 1.0):
        at = QPointF(start) + (QPointF(end) - QPointF(start)) * part
        qtbot.mouseMove(canvas, at.toPoint())
    qtbot.mouseRelease(canvas, LEFT, modifier, end)


# -- numbers -------------------------------------------------------------------------------------


def test_whole_numbers_are_not_combed() -> None:
    flat = Histogram(np.full(256, 7), np.arange(256.0))
    drawn = bars(flat, -0.5, 255.5, 700)
    assert set(drawn.counts.tolist()) == {7.0}
    assert len(drawn.counts) == 256
    assert drawn.edges[0] == -0.5


def test_every_pixel_on_the_axis_is_drawn_once() -> None:
    held = made_up()
    drawn = bars(held, *axis_range(held, full=True), 300)
    assert drawn.counts.sum() == pytest.approx(held.total)


def test_axis_is_robust_unless_all_is_asked_for() -> None:
    counts = np.zeros(60_001, np.int64)
    counts[100:200] = 500
    counts[60_000] = 1
    hot = Histogram(counts, np.arange(60_001.0))
    assert axis_range(hot, full=False)[1] < 250
    assert axis_range(hot, full=True)[1] > 60_000


def test_axis_keeps_the_edges_of_the_stretch_in_view() -> None:
    held = made_up()
    low, high = axis_range(held, full=False, keep=(-30.0, 300.0))
    assert low <= -30.0
    assert high >= 300.0


def test_axis_of_one_value_and_of_none() -> None:
    one = Histogram(np.array([0, 9, 0]), np.array([0.0, 5.0, 7.0]))
    low, high = axis_range(one, full=False)
    assert low < 5.0 < high
    none = Histogram(np.zeros(4, np.int64), np.arange(4.0))
    assert axis_range(none, full=False) == (0.0, 1.0)


def test_one_towering_bin_does_not_flatten_the_rest() -> None:
    heights = np.array([1000.0, 10.0, 12.0, 9.0])
    assert top_of(heights) == pytest.approx(15.0)
    assert top_of(np.array([20.0, 10.0, 12.0])) == 20.0


def test_log_axis_starts_below_one_pixel_and_leaves_empty_bins_at_zero() -> None:
    axis = CountAxis(top=1000.0, floor=0.5, log=True)
    part = axis.part(np.array([0.0, 1.0, 1000.0]))
    assert part[0] == 0.0
    assert 0.0 < part[1] < part[2] == 1.0


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.floats(20, 2000), st.floats(0, 1))
def test_positions_and_values_are_inverse(low: float, span: float, width: float, at: float) -> None:
    axis = ValueAxis(low, low + span, 40.0, width)
    value = low + at * span
    assert axis.value(axis.x(value)) == pytest.approx(value, abs=1e-6 * max(1.0, span, abs(low)))


@given(
    st.lists(st.tuples(st.floats(0, 500), st.floats(10, 60)), min_size=1, max_size=4),
)
def test_labels_stay_in_the_lane_and_apart(labels: list[tuple[float, float]]) -> None:
    labels.sort()
    widths = [w for _, w in labels]
    starts = lay_out([c for c, _ in labels], widths, 0.0, 500.0)
    assert starts[0] >= -1e-9
    assert starts[-1] + widths[-1] <= 500.0 + 1e-6
    for i in range(1, len(starts)):
        assert starts[i] >= starts[i - 1] + widths[i - 1] - 1e-6


def test_numbers_are_written_with_as_many_digits_as_can_be_told_apart() -> None:
    assert tidy(12.0, 300.0, whole=True) == "12"
    assert tidy(12.5, 300.0, whole=True) == "12.5"
    assert tidy(0.12345, 1.0) == "0.123"
    assert tidy(-0.0001, 1.0) == "0.000"
    assert tidy(-3.0, 10.0) == "\u22123.00"
    assert tidy(float("nan"), 1.0) == "no value"
    assert tidy(2.5e9, 1e9) == "2.500e9"
    assert lean(87.0, 87.0) == "87"
    assert lean(0.25, 1.0) == "0.25"
    assert lean(100.0, 1e3) == "100"
    assert lean(-3.0, 10.0) == "\u22123"
    assert lean(2.5e9, 1e9) == "2.500e9"
    assert lean(float("nan"), 1.0) == "no value"
    assert share(1, 3_000_000) == "<0.001 %"
    assert share(1, 8) == "12.5 %"
    assert ticks(0.0, 100.0, 5) == [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]


# -- hands ---------------------------------------------------------------------------------------


def test_dragging_the_high_edge_tells_every_move_and_the_end(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    told: list[tuple[Stretch, bool]] = []
    plot.stretch_changed.connect(lambda s, done: told.append((s, done)))
    drag(qtbot, canvas, middle(canvas, 180.0), middle(canvas, 120.0))
    assert [done for _, done in told] == [False, False, False, True]
    last = told[-1][0]
    assert last.by == "value"
    assert last.low == 20.0
    assert last.high == pytest.approx(120.0, abs=1.0)


def test_edges_never_cross(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    drag(qtbot, canvas, middle(canvas, 20.0), middle(canvas, 210.0))
    assert canvas.stretch.low < canvas.stretch.high == 180.0


def test_taking_hold_moves_nothing(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    off = middle(canvas, 20.0) + QPoint(3, 0)
    drag(qtbot, canvas, off, off)
    assert canvas.stretch.low == 20.0


def test_dragging_the_middle_sets_gamma(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    drag(qtbot, canvas, middle(canvas, 100.0), middle(canvas, 60.0))
    assert canvas.stretch.gamma > 1.3
    assert canvas.stretch.midpoint == pytest.approx(60.0, abs=1.0)
    assert (canvas.stretch.low, canvas.stretch.high) == (20.0, 180.0)


def test_dragging_the_ramp_shifts_both_edges(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    y = round(canvas.plot_rect().bottom()) + 6
    start, end = QPoint(x_of(canvas, 60.0), y), QPoint(x_of(canvas, 80.0), y)
    drag(qtbot, canvas, start, end)
    assert canvas.stretch.high - canvas.stretch.low == pytest.approx(160.0, abs=0.3)
    assert canvas.stretch.low == pytest.approx(40.0, abs=1.0)


def test_axis_does_not_move_under_a_drag(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    before = canvas.axis()
    qtbot.mousePress(canvas, LEFT, pos=middle(canvas, 20.0))
    qtbot.mouseMove(canvas, QPoint(2, 60))
    canvas.set_stretch(canvas.stretch)
    assert canvas.axis() == before
    qtbot.mouseRelease(canvas, LEFT, pos=QPoint(2, 60))
    assert canvas.stretch.low < before.low


def test_percentile_stretch_shows_its_values_and_becomes_values_when_dragged(
    plot: HistogramPlot, qtbot: QtBot
) -> None:
    canvas = plot.canvas
    held = made_up()
    plot.set_stretch(Stretch(low=5.0, high=95.0))
    assert canvas.handle_values()["low"] == held.percentile(5.0)
    high = canvas.handle_values()["high"]
    drag(qtbot, canvas, middle(canvas, high), middle(canvas, high - 20))
    assert canvas.stretch.by == "value"
    assert canvas.stretch.low == held.percentile(5.0)


def test_shift_drag_lights_a_range_and_escape_clears_it(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    spans: list[tuple[float, float]] = []
    plot.range_selected.connect(lambda low, high: spans.append((low, high)))
    before = canvas.stretch
    shift = Qt.KeyboardModifier.ShiftModifier
    drag(qtbot, canvas, middle(canvas, 150.0), middle(canvas, 70.0), modifier=shift)
    assert len(spans) >= 3
    assert spans[-1][0] == pytest.approx(70.0, abs=1.0)
    assert spans[-1][1] == pytest.approx(150.0, abs=1.0)
    assert canvas.stretch == before
    with qtbot.waitSignal(plot.range_cleared):
        qtbot.keyClick(canvas, Qt.Key.Key_Escape)
    assert canvas.selected_range is None


def test_range_mode_takes_plain_drags_but_not_the_ramp(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    plot.select.click()
    drag(qtbot, canvas, middle(canvas, 20.0), middle(canvas, 60.0))
    assert canvas.stretch.low == 20.0
    assert canvas.selected_range is not None
    y = round(canvas.plot_rect().bottom()) + 6
    drag(qtbot, canvas, QPoint(x_of(canvas, 20.0), y), QPoint(x_of(canvas, 40.0), y))
    assert canvas.stretch.low == pytest.approx(40.0, abs=1.0)


def test_edge_of_a_lit_range_can_be_moved(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    plot.select.click()
    plot.set_range((60.0, 100.0))
    drag(qtbot, canvas, middle(canvas, 100.0), middle(canvas, 140.0))
    assert canvas.selected_range is not None
    assert canvas.selected_range[0] == 60.0
    assert canvas.selected_range[1] == pytest.approx(140.0, abs=1.0)


def test_right_click_clears_and_a_click_is_no_range(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    plot.set_range((60.0, 100.0))
    with qtbot.waitSignal(plot.range_cleared):
        qtbot.mouseClick(canvas, Qt.MouseButton.RightButton, pos=middle(canvas, 80.0))
    plot.select.click()
    with qtbot.waitSignal(plot.range_cleared):
        qtbot.mouseClick(canvas, LEFT, pos=middle(canvas, 80.0))
    assert canvas.selected_range is None


def test_arrow_keys_move_the_marked_handle(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    canvas.setFocus()
    qtbot.keyClick(canvas, Qt.Key.Key_Right)
    assert canvas.stretch.low > 20.0
    qtbot.keyClick(canvas, Qt.Key.Key_Down)
    qtbot.keyClick(canvas, Qt.Key.Key_Down)
    qtbot.keyClick(canvas, Qt.Key.Key_Left, Qt.KeyboardModifier.ControlModifier)
    assert canvas.stretch.high < 179.0


def test_labels_are_never_cut(plot: HistogramPlot) -> None:
    canvas = plot.canvas
    for width in (260, 330, 700):
        plot.resize(width, 200)
        for low, high in ((-50.0, 0.0), (0.0, 1.0), (399.0, 400.0), (0.0, 5000.0)):
            plot.set_stretch(Stretch(low=low, high=high, by="value"))
            metrics = QFontMetricsF(canvas.font())
            boxes = [box for box, _ in canvas._label_boxes(metrics).values()]
            assert all(box.left() >= 0 and box.right() <= canvas.width() for box in boxes)
            ordered = sorted(boxes, key=lambda b: b.left())
            assert all(a.right() <= b.left() for a, b in pairwise(ordered))


def test_readout_counts_the_bin_under_the_mouse(plot: HistogramPlot, qtbot: QtBot) -> None:
    canvas = plot.canvas
    held = made_up()
    qtbot.mouseMove(canvas, middle(canvas, 90.0))
    value = round(canvas.axis().value(middle(canvas, 90.0).x()))
    expected = int(held.counts[value])
    text = canvas.readout().replace("\u2009", "")
    assert text.startswith(f"{value}:")
    assert f"{expected} pixels" in text


def test_a_layer_without_values_says_so_and_cannot_be_dragged(
    plot: HistogramPlot, qtbot: QtBot
) -> None:
    plot.set_histograms(Histogram(np.zeros(10, np.int64), np.arange(10.0)))
    plot.grab()
    assert plot.canvas.handle_values() == {}
    drag(qtbot, plot.canvas, QPoint(100, 60), QPoint(200, 60))


@pytest.mark.parametrize("scheme", ["dark", "light"])
def test_three_populations_look_different(plot: HistogramPlot, qapp: QApplication, scheme: str) -> None:
    theme.apply(qapp, scheme)  # type: ignore[arg-type]
    alone = plot.grab().toImage()
    plot.set_histograms(made_up(), made_up(2, 3000), whole_numbers=True)
    two = plot.grab().toImage()
    plot.set_histograms(made_up(), made_up(2, 3000), made_up(3, 900), whole_numbers=True)
    three = plot.grab().toImage()
    assert alone != two != three
    theme.apply(qapp, "dark")


# -- the row of plots ----------------------------------------------------------------------------


def card(key: str, layer: str, **more: object) -> HistogramCard:
    entry = LayerEntry(id=layer, name=layer, dtype="uint16")
    return HistogramCard(
        key=key,
        layer=entry,
        stretch=Stretch(low=20.0, high=180.0, by="value"),
        whole=made_up(),
        **more,  # type: ignore[arg-type]
    )


@pytest.fixture
def dock(qtbot: QtBot) -> LinkedHistograms:
    widget = LinkedHistograms()
    qtbot.addWidget(widget)
    widget.resize(1100, 220)
    widget.set_cards([card("red", "Fe"), card("green", "Mg"), card("blue", "Ca")])
    widget.show()
    return widget


def test_row_names_the_plot_that_was_dragged(dock: LinkedHistograms, qtbot: QtBot) -> None:
    canvas = dock.plot("green").canvas
    told: list[tuple[str, bool]] = []
    dock.stretch_changed.connect(lambda key, _, done: told.append((key, done)))
    drag(qtbot, canvas, middle(canvas, 180.0), middle(canvas, 150.0))
    assert set(told) == {("green", False), ("green", True)}


def test_one_range_lights_at_a_time(dock: LinkedHistograms, qtbot: QtBot) -> None:
    lit: list[str] = []
    dock.range_selected.connect(lambda layer, low, high: lit.append(layer))
    dock.select.click()
    for key in ("red", "blue"):
        canvas = dock.plot(key).canvas
        drag(qtbot, canvas, middle(canvas, 60.0), middle(canvas, 90.0))
    assert lit[0] == "Fe"
    assert lit[-1] == "Ca"
    assert dock.plot("red").canvas.selected_range is None


def test_log_counts_are_switched_for_all(dock: LinkedHistograms) -> None:
    before = dock.plot("red").grab().toImage()
    dock.log.click()
    assert dock.plot("red").grab().toImage() != before
    dock.set_cards([card("red", "Fe"), card("pin:K", "K", pinned=True)])
    assert dock.keys() == ["red", "pin:K"]


def test_pinned_plot_can_be_taken_away(dock: LinkedHistograms, qtbot: QtBot) -> None:
    dock.set_cards([card("red", "Fe"), card("pin:K", "K", pinned=True)])
    assert dock.plot("red").close_button.isHidden()
    with qtbot.waitSignal(dock.unpinned) as told:
        dock.plot("pin:K").close_button.click()
    assert told.args == ["K"]


def test_legend_has_room_for_a_population_before_the_row_is_laid_anew(
    dock: LinkedHistograms, qapp: QApplication
) -> None:
    dock.set_cards([card("red", "Fe")])
    qapp.processEvents()
    dock.set_cards([card("red", "Fe", view=made_up(2), selection=made_up(3))])
    assert dock.legend.width() >= dock.legend.sizeHint().width()
