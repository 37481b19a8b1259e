"""The window of suggestions on an open project, driven by its buttons."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from viewer.desk.desk import Desk
from viewer.panels import theme
from viewer.panels.qt import Poster
from viewer.panels.sort.suggest_dialog import SuggestDialog
from viewer.panels.sort.suggest_table import NAME
from viewer.science.progress import silent
from viewer.science.sort.scheme import Painted, Phase, Population, Scheme, Stroke, Term
from viewer.store.layers import LayerInfo, write_layer
from viewer.store.project import MapInfo, new_project, write_map

MAP = "slab"
SHAPE = (160, 240)
MEANS = {
    # Counts of plagioclase, orthopyroxene and chromite in vertical bands of equal width.
    "Al": (240, 14, 140),
    "Ca": (150, 18, 4),
    "Cr": (3, 5, 390),
    "Fe": (6, 120, 200),
    "Mg": (4, 220, 70),
    "Si": (380, 400, 6),
}


@pytest.fixture(autouse=True, scope="module")
def _dressed(qapp: QApplication) -> None:
    theme.apply(qapp, "dark")


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("suggest") / "slab.maps.h5"
    rng = np.random.default_rng(8)
    band = np.broadcast_to(np.arange(SHAPE[1]) // 80, SHAPE)
    with new_project(path) as file:
        group = write_map(file, MapInfo(id=MAP, name="Slab", shape=SHAPE, pixel_um=(10.0, 10.0)))
        for name, means in MEANS.items():
            pixels = rng.poisson(np.array(means)[band]).astype(np.uint16)
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
def desk(project: Path, tmp_path: Path, qtbot: QtBot) -> Iterator[Desk]:
    copy = tmp_path / project.name
    copy.write_bytes(project.read_bytes())
    poster = Poster()
    with Desk.open(copy, poster.post) as opened:
        yield opened
    poster.close()


@pytest.fixture
def dialog(desk: Desk, qtbot: QtBot) -> Iterator[SuggestDialog]:
    made = SuggestDialog(desk)
    qtbot.addWidget(made)
    made.show_map(MAP)
    qtbot.waitExposed(made)
    yield made
    made.close()


def click(button: Any) -> None:
    assert button.isEnabled()
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)


def find(dialog: SuggestDialog, qtbot: QtBot, method: str = "k-means", count: int = 3) -> None:
    page = dialog.clusters
    page.method.setCurrentIndex(page.method.findData(method))
    page.count.setValue(count)
    before = page.found
    click(page.seek)
    qtbot.waitUntil(lambda: page.found is not before, timeout=30_000)


def names(dialog: SuggestDialog) -> list[str]:
    return [row.name for row in dialog.clusters.table.rows]


@pytest.mark.parametrize("method", ["k-means", "density"])
def test_clusters_are_found_and_named(dialog: SuggestDialog, qtbot: QtBot, method: str) -> None:
    find(dialog, qtbot, method)
    assert sorted(names(dialog)) == ["chromite", "orthopyroxene", "plagioclase"]
    page = dialog.clusters
    assert sum(row.share for row in page.table.rows) == pytest.approx(1.0, abs=0.1)
    at = names(dialog).index("chromite")
    page.table.selectRow(at)
    assert page.reason.text().startswith("High Cr")
    assert page.table.rows[at].pattern[2] == 1.0
    assert page.split.isEnabled()
    assert not page.merge.isEnabled()
    page.grab()


def test_splitting_and_merging_keep_typed_names(dialog: SuggestDialog, qtbot: QtBot) -> None:
    find(dialog, qtbot)
    page = dialog.clusters
    at = names(dialog).index("plagioclase")
    page.table.item(at, NAME).setText("white")
    other = names(dialog).index("chromite")
    page.table.selectRow(other)
    before = page.found
    click(page.split)
    qtbot.waitUntil(lambda: page.found is not before, timeout=30_000)
    assert len(names(dialog)) == 4
    assert "white" in names(dialog)
    parts = [r for r, name in enumerate(names(dialog)) if name not in ("white", "orthopyroxene")]
    page.table.clearSelection()
    page.table.setSelectionMode(page.table.SelectionMode.MultiSelection)
    for row in parts:
        page.table.selectRow(row)
    before = page.found
    click(page.merge)
    qtbot.waitUntil(lambda: page.found is not before, timeout=30_000)
    assert sorted(names(dialog)) == ["chromite", "orthopyroxene", "white"]


def test_accepting_makes_phases_in_one_step(
    dialog: SuggestDialog, desk: Desk, qtbot: QtBot
) -> None:
    find(dialog, qtbot)
    page = dialog.clusters
    page.table.selectRow(names(dialog).index("orthopyroxene"))
    click(page.leave)
    with qtbot.waitSignal(page.accepted):
        click(page.accept)
    qtbot.waitUntil(lambda: len(desk.sorting.scheme(MAP).phases) == 2, timeout=30_000)
    assert {p.name for p in desk.sorting.scheme(MAP).phases} == {"plagioclase", "chromite"}
    assert desk.undo_label == "Accept clusters"
    entry = desk.sorting.key.entry("chromite")
    assert entry is not None
    assert entry.density is not None
    assert 4.0 < entry.density < 5.2
    layer = desk.layer(MAP, "Clusters").values(slice(0, SHAPE[0]), slice(0, SHAPE[1]))
    assert len(np.unique(layer)) == 3
    desk.undo()
    assert desk.sorting.scheme(MAP) == Scheme()


def test_thresholds_follow_the_channel(dialog: SuggestDialog, desk: Desk, qtbot: QtBot) -> None:
    dialog.tabs.setCurrentWidget(dialog.thresholds)
    page = dialog.thresholds
    page.channel.setCurrentText("Cr")
    qtbot.waitUntil(lambda: page.thresholds is not None, timeout=10_000)
    assert page.thresholds is not None
    assert page.thresholds.pixels == (2 * 80 * 160, 80 * 160)
    page.table.selectRow(1)
    where = desk.lit_where(MAP)
    assert where is not None
    assert where.within == page.thresholds.ranges("Cr")[1]
    page.method.setCurrentIndex(page.method.findData("multi-otsu"))
    page.channel.setCurrentText("Al")
    qtbot.waitUntil(lambda: page.thresholds is not None and len(page.thresholds.cuts) == 2)
    page.grab()
    page.channel.setCurrentText("Cr")
    page.method.setCurrentIndex(page.method.findData("otsu"))
    qtbot.waitUntil(lambda: page.thresholds is not None and len(page.thresholds.cuts) == 1)
    page.table.item(1, NAME).setText("chromite")
    click(page.accept)
    (phase,) = desk.sorting.scheme(MAP).phases
    assert phase.name == "chromite"
    assert desk.lit_where(MAP) is None


def paint(desk: Desk) -> None:
    """Two strokes in each band, as populations of three phases."""
    populations, phases = [], []
    for k, name in enumerate(("plagioclase", "orthopyroxene", "chromite")):
        x = 800.0 * k + 400.0
        strokes = tuple(
            Stroke(points=((x - 150, y), (x + 150, y)), radius_um=40.0) for y in (300.0, 1200.0)
        )
        populations.append(
            Population(id=f"s{k}", name=f"{name} seeds", gate=Painted(map=MAP, strokes=strokes))
        )
        phases.append(Phase(id=f"p{k}", name=name, rules=((Term(population=f"s{k}"),),)))
    scheme = Scheme(populations=tuple(populations), phases=tuple(phases))
    desk.sorting.set_scheme("Paint", MAP, scheme)


def test_seeds_teach_a_forest(dialog: SuggestDialog, desk: Desk, qtbot: QtBot) -> None:
    dialog.tabs.setCurrentWidget(dialog.seeds)
    page = dialog.seeds
    assert not page.train.isEnabled()
    with qtbot.waitSignal(dialog.tool_wanted, check_params_cb=lambda name: name == "paint"):
        click(page.paint_button)
    paint(desk)
    assert page.seeds.topLevelItemCount() == 3
    click(page.train)
    qtbot.waitUntil(lambda: page.taught is not None, timeout=60_000)
    assert page.confusion.item(0, 0).text() == "100"
    assert page.confusion.item(0, 1).text() == ""
    assert "told right" in page.note.text()
    page.sure.setChecked(True)
    page.grab()
    with qtbot.waitSignal(page.accepted):
        click(page.accept)
    qtbot.waitUntil(lambda: "Accept" in (desk.undo_label or ""), timeout=60_000)
    scheme = desk.sorting.scheme(MAP)
    assert len(scheme.populations) == 6
    assert all(len(p.rules) == 1 for p in scheme.phases)
    layer = desk.layer(MAP, "Minerals").values(slice(0, SHAPE[0]), slice(0, SHAPE[1]))
    truth = np.broadcast_to(np.arange(SHAPE[1]) // 80 + 1, SHAPE)
    assert (layer == truth).mean() > 0.99
    assert desk.layer(MAP, "Confidence") is not None
    densities = [e.density for e in desk.sorting.key.entries]
    assert densities[:2] == pytest.approx([2.7, 3.4], abs=0.2)


def test_a_seed_that_is_not_ticked_teaches_nothing(
    dialog: SuggestDialog, desk: Desk, qtbot: QtBot
) -> None:
    paint(desk)
    page = dialog.seeds
    for row in (1, 2):
        item = page.seeds.topLevelItem(row)
        assert item is not None
        item.setCheckState(0, Qt.CheckState.Unchecked)
    assert not page.train.isEnabled()
    desk.sorting.set_scheme("again", MAP, Scheme(populations=desk.sorting.scheme(MAP).populations))
    assert not page.train.isEnabled()


def test_the_window_is_put_away_and_comes_back(
    dialog: SuggestDialog, qtbot: QtBot
) -> None:
    find(dialog, qtbot)
    QTest.keyClick(dialog, Qt.Key.Key_Escape)
    assert not dialog.isVisible()
    dialog.show_map(MAP)
    assert len(names(dialog)) == 3
    assert dialog.isVisible()


def test_no_channel_is_said(dialog: SuggestDialog, desk: Desk, qtbot: QtBot) -> None:
    said: list[tuple[str, str]] = []
    desk.said.connect(lambda tone, words: said.append((tone, words)))
    page = dialog.clusters
    page.ticks.tick_all(False)
    click(page.seek)
    qtbot.waitUntil(lambda: bool(said), timeout=10_000)
    assert "No channel is chosen" in said[0][1]
    qtbot.waitUntil(page.seek.isEnabled)
