"""The linked scatterplots: what they count, what drawing in them does, how they follow one another."""

from __future__ import annotations

import gc
import math
import shutil
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from matplotlib.path import Path as Outline
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from viewer.desk.desk import Desk
from viewer.desk.where import Where
from viewer.panels import theme
from viewer.panels.sort.board import PlotBoard
from viewer.panels.sort.board_grid import LEAST, cells
from viewer.panels.sort.board_suggest import suggest_pairs
from viewer.panels.sort.density_cells import Cells, extent_for, shown_counts
from viewer.panels.sort.density_range import reach
from viewer.panels.sort.plot_canvas import PlotCanvas
from viewer.panels.sort.plot_shape import Trail, seen, turned
from viewer.panels.sort.plot_ticks import axis_ticks
from viewer.panels.sort.ternary_plane import reweighed, spreading, to_plane, to_shares
from viewer.science.look.histogram import Histogram
from viewer.science.progress import silent
from viewer.science.sort.axes import from_axis, to_axis
from viewer.science.sort.density import Extent
from viewer.science.sort.scheme import (
    Axis,
    Ellipse,
    Phase,
    Plot,
    Polygon,
    Population,
    Range,
    Scheme,
    Term,
    Ternary,
)
from viewer.store.documents import Unit
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map

LEFT = Qt.MouseButton.LeftButton
NONE = Qt.KeyboardModifier.NoModifier
SHAPE = (260, 340)
MAP = "m"
FE_MG = Plot(x=Axis(layer="Fe"), y=Axis(layer="Mg"))


def _rock() -> dict[str, np.ndarray[Any, Any]]:
    rng = np.random.default_rng(11)
    rows, cols = np.indices(SHAPE)
    kind = (np.sin(cols / 17.0) + np.cos(rows / 13.0) > 0).astype(int) + (cols > 200)
    means = {"Fe": (20, 120, 300), "Mg": (220, 90, 30), "Ca": (5, 60, 180), "Cr": (2, 3, 200)}
    out: dict[str, np.ndarray[Any, Any]] = {
        n: rng.poisson(np.array(m)[kind]).astype(np.uint16) for n, m in means.items()
    }
    out["Al"] = (rng.gamma(4.0, 3.0, SHAPE) - 2.0).astype(np.float32)
    out["Al"][:4, :9] = np.nan
    return out


ROCK = _rock()


@pytest.fixture(autouse=True, scope="module")
def _dressed(qapp: QApplication) -> None:
    theme.apply(qapp, "dark")


@pytest.fixture(scope="module")
def rock_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("rock") / "rock.maps.h5"
    with new_project(path) as file:
        group = write_map(file, MapInfo(id=MAP, name="Slab", shape=SHAPE, pixel_um=(20.0, 30.0)))
        for name, pixels in ROCK.items():
            write_layer(
                group["channels"],
                LayerInfo(id=name, name=name, kind="channel", element=name, content=name),
                SHAPE,
                pixels.dtype,
                lambda a, b, pixels=pixels: pixels[a:b],
                silent,
            )
    return path


@pytest.fixture
def desk(rock_file: Path, tmp_path: Path) -> Iterator[Desk]:
    path = Path(shutil.copy(rock_file, tmp_path / "rock.maps.h5"))
    with Desk.open(path, inline=True) as opened:
        yield opened


@pytest.fixture
def board(desk: Desk, qtbot: QtBot) -> Iterator[PlotBoard]:
    """A board of iron against magnesium, and of chromium against calcium."""
    plots = (FE_MG, Plot(x=Axis(layer="Cr"), y=Axis(layer="Ca", scale="sqrt")))
    desk.sorting.set_scheme("Plots", MAP, Scheme(plots=plots))
    widget = PlotBoard(desk)
    qtbot.addWidget(widget)
    widget.resize(900, 420)
    widget.show()
    widget.set_map(MAP)
    rest(qtbot, widget)
    yield widget
    widget.close()


def rest(qtbot: QtBot, board: PlotBoard) -> None:
    """Wait until everything is counted."""
    QApplication.processEvents()
    qtbot.waitUntil(lambda: not board.busy, timeout=20_000)
    QApplication.processEvents()


def spot(canvas: PlotCanvas, x: float, y: float) -> QPoint:
    return canvas.lens.to_view(x, y).toPoint()


def drag(canvas: PlotCanvas, *points: QPoint) -> None:
    """Press at the first point, move through all, let go at the last."""
    view = canvas.viewport()
    QTest.mousePress(view, LEFT, NONE, points[0])
    for point in points[1:]:
        QTest.mouseMove(view, point)
        QApplication.processEvents()
    QTest.mouseRelease(view, LEFT, NONE, points[-1])
    QApplication.processEvents()


def hover(canvas: PlotCanvas, at: QPoint) -> None:
    QTest.mouseMove(canvas.viewport(), at + QPoint(1, 1))
    QTest.mouseMove(canvas.viewport(), at)
    QApplication.processEvents()


def loop(canvas: PlotCanvas, x: float, y: float, radius: int = 50) -> list[QPoint]:
    middle = spot(canvas, x, y)
    return [
        middle + QPoint(round(radius * math.cos(a)), round(radius * math.sin(a)))
        for a in np.linspace(0.0, 5.6, 40)
    ]


def within(gate: Polygon) -> np.ndarray[Any, Any]:
    """Pixels in a polygon, by another library's test."""
    x = to_axis(ROCK[gate.x.layer].astype(float), gate.x.scale)
    y = to_axis(ROCK[gate.y.layer].astype(float), gate.y.scale)
    points = np.column_stack([x.ravel(), y.ravel()])
    return Outline(np.array(gate.points)).contains_points(points).reshape(SHAPE)


def counted(canvas: PlotCanvas) -> Any:
    """Question and density that a plot shows."""
    assert canvas._density is not None
    return canvas._density


# -- arithmetic ----------------------------------------------------------------------------------


@pytest.mark.parametrize("scale", ["linear", "sqrt", "log"])
def test_whole_numbers_show_no_comb(scale: Any) -> None:
    """A flat distribution of whole numbers is flat as shown, at every zoom."""
    values = np.repeat(np.arange(1, 2001), 5)
    for low, high, pixels in ((1, 40, 300), (3, 900, 311), (100, 2000, 257)):
        ends = to_axis(np.array([low - 0.4, high + 0.4], float), scale)
        extent = extent_for(*ends.tolist(), pixels, scale, True)
        counts, _ = np.histogram(
            to_axis(values.astype(float), scale), extent.bins, (extent.low, extent.high)
        )
        shown = Cells.of(extent, scale, True).along(counts)
        if scale == "linear":
            inner = shown[1:-1]
            assert inner.min() == inner.max() > 0
        else:
            held = shown[(shown > 0)]
            assert held.size > 0.95 * extent.bins
            np.testing.assert_allclose(held, 5.0)


def test_counts_on_a_linear_axis_are_shown_as_they_are() -> None:
    extent = extent_for(-0.5, 300.0, 120, "linear", True)
    counts = np.arange(extent.bins**2).reshape(extent.bins, extent.bins)
    cell = Cells.of(extent, "linear", True)
    np.testing.assert_array_equal(shown_counts(counts, cell, cell), counts)


def test_an_axis_reaches_over_hot_pixels_and_holds_a_rare_mineral() -> None:
    values = np.concatenate([np.full(995_000, 40), np.full(4_999, 300), [60_000]])
    histogram = Histogram.of(values)
    low, high = reach(histogram, "linear", whole=True)
    assert low == pytest.approx(-0.5)
    assert 300 < high < 400
    assert reach(histogram, "linear", everything=True)[1] > 60_000
    one = reach(Histogram.of(np.full(10, 7.0)), "linear")
    assert one[0] < 7.0 < one[1]


@pytest.mark.parametrize("scale", ["linear", "sqrt", "log"])
def test_ticks_are_round_and_in_their_place(scale: Any) -> None:
    for low, high in ((0.2, 1400.0), (1.0, 90_000.0), (3.0, 8.0)):
        ends = to_axis(np.array([low, high]), scale)
        found = [t for t in axis_ticks(*ends.tolist(), scale, 6) if t.text]
        assert len(found) >= 2
        for tick in found:
            value = float(from_axis(np.array([tick.at]), scale)[0])
            text = tick.text.replace("\u2212", "-")
            factor = {"k": 1e3, "M": 1e6}.get(text[-1], 1.0)
            assert float(text.rstrip("kM")) * factor == pytest.approx(value, rel=1e-6)
        assert [t.at for t in found] == sorted({t.at for t in found})


def test_a_lasso_is_simplified_without_changing_its_picture() -> None:
    rng = np.random.default_rng(4)
    trail = Trail()
    went = [(0.0, 0.0)]
    for angle in np.linspace(0, 3.0, 400):
        went.append((150 * math.sin(angle), 90 * (1 - math.cos(angle)) + float(rng.normal(0, 0.05))))
    for point in went:
        trail.add(point)
    kept = np.array(trail.kept)
    assert len(kept) < 0.25 * len(went)
    starts, ends = kept[:-1], kept[1:]
    for point in np.array(went):
        along = ends - starts
        part = np.clip(
            ((point - starts) * along).sum(axis=1) / np.maximum((along**2).sum(axis=1), 1e-12), 0, 1
        )
        assert np.hypot(*(starts + part[:, None] * along - point).T).min() <= 0.5 + 1e-9


def test_the_weights_of_a_ternary_plot_spread_its_clouds() -> None:
    rng = np.random.default_rng(1)
    values = [rng.gamma(2.0, s, 5000) for s in (3.0, 200.0, 1.0)]
    weights = spreading(values)
    assert min(weights) == 1.0
    stack = np.stack(values) * np.array(weights)[:, None]
    np.testing.assert_allclose((stack / stack.sum(axis=0)).mean(axis=1), 1 / 3, atol=0.01)
    assert spreading([np.zeros(5), np.ones(5), np.ones(5)]) == (1.0, 1.0, 1.0)


def test_other_weights_move_points_as_the_pixels_move() -> None:
    rng = np.random.default_rng(2)
    values = rng.gamma(2.0, 1.0, (50, 3))

    def place(weights: tuple[float, float, float], order: tuple[int, int, int]) -> Any:
        held = (values * np.array(weights))[:, list(order)]
        return to_plane(held / held.sum(axis=1, keepdims=True))

    before = place((1.0, 2.0, 5.0), (0, 1, 2))
    np.testing.assert_allclose(to_plane(to_shares(before)), before, atol=1e-12)
    moved = reweighed(before, (3.0, 0.5, 0.2), (2, 0, 1))
    np.testing.assert_allclose(moved, place((3.0, 1.0, 1.0), (2, 0, 1)), atol=1e-12)


def test_structured_channels_that_differ_are_suggested() -> None:
    rng = np.random.default_rng(3)
    base = np.kron(rng.integers(0, 3, (20, 20)), np.ones((8, 8)))
    other = np.kron(rng.integers(0, 3, (20, 20)), np.ones((8, 8)))
    samples = {
        "noise": rng.poisson(9.0, base.shape).astype(float),
        "one": rng.poisson(40 + 60 * base).astype(float),
        "same": rng.poisson(30 + 45 * base).astype(float),
        "other": rng.poisson(40 + 60 * other).astype(float),
    }
    pairs = suggest_pairs(samples)
    assert "other" in pairs[0]
    assert "noise" not in pairs[0]
    assert set(pairs[0]) != {"one", "same"}


def test_plots_share_the_room() -> None:
    for count, size in ((1, (800, 346)), (2, (800, 346)), (3, (560, 230)), (7, (1400, 760))):
        places = cells(count, size, 4, 12)
        assert len(places) == count
        assert all(w >= LEAST[0] and y + h <= size[1] for _, y, w, h in places)
        assert len({(x, y) for x, y, _, _ in places}) == count
    assert len({y for _, y, _, _ in cells(7, (1400, 760), 4, 12)}) == 2
    assert {y for _, y, _, _ in cells(3, (800, 346), 4, 12)} == {0}


# -- counting ------------------------------------------------------------------------------------


def exact(question: Any, plot: Plot, mask: Any = None) -> np.ndarray[Any, Any]:
    """The density by numpy, as [rows of y, columns of x]."""
    assert plot.x is not None
    assert plot.y is not None
    x = to_axis(ROCK[plot.x.layer].astype(float), plot.x.scale)
    y = to_axis(ROCK[plot.y.layer].astype(float), plot.y.scale)
    keep = np.isfinite(x) & np.isfinite(y)
    if mask is not None:
        keep &= mask
    spans: list[Extent] = [question.x, question.y]
    out, _, _ = np.histogram2d(
        x[keep], y[keep], [e.bins for e in spans], [(e.low, e.high) for e in spans]
    )
    return out.T


def test_the_density_is_what_numpy_counts_at_every_zoom(board: PlotBoard, qtbot: QtBot) -> None:
    canvas = board.canvases[0]
    question, density, _, level = counted(canvas)
    assert level == 0
    np.testing.assert_array_equal(density.counts, exact(question, FE_MG))
    lens = canvas.lens
    at = spot(canvas, 120.0, 90.0)
    under = lens.to_axis(QPointF(at))
    for _ in range(4):
        canvas.zoom(0.8, QPointF(at))
    assert canvas.lens.to_axis(QPointF(at)) == pytest.approx(under, rel=1e-6)
    rest(qtbot, board)
    nearer, density, _, _ = counted(canvas)
    assert nearer.x.high - nearer.x.low < 0.5 * (question.x.high - question.x.low)
    np.testing.assert_array_equal(density.counts, exact(nearer, FE_MG))
    other = board.canvases[1]
    question, density, _, _ = counted(other)
    np.testing.assert_array_equal(density.counts, exact(question, other.plot))


def test_the_wheel_zooms_about_the_pointer_and_0_fits(board: PlotBoard, qtbot: QtBot) -> None:
    from PySide6.QtGui import QWheelEvent

    canvas = board.canvases[0]
    before = canvas.lens
    at = QPointF(spot(canvas, 100.0, 100.0))
    event = QWheelEvent(
        at, canvas.viewport().mapToGlobal(at), QPoint(), QPoint(0, 240), Qt.MouseButton.NoButton,
        NONE, Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    QApplication.sendEvent(canvas.viewport(), event)
    assert canvas.lens.x[1] - canvas.lens.x[0] < 0.8 * (before.x[1] - before.x[0])
    assert canvas.lens.to_axis(at) == pytest.approx(before.to_axis(at), rel=1e-6)
    canvas.setFocus()
    QTest.keyClick(canvas, Qt.Key.Key_0)
    assert canvas.lens.x == pytest.approx(before.x)


def test_panning_moves_what_is_under_the_pointer(board: PlotBoard) -> None:
    canvas = board.canvases[0]
    start = spot(canvas, 200.0, 200.0)
    under = canvas.lens.to_axis(QPointF(start))
    to = start + QPoint(40, 25)
    drag(canvas, start, start + QPoint(10, 5), to)
    assert canvas.lens.to_axis(QPointF(to)) == pytest.approx(under, abs=1e-6)


def test_where_limits_what_is_counted(board: PlotBoard, desk: Desk, qtbot: QtBot) -> None:
    canvas = board.canvases[0]
    rows, cols = slice(40, 190), slice(20, 140)
    board.set_window((rows, cols))
    board.tools.where.set_choice(("view", ""))
    board.tools.where.chosen.emit("view", "")
    rest(qtbot, board)
    mask = np.zeros(SHAPE, bool)
    mask[rows, cols] = True
    question, density, _, _ = counted(canvas)
    np.testing.assert_array_equal(density.counts, exact(question, FE_MG, mask))

    unit = Unit(
        id="u", map=MAP, name="Lower", polygons=(((0, 3000), (6800, 3000), (6800, 7800), (0, 7800)),)
    )
    desk.sorting.set_units("Units", MAP, (unit,))
    board.tools.where._take(("unit", "u"))
    rest(qtbot, board)
    mask = np.zeros(SHAPE, bool)
    mask[100:] = True
    question, density, _, _ = counted(canvas)
    np.testing.assert_array_equal(density.counts, exact(question, FE_MG, mask))
    assert board.tools.where.words() == "Lower"
    # The unit goes: all of the map is meant again.
    desk.sorting.set_units("Units", MAP, ())
    rest(qtbot, board)
    assert board.tools.where.words() == "Whole map"
    question, density, _, _ = counted(canvas)
    assert density.counts.sum() == exact(question, FE_MG).sum()


def test_a_large_map_shows_a_coarse_density_first_and_the_exact_one_at_rest(
    desk: Desk, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch
) -> None:
    from viewer.panels.sort import plot_counting, plot_source

    monkeypatch.setattr(plot_counting, "PROMPT_PIXELS", 10_000)
    monkeypatch.setattr(plot_counting, "LIVE_PIXELS", 30_000)
    monkeypatch.setattr(
        plot_counting, "coarse_level", lambda shape, most=30_000: plot_source.coarse_level(shape, most)
    )
    levels: list[int] = []
    shown = plot_counting.CountedPlot._show_density

    def watch(self: PlotCanvas, question: Any, found: Any, level: int) -> None:
        if found is not None:
            levels.append(level)
        shown(self, question, found, level)

    monkeypatch.setattr(plot_counting.CountedPlot, "_show_density", watch)
    desk.sorting.set_scheme("Plots", MAP, Scheme(plots=(FE_MG,)))
    board = PlotBoard(desk)
    qtbot.addWidget(board)
    board.resize(500, 400)
    board.show()
    board.set_map(MAP)
    rest(qtbot, board)
    assert levels[0] == 1
    assert levels[-1] == 0
    question, density, _, _ = counted(board.canvases[0])
    np.testing.assert_array_equal(density.counts, exact(question, FE_MG))
    desk.light_gate(MAP, Range(layer="Fe", low=100.0))
    rest(qtbot, board)
    wanted = int((ROCK["Fe"] >= 100).sum())
    assert board.tools.words.text().replace("\u2009", "").startswith(f"{wanted} pixels")
    board.close()


def test_a_phase_can_be_looked_at_alone(board: PlotBoard, desk: Desk, qtbot: QtBot) -> None:
    gate = Range(layer="Cr", low=100.0)
    scheme = desk.sorting.scheme(MAP)
    desk.sorting.set_scheme(
        "Sort",
        MAP,
        msgspec.structs.replace(
            scheme,
            populations=(Population(id="p", name="Chrome", gate=gate),),
            phases=(Phase(id="f", name="Chromite", rules=((Term(population="p"),),)),),
        ),
    )
    board.tools.where._take(("phase", "f"))
    rest(qtbot, board)
    question, density, _, _ = counted(board.canvases[0])
    np.testing.assert_array_equal(density.counts, exact(question, FE_MG, ROCK["Cr"] >= 100))


# -- drawing -------------------------------------------------------------------------------------


def test_a_lasso_lights_exactly_its_pixels(board: PlotBoard, desk: Desk, qtbot: QtBot) -> None:
    canvas, other = board.canvases
    board.set_tool("lasso")
    told: list[Any] = []
    board.gate_drawing.connect(told.append)
    drawn: list[Any] = []
    board.gate_drawn.connect(drawn.append)
    drag(canvas, *loop(canvas, 120.0, 90.0))
    assert len(drawn) == 1
    gate = drawn[0]
    assert isinstance(gate, Polygon)
    assert gate.drawn == "lasso"
    assert (gate.x, gate.y) == (FE_MG.x, FE_MG.y)
    assert len(told) > 3
    assert desk.lit_where(MAP) == Where.gate(gate)
    rest(qtbot, board)
    wanted = within(gate)
    assert 0 < wanted.sum() < wanted.size
    assert board.tools.words.text().replace("\u2009", "").startswith(f"{wanted.sum()} pixels")
    # The other plot shows the same pixels in the colour of the light.
    question = other._question()
    lit = board._source.density(other.plot, question.x, question.y, (Where.gate(gate),), silent)
    np.testing.assert_array_equal(lit.counts, exact(question, other.plot, wanted))
    assert other.density_item.lit
    # Esc puts the light out, then the tool down.
    canvas.setFocus()
    QTest.keyClick(canvas, Qt.Key.Key_Escape)
    assert desk.lit_where(MAP) is None
    assert not other.density_item.lit
    QTest.keyClick(canvas, Qt.Key.Key_Escape)
    assert board.tool == "pan"


def test_what_is_lit_is_limited_to_what_is_plotted(
    board: PlotBoard, desk: Desk, qtbot: QtBot
) -> None:
    board.set_window((slice(0, 100), slice(0, 100)))
    board.tools.where._take(("view", ""))
    desk.light_gate(MAP, Range(layer="Fe", low=100.0))
    rest(qtbot, board)
    wanted = int((ROCK["Fe"][:100, :100] >= 100).sum())
    assert board.tools.words.text().replace("\u2009", "").startswith(f"{wanted} pixels")


def test_a_polygon_by_clicks_keys_and_its_first_vertex(board: PlotBoard, desk: Desk) -> None:
    canvas = board.canvases[0]
    view = canvas.viewport()
    board.set_tool("polygon")
    drawn: list[Any] = []
    told: list[Any] = []
    board.gate_drawn.connect(drawn.append)
    board.gate_drawing.connect(told.append)
    corners = [spot(canvas, x, y) for x, y in ((60, 60), (180, 60), (180, 140), (60, 140))]
    for corner in corners:
        QTest.mouseClick(view, LEFT, NONE, corner)
    QTest.keyClick(canvas, Qt.Key.Key_Backspace)
    QTest.keyClick(canvas, Qt.Key.Key_Return)
    assert [len(g.points) for g in drawn] == [3]
    assert drawn[0].drawn == "polygon"
    for got, want in zip(drawn[0].points, corners[:3], strict=True):
        assert canvas.lens.to_view(*got).toPoint() == want
    for corner in (*corners, corners[0] + QPoint(3, 2)):
        QTest.mouseClick(view, LEFT, NONE, corner)
    assert [len(g.points) for g in drawn] == [3, 4]
    for corner in corners[:3]:
        QTest.mouseClick(view, LEFT, NONE, corner)
    QTest.mouseDClick(view, LEFT, NONE, corners[3])
    QApplication.processEvents()
    assert [len(g.points) for g in drawn] == [3, 4, 4]
    QTest.keyClick(canvas, Qt.Key.Key_Escape)
    told.clear()
    for corner in corners[:3]:
        QTest.mouseClick(view, LEFT, NONE, corner)
    before = len(drawn)
    QTest.keyClick(canvas, Qt.Key.Key_Escape)
    assert told[-1] is None
    assert len(drawn) == before
    assert desk.lit_where(MAP) is None


def test_an_outline_that_crosses_itself_is_cautioned(board: PlotBoard) -> None:
    canvas = board.canvases[0]
    board.set_tool("polygon")
    drawn: list[Any] = []
    board.gate_drawn.connect(drawn.append)
    for x, y in ((60, 60), (200, 150), (200, 60), (60, 150)):
        QTest.mouseClick(canvas.viewport(), LEFT, NONE, spot(canvas, x, y))
    QTest.keyClick(canvas, Qt.Key.Key_Return)
    assert "crosses itself" in canvas.readout.hint
    assert len(drawn) == 1


def test_an_ellipse_and_a_range(board: PlotBoard, desk: Desk) -> None:
    canvas = board.canvases[0]
    drawn: list[Any] = []
    board.gate_drawn.connect(drawn.append)
    board.set_tool("ellipse")
    one, other = spot(canvas, 60, 150), spot(canvas, 180, 50)
    drag(canvas, one, one + QPoint(9, 9), other)
    ellipse = drawn[-1]
    assert isinstance(ellipse, Ellipse)
    x0, y0 = canvas.lens.to_axis(QPointF(one))
    x1, y1 = canvas.lens.to_axis(QPointF(other))
    assert ellipse.centre == pytest.approx(((x0 + x1) / 2, (y0 + y1) / 2))
    assert ellipse.first == pytest.approx((abs(x1 - x0) / 2, 0))
    board.set_tool("range")
    drag(canvas, spot(canvas, 50, 100), spot(canvas, 90, 101), spot(canvas, 150, 102))
    assert drawn[-1].layer == "Fe"
    assert drawn[-1].low == pytest.approx(50, abs=2)
    assert drawn[-1].high == pytest.approx(150, abs=2)
    drag(canvas, spot(canvas, 50, 60), spot(canvas, 51, 90), spot(canvas, 52, 160))
    assert drawn[-1].layer == "Mg"
    # On the histogram above the plot, whatever the tool.
    board.set_tool("lasso")
    y = round(canvas.lens.rect.top() - 10)
    drag(canvas, *(QPoint(spot(canvas, v, 0).x(), y) for v in (100, 130, 200)))
    assert isinstance(drawn[-1], Range)
    assert drawn[-1].layer == "Fe"
    assert desk.lit_where(MAP) == Where.gate(drawn[-1])
    assert board.tool == "lasso"
    assert canvas.tool == "lasso"


def test_a_click_draws_nothing(board: PlotBoard) -> None:
    canvas = board.canvases[0]
    drawn: list[Any] = []
    board.gate_drawn.connect(drawn.append)
    for tool in ("lasso", "ellipse", "range"):
        board.set_tool(tool)
        QTest.mouseClick(canvas.viewport(), LEFT, NONE, spot(canvas, 100, 100))
    assert drawn == []


# -- editing -------------------------------------------------------------------------------------

SQUARE = Polygon(
    x=Axis(layer="Fe"),
    y=Axis(layer="Mg"),
    points=((60.0, 60.0), (200.0, 60.0), (200.0, 160.0), (60.0, 160.0)),
)


def with_populations(desk: Desk, *gates: Any) -> None:
    scheme = desk.sorting.scheme(MAP)
    populations = tuple(
        Population(id=f"p{n}", name=f"Cloud {n}", gate=g) for n, g in enumerate(gates)
    )
    desk.sorting.set_scheme(
        "Populations", MAP, msgspec.structs.replace(scheme, populations=populations)
    )


def test_vertices_are_dragged_added_and_removed(board: PlotBoard, desk: Desk) -> None:
    with_populations(desk, SQUARE)
    canvas = board.canvases[0]
    edits: list[tuple[str, Any, bool]] = []
    board.gate_edited.connect(lambda *a: edits.append(a))
    board.edit_population("p0")
    drag(canvas, spot(canvas, 200, 160), spot(canvas, 220, 180), spot(canvas, 240, 200))
    assert edits[0][2] is False
    name, gate, finished = edits[-1]
    assert (name, finished) == ("p0", True)
    assert gate.points[2] == pytest.approx((240, 200), abs=2)
    assert gate.points[0] == (60.0, 60.0)
    assert desk.lit_where(MAP) == Where.gate(gate)
    # An edge takes another vertex, Delete takes it away.
    hover(canvas, spot(canvas, 130, 60))
    QTest.mouseDClick(canvas.viewport(), LEFT, NONE, spot(canvas, 130, 60))
    QTest.mouseRelease(canvas.viewport(), LEFT, NONE, spot(canvas, 130, 60))
    assert len(edits[-1][1].points) == 5
    hover(canvas, spot(canvas, 130, 60))
    QTest.keyClick(canvas, Qt.Key.Key_Delete)
    assert len(edits[-1][1].points) == 4
    # Dragged inside, all of it moves.
    before = np.array(edits[-1][1].points)
    drag(canvas, spot(canvas, 120, 100), spot(canvas, 130, 110), spot(canvas, 140, 120))
    moved = np.array(edits[-1][1].points) - before
    assert np.ptp(moved, axis=0) == pytest.approx([0, 0], abs=1e-9)
    assert moved[0] == pytest.approx((20, 20), abs=3)
    board.edit_population(None)
    assert canvas.edited is None


def test_ellipses_and_ranges_have_handles(board: PlotBoard, desk: Desk) -> None:
    ellipse = Ellipse(
        x=Axis(layer="Fe"), y=Axis(layer="Mg"), centre=(140.0, 110.0), first=(60.0, 0.0),
        second=(0.0, 40.0),
    )  # fmt: skip
    with_populations(desk, ellipse, Range(layer="Mg", low=80.0))
    canvas = board.canvases[0]
    edits: list[tuple[str, Any, bool]] = []
    board.gate_edited.connect(lambda *a: edits.append(a))
    board.edit_population("p0")
    drag(canvas, spot(canvas, 200, 110), spot(canvas, 210, 130), spot(canvas, 220, 150))
    assert edits[-1][1].first == pytest.approx((80, 40), abs=2)
    assert edits[-1][1].second == (0.0, 40.0)
    board.edit_population("p1")
    drag(canvas, spot(canvas, 300, 80), spot(canvas, 300, 100), spot(canvas, 300, 130))
    assert edits[-1][0] == "p1"
    assert edits[-1][1].low == pytest.approx(130, abs=2)
    assert edits[-1][1].high is None


def test_outlines_lie_on_every_plot_of_their_axes(
    board: PlotBoard, desk: Desk, qtbot: QtBot
) -> None:
    with_populations(desk, SQUARE, Range(layer="Ca", low=50.0, high=90.0))
    scheme = desk.sorting.scheme(MAP)
    desk.sorting.set_scheme(
        "Phases",
        MAP,
        msgspec.structs.replace(
            scheme, phases=(Phase(id="f", name="Pyroxene", rules=((Term(population="p0"),),)),)
        ),
    )
    board.add(Plot(x=Axis(layer="Mg"), y=Axis(layer="Fe")))
    board.add(Plot(x=Axis(layer="Fe", scale="log"), y=Axis(layer="Mg")))
    rest(qtbot, board)
    first, second, swapped, bent = board.canvases
    assert [c.outlines.ids for c in (first, second, swapped, bent)] == [
        ["p0"], ["p1"], ["p0"], ["p0"],
    ]  # fmt: skip
    shape = swapped.outlines.find("p0")
    assert shape is not None
    assert shape[0].colour == desk.sorting.colour("Pyroxene")
    np.testing.assert_allclose(shape[1].points, np.array(SQUARE.points)[:, ::-1])
    # Edited on swapped axes, it is stored on its own.
    edits: list[Any] = []
    board.gate_edited.connect(lambda _id, gate, _done: edits.append(gate))
    board.edit_population("p0")
    drag(swapped, spot(swapped, 160, 200), spot(swapped, 170, 220), spot(swapped, 190, 250))
    assert (edits[-1].x.layer, edits[-1].y.layer) == ("Fe", "Mg")
    assert edits[-1].points[2] == pytest.approx((250, 190), abs=4)
    # On another scale the outline is drawn bent and has no handles.
    seen_bent = bent.outlines.find("p0")
    assert seen_bent is not None
    assert seen_bent[1].own is None
    assert seen_bent[1].points[:, 0].max() == pytest.approx(math.log10(200))
    assert bent.edited is None


def test_hovering_an_outline_makes_it_glow_and_lights_its_pixels(
    board: PlotBoard, desk: Desk
) -> None:
    with_populations(desk, SQUARE)
    canvas = board.canvases[0]
    names: list[str] = []
    board.population_hovered.connect(names.append)
    chosen: list[str] = []
    board.population_selected.connect(chosen.append)
    edge = spot(canvas, 130, 160)
    hover(canvas, edge)
    assert names == ["p0"]
    assert canvas.outlines.glowing == {"p0"}
    assert desk.lit_where(MAP) == Where.gate(SQUARE)
    QTest.mouseClick(canvas.viewport(), LEFT, NONE, edge)
    assert chosen == ["p0"]
    assert canvas.edited == "p0"
    hover(canvas, spot(canvas, 320, 300))
    assert names[-1] == ""
    assert desk.lit_where(MAP) is None


def test_a_phase_of_the_key_makes_its_outlines_glow(board: PlotBoard, desk: Desk) -> None:
    with_populations(desk, SQUARE, Range(layer="Fe", low=10.0))
    scheme = desk.sorting.scheme(MAP)
    phase = Phase(id="f", name="Pyroxene", rules=((Term(population="p1"),),))
    desk.sorting.set_scheme("Phases", MAP, msgspec.structs.replace(scheme, phases=(phase,)))
    board.glow("f")
    assert board.canvases[0].outlines.glowing == {"p1"}
    board.glow("p0")
    assert board.canvases[0].outlines.glowing == {"p0"}
    board.glow(None)
    assert board.canvases[0].outlines.glowing == frozenset()


def test_a_population_without_a_plot_gets_one(board: PlotBoard, desk: Desk, qtbot: QtBot) -> None:
    gate = Polygon(
        x=Axis(layer="Ca"), y=Axis(layer="Fe", scale="sqrt"), points=((1, 1), (90, 3), (40, 9))
    )
    with_populations(desk, gate)
    board.edit_population("p0")
    rest(qtbot, board)
    assert board.plots[-1] == Plot(x=gate.x, y=gate.y)
    assert board.canvases[-1].edited == "p0"


# -- ternary -------------------------------------------------------------------------------------


def test_a_ternary_plot_counts_weighs_and_draws(
    board: PlotBoard, desk: Desk, qtbot: QtBot
) -> None:
    board.add(Plot(ternary=("Fe", "Mg", "Ca")))
    rest(qtbot, board)
    qtbot.waitUntil(lambda: board.plots[-1].weights != (1.0, 1.0, 1.0), timeout=10_000)
    rest(qtbot, board)
    canvas = board.canvases[-1]
    _, density, _, _ = counted(canvas)
    assert density.counts.sum() == ROCK["Fe"].size - density.off
    drawn: list[Any] = []
    board.gate_drawn.connect(drawn.append)
    board.set_tool("lasso")
    drag(canvas, *loop(canvas, 0.5, 0.3, 30))
    gate = drawn[-1]
    assert isinstance(gate, Ternary)
    assert gate.weights == board.plots[-1].weights
    rest(qtbot, board)
    held = np.stack([ROCK[n].astype(float).ravel() for n in ("Fe", "Mg", "Ca")], axis=1)
    held *= np.array(gate.weights)
    place = to_plane(held / held.sum(axis=1, keepdims=True))
    wanted = int(Outline(np.array(gate.points)).contains_points(place).sum())
    assert wanted > 0
    assert board.tools.words.text().replace("\u2009", "").startswith(f"{wanted} pixels")
    # Under other weights the same pixels lie inside the same outline.
    other = Plot(ternary=("Ca", "Fe", "Mg"))
    shape = seen(gate, other)
    assert shape is not None
    plain = np.stack([ROCK[n].astype(float).ravel() for n in ("Ca", "Fe", "Mg")], axis=1)
    place = to_plane(plain / plain.sum(axis=1, keepdims=True))
    assert int(Outline(shape.points).contains_points(place).sum()) == wanted


# -- links and plots -----------------------------------------------------------------------------


def test_the_pixel_under_the_cursor_is_crossed(board: PlotBoard, qtbot: QtBot) -> None:
    board.set_cross(37, 150)
    qtbot.waitUntil(lambda: board.canvases[0].cross.at is not None)
    assert board.canvases[0].cross.at == (float(ROCK["Fe"][37, 150]), float(ROCK["Mg"][37, 150]))
    assert board.canvases[1].cross.at == pytest.approx(
        (float(ROCK["Cr"][37, 150]), math.sqrt(ROCK["Ca"][37, 150]))
    )
    board.clear_cross()
    assert board.canvases[0].cross.at is None


def test_the_read_out_tells_values_and_count(board: PlotBoard) -> None:
    canvas = board.canvases[0]
    hover(canvas, spot(canvas, 120, 90))
    words = canvas.readout.words
    assert words.startswith("Fe 1")
    assert "Mg" in words
    assert "pixel" in words


def test_open_plots_are_one_step_of_undo(board: PlotBoard, desk: Desk, qtbot: QtBot) -> None:
    board.add(Plot(x=Axis(layer="Fe"), y=Axis(layer="Al")))
    board.change(2, Plot(x=Axis(layer="Al"), y=Axis(layer="Fe")))
    canvas = board.canvases[0]
    board.remove(1)
    assert [p.x.layer for p in desk.sorting.scheme(MAP).plots if p.x] == ["Fe", "Al"]
    assert board.canvases[0] is canvas
    desk.undo()
    assert len(board.plots) == 2
    assert board.plots[1].x == Axis(layer="Cr")


def test_an_axis_is_chosen_on_its_label(board: PlotBoard, desk: Desk, qtbot: QtBot) -> None:
    from viewer.panels.sort.plot_view import ScatterPlot

    canvas = board.canvases[0]
    assert isinstance(canvas, ScatterPlot)
    menu = canvas.axis_menu("x")
    named = {a.text(): a for a in menu.actions()}
    named["Al"].trigger()
    assert desk.sorting.scheme(MAP).plots[0].x == Axis(layer="Al")
    rest(qtbot, board)
    question, density, _, _ = counted(board.canvases[0])
    np.testing.assert_array_equal(density.counts, exact(question, board.plots[0]))
    assert density.missing == 36
    {a.text(): a for a in canvas.axis_menu("y").actions()}["Square root"].trigger()
    assert board.plots[0].y == Axis(layer="Mg", scale="sqrt")
    {a.text(): a for a in canvas.axis_menu("y").actions()}["Swap the axes"].trigger()
    assert board.plots[0] == Plot(x=Axis(layer="Mg", scale="sqrt"), y=Axis(layer="Al"))
    # The layer of the other axis swaps the two.
    {a.text(): a for a in canvas.axis_menu("x").actions()}["Al"].trigger()
    assert board.plots[0] == Plot(x=Axis(layer="Al"), y=Axis(layer="Mg", scale="sqrt"))


def test_only_one_plot_can_take_the_room(board: PlotBoard) -> None:
    names = {a.text().split("\t")[0]: a for a in board.plot_menu(board.canvases[1]).actions()}
    names["Only this plot"].trigger()
    assert not board.canvases[0].isVisible()
    assert board.canvases[1].isVisible()
    board.show_only(None)
    assert board.canvases[0].isVisible()


def test_first_plots_are_suggested_and_closed_for_good(desk: Desk, qtbot: QtBot) -> None:
    board = PlotBoard(desk)
    qtbot.addWidget(board)
    board.resize(800, 380)
    board.show()
    assert board.empty.isVisible()
    board.set_map(MAP)
    qtbot.waitUntil(lambda: len(board.plots) == 2)
    assert not board.empty.isVisible()
    assert desk.undo_label is None
    board.remove(0)
    board.remove(0)
    assert board.plots == ()
    assert board.empty.isVisible()
    assert board.empty.suggest_button.isVisible()
    board.close()


def test_a_layer_that_the_map_lacks_is_named(board: PlotBoard, qtbot: QtBot) -> None:
    board.add(Plot(x=Axis(layer="Zr"), y=Axis(layer="Fe")))
    rest(qtbot, board)
    assert "«Zr»" in board.canvases[-1].readout.note


def test_letters_take_up_tools_on_the_board(board: PlotBoard, qtbot: QtBot) -> None:
    from PySide6.QtGui import QKeySequence, QShortcut

    taken: list[str] = []
    QShortcut(QKeySequence("L"), board.window(), lambda: taken.append("the window's"))
    board.setFocus()
    for key, tool in (("l", "lasso"), ("p", "polygon"), ("e", "ellipse"), ("r", "range"), ("v", "pan")):
        QTest.keyClicks(QApplication.focusWidget() or board.canvases[0], key)
        assert board.tool == tool
        assert {c.tool for c in board.canvases} == {tool}
    assert taken == []


def test_leaving_an_outline_lights_up_again_what_was_lit(board: PlotBoard, desk: Desk) -> None:
    with_populations(desk, SQUARE)
    canvas = board.canvases[0]
    desk.light_gate(MAP, Range(layer="Ca", low=60.0))
    hover(canvas, spot(canvas, 130, 160))
    assert desk.lit_where(MAP) == Where.gate(SQUARE)
    hover(canvas, spot(canvas, 320, 300))
    assert desk.lit_where(MAP) == Where.gate(Range(layer="Ca", low=60.0))


def test_closing_lets_everything_go(desk: Desk, qtbot: QtBot) -> None:
    desk.sorting.set_scheme("Plots", MAP, Scheme(plots=(FE_MG, Plot(ternary=("Fe", "Mg", "Ca")))))
    board = PlotBoard(desk)
    board.resize(800, 380)
    board.show()
    board.set_map(MAP)
    rest(qtbot, board)
    held = [weakref.ref(c) for c in board.canvases]
    whole = weakref.ref(board)
    signals = (desk.changed, desk.layers_changed, desk.phases_changed, desk.lit_changed)
    board.close()
    assert all(len(s) == 0 or all("PlotBoard" not in repr(x) for x in s._slots) for s in signals)
    desk.light_gate(MAP, Range(layer="Fe", low=3.0))
    board.deleteLater()
    del board
    for _ in range(4):
        QApplication.sendPostedEvents(None, 52)
        QApplication.processEvents()
        gc.collect()
    assert [r() for r in held] == [None, None]
    assert whole() is None


def test_turning_twice_is_no_turn() -> None:
    assert turned(turned(SQUARE)) == SQUARE


def test_nothing_is_counted_before_the_board_is_looked_at(desk: Desk, qtbot: QtBot) -> None:
    desk.sorting.set_scheme("Plots", MAP, Scheme(plots=(FE_MG,)))
    board = PlotBoard(desk)
    qtbot.addWidget(board)
    board.set_map(MAP)
    assert board.canvases == []
    assert not board.busy
    board.resize(600, 400)
    board.show()
    rest(qtbot, board)
    assert board.plots == (FE_MG,)
    assert counted(board.canvases[0])[1].pixels > 0
    board.close()
