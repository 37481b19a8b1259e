"""What came of a measurement: its numbers, what to beware of, its figures and its tables."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from html import escape
from pathlib import Path

from PySide6.QtCore import QEvent, QSettings, QSize, Qt, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import (
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QMessageBox,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.desk.desk import Desk
from viewer.desk.measures.files import files_of, write_result
from viewer.desk.measures.keep import add_to_ledger, rows_of, stem
from viewer.desk.measures.result import Drawn, Result
from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.latest import Latest
from viewer.panels.measure.figure_view import FigureView
from viewer.panels.measure.findings_table import FindingsModel, FindingsTable
from viewer.panels.measure.result_table import ResultTable, pointed_at
from viewer.panels.qt import ElidedLabel, plain_menu_text
from viewer.science.measure.registry import KINDS
from viewer.store.documents import Row

FORMATS = ("pdf", "svg", "png")
"""What every figure is exported as."""


class ResultView(QWidget):
    """Shows a result, puts it into the ledger, and writes its files.

    Signals
    -------
    glow(object)
        Shape of the result's overlay (`Drawn`) that the pointer is on in a table, None for none.
    """

    glow = Signal(object)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.result: Result | None = None
        self._rows: tuple[Row, ...] = ()
        self._open = True
        self._latest = Latest(self)
        self._latest.failed.connect(self._export_failed)
        self.model = FindingsModel()
        self._build()
        desk.changed.connect(self._document_changed)
        self.set_result(None)

    def _build(self) -> None:
        tokens = theme.current()
        self.subject = ElidedLabel()
        self.subject.setProperty("tone", "title")
        self.findings = FindingsTable(self.model)
        self.remarks = QLabel()
        self.remarks.setTextFormat(Qt.TextFormat.PlainText)
        self.remarks.setWordWrap(True)
        self.remarks.setProperty("tone", "caution")
        self.remarks.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.told = _Low(self.remarks, lines=5)
        self.tabs = QTabWidget()
        self.tabs.setDocumentMode(True)
        self.tabs.setUsesScrollButtons(True)
        self.tabs.setElideMode(Qt.TextElideMode.ElideNone)
        self.method = QLabel()
        self.method.setTextFormat(Qt.TextFormat.RichText)
        self.method.setWordWrap(True)
        self.method.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        self.method.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.method.setContentsMargins(0, tokens.gap_2, tokens.gap_2, 0)
        self._method_page = QScrollArea()
        self._method_page.setWidgetResizable(True)
        self._method_page.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._method_page.setWidget(self.method)
        self.add_button = QPushButton("Add to ledger")
        self.add_button.setProperty("kind", "primary")
        self.add_button.clicked.connect(self.add)
        self.export_button = QPushButton("Export…")
        self.export_button.setIcon(icon("export"))
        self.export_button.setToolTip(
            "Write every figure (PDF, SVG, PNG), every table (CSV) and all numbers (JSON) into a folder"
        )
        self.export_button.clicked.connect(self.pick_export)
        buttons = QHBoxLayout()
        buttons.setSpacing(tokens.gap_2)
        buttons.addStretch(1)
        buttons.addWidget(self.export_button)
        buttons.addWidget(self.add_button)
        column = self._column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(tokens.gap_2)
        column.addWidget(self.subject)
        column.addWidget(self.findings)
        column.addWidget(self.told)
        column.addWidget(self.tabs, 1)
        column.addLayout(buttons)

    def lend_tabs(self) -> QTabWidget:
        """Give figures, tables and method away, to be shown where there is more room.

        The view goes on filling them; what is left of it are the findings and remarks, whole.
        """
        at = self._column.indexOf(self.tabs)
        self._column.takeAt(at)
        self._column.insertStretch(at, 1)
        self.findings.show_all()
        self.told.show_all()
        return self.tabs

    # -- what is shown ----------------------------------------------------------------------------

    def set_result(self, result: Result | None) -> None:
        """Show a result, or nothing."""
        if result is not None and result is self.result:
            return
        before = self.tabs.tabText(self.tabs.currentIndex())
        self.result = result
        self._rows = () if result is None else rows_of(result)
        self.model.show(self._rows, () if result is None else [f.name for f in result.findings])
        self.subject.setText("" if result is None else result.subject)
        self.remarks.setText("" if result is None else "\n".join(result.remarks))
        self.told.setVisible(bool(self.remarks.text()))
        self.told.updateGeometry()
        self._fill_tabs(result)
        # Whoever measures again looks at the same figure.
        kept = [i for i in range(self.tabs.count()) if self.tabs.tabText(i) == before]
        self.tabs.setCurrentIndex(kept[0] if kept else 0)
        self._show_method()
        self._show_buttons()
        self.glow.emit(None)

    def _fill_tabs(self, result: Result | None) -> None:
        while self.tabs.count():
            page = self.tabs.widget(0)
            self.tabs.removeTab(0)
            if page is not None and page is not self._method_page:
                page.deleteLater()
        if result is None:
            return
        for figure in result.figures:
            view = FigureView()
            view.set_figure(figure, stem(result))
            view.said.connect(self.desk.said.emit)
            self._add_tab(view, figure.name, figure.title)
        for table in result.tables:
            shown = ResultTable(table)
            shapes = pointed_at(table, result.overlay)
            if any(shape is not None for shape in shapes):
                shown.hovered.connect(partial(self._row_hovered, shapes))
            self._add_tab(shown, f"Table: {table.name}" if len(result.tables) > 1 else "Table", "")
        self._add_tab(self._method_page, "Method", "How it was measured, and what to beware of")

    def _add_tab(self, page: QWidget, name: str, tip: str) -> None:
        words = name.replace("-", " ")
        at = self.tabs.addTab(page, plain_menu_text(f"{words[:1].upper()}{words[1:]}"))
        self.tabs.setTabToolTip(at, escape(tip))

    def _show_method(self) -> None:
        result = self.result
        if result is None:
            self.method.setText("")
            return
        tokens = theme.current()
        kind = KINDS[result.request.kind]
        excluded = list(dict.fromkeys(f.excluded for f in result.findings if f.excluded))
        intervals = list(dict.fromkeys(f"{f.name}: {f.uncertainty}" for f in result.findings))
        parts = [f"<p>{escape(result.method)}</p>"]
        if intervals:
            parts.append("<p>" + "<br>".join(escape(text) for text in intervals) + "</p>")
        if excluded:
            parts.append(f"<p>Excluded: {escape('; '.join(excluded))}.</p>")
        if kind.caution:
            parts.append(f'<p style="color:{tokens.caution}">{escape(kind.caution)}</p>')
        if kind.sources:
            sources = "<br>".join(escape(source) for source in kind.sources)
            parts.append(f'<p style="color:{tokens.text_dim}">Sources:<br>{sources}</p>')
        self.method.setText("".join(parts))

    def _show_buttons(self) -> None:
        result, writable = self.result, self.desk.readonly is None
        older = (
            []
            if result is None
            else [
                row
                for row in self.desk.state.ledger.rows
                if row.map == result.map and row.request == result.request
            ]
        )
        kept = bool(older) and [_numbers(r) for r in older] == [_numbers(r) for r in self._rows]
        self.add_button.setText(
            "In the ledger" if kept else "Replace in ledger" if older else "Add to ledger"
        )
        self.add_button.setEnabled(result is not None and writable and not kept)
        self.add_button.setToolTip(
            self.desk.readonly or (
                "The ledger holds these very numbers"
                if kept
                else "Put these findings in place of the older answer to the same question"
                if older
                else "Keep every finding in the ledger, with how it was made"
            )
        )  # fmt: skip
        self.export_button.setEnabled(result is not None and not self._latest.busy)

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange:
            self._show_method()

    def _row_hovered(self, shapes: Sequence[Drawn | None], row: int) -> None:
        self.glow.emit(None if row < 0 else shapes[row])

    # -- the ledger -------------------------------------------------------------------------------

    def add(self) -> None:
        """Put all findings into the ledger: one step to undo."""
        if self.result is None:
            return
        try:
            add_to_ledger(self.desk, self.result)
        except GrainlightError as error:
            self.desk.said.emit("error", str(error))
            return
        self._show_buttons()

    def _document_changed(self, document: str) -> None:
        if document == "ledger":
            self._show_buttons()

    # -- files ------------------------------------------------------------------------------------

    def pick_export(self) -> None:
        """Let the user choose the folder that the files go to."""
        if self.result is None:
            return
        start = str(QSettings().value("measure/folder", str(self.desk.path.parent)))
        folder = QFileDialog.getExistingDirectory(self, "Export the result into a folder", start)
        if not folder:
            return
        there = [path for path in files_of(folder, self.result, FORMATS).values() if path.exists()]
        if there and not self._may_replace(there):
            return
        QSettings().setValue("measure/folder", folder)
        self.export(folder)

    def _may_replace(self, there: list[Path]) -> bool:
        files = f"{len(there)} of its files are" if len(there) > 1 else f"{there[0].name} is"
        answer = QMessageBox.question(
            self, "Replace files?", f"{files} in this folder already. Replace?",
            QMessageBox.StandardButton.Yes | QMessageBox.StandardButton.Cancel,
        )  # fmt: skip
        return answer == QMessageBox.StandardButton.Yes

    def export(self, folder: str | Path) -> None:
        """Write all figures, tables and numbers into a folder, off the window's thread."""
        result = self.result
        if result is None:
            return
        found = self.desk.maps.get(result.map)
        name = "" if found is None else found.name
        self._latest.ask(
            "export",
            lambda _: write_result(folder, result, FORMATS, map_name=name),
            self._exported,
        )
        self._show_buttons()

    def _exported(self, files: list[Path]) -> None:
        self._show_buttons()
        self.desk.said.emit("info", f"Wrote {len(files)} files into {files[0].parent}.")

    def _export_failed(self, key: str, why: str) -> None:
        self._show_buttons()
        self.desk.said.emit("error", why)

    def close(self) -> bool:
        """Wait for files that are being written, and let the desk go."""
        if self._open:
            self._open = False
            self.desk.changed.disconnect(self._document_changed)
            self._latest.stop()
        return super().close()


class _Low(QScrollArea):
    """As high as a text needs, up to some lines; beyond them it scrolls."""

    def __init__(self, text: QLabel, lines: int) -> None:
        super().__init__()
        self._text, self._lines = text, lines
        self.setWidgetResizable(True)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setWidget(text)

    def show_all(self) -> None:
        """Take the room that all of the text needs, where there is so much."""
        self._lines = 1000
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Maximum)
        self.updateGeometry()

    def sizeHint(self) -> QSize:
        line = self._text.fontMetrics().lineSpacing()
        bar = self.verticalScrollBar().sizeHint().width()
        need = self._text.heightForWidth(self.width())
        most = self._lines * line + line // 2
        if need > most:
            need = self._text.heightForWidth(self.width() - bar)
        return QSize(200, min(need, most))

    def minimumSizeHint(self) -> QSize:
        fewest = 5 * self._text.fontMetrics().lineSpacing()
        return QSize(0, min(self.sizeHint().height(), fewest + fewest // 10))

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        if event.size().width() != event.oldSize().width():
            self.updateGeometry()


def _numbers(row: Row) -> tuple[object, ...]:
    """What makes a finding the same finding, whenever it was made."""
    return (row.value, row.low, row.high, row.n, row.unit, row.method, row.excluded)


def main() -> None:
    """Show a result of made-up numbers over the demo's project, given as the only argument."""
    import sys

    from PySide6.QtWidgets import QApplication

    from viewer.panels.measure import figure_examples

    app = QApplication(sys.argv)
    theme.apply(app)
    if len(sys.argv) != 2:
        sys.exit("usage: python -m viewer.panels.measure.result_view PROJECT.maps.h5")
    with Desk.open(sys.argv[1], write=False) as desk:
        view = ResultView(desk)
        view.set_result(figure_examples.result())
        view.resize(400, 720)
        view.show()
        app.exec()
        view.close()


if __name__ == "__main__":
    main()
