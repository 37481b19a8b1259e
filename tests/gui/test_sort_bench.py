"""The sort bench: lasso, name, order, rules, cleaning, mixed pixels; real widgets, real mouse."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from msgspec.structs import replace
from PySide6.QtCore import QMimeData, QPoint, QPointF, QSettings, Qt
from PySide6.QtGui import QAction, QDropEvent
from PySide6.QtWidgets import QApplication, QFileDialog, QLabel, QLineEdit, QMenu, QWidget
from pytestqt.qtbot import QtBot

from viewer.desk.desk import Desk
from viewer.desk.gather import gather, plan
from viewer.desk.where import Where
from viewer.intake.formats import scan
from viewer.panels import theme
from viewer.panels.sort import phase_edits as edits
from viewer.panels.sort.bench import SortBench
from viewer.panels.sort.bench_menus import phase_menu, population_menu
from viewer.panels.sort.cleaning_area import AreaBox, area_note, area_of, area_text
from viewer.panels.sort.phase_overlaps import overlaps_of
from viewer.panels.sort.population_list import carry
from viewer.panels.sort.rule_chip import Chip
from viewer.science.sort.gates import inside
from viewer.science.sort.scheme import (
    Axis,
    Cleaning,
    Painted,
    Phase,
    Plot,
    Polygon,
    Population,
    Range,
    Scheme,
    Term,
)
from viewer.store.documents import Unit
from viewer.store.schemes import read_scheme

SHAPE = (60, 90)
PIXEL_UM = (20.0, 10.0)
MEANS = {"Fe": (40, 300, 160), "Mg": (300, 60, 180), "Cr": (5, 5, 400)}
"""Of three bands of the map, from the left."""

LEFT = ((0.0, 230.0), (90.0, 230.0), (90.0, 390.0), (0.0, 390.0))
RIGHT = ((230.0, 0.0), (380.0, 0.0), (380.0, 110.0), (230.0, 110.0))
"""Lassos about the clusters of the first and second band: Fe across, Mg up."""


@pytest.fixture(scope="module")
def project_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Gather a map of three bands of 30 pixels, 20 × 10 µm each."""
    folder = tmp_path_factory.mktemp("maps")
    random = np.random.default_rng(5)
    for name, means in MEANS.items():
        values = random.poisson(np.repeat(means, 30)[None, :].repeat(SHAPE[0], axis=0))
        tifffile.imwrite(folder / f"{name} K.tif", values.astype(np.uint16))
    target = folder / "sill.maps.h5"
    gather(plan(scan([folder]), target, name="Upper face", pixel_um=PIXEL_UM))
    return target


@pytest.fixture(scope="module", autouse=True)
def _dressed(qapp: QApplication, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = str(tmp_path_factory.mktemp("settings"))
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, folder)
    qapp.setOrganizationName("grainlight-tests")
    theme.apply(qapp, "dark")


@pytest.fixture
def desk(project_file: Path, tmp_path: Path) -> Iterator[Desk]:
    copy = tmp_path / "sill.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    with Desk.open(copy, inline=True) as opened:
        yield opened


@pytest.fixture
def map_id(desk: Desk) -> str:
    return desk.map().id


def axis(desk: Desk, map_id: str, element: str) -> Axis:
    return Axis(layer=desk.layer(map_id, element).name)


@pytest.fixture
def bench(qtbot: QtBot, desk: Desk, map_id: str) -> Iterator[SortBench]:
    plot = Plot(x=axis(desk, map_id, "Fe"), y=axis(desk, map_id, "Mg"))
    desk.sorting.set_scheme("Open a plot", map_id, Scheme(plots=(plot,)))
    made = open_bench(qtbot, desk, map_id)
    yield made
    made.close()


def open_bench(qtbot: QtBot, desk: Desk, map_id: str) -> SortBench:
    made = SortBench(desk)
    for widget, size in ((made.panel, (380, 760)), (made.board, (800, 380))):
        qtbot.addWidget(widget)
        widget.resize(*size)
        widget.show()
    made.set_map(map_id)
    settle(qtbot, made)
    return made


def settle(qtbot: QtBot, bench: SortBench) -> None:
    qtbot.waitUntil(lambda: not bench.busy, timeout=20_000)


def lasso(
    qtbot: QtBot, bench: SortBench, corners: tuple[tuple[float, float], ...], tool: str = "lasso"
) -> None:
    """Draw around corners of the first plot with the mouse."""
    canvas = bench.board.canvases[0]
    canvas.show_range((0.0, 420.0), (0.0, 420.0))
    bench.board.set_tool(tool)
    spots = [canvas.lens.to_view(*c).toPoint() for c in corners]
    port = canvas.viewport()
    qtbot.mousePress(port, Qt.MouseButton.LeftButton, pos=spots[0])
    for start, end in zip(spots, (*spots[1:], spots[0]), strict=True):
        for step in range(1, 9):
            part = QPointF(start) + (QPointF(end) - QPointF(start)) * (step / 8)
            qtbot.mouseMove(port, part.toPoint())
    qtbot.mouseRelease(port, Qt.MouseButton.LeftButton, pos=spots[0])
    settle(qtbot, bench)


def named(qtbot: QtBot, bench: SortBench, name: str) -> None:
    """Type a name into the strip, and Enter."""
    qtbot.keyClicks(bench.strip.name, name)
    qtbot.keyClick(bench.strip.name, Qt.Key.Key_Return)
    settle(qtbot, bench)


def two_phases(qtbot: QtBot, bench: SortBench) -> None:
    lasso(qtbot, bench, LEFT)
    named(qtbot, bench, "Olivine")
    lasso(qtbot, bench, RIGHT)
    named(qtbot, bench, "Chromite")


def values(desk: Desk, map_id: str, element: str) -> npt.NDArray[np.float64]:
    layer = desk.layer(map_id, element)
    return np.asarray(layer.values(slice(0, SHAPE[0]), slice(0, SHAPE[1])), np.float64)


def held(desk: Desk, map_id: str, population: Population) -> npt.NDArray[np.bool_]:
    """Which pixels a population holds, by an even-odd test of each on its own."""
    from matplotlib.path import Path as Outline

    gate = population.gate
    if isinstance(gate, Range):
        found = desk.layer(map_id, gate.layer).values(slice(0, SHAPE[0]), slice(0, SHAPE[1]))
        low = -np.inf if gate.low is None else gate.low
        high = np.inf if gate.high is None else gate.high
        mask = (found >= low) & (found <= high)
    else:
        assert isinstance(gate, Polygon)
        x, y = values(desk, map_id, "Fe"), values(desk, map_id, "Mg")
        points = np.column_stack([x.ravel(), y.ravel()])
        mask = Outline([*gate.points, gate.points[0]]).contains_points(points).reshape(SHAPE)
    return mask ^ population.inverted


def names(bench: SortBench) -> list[str]:
    return [r.name for r in bench.phases.phases.rows.rows]


def row(bench: SortBench, name: str) -> object:
    return next(r for r in bench.phases.phases.rows.rows if r.name == name)


def phase_id(bench: SortBench, name: str) -> str:
    return bench.scheme.phase(name).id


def labels(desk: Desk, map_id: str) -> npt.NDArray[np.uint8]:
    image = desk.sorting.latest(map_id)
    assert image is not None
    return image.labels


def heard(desk: Desk) -> list[tuple[str, str]]:
    said: list[tuple[str, str]] = []
    desk.said.connect(lambda kind, text: said.append((kind, text)))
    return said


def put(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str, scheme: Callable[[Scheme], Scheme]
) -> None:
    desk.sorting.set_scheme("Prepare", map_id, scheme(bench.scheme))
    settle(qtbot, bench)


def ranged(desk: Desk, map_id: str) -> Scheme:
    """Three populations by ranges: low Fe, high Mg, high Cr; a phase of the first."""
    fe, mg, cr = (axis(desk, map_id, e).layer for e in ("Fe", "Mg", "Cr"))
    return Scheme(
        populations=(
            Population(id="a", name="low Fe", gate=Range(layer=fe, high=200.0)),
            Population(id="b", name="high Mg", gate=Range(layer=mg, low=240.0)),
            Population(id="c", name="high Cr", gate=Range(layer=cr, low=100.0)),
        ),
        phases=(Phase(id="p", name="Silicate", rules=((Term(population="a"),),)),),
        plots=(Plot(x=Axis(layer=fe), y=Axis(layer=mg)),),
    )


# -- from a lasso to a phase --------------------------------------------------------------------


def test_an_empty_bench_says_what_to_do(bench: SortBench) -> None:
    assert "lasso" in bench.phases.phases_note.text()
    assert bench.phases.phases_note.isVisible()
    assert bench.phases.populations_note.isVisible()
    assert not bench.strip.isVisible()
    assert not bench.acts.delete_phase.isEnabled()


def test_lasso_name_enter_makes_a_phase_whose_pixels_are_numpys(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    lasso(qtbot, bench, LEFT)
    assert bench.strip.isVisible()
    assert bench.strip.name.hasFocus() or not bench.panel.isActiveWindow()
    population = bench.scheme.populations[0]
    expected = held(desk, map_id, population)
    assert 0 < expected.sum() < expected.size
    assert bench.strip.count.text().startswith(f"{expected.sum():,} px".replace(",", "\u2009"))
    named(qtbot, bench, "Olivine")
    assert not bench.strip.isVisible()
    assert names(bench) == ["Olivine", "Unsorted"]
    assert bench.scheme.populations[0].name == "Olivine"
    np.testing.assert_array_equal(labels(desk, map_id), expected.astype(np.uint8))
    assert row(bench, "Olivine").pixels == expected.sum()
    assert row(bench, "Unsorted").pixels == expected.size - expected.sum()
    assert bench.phases.populations.rows.rows[0].pixels == expected.sum()
    assert bench.chosen_phase == phase_id(bench, "Olivine")
    # Lasso and name are one step.
    assert desk.undo_label == "New phase Olivine"
    desk.undo()
    settle(qtbot, bench)
    assert names(bench) == []
    assert bench.scheme.populations == ()
    desk.redo()
    settle(qtbot, bench)
    assert names(bench) == ["Olivine", "Unsorted"]


def test_the_drawn_population_stays_lit_until_it_is_named(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    lasso(qtbot, bench, LEFT)
    lit = desk.lit_where(map_id)
    assert lit is not None
    assert lit.within == bench.scheme.populations[0].gate
    named(qtbot, bench, "Olivine")
    assert desk.lit_where(map_id) is None


def test_a_second_phase_of_one_name_is_refused_with_words(
    qtbot: QtBot, bench: SortBench, desk: Desk
) -> None:
    lasso(qtbot, bench, LEFT)
    named(qtbot, bench, "Olivine")
    lasso(qtbot, bench, RIGHT)
    named(qtbot, bench, "  olivine ")
    assert bench.strip.isVisible()
    assert "There is a phase «Olivine» already" in bench.strip.caution.text()
    assert names(bench) == ["Olivine", "Unsorted"]
    bench.strip.name.selectAll()
    named(qtbot, bench, "Chromite")
    assert names(bench) == ["Olivine", "Chromite", "Unsorted"]


def test_a_name_is_asked_for_when_there_is_none(qtbot: QtBot, bench: SortBench) -> None:
    lasso(qtbot, bench, LEFT)
    named(qtbot, bench, "  ")
    assert "Type the name" in bench.strip.caution.text()
    assert bench.scheme.phases == ()


def test_escape_discards_what_was_drawn_and_redo_brings_it_back(
    qtbot: QtBot, bench: SortBench, desk: Desk
) -> None:
    lasso(qtbot, bench, LEFT)
    qtbot.keyClick(bench.strip.name, Qt.Key.Key_Escape)
    settle(qtbot, bench)
    assert bench.scheme.populations == ()
    assert not bench.strip.isVisible()
    desk.redo()
    assert len(bench.scheme.populations) == 1


def test_a_drawn_population_can_be_kept_without_a_phase(qtbot: QtBot, bench: SortBench) -> None:
    lasso(qtbot, bench, LEFT)
    qtbot.keyClicks(bench.strip.name, "dull")
    qtbot.mouseClick(bench.strip.keep, Qt.MouseButton.LeftButton)
    settle(qtbot, bench)
    assert [p.name for p in bench.scheme.populations] == ["dull"]
    assert bench.scheme.phases == ()
    assert bench.phases.populations.rows.rows[0].pixels is not None


@pytest.mark.parametrize(
    ("join", "expected"),
    [
        ("or", lambda a, b: a | b),
        ("and", lambda a, b: a & b),
        ("not", lambda a, b: a & ~b),
    ],
)
def test_a_drawn_population_joins_a_phase(
    qtbot: QtBot,
    bench: SortBench,
    desk: Desk,
    map_id: str,
    join: str,
    expected: Callable[..., npt.NDArray[np.bool_]],
) -> None:
    lasso(qtbot, bench, ((0.0, 100.0), (250.0, 100.0), (250.0, 390.0), (0.0, 390.0)))
    named(qtbot, bench, "Silicate")
    lasso(qtbot, bench, ((100.0, 0.0), (400.0, 0.0), (400.0, 200.0), (100.0, 200.0)))
    sub = bench.strip.join.menu().actions()[0].menu()
    assert isinstance(sub, QMenu)
    words = {"or": "or it", "and": "and it", "not": "and not it"}
    choice(sub, words[join]).trigger()
    settle(qtbot, bench)
    first, second = (held(desk, map_id, p) for p in bench.scheme.populations)
    np.testing.assert_array_equal(labels(desk, map_id), expected(first, second).astype(np.uint8))
    assert desk.undo_label == "Add to Silicate"
    desk.undo()
    settle(qtbot, bench)
    assert len(bench.scheme.populations) == 1
    np.testing.assert_array_equal(labels(desk, map_id), first.astype(np.uint8))


def choice(menu: QMenu, text: str) -> QAction:
    return next(a for a in menu.actions() if a.text() == text)


def test_a_lasso_that_crosses_itself_is_even_odd_and_said(qtbot: QtBot, bench: SortBench) -> None:
    lasso(qtbot, bench, ((20.0, 20.0), (380.0, 380.0), (380.0, 20.0), (20.0, 380.0)))
    assert "crosses itself" in bench.strip.caution.text()


def test_an_empty_population_is_said(qtbot: QtBot, bench: SortBench) -> None:
    lasso(qtbot, bench, ((400.0, 400.0), (415.0, 400.0), (415.0, 415.0), (400.0, 415.0)))
    assert "holds no pixel" in bench.strip.caution.text()
    bench.strip.keep.click()
    settle(qtbot, bench)
    assert bench.phases.populations.rows.rows[0].empty


def test_hostile_names_are_shown_as_they_are(qtbot: QtBot, bench: SortBench, desk: Desk) -> None:
    lasso(qtbot, bench, LEFT)
    named(qtbot, bench, "; DROP <b>&")
    assert names(bench)[0] == "; DROP <b>&"
    bench.phases.phases.choose(bench.scheme.phases[0].id)
    for label in bench.panel.findChildren(QLabel):
        if "DROP" in label.text():
            assert label.textFormat() == Qt.TextFormat.PlainText
    index = bench.phases.phases.rows.index(0)
    assert "&lt;b&gt;" in index.data(Qt.ItemDataRole.ToolTipRole)
    assert desk.sorting.key.entry("; DROP <b>&") is not None


# -- order, names, colours ----------------------------------------------------------------------


def overlapping(desk: Desk, map_id: str) -> Scheme:
    scheme = ranged(desk, map_id)
    more = Phase(id="q", name="Olivine", rules=((Term(population="b"),),))
    return replace(scheme, phases=(*scheme.phases, more))


def test_the_first_phase_that_holds_a_pixel_has_it_and_overlaps_are_said(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: overlapping(desk, map_id))
    first, second = (held(desk, map_id, bench.scheme.population(i)) for i in "ab")
    both = int((first & second).sum())
    assert both > 0
    assert f"{both:,}".replace(",", "\u2009") in bench.phases.overlaps.head.text()
    assert "claimed by two phases" in bench.phases.overlaps.head.text()
    qtbot.mouseClick(bench.phases.overlaps.head, Qt.MouseButton.LeftButton)
    assert bench.phases.overlaps.words == [f"{both:,} Silicate before Olivine".replace(",", "\u2009")]
    phases = bench.phases.phases
    bench.choose_phase("q")
    assert bench.phases.claim.text().startswith(f"{second.sum():,} px fit it".replace(",", "\u2009"))
    phases.setFocus()
    qtbot.keyClick(phases, Qt.Key.Key_Up, Qt.KeyboardModifier.AltModifier)
    settle(qtbot, bench)
    assert names(bench) == ["Olivine", "Silicate", "Unsorted"]
    assert bench.chosen_phase == "q"
    expected = np.where(second, 1, np.where(first, 2, 0))
    np.testing.assert_array_equal(labels(desk, map_id), expected)
    assert desk.undo_label == "Reorder phases"
    desk.undo()
    settle(qtbot, bench)
    np.testing.assert_array_equal(
        labels(desk, map_id), np.where(first, 1, np.where(second, 2, 0))
    )


def test_phases_are_reordered_by_dragging(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: overlapping(desk, map_id))
    phases = bench.phases.phases
    port = phases.viewport()
    start = phases.row_rect("p").center()
    end = QPoint(start.x(), phases.row_rect("q").bottom() - 2)
    qtbot.mousePress(port, Qt.MouseButton.LeftButton, pos=start)
    for step in range(1, 6):
        qtbot.mouseMove(port, start + (end - start) * step / 5)
    qtbot.mouseRelease(port, Qt.MouseButton.LeftButton, pos=end)
    settle(qtbot, bench)
    assert names(bench) == ["Olivine", "Silicate", "Unsorted"]
    # What is left always comes last.
    bottom = QPoint(start.x(), phases.viewport().height() - 2)
    qtbot.mousePress(port, Qt.MouseButton.LeftButton, pos=phases.row_rect("q").center())
    qtbot.mouseMove(port, bottom - QPoint(0, 1))
    qtbot.mouseMove(port, bottom)
    qtbot.mouseRelease(port, Qt.MouseButton.LeftButton, pos=bottom)
    settle(qtbot, bench)
    assert names(bench) == ["Silicate", "Olivine", "Unsorted"]


def test_a_renamed_phase_keeps_its_colour_and_renames_the_key(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    two_phases(qtbot, bench)
    colour = desk.sorting.colour("Olivine")
    phases = bench.phases.phases
    phases.setFocus()
    phases.choose(phase_id(bench, "Olivine"))
    qtbot.keyClick(phases, Qt.Key.Key_Return)
    editor = phases.findChild(QLineEdit)
    assert editor is not None
    editor.selectAll()
    qtbot.keyClicks(editor, "Forsterite")
    qtbot.keyClick(editor, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: names(bench)[0] == "Forsterite")
    settle(qtbot, bench)
    assert desk.sorting.colour("Forsterite") == colour
    assert desk.sorting.key.entry("Olivine") is None
    assert desk.undo_label == "Rename Olivine to Forsterite"
    desk.undo()
    settle(qtbot, bench)
    assert names(bench)[0] == "Olivine"
    assert desk.sorting.colour("Olivine") == colour


def test_a_phase_is_not_renamed_to_another_ones_name(
    qtbot: QtBot, bench: SortBench, desk: Desk
) -> None:
    two_phases(qtbot, bench)
    said = heard(desk)
    bench.phases.phases.rows.setData(bench.phases.phases.rows.index(0), "chromite")
    assert names(bench)[:2] == ["Olivine", "Chromite"]
    assert said == [("caution", "There is a phase «Chromite» already: choose another name.")]


def test_phases_are_added_duplicated_and_deleted_each_as_one_step(
    qtbot: QtBot, bench: SortBench, desk: Desk
) -> None:
    two_phases(qtbot, bench)
    before = bench.scheme
    bench.phases.phases.choose(phase_id(bench, "Olivine"))
    bench.phases.phases.setFocus()
    qtbot.keyClick(bench.phases.phases, Qt.Key.Key_Delete)
    settle(qtbot, bench)
    assert names(bench) == ["Chromite", "Unsorted"]
    assert len(bench.scheme.populations) == 2  # they stay
    assert bench.chosen_phase == phase_id(bench, "Chromite")
    assert desk.undo_label == "Delete phase Olivine"
    desk.undo()
    assert bench.scheme == before
    bench.phases.phases.choose(phase_id(bench, "Olivine"))
    bench.choose_phase(bench.phases.phases.current)
    bench.acts.duplicate_phase.trigger()
    assert names(bench) == ["Olivine", "Olivine copy", "Chromite", "Unsorted"]
    assert desk.undo_label == "Duplicate Olivine"
    desk.undo()
    assert bench.scheme == before
    bench.acts.new_phase.trigger()
    assert names(bench) == ["Olivine", "Chromite", "New phase", "Unsorted"]
    assert row(bench, "New phase").note == "no rule"
    assert bench.phases.rule.empty.isVisible()
    desk.undo()
    assert bench.scheme == before


def test_what_is_unsorted_is_neither_renamed_nor_deleted(
    qtbot: QtBot, bench: SortBench
) -> None:
    two_phases(qtbot, bench)
    phases = bench.phases.phases
    phases.choose("")
    bench.choose_phase(bench.phases.phases.current)
    qtbot.keyClick(phases, Qt.Key.Key_Delete)
    qtbot.keyClick(phases, Qt.Key.Key_Up, Qt.KeyboardModifier.AltModifier)
    assert names(bench) == ["Olivine", "Chromite", "Unsorted"]
    assert not bench.acts.delete_phase.isEnabled()
    assert bench.phases.choose.isVisible()


# -- rules --------------------------------------------------------------------------------------


def test_rules_say_and_or_not(qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str) -> None:
    put(qtbot, bench, desk, map_id, lambda _: ranged(desk, map_id))
    a, b, c = (held(desk, map_id, bench.scheme.population(i)) for i in "abc")
    bench.phases.phases.choose("p")
    bench.choose_phase(bench.phases.phases.current)
    rule = bench.phases.rule
    assert "low Fe" in rule.groups[0].chips[0].name

    choice(submenu(rule.menu(0), "Not in"), "high Mg").trigger()
    settle(qtbot, bench)
    np.testing.assert_array_equal(labels(desk, map_id), (a & ~b).astype(np.uint8))
    assert desk.undo_label == "Change the rule of Silicate"

    choice(rule.menu(1), "high Cr").trigger()
    settle(qtbot, bench)
    np.testing.assert_array_equal(labels(desk, map_id), ((a & ~b) | c).astype(np.uint8))
    assert bench.scheme.phases[0].rules == (
        (Term(population="a"), Term(population="b", negated=True)),
        (Term(population="c"),),
    )
    assert bench.phases.rule_section.head.sum == "low Fe and not high Mg; or high Cr"

    chip = rule.groups[0].chips[1]
    qtbot.mouseClick(chip, Qt.MouseButton.LeftButton, pos=QPoint(10, 10))
    settle(qtbot, bench)
    np.testing.assert_array_equal(labels(desk, map_id), ((a & b) | c).astype(np.uint8))

    chip = rule.groups[1].chips[0]
    qtbot.mouseClick(chip, Qt.MouseButton.LeftButton, pos=chip.cross.center().toPoint())
    settle(qtbot, bench)
    np.testing.assert_array_equal(labels(desk, map_id), (a & b).astype(np.uint8))
    for _ in range(4):
        desk.undo()
    settle(qtbot, bench)
    np.testing.assert_array_equal(labels(desk, map_id), a.astype(np.uint8))


def submenu(menu: QMenu, title: str) -> QMenu:
    return next(m for m in menu.findChildren(QMenu) if m.title() == title)


def test_populations_are_dragged_into_a_rule(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: ranged(desk, map_id))
    bench.phases.phases.choose("p")
    bench.choose_phase(bench.phases.phases.current)
    drop(bench.phases.rule.groups[0], carry("b"))
    assert bench.scheme.phases[0].rules == ((Term(population="a"), Term(population="b")),)
    drop(bench.phases.rule, carry("c"))
    assert len(bench.scheme.phases[0].rules) == 2
    drop(bench.phases.rule, carry("gone"))
    assert len(bench.scheme.phases[0].rules) == 2


def drop(widget: object, data: QMimeData) -> None:
    event = QDropEvent(
        QPointF(4, 4),
        Qt.DropAction.CopyAction,
        data,
        Qt.MouseButton.LeftButton,
        Qt.KeyboardModifier.NoModifier,
    )
    widget.dropEvent(event)  # type: ignore[attr-defined]


# -- populations --------------------------------------------------------------------------------


def test_a_population_is_inverted_and_counted(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: ranged(desk, map_id))
    populations = bench.phases.populations
    counted = [r.pixels for r in populations.rows.rows]
    assert counted == [held(desk, map_id, p).sum() for p in bench.scheme.populations]
    qtbot.mouseClick(
        populations.viewport(), Qt.MouseButton.LeftButton, pos=populations.sign("c", "invert")
    )
    settle(qtbot, bench)
    assert bench.scheme.population("c").inverted
    assert populations.rows.rows[2].pixels == SHAPE[0] * SHAPE[1] - counted[2]
    assert desk.undo_label == "Invert high Cr"


def test_a_population_that_is_deleted_leaves_every_rule_in_one_step(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: overlapping(desk, map_id))
    before, said = bench.scheme, heard(desk)
    populations = bench.phases.populations
    populations.choose("b")
    qtbot.keyClick(populations, Qt.Key.Key_Delete)
    settle(qtbot, bench)
    assert bench.scheme.phase("Olivine").rules == ()
    assert [p.id for p in bench.scheme.populations] == ["a", "c"]
    assert "«Olivine»" in said[-1][1]
    assert desk.undo_label == "Delete population high Mg"
    desk.undo()
    assert bench.scheme == before


def test_a_population_is_renamed_and_duplicated(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: ranged(desk, map_id))
    model = bench.phases.populations.rows
    model.setData(model.index(0), "dull")
    assert bench.scheme.population("a").name == "dull"
    bench.phases.populations.choose("a")
    bench._enable()
    bench.acts.duplicate_population.trigger()
    assert [p.name for p in bench.scheme.populations] == ["dull", "dull 2", "high Mg", "high Cr"]
    said = heard(desk)
    model.setData(model.index(1), "Dull")
    assert said[0][0] == "caution"
    assert "Two populations have the name" in said[0][1]


def test_menus_do_what_they_say(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: overlapping(desk, map_id))
    a, b, c = (held(desk, map_id, bench.scheme.population(i)) for i in "abc")
    menu = population_menu(bench, "c")
    choice(submenu(submenu(menu, "Add to phase"), "Silicate"), "or it").trigger()
    settle(qtbot, bench)
    np.testing.assert_array_equal(
        labels(desk, map_id), np.where(a | c, 1, np.where(b, 2, 0))
    )
    assert bench.chosen_phase == "p"
    choice(population_menu(bench, "c"), "New phase of it…").trigger()
    assert bench.strip.isVisible()
    named(qtbot, bench, "Chromite")
    assert bench.scheme.population("c").name == "Chromite"
    assert names(bench) == ["Silicate", "Olivine", "Chromite", "Unsorted"]
    menu = phase_menu(bench, phase_id(bench, "Silicate"))
    assert not choice(menu, "Move up\tAlt+Up").isEnabled()
    choice(menu, "Move down\tAlt+Down").trigger()
    assert names(bench)[:2] == ["Olivine", "Silicate"]
    assert not any(a.isEnabled() for a in phase_menu(bench, "").actions())


def test_a_phase_under_the_pointer_in_the_key_glows(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: overlapping(desk, map_id))
    bench.key.phase_hovered.emit("olivine")
    assert desk.lit_where(map_id) == Where.phase("q")
    bench.key.phase_hovered.emit("of another map")
    assert desk.lit_where(map_id) is None
    bench.modes.phase_hovered.emit("p")
    assert desk.lit_where(map_id) == Where.phase("p")
    bench.modes.phase_hovered.emit("")
    assert desk.lit_where(map_id) is None


def test_rows_glow_on_the_map_while_the_pointer_is_on_them(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: overlapping(desk, map_id))
    phases, populations = bench.phases.phases, bench.phases.populations
    qtbot.mouseMove(phases.viewport(), phases.row_rect("q").center())
    assert desk.lit_where(map_id) == Where.phase("q")
    qtbot.mouseMove(phases.viewport(), phases.row_rect("").center())
    assert desk.lit_where(map_id) == Where.phase("")
    qtbot.mouseMove(phases.viewport(), phases.row_rect("").center() + QPoint(0, 60))
    assert desk.lit_where(map_id) is None
    spot = populations.row_rect("a").center()
    qtbot.mouseMove(populations.viewport(), spot)
    assert desk.lit_where(map_id) == Where.gate(bench.scheme.population("a").gate)
    # The eye keeps it lit.
    qtbot.mouseClick(
        populations.viewport(), Qt.MouseButton.LeftButton, pos=populations.sign("a", "eye")
    )
    QApplication.sendEvent(populations, _leave())
    assert desk.lit_where(map_id) == Where.gate(bench.scheme.population("a").gate)
    qtbot.mouseClick(
        populations.viewport(), Qt.MouseButton.LeftButton, pos=populations.sign("a", "eye")
    )
    assert desk.lit_where(map_id) is None


def _leave() -> object:
    from PySide6.QtCore import QEvent

    return QEvent(QEvent.Type.Leave)


def test_a_population_of_a_layer_that_is_not_there_is_said(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    scheme = ranged(desk, map_id)
    alien = Population(id="z", name="odd", gate=Range(layer="Zr", low=1.0))
    phase = Phase(id="y", name="Zircon", rules=((Term(population="z"),),))
    put(
        qtbot, bench, desk, map_id,
        lambda _: replace(
            scheme, populations=(*scheme.populations, alien), phases=(*scheme.phases, phase)
        ),
    )  # fmt: skip
    assert "There is no layer «Zr»" in bench.phases.populations.rows.rows[-1].trouble
    assert bench.phases.trouble.isVisible()
    assert "Zr" in bench.phases.trouble.text()


# -- painting and regions -----------------------------------------------------------------------


def test_strokes_become_one_population_and_a_phase(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    bench.stroke_drawn(((200.0, 100.0), (400.0, 100.0)), 30.0, False)
    settle(qtbot, bench)
    assert bench.strip.isVisible()
    bench.stroke_drawn(((200.0, 300.0), (400.0, 300.0)), 30.0, False)
    bench.stroke_drawn(((300.0, 300.0),), 40.0, True)
    settle(qtbot, bench)
    gate = bench.scheme.populations[0].gate
    assert isinstance(gate, Painted)
    assert [s.erase for s in gate.strokes] == [False, False, True]
    y, x = np.indices(SHAPE) + 0.5
    x, y = x * PIXEL_UM[0], y * PIXEL_UM[1]

    def near(points: tuple[tuple[float, float], ...], radius: float) -> npt.NDArray[np.bool_]:
        left, right = points[0][0], points[-1][0]
        return np.hypot(x - np.clip(x, left, right), y - points[0][1]) <= radius

    expected = near(gate.strokes[0].points, 30.0)
    expected |= near(gate.strokes[1].points, 30.0)
    expected &= ~near(gate.strokes[2].points, 40.0)
    named(qtbot, bench, "Seed")
    np.testing.assert_array_equal(labels(desk, map_id), expected.astype(np.uint8))


def test_nothing_is_taken_away_from_nothing(bench: SortBench, desk: Desk) -> None:
    said = heard(desk)
    bench.stroke_drawn(((10.0, 10.0),), 5.0, True)
    assert bench.scheme.populations == ()
    assert "nothing painted" in said[0][1]


def test_a_region_on_the_map_lights_the_plots_and_is_kept_on_request(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    corners = ((0.0, 0.0), (600.0, 0.0), (600.0, 300.0), (0.0, 300.0))
    bench.region_drawn(corners)
    settle(qtbot, bench)
    assert desk.lit_where(map_id) == Where.region((corners,))
    assert bench.scheme.populations == ()
    assert bench.strip.count.text().startswith("900 px")
    bench.strip.close_button.click()
    assert desk.lit_where(map_id) is None
    assert bench.scheme.populations == ()
    bench.region_drawn(corners)
    named(qtbot, bench, "Corner")
    assert row(bench, "Corner").pixels == 900
    desk.undo()
    assert bench.scheme.populations == ()


def test_map_tools_are_asked_for_and_followed(qtbot: QtBot, bench: SortBench) -> None:
    with qtbot.waitSignal(bench.tool_wanted) as asked:
        bench.acts.paint.trigger()
    assert asked.args == ["paint"]
    bench.map_tool_changed("paint")
    with qtbot.waitSignal(bench.tool_wanted) as asked:
        bench.acts.paint.trigger()
    assert asked.args == ["hand"]
    bench.map_tool_changed("hand")
    assert not bench.acts.paint.isChecked()


def test_commands_choose_the_plots_tool(bench: SortBench) -> None:
    bench.acts.draw["polygon"].trigger()
    assert bench.board.tool == "polygon"
    bench.board.set_tool("ellipse")
    assert bench.acts.draw["ellipse"].isChecked()
    assert not bench.acts.draw["polygon"].isChecked()
    bench.acts.draw["ellipse"].trigger()
    assert bench.board.tool == "pan"


def test_an_outline_is_edited_in_the_plot(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    lasso(qtbot, bench, LEFT)
    named(qtbot, bench, "Olivine")
    population = bench.scheme.populations[0]
    populations = bench.phases.populations
    qtbot.mouseClick(
        populations.viewport(),
        Qt.MouseButton.LeftButton,
        pos=populations.sign(population.id, "edit"),
    )
    assert bench.board.canvases[0].edited == population.id
    assert populations.rows.rows[0].edited
    gate = population.gate
    assert isinstance(gate, Polygon)
    moved = replace(gate, points=RIGHT)
    bench.board.gate_edited.emit(population.id, moved, False)
    assert bench.scheme.populations[0].gate == gate
    bench.board.gate_edited.emit(population.id, moved, True)
    settle(qtbot, bench)
    assert bench.scheme.populations[0].gate == moved
    assert desk.undo_label == "Edit the outline of Olivine"
    expected = held(desk, map_id, bench.scheme.populations[0])
    np.testing.assert_array_equal(labels(desk, map_id), expected.astype(np.uint8))


# -- cleaning and mixed pixels ------------------------------------------------------------------


def test_cleaning_is_set_in_the_form_and_reported(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: ranged(desk, map_id))
    bench.phases.phases.choose("p")
    bench.choose_phase(bench.phases.phases.current)
    bench.phases.cleaning_section.set_open(True)
    before = int((labels(desk, map_id) == 1).sum())
    form = bench.phases.cleaning
    form.least.lineEdit().selectAll()
    qtbot.keyClicks(form.least, "4000")
    qtbot.keyClick(form.least, Qt.Key.Key_Return)
    form.majority.stepBy(1)
    settle(qtbot, bench)
    assert bench.scheme.phases[0].cleaning == Cleaning(majority_px=3, least_um2=4000.0)
    assert form.notes["least"].text() == "⌀ 71.4 µm, 20 px"
    assert form.majority.text() == "3 px"
    report = desk.sorting.latest(map_id).reports[0]  # type: ignore[union-attr]
    assert report.before == before
    assert form.report.text().startswith(f"{before:,} px before".replace(",", "\u2009"))
    # Turning knobs of one phase is one step.
    assert desk.undo_label == "Clean Silicate"
    desk.undo()
    settle(qtbot, bench)
    assert bench.scheme.phases[0].cleaning.idle
    assert form.least.value() == 0
    assert not form.report.isVisible()


def test_mixed_pixels_are_treated_by_choice(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    two_phases(qtbot, bench)
    bench.phases.mixed_section.set_open(True)
    form = bench.phases.mixed
    assert not form.tolerance.isEnabled()
    form.treat.setCurrentIndex(form.treat.findData("unsorted"))
    settle(qtbot, bench)
    assert bench.scheme.mixed.treat == "unsorted"
    image = desk.sorting.latest(map_id)
    assert image is not None
    assert form.found.text().startswith(f"{image.mixed} mixed pixels found")
    form.tolerance.setValue(2.0)
    assert bench.scheme.mixed.tolerance == 2.0
    assert desk.undo_label == "Treat mixed pixels"
    desk.undo()
    assert bench.scheme.mixed.treat == "off"
    assert form.treat.currentData() == "off"


def test_areas_are_read_in_both_units() -> None:
    assert area_of("400") == 400.0
    assert area_of("0,02 mm²") == 20_000.0
    assert area_of("3 µm2") == 3.0
    assert area_of("-1") is None
    assert area_of("wide") is None
    assert area_text(400.0) == "400 µm²"
    assert area_text(250_000.0) == "0.25 mm²"
    # A disk of 100 µm² is 2·√(100/π) = 11.28 µm across.
    assert area_note(100.0, (5.0, 5.0)) == "⌀ 11.3 µm, 4 px"
    assert area_note(0.0, (5.0, 5.0)) == ""


def test_the_area_box_steps_from_off(qtbot: QtBot) -> None:
    box = AreaBox()
    qtbot.addWidget(box)
    box.setSingleStep(25.0)
    assert box.text() == "off"
    box.stepBy(1)
    assert box.value() == 25.0
    box.stepBy(-1)
    assert box.value() == 0.0


# -- the rest -----------------------------------------------------------------------------------


def test_overlaps_of_three_phases_are_said_to_be_at_most() -> None:
    # One pixel of three phases, two of the first two.
    both = np.array([[3, 3, 1], [3, 3, 1], [1, 1, 1]])
    found = overlaps_of(np.array([3, 3, 1]), np.array([3, 0, 0]), both)
    assert found.pixels == 4
    assert not found.exact
    assert found.pairs[0] == (0, 1, 3)


def test_edits_of_rules_keep_what_they_do_not_touch() -> None:
    a, b = Term(population="a"), Term(population="b")
    not_b = Term(population="b", negated=True)
    assert edits.joined((), "a", "or") == ((a,),)
    assert edits.joined(((a,),), "b", "or") == ((a,), (b,))
    assert edits.joined(((a,), (b,)), "b", "not") == ((a, not_b), (b, not_b))
    assert edits.dropped(((a, b),), 0, 0) == ((b,),)
    assert edits.dropped(((a,), (b,)), 0, 0) == ((b,),)
    assert edits.flipped(((a, b),), 0, 1) == ((a, not_b),)
    assert edits.free_name("Fe", ["fe", "Fe 2"]) == "Fe 3"


def test_a_chip_is_worked_with_keys(qtbot: QtBot) -> None:
    chip = Chip("Fe–Mg 1", negated=False)
    qtbot.addWidget(chip)
    with qtbot.waitSignal(chip.flipped):
        qtbot.keyClick(chip, Qt.Key.Key_Space)
    with qtbot.waitSignal(chip.removed):
        qtbot.keyClick(chip, Qt.Key.Key_Delete)


def test_dialogs_open_on_the_map_and_close_with_the_bench(
    qtbot: QtBot, bench: SortBench
) -> None:
    bench.acts.suggest.trigger()
    bench.acts.calibrate.trigger()
    bench.acts.apply_scheme.trigger()
    opened = [w for w in bench.panel.findChildren(QWidget) if w.isWindow() and w.isVisible()]
    assert {w.windowTitle() for w in opened} == {
        "Suggest", "Calibrate", "Apply scheme to Upper face",
    }  # fmt: skip
    settle(qtbot, bench)
    bench.close()
    assert not any(w.isVisible() for w in opened)


def test_the_scheme_is_written_from_its_menu(
    qtbot: QtBot,
    bench: SortBench,
    desk: Desk,
    map_id: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert not bench.acts.export_scheme.isEnabled()
    put(qtbot, bench, desk, map_id, lambda _: ranged(desk, map_id))
    target = tmp_path / "sill.scheme.json"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_a, **_k: (str(target), ""))
    menu = bench.acts.scheme.menu()
    assert isinstance(menu, QMenu)
    choice(menu, "Export the scheme…").trigger()
    qtbot.waitUntil(target.exists)
    assert read_scheme(target).scheme.phases[0].name == "Silicate"


def test_a_phase_can_be_limited_to_a_rock_unit(
    qtbot: QtBot, bench: SortBench, desk: Desk, map_id: str
) -> None:
    put(qtbot, bench, desk, map_id, lambda _: ranged(desk, map_id))
    upper = ((0.0, 0.0), (1800.0, 0.0), (1800.0, 300.0), (0.0, 300.0))
    desk.sorting.set_units("Draw", map_id, [Unit(id="u", map=map_id, name="Roof", polygons=(upper,))])
    settle(qtbot, bench)
    bench.choose_phase("p")
    menu = submenu(bench.phases.rule.menu(0), "Not in a rock unit")
    choice(menu, "Roof").trigger()
    settle(qtbot, bench)
    expected = held(desk, map_id, bench.scheme.population("a"))
    expected[:30] = False
    np.testing.assert_array_equal(labels(desk, map_id), expected.astype(np.uint8))
    row = bench.phases.populations.rows.rows[-1]
    assert (row.name, row.axes, row.pixels) == ("Roof", "in unit Roof", 30 * SHAPE[1])
    desk.undo()
    assert len(bench.scheme.populations) == 3


def test_shortcuts_are_each_of_one_command(bench: SortBench) -> None:
    keys = [a.shortcut().toString() for a in bench.commands if not a.shortcut().isEmpty()]
    assert len(set(keys)) == len(keys)
    for action in bench.commands:
        assert action.toolTip()


def test_the_panel_fits_into_little_room(bench: SortBench) -> None:
    assert bench.panel.minimumSizeHint().width() <= 320
    bench.panel.resize(320, 560)
    assert bench.panel.width() == 320


def test_a_project_that_is_open_for_reading_cannot_be_sorted(
    qtbot: QtBot, project_file: Path, tmp_path: Path
) -> None:
    copy = tmp_path / "sill.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    with Desk.open(copy, inline=True) as desk:
        one = desk.map().id
        desk.sorting.set_scheme("Prepare", one, overlapping(desk, one))
    with Desk.open(copy, write=False, inline=True) as desk:
        one = desk.map().id
        bench = open_bench(qtbot, desk, one)
        try:
            bench.phases.phases.choose("p")
            bench.choose_phase(bench.phases.phases.current)
            assert bench.panel.readonly.isVisible()
            assert str(desk.readonly) in bench.panel.readonly.text()
            for action in (
                bench.acts.paint, bench.acts.new_phase, bench.acts.delete_phase, bench.acts.suggest,
                bench.acts.import_scheme, bench.acts.duplicate_population,
            ):  # fmt: skip
                assert not action.isEnabled()
            assert str(desk.readonly) in bench.acts.suggest.toolTip()
            assert not bench.phases.rule.isEnabled()
            assert not bench.phases.cleaning.isEnabled()
            assert not bench.phases.mixed.isEnabled()
            said = heard(desk)
            lasso(qtbot, bench, LEFT)
            assert not bench.strip.isVisible()
            assert said
            assert "cannot be kept" in said[-1][1]
            qtbot.keyClick(bench.phases.phases, Qt.Key.Key_Delete)
            assert names(bench)[:2] == ["Silicate", "Olivine"]
        finally:
            bench.close()


def test_gates_of_the_test_agree_with_an_independent_point_in_polygon() -> None:
    from viewer.science.sort.columns import Column

    random = np.random.default_rng(2)
    x, y = random.uniform(0, 400, (2, 40, 50))
    gate = Polygon(x=Axis(layer="x"), y=Axis(layer="y"), points=LEFT)
    found = inside(gate, {"x": Column.of_values(x), "y": Column.of_values(y)})
    expected = (x < 90) & (y > 230) & (y < 390)
    np.testing.assert_array_equal(found, expected)
