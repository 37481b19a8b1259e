"""Names of the user's are shown as they are, never read as markup."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QTextDocument
from PySide6.QtWidgets import QApplication, QLabel, QTableView
from pytestqt.qtbot import QtBot

from tests.desk.conftest import MAP, rock_file  # noqa: F401 (a fixture)
from viewer.desk.desk import Desk
from viewer.panels import theme
from viewer.panels.sort.bench import SortBench
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term

NAME = "<h1>Big</h1>"


@pytest.fixture
def bench(
    qapp: QApplication,
    rock_file: Path,  # noqa: F811
    tmp_path: Path,
    qtbot: QtBot,
):  # type: ignore[no-untyped-def]
    import shutil

    theme.apply(qapp, "dark")
    path = Path(shutil.copy(rock_file, tmp_path / "rock.maps.h5"))
    with Desk.open(path, inline=True) as desk:
        population = Population(id="p", name=NAME, gate=Range(layer="Fe", low=500.0))
        phase = Phase(id="a", name=NAME, rules=((Term(population="p"),),))
        desk.sorting.set_scheme("Sort", MAP, Scheme(populations=(population,), phases=(phase,)))
        made = SortBench(desk)
        qtbot.addWidget(made.panel)
        qtbot.addWidget(made.board)
        made.panel.resize(420, 800)
        made.panel.show()
        made.set_map(MAP)
        yield made
        made.close()


@pytest.mark.parametrize("page", ["phases", "modes", "key"])
def test_a_name_is_no_markup(bench: SortBench, qtbot: QtBot, page: str) -> None:
    bench.show_page(page)
    qtbot.waitUntil(lambda: not bench.modes.busy, timeout=20_000)
    tips = 0
    for view in bench.panel.findChildren(QTableView):
        model = view.model()
        for row in range(model.rowCount()):
            for column in range(model.columnCount()):
                tip = model.index(row, column).data(Qt.ItemDataRole.ToolTipRole)
                if isinstance(tip, str) and "Big" in tip:
                    assert NAME in as_shown(tip), tip
                    tips += 1
    for label in bench.panel.findChildren(QLabel):
        if "Big" in label.text():
            assert label.textFormat() == Qt.TextFormat.PlainText or NAME in as_shown(label.text())
    assert tips or page == "phases"


def as_shown(text: str) -> str:
    """What is read of a text that Qt may take for markup."""
    shown = QTextDocument()
    shown.setHtml(text) if text.lstrip().startswith("<") else shown.setPlainText(text)
    return shown.toPlainText()
