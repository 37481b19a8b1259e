"""The intake preview: what was recognised in the files, to be corrected before gathering.

Files are looked at off the GUI thread: first their headers, then a few rows of each for a thumbnail.
Nothing is written here. Once the draft has no problem left, `IntakePreview.gather_requested` hands
over a plan.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from PySide6.QtCore import QModelIndex, QSettings, Qt, Signal
from PySide6.QtGui import (
    QCloseEvent,
    QDragEnterEvent,
    QDragLeaveEvent,
    QDropEvent,
    QKeyEvent,
    QKeySequence,
    QShortcut,
)
from PySide6.QtWidgets import (
    QDialog,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.errors import GrainlightError
from viewer.intake.formats import Survey, survey
from viewer.panels import theme
from viewer.panels.intake import table
from viewer.panels.intake.candidate_table import CandidateTable
from viewer.panels.intake.destination import Destination, free_target
from viewer.panels.intake.draft import (
    Draft,
    Line,
    duplicates,
    element_problem,
    line_of,
    made_unique,
    plan_of,
    problem,
    stated_pixel,
)
from viewer.panels.intake.drop import DropPage, dropped_paths
from viewer.panels.intake.map_form import MapForm
from viewer.panels.intake.sample import Sample, take_sample
from viewer.panels.intake.sizes_view import SizesView
from viewer.panels.intake.worker import Worker
from viewer.panels.qt import set_property


class IntakePreview(QDialog):
    """A page, not modal, on which files become a map. Once closed it is done with: make another.

    Parameters
    ----------
    open_project : Path, optional
        The project that is open for writing, which the map may be added to.
    map_names : sequence of str
        Names of the maps that are in it already.
    look : callable, optional
        Finds candidates in paths; `viewer.intake.formats.survey` unless given.

    Signals
    -------
    gather_requested(GatherPlan)
        The user said Gather. The page has closed itself; the receiver runs the plan.
    """

    gather_requested = Signal(object)

    def __init__(
        self,
        open_project: Path | None = None,
        map_names: Sequence[str] = (),
        parent: QWidget | None = None,
        *,
        look: Callable[[Sequence[Path]], Survey] = survey,
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle("Gather maps")
        self.setModal(False)
        self.setAcceptDrops(True)
        self.resize(1000, 700)
        self._open_project = open_project
        self._map_names = tuple(map_names)
        self._look = look
        self._worker = Worker(self)
        self._next_key = 0
        self._looking = 0
        self._paths: set[Path] = set()
        self._passed_over: list[Path] = []
        self._own_pixel = False
        self._corrected = False
        self._warned = False
        self._new_target: Path | None = None
        self.draft = Draft()
        self.model = table.CandidateModel()
        self.model.line_edited.connect(self._edit_line)
        self._build()
        self._refresh()

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        tokens = theme.current()
        self.drop_page = DropPage()
        self.drop_page.folder_wanted.connect(self.pick_folder)
        self.drop_page.files_wanted.connect(self.pick_files)
        self.form = MapForm()
        self.form.name_edited.connect(
            lambda name: self._correct(replace(self.draft, map_name=name))
        )
        self.form.pixel_edited.connect(self._edit_pixel)
        self.form.insist_toggled.connect(lambda on: self._correct(replace(self.draft, insist=on)))
        self.sizes_view = SizesView()
        self.sizes_view.grid_chosen.connect(
            lambda grid: self._correct(replace(self.draft, grid=grid))
        )
        self.table = CandidateTable(self.model)
        self.table.toggled.connect(self._toggle)
        self.table.selectionModel().currentChanged.connect(
            lambda current, _: self._tell_about(current)
        )
        self.about_line = QLabel()
        self.about_line.setProperty("tone", "dim")
        self.about_line.setWordWrap(True)
        self.about_line.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.about_line.setMinimumHeight(2 * self.fontMetrics().height())
        self.about_line.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.destination = Destination(self._open_project)
        self.destination.into_open_toggled.connect(
            lambda on: self._correct(replace(self.draft, into_open=on))
        )
        self.destination.target_edited.connect(self._edit_target)

        content = QWidget()
        column = QVBoxLayout(content)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(tokens.gap_3)
        column.addWidget(self.form)
        column.addWidget(self.sizes_view)
        column.addWidget(self.table, 1)
        column.addWidget(self.about_line)
        column.addWidget(self.destination)
        self.pages = QStackedWidget()
        self.pages.addWidget(self.drop_page)
        self.pages.addWidget(content)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(tokens.gap_4, tokens.gap_4, tokens.gap_4, tokens.gap_4)
        whole.setSpacing(tokens.gap_3)
        whole.addLayout(self._build_top())
        whole.addWidget(self.pages, 1)
        whole.addLayout(self._build_bottom())

    def _build_top(self) -> QHBoxLayout:
        self.files_label = QLabel()
        self.files_label.setProperty("tone", "title")
        self.add_folder_button = QPushButton("Add folder…")
        self.add_folder_button.setToolTip("Add every image in another folder")
        self.add_folder_button.clicked.connect(self.pick_folder)
        self.add_files_button = QPushButton("Add files…")
        self.add_files_button.setToolTip("Add single files")
        self.add_files_button.clicked.connect(self.pick_files)
        self.clear_button = QPushButton("Clear")
        self.clear_button.setToolTip("Take all files off this list")
        self.clear_button.clicked.connect(self.clear)
        row = QHBoxLayout()
        row.setSpacing(theme.current().gap_2)
        row.addWidget(self.files_label, 1)
        for button in (self.add_folder_button, self.add_files_button, self.clear_button):
            button.setAutoDefault(False)
            row.addWidget(button)
        return row

    def _build_bottom(self) -> QHBoxLayout:
        self.status = QLabel()
        self.status.setWordWrap(True)
        self.status.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.number_apart_button = QPushButton("Number them apart")
        self.number_apart_button.setToolTip("Give channels of the same name a number each")
        self.number_apart_button.clicked.connect(self._number_apart)
        self.cancel_button = QPushButton("Cancel")
        self.cancel_button.setToolTip("Close without gathering; corrections are dropped (Esc)")
        self.cancel_button.clicked.connect(self.reject)
        self.gather_button = QPushButton("Gather")
        self.gather_button.setProperty("kind", "primary")
        self.gather_button.clicked.connect(self._gather)
        QShortcut(QKeySequence("Ctrl+Return"), self, self.gather_button.click)
        row = QHBoxLayout()
        row.setSpacing(theme.current().gap_2)
        row.addWidget(self.status, 1)
        for button in (self.number_apart_button, self.cancel_button, self.gather_button):
            button.setAutoDefault(False)
            row.addWidget(button)
        return row

    # -- files ----------------------------------------------------------------------------------

    def add_paths(self, paths: Sequence[str | os.PathLike[str]]) -> None:
        """Look through files and folders; what they offer appears when it is found."""
        fresh = [Path(path) for path in paths]
        fresh = [path for path in fresh if path not in self._paths]
        if not fresh:
            return
        self._paths.update(fresh)
        self._looking += 1
        self._worker.run(
            lambda _stopped: self._look(fresh),
            lambda found: self._looked(fresh, found),
            lambda error: self._looked_in_vain(fresh, error),
        )
        self._refresh()

    def pick_folder(self) -> None:
        """Let the user choose a folder."""
        folder = QFileDialog.getExistingDirectory(self, "Gather maps from a folder", _last_folder())
        if folder:
            _remember_folder(folder)
            self.add_paths([folder])

    def pick_files(self) -> None:
        """Let the user choose files."""
        files, _ = QFileDialog.getOpenFileNames(self, "Gather maps from files", _last_folder())
        if files:
            _remember_folder(os.path.dirname(files[0]))
            self.add_paths(files)

    def clear(self) -> None:
        """Take all files off the list."""
        self._worker.drop()
        self._looking = 0
        self._paths.clear()
        self._passed_over.clear()
        self._own_pixel = False
        self._new_target = None
        self.form.clear()
        self._corrected = self._warned = False
        self._change(Draft(into_open=self.draft.into_open))

    def _looked(self, paths: Sequence[Path], found: Survey) -> None:
        self._looking -= 1
        lines = [
            *self.draft.lines,
            *(line_of(candidate, self._key()) for candidate in found.candidates),
            *(self._broken(error) for error in found.refused),
        ]
        self._passed_over.extend(found.passed_over)
        self._take(paths, _told_apart(lines))

    def _looked_in_vain(self, paths: Sequence[Path], error: GrainlightError) -> None:
        self._looking -= 1
        self._take(paths, [*self.draft.lines, self._broken(error)])

    def _take(self, paths: Sequence[Path], lines: Sequence[Line]) -> None:
        name = self.draft.map_name or self._free_name(_name_for(paths))
        if self._new_target is None:
            self._new_target = free_target(paths[0], name)
        self._change(replace(self.draft, lines=tuple(lines), map_name=name))
        for line in lines:
            if line.usable and not self.model.has_sample(line.key):
                self._sample(line)

    def _broken(self, error: GrainlightError) -> Line:
        source = os.path.basename(error.where or "") or "a file"
        return Line(key=self._key(), source=source, error=_words(error), use=False)

    def _sample(self, line: Line) -> None:
        candidate, key = line.candidate, line.key
        assert candidate is not None
        self._worker.run(
            lambda stopped: take_sample(candidate, stop=stopped),
            lambda sample: self._sampled(key, sample),
            lambda error: self._change(self.draft.with_line(key, error=_words(error))),
        )

    def _sampled(self, key: int, sample: Sample) -> None:
        self.model.show_sample(key, sample)
        line = next(line for line in self.draft.lines if line.key == key)
        cautions = (*line.cautions, *sample.cautions)
        self._change(
            self.draft.with_line(key, low=sample.low, high=sample.high, cautions=cautions)
        )

    def _key(self) -> int:
        self._next_key += 1
        return self._next_key

    def _free_name(self, name: str) -> str:
        taken = {other.casefold() for other in self._map_names}
        number, free = 2, name
        while free.casefold() in taken:
            free, number = f"{name} ({number})", number + 1
        return free

    # -- edits ----------------------------------------------------------------------------------

    def _change(self, draft: Draft) -> None:
        """Take a new draft; what the files say is followed until the user says otherwise."""
        if isinstance(draft.grid, tuple) and draft.grid not in {g.shape for g in draft.groups}:
            draft = replace(draft, grid=None)
        if not self._own_pixel:
            pixel, _ = stated_pixel(draft)
            x, y = pixel if pixel is not None else (None, None)
            draft = replace(draft, pixel_x=x, pixel_y=y)
        target = self._open_project if draft.into_open else self._new_target
        self.draft = replace(draft, target=target)
        self._refresh()

    def _correct(self, draft: Draft) -> None:
        """Take a new draft that the user has made."""
        self._corrected, self._warned = True, False
        self._change(draft)

    def _edit_line(self, key: int, field: str, value: object) -> None:
        self._correct(self.draft.with_line(key, **{field: value}))

    def _toggle(self, rows: list[int]) -> None:
        """Tick or untick whole rows: off only where all were on."""
        keys = {self.model.line(row).key for row in rows if self.model.line(row).usable}
        on = not all(line.use for line in self.draft.lines if line.key in keys)
        lines = (replace(x, use=on) if x.key in keys else x for x in self.draft.lines)
        self._correct(replace(self.draft, lines=tuple(lines)))

    def _edit_pixel(self, x: float | None, y: float | None) -> None:
        self._own_pixel = True
        self._correct(replace(self.draft, pixel_x=x, pixel_y=y, insist=False))

    def _edit_target(self, target: Path | None) -> None:
        self._new_target = target
        self._correct(self.draft)

    def _number_apart(self) -> None:
        draft = self.draft
        for key, name in made_unique(draft.chosen).items():
            draft = draft.with_line(key, name=name)
        self._correct(draft)

    def _gather(self) -> None:
        if self.trouble:
            return
        try:
            plan = plan_of(self.draft)
        except GrainlightError as error:
            self._say(_words(error), "error")
            return
        self.accept()
        self.gather_requested.emit(plan)

    # -- showing --------------------------------------------------------------------------------

    @property
    def trouble(self) -> str:
        """Why Gather is disabled; empty where it is not."""
        return "Looking through the files…" if self._looking else problem(self.draft)

    def _refresh(self) -> None:
        draft = self.draft
        self.pages.setCurrentIndex(1 if draft.lines else 0)
        self.model.show(draft)
        self.sizes_view.show_draft(draft)
        self.form.show_draft(draft, own_pixel=self._own_pixel)
        self.destination.show_target(self._new_target, into_open=draft.into_open)
        self._refresh_words()
        self._tell_about(self.table.currentIndex())

    def _refresh_words(self) -> None:
        draft, trouble = self.draft, self.trouble
        self.files_label.setText(_found_words(draft, len(self._passed_over)))
        self.files_label.setToolTip(_listed(self._passed_over))
        for button in (self.add_folder_button, self.add_files_button, self.clear_button):
            button.setVisible(bool(draft.lines))
        self.gather_button.setEnabled(not trouble)
        self.gather_button.setText(
            f"Gather {_counted(len(draft.chosen), 'channel')}" if draft.chosen else "Gather"
        )
        self.gather_button.setToolTip(trouble or "Write the map into the project (Ctrl+Return)")
        self.number_apart_button.setVisible(bool(duplicates(draft.chosen)))
        if self._warned:
            self._say("Press Esc again to drop your corrections.", "caution")
        elif trouble:
            self._say(trouble if draft.lines or self._looking else "", "dim")
        else:
            self._say(_extent_words(draft), "dim")

    def _say(self, text: str, tone: str) -> None:
        set_property(self.status, "tone", tone)
        self.status.setText(text)

    def _tell_about(self, current: QModelIndex) -> None:
        lines = self.draft.lines
        grave = (x for x in lines if x.error or x.cautions or element_problem(x))
        line = self.model.line(current.row()) if current.isValid() else next(grave, None)
        text = self.model.words(line) if line is not None else ""
        self.about_line.setText(f"{line.name or line.source}: {text}" if line and text else "")
        # The room for notes is there as soon as there are any, so that nothing jumps.
        self.about_line.setVisible(any(self.model.words(line) for line in self.draft.lines))

    # -- dropping and closing -------------------------------------------------------------------

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if dropped_paths(event.mimeData()):
            self.drop_page.set_lit(True)
            event.acceptProposedAction()

    def dragLeaveEvent(self, event: QDragLeaveEvent) -> None:
        self.drop_page.set_lit(False)

    def dropEvent(self, event: QDropEvent) -> None:
        self.drop_page.set_lit(False)
        self.add_paths(dropped_paths(event.mimeData()))
        event.acceptProposedAction()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape and self._corrected and not self._warned:
            self._warned = True
            self._refresh_words()
            return
        super().keyPressEvent(event)

    def done(self, result: int) -> None:
        """Close, however that came about: nothing is looked at any more."""
        self._worker.close()
        super().done(result)

    def closeEvent(self, event: QCloseEvent) -> None:
        self._worker.close()
        super().closeEvent(event)


def _told_apart(lines: Sequence[Line]) -> list[Line]:
    """Number names that came before, and say so on the line."""
    fresh = made_unique([line for line in lines if line.usable])
    out = []
    for line in lines:
        if line.key in fresh:
            said = f"Another channel is named {line.name} too; this one became {fresh[line.key]}."
            line = replace(line, name=fresh[line.key], cautions=(said, *line.cautions))
        out.append(line)
    return out


def _words(error: GrainlightError) -> str:
    return f"{error.what} {error.hint}" if error.hint else error.what


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def _found_words(draft: Draft, passed_over: int) -> str:
    if not draft.lines:
        return ""
    broken = sum(bool(line.error) for line in draft.lines)
    words = f"{_counted(len(draft.lines) - broken, 'channel')} found"
    if broken:
        words += f", {broken} not readable"
    if passed_over:
        words += f", {_counted(passed_over, 'other file')} passed over"
    return words


def _listed(passed_over: Sequence[Path]) -> str:
    """Name the files that are no maps, at most a dozen of them."""
    if not passed_over:
        return ""
    named = "\n".join(path.name for path in passed_over[:12])
    more = len(passed_over) - 12
    return f"Passed over, as they are no maps:\n{named}" + (f"\nand {more} more" if more > 0 else "")


def _extent_words(draft: Draft) -> str:
    if draft.shape is None or draft.pixel_x is None or draft.pixel_y is None:
        return ""
    rows, cols = draft.shape
    width, height = cols * draft.pixel_x, rows * draft.pixel_y
    unit, scale = ("mm", 1000.0) if max(width, height) >= 1000.0 else ("µm", 1.0)
    return f"{cols} × {rows} pixels, {width / scale:.4g} × {height / scale:.4g} {unit}"


def _name_for(paths: Sequence[Path]) -> str:
    """Name a map after its folder, its one file, or what its files' names begin with."""
    first = paths[0]
    if first.is_dir():
        return first.name or "map"
    if len(paths) == 1:
        return first.name.split(".")[0] or "map"
    shared = 0
    for letters in zip(*(path.name for path in paths), strict=False):
        if len(set(letters)) > 1:
            break
        shared += 1
    common = re.sub(r"[\s_\-.]+$", "", first.name[:shared])
    return common if len(common) > 2 else first.parent.name or "map"


def _last_folder() -> str:
    return str(QSettings().value("intake/folder", str(Path.home())))


def _remember_folder(folder: str) -> None:
    QSettings().setValue("intake/folder", folder)
