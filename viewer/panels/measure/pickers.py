"""What a measurement is asked of: choosers of lines, units, phases, layers and numbers.

A chooser knows nothing of the desk until it is filled; filling it anew keeps what was chosen, by id
while it goes by another name, by name on another map. What was chosen and is gone is never replaced
silently: the chooser is then empty and says what it misses.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QColor, QIcon, QPainter, QPixmap, QValidator, QWheelEvent
from PySide6.QtWidgets import QComboBox, QDoubleSpinBox, QSizePolicy, QWidget

from viewer.desk.desk import Desk
from viewer.desk.drawing import units_up
from viewer.panels import theme
from viewer.panels.parts import inset
from viewer.panels.qt import plain_tip, silenced
from viewer.store.requests import LineKind


class Choice(NamedTuple):
    """Something to choose.

    Attributes
    ----------
    id : str
    name : str
        As requests have it.
    colour : (int, int, int) or None
        Red, green, blue of a swatch before it.
    """

    id: str
    name: str
    colour: tuple[int, int, int] | None = None


def lines_of(desk: Desk, map_id: str, kind: LineKind) -> list[Choice]:
    """Contacts, or traverses, of a map."""
    return [Choice(x.id, x.name) for x in desk.state.lines.lines if (x.map, x.kind) == (map_id, kind)]


def units_of(desk: Desk, map_id: str) -> list[Choice]:
    """Rock units of a map, as they lie: the uppermost first, where way-up is known."""
    up = desk.setup(map_id).orientation.way_up_deg is not None
    units = units_up(desk, map_id)[::-1] if up else desk.sorting.units(map_id)
    return [Choice(x.id, x.name) for x in units]


def phases_of(desk: Desk, map_id: str) -> list[Choice]:
    """Phases that a map is sorted into, in the key's colours."""
    phases = desk.sorting.scheme(map_id).phases
    return [Choice(x.id, x.name, desk.sorting.colour(x.name)) for x in phases]


def layers_of(desk: Desk, map_id: str) -> list[Choice]:
    """Channels and derived layers of a map."""
    return [Choice(x.id, x.name) for x in desk.maps[map_id].layers.values()]


class Picker(QComboBox):
    """Chooses one thing by name.

    Parameters
    ----------
    name : str
        For those who hear the window read out.
    tip : str
    nothing : str
        What is shown where there is nothing to choose from: ``no contact on this map``.
    without : str, optional
        Words of a first entry that chooses nothing, such as ``none``; left out, something has to be
        chosen.
    suggest : bool
        Choose the first that there is until the user chooses.

    Signals
    -------
    changed()
        The user chose, or what was chosen came or went.
    """

    changed = Signal()

    def __init__(
        self,
        name: str,
        tip: str,
        nothing: str,
        without: str | None = None,
        *,
        suggest: bool = True,
    ) -> None:
        super().__init__()
        self.setAccessibleName(name)
        self.setToolTip(tip)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        # Names may be long; the form is not to grow with them.
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setMinimumWidth(theme.current().control * 4)
        self.setPlaceholderText(nothing)
        self._nothing = nothing
        self._without = without
        self._suggest = suggest and without is None
        self._chosen: Choice | None = None
        self._choices: list[Choice] = []
        self.activated.connect(self._picked)

    @property
    def value(self) -> str | None:
        """Name that is chosen; None for none."""
        return self._chosen.name if self._chosen is not None and self.currentIndex() >= 0 else None

    @property
    def choices(self) -> list[Choice]:
        """What there is to choose from."""
        return list(self._choices)

    @property
    def lost(self) -> str | None:
        """Name that was chosen and is not there any more, or not on this map."""
        return self._chosen.name if self._chosen is not None and self.currentIndex() < 0 else None

    def fill(self, choices: Sequence[Choice]) -> None:
        """Offer these."""
        before = self.value, self.lost
        self._choices = list(choices)
        self._show()
        if (self.value, self.lost) != before:
            self.changed.emit()

    def choose(self, name: str | None) -> None:
        """Choose by name, whether it is there or not; None for nothing, or what is suggested."""
        self._chosen = None if name is None else self._named(name) or Choice("", name)
        self._show()
        self.changed.emit()

    def wheelEvent(self, event: QWheelEvent) -> None:
        _turn_or_scroll(self, event, super().wheelEvent)

    def _named(self, name: str) -> Choice | None:
        wanted = name.strip().casefold()
        return next((c for c in self._choices if c.name.strip().casefold() == wanted), None)

    def _show(self) -> None:
        if self._chosen is not None:
            same = next((c for c in self._choices if c.id == self._chosen.id), None)
            self._chosen = same or self._named(self._chosen.name) or self._chosen
        elif self._suggest and self._choices:
            self._chosen = self._choices[0]
        with silenced(self):
            self.clear()
            if self._without is not None:
                self.addItem(self._without, "")
            for choice in self._choices:
                self.addItem(choice.name, choice.id)
                if choice.colour is not None:
                    self.setItemIcon(self.count() - 1, swatch(choice.colour))
                self.setItemData(self.count() - 1, plain_tip(choice.name), Qt.ItemDataRole.ToolTipRole)
            self.setCurrentIndex(self._index())
        if self.lost is not None:
            self.setPlaceholderText(f"«{self.lost}» is not here")
        else:
            self.setPlaceholderText("choose" if self._choices else self._nothing)
        self.setEnabled(self.count() > 0)

    def _index(self) -> int:
        if self._chosen is None:
            return 0 if self._without is not None else -1
        return self.findData(self._chosen.id) if self._chosen.id else -1

    def _picked(self, at: int) -> None:
        wanted = self.itemData(at)
        self._chosen = next((c for c in self._choices if c.id == wanted), None)
        self.changed.emit()


class NumberBox(QDoubleSpinBox):
    """A number with its unit, which may be left to the program.

    Parameters
    ----------
    name, tip : str
    unit : str
        Shown behind the number.
    most : float
        Largest that can be given.
    otherwise : str
        What is shown where no number is given: ``chosen``.
    decimals : int

    Signals
    -------
    changed()
    """

    changed = Signal()

    def __init__(
        self,
        name: str,
        tip: str,
        unit: str = "µm",
        *,
        most: float = 1e7,
        otherwise: str = "chosen",
        decimals: int = 1,
    ) -> None:
        super().__init__()
        inset(self)
        self.setAccessibleName(name)
        self.setToolTip(f"{tip}. Empty or 0: {otherwise}.")
        self.setDecimals(decimals)
        self.setRange(0.0, most)
        self.setSpecialValueText(otherwise)
        self.setSuffix(f" {unit}" if unit and unit != "°" else unit)
        self.setStepType(QDoubleSpinBox.StepType.AdaptiveDecimalStepType)
        self.setKeyboardTracking(False)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setMinimumWidth(theme.current().control * 3)
        self.valueChanged.connect(lambda _value: self.changed.emit())

    @property
    def number(self) -> float | None:
        """None where it is left to the program."""
        return self.value() if self.value() > self.minimum() else None

    def set_number(self, number: float | None) -> None:
        """Show a number; None leaves it to the program."""
        self.setValue(self.minimum() if number is None else number)

    def set_unit(self, unit: str) -> None:
        """Show another unit behind the number."""
        self.setSuffix(f" {unit}" if unit else "")

    def textFromValue(self, value: float) -> str:
        """Without idle zeros: 20, not 20.0."""
        text = super().textFromValue(value)
        point = self.locale().decimalPoint()
        return text.rstrip("0").removesuffix(point) if point in text else text

    def valueFromText(self, text: str) -> float:
        """An emptied box, or its words, leave the number to the program."""
        bare = text.removesuffix(self.suffix()).strip()
        return self.minimum() if bare in ("", self.specialValueText()) else super().valueFromText(text)

    def validate(self, text: str, at: int) -> tuple[QValidator.State, str, int]:
        """As of a spin box, and nothing at all is a number left to the program."""
        bare = text.removesuffix(self.suffix()).strip()
        if bare in ("", self.specialValueText()):
            return (QValidator.State.Acceptable, text, at)
        return super().validate(text, at)

    def wheelEvent(self, event: QWheelEvent) -> None:
        _turn_or_scroll(self, event, super().wheelEvent)


def _turn_or_scroll(widget: QWidget, event: QWheelEvent, turn: Callable[[QWheelEvent], None]) -> None:
    """The wheel turns a field that is being edited; over any other it scrolls the form."""
    if widget.hasFocus():
        turn(event)
    else:
        event.ignore()


def swatch(colour: tuple[int, int, int]) -> QIcon:
    """A square of a phase's colour, for lists and menus."""
    side = theme.current().icon_small
    picture = QPixmap(QSize(side, side))
    picture.fill(Qt.GlobalColor.transparent)
    painter = QPainter(picture)
    painter.setPen(QColor(theme.current().edge))
    painter.setBrush(QColor(*colour))
    painter.drawRect(2, 2, side - 5, side - 5)
    painter.end()
    return QIcon(picture)
