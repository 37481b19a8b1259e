"""One kind of measurement: its form, the button that measures, and what came of it.

Once there is a result the form folds away, so that the result has the room; a button in the head
brings it back.
"""

from __future__ import annotations

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QScrollArea,
    QSizePolicy,
    QStackedWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.measure.form import RequestForm
from viewer.panels.measure.result_view import ResultView
from viewer.panels.measure.run_strip import RunStrip
from viewer.panels.parts import Line
from viewer.panels.qt import ElidedLabel, plain_tip
from viewer.science.measure.kind import Kind


class RequestPage(QScrollArea):
    """Shows a form and its result; scrolls as a whole where the window is low.

    Signals
    -------
    back_wanted()
        The user wants the list of kinds.
    """

    back_wanted = Signal()

    def __init__(self, run: RunStrip, result: ResultView, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.run = run
        self.result = result
        self._answered = False
        self._forms: list[RequestForm] = []
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setWidgetResizable(True)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.question = QLabel()
        self.question.setProperty("tone", "dim")
        self.question.setWordWrap(True)
        self.stack = QStackedWidget()
        self.stack.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
        self._room = QWidget()
        body = QWidget()
        column = QVBoxLayout(body)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(theme.current().gap_2)
        column.addLayout(self._build_head())
        column.addWidget(self.question)
        column.addWidget(self.stack)
        column.addWidget(run)
        column.addWidget(Line())
        column.addWidget(result, 1)
        column.addWidget(self._room, 1)
        self.setWidget(body)
        QShortcut(
            QKeySequence("Alt+Left"),
            self,
            self.back_wanted.emit,
            context=Qt.ShortcutContext.WidgetWithChildrenShortcut,
        )
        self.show_answer(False)

    def _build_head(self) -> QHBoxLayout:
        tokens = theme.current()
        side = QSize(tokens.icon_small, tokens.icon_small)
        self.back = QToolButton()
        self.back.setIcon(icon("chevron-left"))
        self.back.setIconSize(side)
        self.back.setToolTip("Back to what can be measured (Alt+Left)")
        self.back.setAccessibleName("Back")
        self.back.clicked.connect(self.back_wanted)
        self.title = ElidedLabel()
        self.title.setProperty("tone", "title")
        self.title.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.settings = QToolButton()
        self.settings.setCheckable(True)
        self.settings.setIcon(icon("settings"))
        self.settings.setIconSize(side)
        self.settings.setAccessibleName("Settings")
        self.settings.setToolTip(
            "Show what was asked for, to ask otherwise; or give the result the room"
        )
        self.settings.clicked.connect(lambda: self.unfold(self.stack.isHidden()))
        head = QHBoxLayout()
        head.setSpacing(tokens.gap_1)
        head.addWidget(self.back)
        head.addWidget(self.title, 1)
        head.addWidget(self.settings)
        self._head = head
        return head

    def show_kind(self, kind: Kind, form: RequestForm) -> None:
        """Show the form of a kind."""
        self.title.setText(kind.title)
        self.title.setToolTip(plain_tip(f"{kind.method}\n\n{kind.caution}"))
        self.question.setText(kind.question)
        if form not in self._forms:
            self.stack.addWidget(form)
            self._forms.append(form)
        for other in self._forms:
            # The stack is as high as the form that is shown, not as its highest.
            policy = QSizePolicy.Policy.Preferred
            other.setSizePolicy(policy, policy if other is form else QSizePolicy.Policy.Ignored)
        self.stack.setCurrentWidget(form)

    def show_answer(self, there: bool) -> None:
        """Say whether the result is one of this form: it has the room then."""
        self._answered = there
        self.result.setVisible(there)
        self._room.setVisible(not there)
        self.settings.setVisible(there)
        self.unfold(not there)

    def unfold(self, shown: bool) -> None:
        """Show the form, or fold it away; without a result it is always shown."""
        shown = shown or not self._answered
        self.question.setVisible(shown)
        self.stack.setVisible(shown)
        self.settings.setChecked(shown)
        # The button stands at the form's end, and in the head while the form is folded away.
        (self.run.row if shown else self._head).addWidget(self.run.go)
