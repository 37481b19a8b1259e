"""The commands of the sort bench: names, keys and tooltips; what they do is the bench's."""

from __future__ import annotations

from PySide6.QtCore import QObject
from PySide6.QtGui import QAction, QActionGroup, QKeySequence
from PySide6.QtWidgets import QMenu

from viewer.panels import icons

READ_ONLY = "The project is open for reading"


class Commands(QObject):
    """Every command of the bench.

    Parameters
    ----------
    readonly : str or None
        Why nothing can be changed: commands that would are off, and say it.

    Attributes
    ----------
    draw : dict of str to QAction
        One a tool of the plots; of them one or none is down.
    pages : list of QAction
        Phases, modes, key.
    scheme : QAction
        Has the menu of what is done with the whole scheme.
    """

    def __init__(self, readonly: str | None, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._readonly = readonly
        act = self._action
        self.draw: dict[str, QAction] = {}
        drawn = QActionGroup(self)
        drawn.setExclusionPolicy(QActionGroup.ExclusionPolicy.ExclusiveOptional)
        for name, text, keys, tip in (
            ("lasso", "Lasso a population", "Shift+L", "Draw around a cluster in a scatterplot"),
            ("polygon", "Population by polygon", "Shift+P", "Click the corners in a scatterplot"),
            ("ellipse", "Population by ellipse", "Shift+E", "Drag an ellipse over a cluster"),
            ("range", "Population by range", "Shift+R", "Drag a range of one layer"),
        ):
            action = act(text, tip, keys, name, checkable=True, edits=False)
            drawn.addAction(action)
            self.draw[name] = action
        self.paint = act(
            "Paint a population",
            "Paint a place on the map; Alt erases, [ and ] change the brush",
            "Shift+B", "paint", checkable=True,
        )  # fmt: skip
        self.region = act(
            "Draw a region on the map",
            "Draw around a place on the map: the plots show where its pixels lie",
            "Shift+G", "region", checkable=True, edits=False,
        )  # fmt: skip
        self.suggest = act(
            "Suggest…", "Thresholds, clusters, and a classifier trained on painted seeds",
            "Ctrl+Shift+G", "suggest",
        )  # fmt: skip
        self.calibrate = act(
            "Calibrate…", "Turn counts into weight %, by reference points", "Ctrl+Shift+W", "calibrate"
        )
        self.import_scheme = act(
            "Import a scheme…", "Read phases and populations from a file", "Ctrl+Shift+I"
        )
        self.export_scheme = act(
            "Export the scheme…", "Write phases and populations to a file", "Ctrl+Shift+O", edits=False
        )
        self.apply_scheme = act(
            "Apply a scheme…", "Sort this map as another one, and see first what moves", "Ctrl+Shift+A"
        )
        self.new_phase = act(
            "New phase", "A phase without a rule: give it one below", "Ctrl+Shift+N", "plus"
        )
        self.duplicate_phase = act(
            "Duplicate the phase", "A copy of the chosen phase, below it", "Ctrl+Shift+D", "copy"
        )
        self.delete_phase = act(
            "Delete the phase", "Take the chosen phase away; its populations stay", "", "trash"
        )
        self.duplicate_population = act(
            "Duplicate the population", "A copy of the chosen population", "", "copy"
        )
        self.delete_population = act(
            "Delete the population",
            "Take the chosen population away, and out of every rule", "", "trash",
        )  # fmt: skip
        self.previous_phase = act("Previous phase", "Choose the phase above", "Ctrl+Up", edits=False)
        self.next_phase = act("Next phase", "Choose the phase below", "Ctrl+Down", edits=False)
        self.pages = [
            act("Phases", "Phases, their rules and populations", "Ctrl+Shift+P", edits=False),
            act("Modes", "Area % of each phase with its uncertainty", "Ctrl+Shift+M", edits=False),
            act("Key", "The colour of each phase, one for the project", "Ctrl+Shift+K", edits=False),
        ]
        self.scheme = QAction(icons.icon("sort"), "Scheme", self)
        self.scheme.setToolTip("Import, export, or apply phases and populations")
        self._menu = QMenu()
        self._menu.setToolTipsVisible(True)
        self._menu.addActions([self.import_scheme, self.export_scheme, self.apply_scheme])
        self.scheme.setMenu(self._menu)

    @property
    def all(self) -> list[QAction]:
        """Those for the window's menu, in its order."""
        return [
            *self.draw.values(), self.paint, self.region, self.suggest, self.calibrate,
            self.import_scheme, self.export_scheme, self.apply_scheme, self.new_phase,
            self.duplicate_phase, self.delete_phase, self.previous_phase, self.next_phase,
            *self.pages,
        ]  # fmt: skip

    def enable(self, *, shown: bool, phases: bool, phase: bool, population: bool) -> None:
        """Switch commands on and off.

        Parameters
        ----------
        shown : bool
            There is a map to sort.
        phases : bool
            It has phases.
        phase, population : bool
            One is chosen.
        """
        writable = shown and self._readonly is None
        for action, able in (
            (self.paint, writable),
            (self.suggest, writable),
            (self.calibrate, writable),
            (self.import_scheme, writable),
            (self.apply_scheme, writable),
            (self.new_phase, writable),
            (self.duplicate_phase, writable and phase),
            (self.delete_phase, writable and phase),
            (self.duplicate_population, writable and population),
            (self.delete_population, writable and population),
            (self.region, shown),
            (self.export_scheme, shown and phases),
            (self.previous_phase, phases),
            (self.next_phase, phases),
        ):
            action.setEnabled(able)

    def _action(
        self,
        text: str,
        tip: str,
        keys: str = "",
        icon: str = "",
        *,
        checkable: bool = False,
        edits: bool = True,
    ) -> QAction:
        """Make a command; `edits`: it changes the project."""
        action = QAction(text, self)
        action.setIconText(text.removesuffix("…"))
        if icon:
            action.setIcon(icons.icon(icon))
        if keys:
            action.setShortcut(QKeySequence(keys))
        shown = action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
        action.setToolTip(f"{tip} ({shown})" if shown else tip)
        action.setStatusTip(tip)
        action.setCheckable(checkable)
        if edits and self._readonly is not None:
            action.setEnabled(False)
            action.setToolTip(f"{tip}\n{READ_ONLY}: {self._readonly}")
        return action
