"""Where the map goes: into a new project file, or into the project that is open."""

from __future__ import annotations

import os
import re
from pathlib import Path

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QFileDialog,
    QGridLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QRadioButton,
    QWidget,
)

from viewer.panels import theme
from viewer.panels.intake.map_form import LABELS
from viewer.store.project import SUFFIX


class Destination(QWidget):
    """A choice between the two, and the new project's file.

    Signals
    -------
    into_open_toggled(bool)
    target_edited(object)
        Path of the new project, None where the field is empty.
    """

    into_open_toggled = Signal(bool)
    target_edited = Signal(object)

    def __init__(self, open_project: Path | None, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self.to_new = QRadioButton("New project")
        self.to_new.setToolTip("Make a new project file with this map in it")
        self.to_new.setChecked(True)
        self.to_open = QRadioButton("Into this project")
        self.to_open.setToolTip("Add the map to the project that is open")
        self.to_open.toggled.connect(self.into_open_toggled)
        self.target_edit = QLineEdit()
        self.target_edit.setToolTip(f"The project file to make; its name ends in {SUFFIX}")
        self.target_edit.setAccessibleName("Project file")
        self.target_edit.textEdited.connect(
            lambda text: self.target_edited.emit(with_suffix(text) if text.strip() else None)
        )
        self.choose_button = QPushButton("Choose…")
        self.choose_button.setAutoDefault(False)
        self.choose_button.setToolTip("Choose where to make the project file")
        self.choose_button.clicked.connect(self.pick)
        open_label = QLabel(_cut(open_project) if open_project else "")
        open_label.setToolTip(str(open_project or ""))
        open_label.setProperty("tone", "dim")
        self.to_open.setVisible(open_project is not None)
        open_label.setVisible(open_project is not None)
        only_new = QLabel("New project file")
        only_new.setBuddy(self.target_edit)
        self.to_new.setVisible(open_project is not None)
        only_new.setVisible(open_project is None)
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(tokens.gap_3)
        grid.setVerticalSpacing(tokens.gap_2)
        grid.addWidget(self.to_new, 0, 0)
        grid.addWidget(only_new, 0, 0)
        grid.addWidget(self.target_edit, 0, 1)
        grid.addWidget(self.choose_button, 0, 2)
        if open_project is not None:
            grid.addWidget(self.to_open, 1, 0)
            grid.addWidget(open_label, 1, 1, 1, 2)
        grid.setColumnMinimumWidth(0, LABELS)
        grid.setColumnStretch(1, 1)

    def show_target(self, target: Path | None, *, into_open: bool) -> None:
        """Show where the map goes; a field that says the same already is left as it is typed."""
        typed = self.target_edit.text()
        shown = with_suffix(typed) if typed.strip() else None
        if shown != target:
            self.target_edit.setText(str(target or ""))
        self.target_edit.setEnabled(not into_open)
        self.choose_button.setEnabled(not into_open)

    def pick(self) -> None:
        """Let the user choose where the new project goes."""
        start = self.target_edit.text() or str(Path.home() / f"maps{SUFFIX}")
        kinds = f"Projects (*{SUFFIX})"
        # A file that is there is never replaced, so there is nothing to confirm.
        quiet = QFileDialog.Option.DontConfirmOverwrite
        file, _ = QFileDialog.getSaveFileName(self, "New project", start, kinds, options=quiet)
        if file:
            self.target_edit.setText(str(with_suffix(file)))
            self.target_edited.emit(with_suffix(file))


def with_suffix(text: str) -> Path:
    """Make a typed path a project file's: home filled in for ``~``, the ending added."""
    path = Path(text.strip()).expanduser()
    if not path.name or path.name.endswith(SUFFIX):
        return path
    return path.with_name(path.name.removesuffix(".h5").removesuffix(".maps") + SUFFIX)


def free_target(beside: Path, name: str) -> Path:
    """Propose a project file that is not there yet: beside the files, or at home.

    Examples
    --------
    >>> free_target(Path.home() / "face-a", "Face A: upper").name
    'Face A- upper.maps.h5'
    """
    folder = beside.parent
    if not os.access(folder, os.W_OK):
        folder = Path.home()
    stem = re.sub(r"[^\w.\- ()]+", "-", name).strip(" .-") or "maps"
    target, number = folder / f"{stem}{SUFFIX}", 2
    while target.exists():
        target, number = folder / f"{stem} ({number}){SUFFIX}", number + 1
    return target


def _cut(path: Path) -> str:
    """Keep the end of a long path, which tells more than its beginning."""
    return str(path) if len(str(path)) <= 90 else f"…{str(path)[-89:]}"
