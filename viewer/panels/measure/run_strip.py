"""The button that measures, how far the work is, and why it gave no answer."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QProgressBar, QPushButton, QVBoxLayout, QWidget

from viewer.desk.desk import Desk
from viewer.desk.jobs import Job
from viewer.desk.measures import run
from viewer.desk.measures.result import Result
from viewer.errors import CancelledError, GrainlightError
from viewer.panels import theme
from viewer.panels.measure.form import Lack
from viewer.panels.qt import set_property
from viewer.science.measure.registry import KINDS
from viewer.store.requests import Request


class RunStrip(QWidget):
    """Runs one measurement at a time, as a job of the desk.

    Signals
    -------
    wanted()
        The user wants to measure.
    answered(object)
        The `Result` of what was asked for last.
    tool_wanted(str)
        Tool of the map view that mends what is missing.
    """

    wanted = Signal()
    answered = Signal(object)
    tool_wanted = Signal(str)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self.desk = desk
        self._job: Job | None = None
        self._running = False
        self._open = True
        self._lack: Lack | None = None
        self.words = QLabel()
        self.words.setTextFormat(Qt.TextFormat.PlainText)
        self.words.setWordWrap(True)
        self.words.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.words.hide()
        self.mend = QPushButton()
        self.mend.clicked.connect(self._mend)
        self.mend.hide()
        self.bar = QProgressBar()
        self.bar.setRange(0, 1000)
        self.bar.setTextVisible(False)
        self.bar.setAccessibleName("How far the measurement is")
        self.doing = QLabel()
        self.doing.setProperty("tone", "dim")
        self.doing.setTextFormat(Qt.TextFormat.PlainText)
        self.stop = QPushButton("Stop")
        self.stop.setToolTip("Stop measuring; nothing half-done is kept")
        self.stop.clicked.connect(self.cancel)
        self.go = QPushButton("Measure")
        self.go.setProperty("kind", "primary")
        self.go.setToolTip("Measure as set above (Ctrl+Return)")
        self.go.setShortcut("Ctrl+Return")
        self.go.clicked.connect(self.wanted)
        self.row = row = QHBoxLayout()
        row.setSpacing(tokens.gap_2)
        row.addWidget(self.doing)
        row.addWidget(self.bar, 1)
        row.addStretch(0)
        for button in (self.mend, self.stop, self.go):
            row.addWidget(button)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(tokens.gap_1)
        column.addWidget(self.words)
        column.addLayout(row)
        self._show()

    @property
    def running(self) -> bool:
        """True while something is measured."""
        return self._running

    def set_lack(self, lack: Lack | None) -> None:
        """Say what is missing before one can measure; None where nothing is."""
        if lack != self._lack:
            self._lack = lack
            self._say("" if lack is None else lack.words, "caution")
            self._show()

    def start(self, map_id: str, request: Request) -> None:
        """Measure. What came of it is told by `answered`; why nothing did, in words."""
        if self._running:
            return
        desk = self.desk
        self._running = True
        self._say("")
        self._show()
        title = f"Measure: {KINDS[request.kind].title.lower()}"
        job = desk.jobs.run(
            title, lambda progress: run(desk, map_id, request, progress), self._done, self._failed
        )
        if job.finished:
            # It ran at once, or the project is being closed.
            self._end()
        else:
            self._job = job
            job.progressed.connect(self._progressed)
            self._show()

    def cancel(self) -> None:
        """Ask the work to stop."""
        if self._job is not None:
            self._job.cancel()
            self._show()

    def show_hint(self, text: str) -> None:
        """Say what the tool expects that mends what is missing; empty once it is put down."""
        lack = self._lack
        if lack is not None and lack.tool:
            self._say(text or lack.words, "dim" if text else "caution")

    def set_primary(self, primary: bool) -> None:
        """Say whether to measure is what leads on."""
        set_property(self.go, "kind", "primary" if primary else "")

    def say(self, text: str, tone: str = "dim") -> None:
        """Say something where what is missing is said."""
        self._say(text, tone)

    def close(self) -> bool:
        """Stop what runs; its answer is dropped."""
        self._open = False
        self.cancel()
        return super().close()

    def _done(self, result: Result) -> None:
        if self._open:
            self._end()
            self.answered.emit(result)

    def _failed(self, error: BaseException) -> None:
        if not self._open:
            return
        self._end()
        if isinstance(error, CancelledError):
            self._say("Stopped; nothing was measured.")
        elif isinstance(error, GrainlightError) and self.isVisible():
            self._say(str(error), "error")
        else:
            self.desk.say(error)

    def _end(self) -> None:
        if self._job is not None:
            self._job.progressed.disconnect(self._progressed, missing_ok=True)
        self._job = None
        self._running = False
        self._show()

    def _progressed(self, done: float, doing: str) -> None:
        self.bar.setValue(round(1000 * done))
        self.doing.setText(doing)

    def _mend(self) -> None:
        if self._lack is not None:
            self.tool_wanted.emit(self._lack.tool)

    def _say(self, text: str, tone: str = "dim") -> None:
        set_property(self.words, "tone", tone)
        self.words.setText(text)
        self.words.setVisible(bool(text))

    def _show(self) -> None:
        lack = self._lack
        for widget in (self.bar, self.doing, self.stop):
            widget.setVisible(self._running)
        if not self._running:
            self.bar.setValue(0)
            self.doing.clear()
        self.stop.setEnabled(self._job is not None and not self._job.cancelled)
        self.go.setVisible(not self._running)
        self.go.setEnabled(lack is None)
        mends = lack is not None and bool(lack.tool) and not self._running
        self.mend.setVisible(mends)
        if lack is not None and mends:
            self.mend.setText(lack.button)
            # What is drawn in a project open for reading would be lost.
            self.mend.setEnabled(self.desk.readonly is None)
            self.mend.setToolTip(self.desk.readonly or "")
