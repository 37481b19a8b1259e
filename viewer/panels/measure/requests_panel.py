"""What can be measured, asked for and answered: the list of kinds, a form each, and the result.

A kind is chosen from the list; its form and what was measured last by it stand on a page of its own,
to which one returns and finds it as it was left.
"""

from __future__ import annotations

from typing import NamedTuple

from PySide6.QtCore import Signal
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QStackedWidget, QVBoxLayout, QWidget

from viewer.desk.desk import Desk
from viewer.desk.measures.result import Overlay, Result
from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.measure.basis import basis_of
from viewer.panels.measure.form import SORTING, RequestForm
from viewer.panels.measure.forms import FORMS
from viewer.panels.measure.kinds_list import KindsList
from viewer.panels.measure.request_page import RequestPage
from viewer.panels.measure.result_view import ResultView
from viewer.panels.measure.run_strip import RunStrip
from viewer.panels.parts import Line
from viewer.science.measure.registry import KINDS
from viewer.store.requests import Request, Window

_FOLLOWED = ("lines", "units", "schemes", "key", "setup")
"""Documents that forms choose from, or results rest on."""


class RequestsPanel(QWidget):
    """Asks for measurements of the map that is shown.

    Parameters
    ----------
    desk : Desk
    rulers : QWidget
        Tools that measure without a form; they stand above the list.

    Signals
    -------
    tool_wanted(str)
        Tool of the map view that the user needs before measuring.
    overlay_changed(object)
        What the result that is shown draws over its map (`Overlay`), None for nothing.
    glow(object)
        Shape of that overlay (`Drawn`) to light up, None for none.
    result_shown(bool)
        Whether a result is shown, whenever that may have changed.
    """

    tool_wanted = Signal(str)
    overlay_changed = Signal(object)
    glow = Signal(object)
    result_shown = Signal(bool)

    def __init__(self, desk: Desk, rulers: QWidget, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.map_id: str | None = None
        self.kind: str | None = None
        self.forms: dict[str, RequestForm] = {}
        self._answers: dict[tuple[str, str], _Answer] = {}
        self._asked: tuple[object, ...] = ()
        self._view_um: Window | None = None
        self._overlay: Overlay | None = None
        self._waiting = False
        self._open = True
        self.rulers = rulers
        self.list = KindsList()
        self.list.chosen.connect(self.show_kind)
        self.run = RunStrip(desk)
        self.run.wanted.connect(self.measure)
        self.run.answered.connect(self._answered)
        self.run.tool_wanted.connect(self.tool_wanted)
        self.result = ResultView(desk)
        self.result.glow.connect(self.glow)
        self.page = RequestPage(self.run, self.result)
        self.page.back_wanted.connect(self.show_list)
        self._build()
        desk.changed.connect(self._document_changed)
        desk.layers_changed.connect(self._map_changed)
        desk.phases_changed.connect(self._map_changed)

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        tokens = theme.current()
        self.pages = QStackedWidget()
        first = QWidget()
        upper = QVBoxLayout(first)
        upper.setContentsMargins(0, 0, 0, 0)
        upper.setSpacing(tokens.gap_2)
        upper.addWidget(self.rulers)
        upper.addWidget(Line())
        upper.addWidget(self.list, 1)
        self.pages.addWidget(first)
        self.pages.addWidget(self.page)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.pages)

    # -- what the bench tells -------------------------------------------------------------------

    def set_map(self, map_id: str | None) -> None:
        """Measure on this map from now on, and show what was measured on it last."""
        self._waiting = False
        self.map_id = map_id
        self._refresh()
        self._show_result()

    def set_view(self, view_um: Window | None) -> None:
        """What is in view: left, top, right, bottom (µm on the stored map); None where unknown."""
        view_um = self._on_the_map(view_um)
        came = (view_um is None) != (self._view_um is None)
        self._view_um = view_um
        if came:
            self._refresh()
        elif self.form is not None and view_um is not None:
            self.form.set_view(view_um)

    def _on_the_map(self, view_um: Window | None) -> Window | None:
        """The part of a view that shows the map, to a tenth of a micrometre; None where none does."""
        found = self.desk.maps.get(self.map_id) if self.map_id is not None else None
        if view_um is None or found is None:
            return None
        width, height = found.size_um
        left, right = (round(min(max(x, 0.0), width), 1) for x in view_um[::2])
        top, bottom = (round(min(max(y, 0.0), height), 1) for y in view_um[1::2])
        return (left, top, right, bottom) if left < right and top < bottom else None

    def show_hint(self, tool: str, text: str) -> None:
        """What the tool in hand expects next: said where the form misses what it draws."""
        lack = None if self.form is None else self.form.lack
        if lack is not None:
            self.run.show_hint(text if tool == lack.tool else "")

    def close(self) -> bool:
        """Stop what is measured, and let the desk go."""
        if self._open:
            self._open = False
            self.run.close()
            self.desk.changed.disconnect(self._document_changed)
            self.desk.layers_changed.disconnect(self._map_changed)
            self.desk.phases_changed.disconnect(self._map_changed)
            self.result.close()
        return super().close()

    # -- pages ----------------------------------------------------------------------------------

    @property
    def form(self) -> RequestForm | None:
        """The form that is shown; None while the list is."""
        return None if self.kind is None else self.forms[self.kind]

    def show_list(self) -> None:
        """Show what can be measured."""
        self._waiting = False
        before, self.kind = self.kind, None
        self.pages.setCurrentIndex(0)
        self._show_result()
        if before is not None:
            self.list.rows[before].setFocus()

    def show_kind(self, name: str) -> None:
        """Show the form of a kind, and what was measured last by it."""
        self._waiting = False
        if name not in self.forms:
            form = self.forms[name] = FORMS[name]()
            form.changed.connect(self._form_changed)
        self.kind = name
        self.page.show_kind(KINDS[name], self.forms[name])
        self.pages.setCurrentIndex(1)
        self._refresh()
        self._show_result()

    # -- measuring ------------------------------------------------------------------------------

    def measure(self) -> None:
        """Measure what the form asks for."""
        form = self.form
        if form is None or self.map_id is None or self.run.running:
            return
        self._refresh(asked=True)
        if form.lack is not None:
            return
        try:
            request = form.request()
            self._asked = basis_of(self.desk, self.map_id, request)
        except GrainlightError as error:
            self.run.say(str(error), "error")
            return
        self.run.start(self.map_id, request)

    def measure_again(self, request: Request) -> None:
        """Show a request's form and measure as it says, on the map that is shown.

        Where the map is being sorted that waits until it is, or until the user turns to something else.
        While something is measured nothing changes, which is said.
        """
        if self.run.running:
            self.desk.said.emit(
                "caution", "Something is being measured: measure again once it is done, or stop it."
            )
            return
        self.show_kind(request.kind)
        self.forms[request.kind].show_request(request)
        self._refresh(asked=True)
        self._waiting = self.forms[request.kind].lack == SORTING
        self.measure()
        if self._waiting:
            self.run.say("The map is being sorted; it is measured when that is done.")

    def _answered(self, result: Result) -> None:
        self._answers[result.map, result.request.kind] = _Answer(result, self._asked)
        self._show_result()
        if self.answer is None or self.answer.result is not result:
            # The user has gone on to something else meanwhile.
            title = KINDS[result.request.kind].title
            found = self.desk.maps.get(result.map)
            where = "" if found is None else f" on «{found.name}»"
            self.desk.said.emit("info", f"«{title}» is measured{where}: its page shows the result.")

    # -- showing --------------------------------------------------------------------------------

    def _document_changed(self, document: str) -> None:
        if document in _FOLLOWED:
            self._refresh()

    def _map_changed(self, map_id: str) -> None:
        if map_id == self.map_id:
            waited = self._waiting
            self._refresh(asked=waited)
            if waited and self.form is not None and self.form.lack != SORTING:
                self._waiting = False
                self.measure()

    def _form_changed(self) -> None:
        self._waiting = False
        self._refresh()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self._refresh()

    def _refresh(self, *, asked: bool = False) -> None:
        """Offer what the map has now, for who looks at the form, or has `asked` for its answer."""
        form = self.form
        if form is None or not (asked or self.isVisible()):
            return
        map_id = self.map_id if self.map_id in self.desk.maps else None
        if map_id is not None and form.wants_phases:
            # Whoever counts sorted pixels asks for them to be sorted.
            self.desk.sorting.image(map_id)
        form.fill(self.desk, map_id, self._view_um)
        self.run.set_lack(form.lack)
        if form.lack is not None:
            self.page.unfold(True)  # what is missing is chosen there
        self._show_age()

    @property
    def answer(self) -> _Answer | None:
        """What was measured last by the form that is shown, on the map that is shown."""
        if self.kind is None or self.map_id is None:
            return None
        return self._answers.get((self.map_id, self.kind))

    def _show_result(self) -> None:
        answer = self.answer
        result = None if answer is None else answer.result
        self.result.set_result(result)
        self.page.show_answer(result is not None)
        self._show_age()
        overlay = None if result is None else result.overlay
        if overlay is not self._overlay:
            self._overlay = overlay
            self.overlay_changed.emit(overlay)
        self.result_shown.emit(result is not None)

    def _show_age(self) -> None:
        """Say so where what the result rests on has changed since."""
        answer, form = self.answer, self.form
        if self.run.running or form is None or self.map_id is None or form.lack is not None:
            return
        changed = answer is not None and answer.basis != basis_of(
            self.desk, self.map_id, answer.result.request
        )
        self.run.say(
            "What was measured has changed since: measure again." if changed else "", "caution"
        )
        # One button leads on: this one, until its answer is there to be kept.
        self.run.set_primary(answer is None or changed)


class _Answer(NamedTuple):
    """A result, and what it rests on."""

    result: Result
    basis: tuple[object, ...]
