"""What is being worked on, how long it will take, and a way to stop it."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QProgressBar, QPushButton, QWidget

from viewer.desk.jobs import Job
from viewer.panels import theme


def time_left(seconds: float | None) -> str:
    """Seconds in words: ``about 40 s left``, ``about 3 min left``."""
    if seconds is None:
        return ""
    if seconds < 60:
        return f"about {max(1, round(seconds))} s left"
    return f"about {round(seconds / 60)} min left"


class JobStrip(QWidget):
    """Shows the job that has run longest, in the status bar; hidden while nothing runs."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self.title = QLabel()
        self.title.setTextFormat(Qt.TextFormat.PlainText)
        self.bar = QProgressBar()
        self.bar.setRange(0, 1000)
        self.bar.setTextVisible(False)
        self.bar.setFixedWidth(160)
        self.left = QLabel()
        self.left.setProperty("tone", "dim")
        self.stop = QPushButton("Stop")
        self.stop.setToolTip("Stop this work; nothing half-done is kept")
        self.stop.clicked.connect(self._stop)
        line = QHBoxLayout(self)
        line.setContentsMargins(0, 0, 0, 0)
        line.setSpacing(tokens.gap_2)
        for widget in (self.title, self.bar, self.left, self.stop):
            line.addWidget(widget)
        self._jobs: list[Job] = []
        self.hide()

    def add(self, job: Job) -> None:
        """Show a job until it ends."""
        self._jobs.append(job)
        job.progressed.connect(self._refresh_with)
        job.ended.connect(self._refresh)
        self._refresh()

    def _refresh_with(self, done: float, doing: str) -> None:
        self._refresh()

    def _refresh(self) -> None:
        self._jobs = [j for j in self._jobs if not j.finished]
        self.setVisible(bool(self._jobs))
        if self._jobs:
            job = self._jobs[0]
            more = f" (+{len(self._jobs) - 1})" if len(self._jobs) > 1 else ""
            self.title.setText(job.title + more)
            self.bar.setValue(round(1000 * job.done))
            self.left.setText("stopping" if job.cancelled else time_left(job.seconds_left))
            self.stop.setEnabled(not job.cancelled)

    def _stop(self) -> None:
        if self._jobs:
            self._jobs[0].cancel()
            self._refresh()
