"""What all forms of the measure bench share: rows of fields, and what is missing before measuring.

A form turns choices into a request and a request into choices. It is filled from the desk by whoever
shows it, and changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar, NamedTuple

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtWidgets import QCheckBox, QGridLayout, QLabel, QToolButton, QWidget

from viewer.desk.desk import Desk
from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.measure.many_picker import ManyPicker
from viewer.panels.measure.pickers import (
    Choice,
    NumberBox,
    Picker,
    layers_of,
    lines_of,
    phases_of,
    units_of,
)
from viewer.panels.measure.region_picker import RegionPicker
from viewer.store.requests import LineKind, Request, Window

_FOLD = 100
"""Line of the grid on which the further settings begin."""

Choices = Callable[[Desk, str], list[Choice]]


class Lack(NamedTuple):
    """What is missing before something can be measured.

    Attributes
    ----------
    words : str
    tool : str
        Tool of the map view that mends it; empty where none does.
    button : str
        What the button that takes up the tool says.
    """

    words: str
    tool: str = ""
    button: str = ""


NO_MAP = Lack("No map is open.")
NO_UP = Lack("Nobody has said which way is up.", "way-up", "Draw way-up")
NO_PHASES = Lack("The map has not been sorted into phases yet: do that on the sort bench.")
SORTING = Lack("The map is being sorted; measure when that is done.")


class RequestForm(QWidget):
    """A form of one kind of measurement.

    A subclass names its `kind`, builds its fields in its constructor by `pick`, `number` and the
    like, and turns them into a request and back.

    Attributes
    ----------
    kind : str
        As in the registry.
    by_phases : bool
        It counts sorted pixels: the map has to be sorted.
    needs_up : bool
        It cannot be told without way-up.

    Signals
    -------
    changed()
        The form asks for something else now.
    """

    kind: ClassVar[str]
    by_phases: ClassVar[bool] = False
    needs_up: ClassVar[bool] = False

    changed = Signal()

    def __init__(self) -> None:
        super().__init__()
        tokens = theme.current()
        self._fills: list[Callable[[Desk, str], None]] = []
        self._pickers: list[Picker] = []
        self._must: list[tuple[Picker, Lack]] = []
        self._given: list[Callable[[], bool]] = []
        self._lack: Lack | None = NO_MAP
        self._view_um: Window | None = None
        self.region: RegionPicker | None = None
        self._rows = 0
        self._further: list[QWidget] = []
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setHorizontalSpacing(tokens.gap_2)
        self._grid.setVerticalSpacing(tokens.gap_1)
        self._grid.setColumnStretch(1, 1)
        self._unfolded = False
        self.fold = QToolButton()
        self.fold.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.fold.setIconSize(QSize(tokens.icon_small, tokens.icon_small))
        self.fold.setToolTip("Numbers that are chosen for you unless you give them")
        self.fold.clicked.connect(lambda: self.open_more(not self._unfolded))
        self._grid.addWidget(self.fold, _FOLD, 0, 1, 2, Qt.AlignmentFlag.AlignLeft)
        self.open_more(False)

    # -- for subclasses -------------------------------------------------------------------------

    def request(self) -> Request:
        """What the form asks for.

        Raises
        ------
        InputError
            The choices do not go together.
        """
        raise NotImplementedError

    def show_request(self, request: Request) -> None:
        """Show what a request asks for; the request is of this form's kind."""
        raise NotImplementedError

    def further_lack(self, desk: Desk, map_id: str) -> Lack | None:
        """What else is missing, beside fields that are empty; None where nothing is."""
        return None

    def pick(self, label: str, choices: Choices, picker: Picker, lack: Lack | None = None) -> Picker:
        """Add a chooser; with a `lack` something has to be chosen."""
        self._fills.append(lambda desk, map_id: picker.fill(choices(desk, map_id)))
        picker.changed.connect(self.changed)
        self._pickers.append(picker)
        if lack is not None:
            self._must.append((picker, lack))
        self._add(label, picker)
        return picker

    def pick_line(self, label: str, kind: LineKind, tip: str) -> Picker:
        """Add a chooser of a contact or a traverse."""
        return self.pick(
            label,
            lambda desk, map_id: lines_of(desk, map_id, kind),
            Picker(label, tip, f"no {kind} on this map"),
            Lack(f"Choose a {kind}, or draw one on the map.", kind, f"Draw a {kind}"),
        )

    def pick_layer(self, label: str, tip: str) -> Picker:
        """Add a chooser of a channel or a derived layer."""
        return self.pick(
            label,
            layers_of,
            Picker(label, tip, "no layer"),
            Lack("Choose a channel or a derived layer."),
        )

    def pick_phase(self, label: str, tip: str, *, suggest: bool = True) -> Picker:
        """Add a chooser of a phase; the first is chosen at first, unless nothing is to be suggested."""
        picker = Picker(label, tip, "no phases yet", suggest=suggest)
        lack = Lack("Choose a phase." if label == "Phase" else f"Choose a phase as {label.casefold()}.")
        return self.pick(label, phases_of, picker, lack)

    def pick_many(
        self, label: str, choices: Choices, picker: ManyPicker, *, more: bool = False
    ) -> ManyPicker:
        """Add a chooser of several things, any number of them."""
        self._fills.append(lambda desk, map_id: picker.fill(choices(desk, map_id)))
        picker.changed.connect(self.changed)
        if more:
            self._given.append(lambda: bool(picker.values))
        self._add(label, picker, more=more)
        return picker

    def number(self, label: str, box: NumberBox, *, more: bool = True) -> NumberBox:
        """Add a number; among those that are chosen for the user unless told otherwise."""
        box.changed.connect(self.changed)
        if more:
            self._given.append(lambda: box.number is not None)
        self._add(label, box, more=more)
        return box

    def tick(self, text: str, tip: str, *, on: bool = False, more: bool = True) -> QCheckBox:
        """Add a box to tick."""
        box = QCheckBox(text)
        box.setToolTip(tip)
        box.setChecked(on)
        box.toggled.connect(lambda _on: self.changed.emit())
        if more:
            self._given.append(lambda: box.isChecked() != on)
        self._add("", box, more=more)
        return box

    def within(self) -> RegionPicker:
        """Add the chooser of the part of the map that is measured."""
        region = self.region = RegionPicker()
        self._fills.append(
            lambda desk, map_id: region.fill_region(units_of(desk, map_id), self._view_um)
        )
        region.changed.connect(self.changed)
        self._pickers.append(region)
        self._add("Within", region)
        return region

    # -- for whoever shows it -------------------------------------------------------------------

    def fill(self, desk: Desk, map_id: str | None, view_um: Window | None = None) -> None:
        """Offer what a map has now, and find out what is missing.

        Parameters
        ----------
        view_um : (float, float, float, float), optional
            Left, top, right, bottom (µm on the stored map) of what is in view.
        """
        self._view_um = view_um
        if map_id is None or map_id not in desk.maps:
            self._lack = NO_MAP
            return
        for fill in self._fills:
            fill(desk, map_id)
        self._lack = self._find_lack(desk, map_id)
        self._show_fold()

    def set_view(self, view_um: Window) -> None:
        """The view has moved (µm on the stored map)."""
        self._view_um = view_um
        if self.region is not None:
            self.region.set_view(view_um)

    @property
    def wants_phases(self) -> bool:
        """True where the map has to be sorted for what the form asks for now."""
        return self.by_phases

    @property
    def lack(self) -> Lack | None:
        """What is missing, as of the last `fill`; None where one can measure."""
        return self._lack

    def open_more(self, opened: bool) -> None:
        """Unfold the numbers that are chosen for the user, or fold them away."""
        self._unfolded = opened
        for widget in self._further:
            widget.setVisible(opened)
        self.fold.setIcon(icon("chevron-down" if opened else "chevron-right"))
        self._show_fold()

    def _find_lack(self, desk: Desk, map_id: str) -> Lack | None:
        if self.wants_phases:
            if not desk.sorting.scheme(map_id).phases:
                return NO_PHASES
            trouble = desk.sorting.trouble(map_id)
            if trouble:
                return Lack(trouble)
            if desk.sorting.latest(map_id) is None or not desk.sorting.fresh(map_id):
                return SORTING
        for picker in self._pickers:
            # An empty chooser is not to be taken for one that was left empty.
            if picker.lost is not None and picker.isEnabled():
                return Lack(f"There is no «{picker.lost}» on this map.")
        for picker, lack in self._must:
            if picker.value is None:
                return lack
        further = self.further_lack(desk, map_id)
        if further is not None:
            return further
        return NO_UP if self.needs_up and not has_up(desk, map_id) else None

    def _show_fold(self) -> None:
        given = sum(1 for is_given in self._given if is_given())
        self.fold.setVisible(bool(self._further))
        self.fold.setText("Further settings" + (f" ({given} given)" if given else ""))

    def _add(self, label: str, field: QWidget, *, more: bool = False) -> None:
        """Put a field on the next line: above the fold, or below it."""
        row = self._rows + (_FOLD + 1 if more else 0)
        self._rows += 1
        shown: list[QWidget] = [field]
        if label:
            words = QLabel(label)
            words.setBuddy(field)
            shown.append(words)
            self._grid.addWidget(words, row, 0)
            self._grid.addWidget(field, row, 1)
        else:
            self._grid.addWidget(field, row, 0, 1, 2)
        if more:
            self._further += shown
            for widget in shown:
                widget.setVisible(self._unfolded)


def has_up(desk: Desk, map_id: str) -> bool:
    """True where the user has said which way is up on a map."""
    return desk.setup(map_id).orientation.way_up_deg is not None
