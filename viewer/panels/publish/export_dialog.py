"""Export: the picture on the screen as a figure on a page, or as an image as large as the map."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from PySide6.QtCore import QEvent, QSettings, Qt, QTimer
from PySide6.QtGui import QHideEvent, QKeySequence, QShortcut, QShowEvent
from PySide6.QtWidgets import (
    QDialog,
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from viewer.desk.desk import Desk
from viewer.desk.jobs import Job
from viewer.desk.phases_picture import MapPicture, PhasesPicture
from viewer.desk.plate_source import OrientedPicture
from viewer.errors import CancelledError, GrainlightError
from viewer.panels import theme
from viewer.panels.latest import Latest
from viewer.panels.parts import Line
from viewer.panels.publish.choice import KIND_WORDS, Choice, named, suggested_name, write
from viewer.panels.publish.note_list import NoteList
from viewer.panels.publish.options import Options, Place
from viewer.panels.publish.page_view import PageView
from viewer.panels.publish.proof import Proof, draw_proof, size_words
from viewer.panels.publish.words import caption_words
from viewer.panels.qt import set_property
from viewer.plates.source import Rectangle
from viewer.plates.written import Note, Written
from viewer.science.progress import Progress

FOLDER = "publish/folder"
"""Setting: where the last picture was written."""

_COLUMN = 360
_PAUSE_MS = 200  # after the last change, before the page is drawn anew


class ExportDialog(QDialog):
    """A page, not modal, that shows what will be written and writes it.

    It follows the look of its map while it is open. A job that writes a file goes on when the page is
    closed.

    Parameters
    ----------
    desk : Desk
    parent : QWidget, optional
    """

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self._map_id = ""
        self._picture: MapPicture | None = None
        self._source: OrientedPicture | None = None
        self._outdated = False
        self._trouble = ""
        self._job: Job | None = None
        self._gone = False
        self._latest = Latest(self)
        self._pause = QTimer(self)
        self._pause.setSingleShot(True)
        self._pause.setInterval(_PAUSE_MS)
        self._pause.timeout.connect(self._draw)
        self.setWindowTitle("Export picture")
        self.setModal(False)
        self.resize(1040, 720)
        self._build()
        desk.changed.connect(self._desk_changed)
        desk.layers_changed.connect(self._layers_changed)
        desk.phases_changed.connect(self._phases_changed)

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        tokens = theme.current()
        self.view = PageView()
        self.view.room_changed.connect(self._ask)
        self.options = Options()
        self.options.changed.connect(self._choose)
        self.options.described.connect(self._describe)
        self.size_line = QLabel()
        self.size_line.setWordWrap(True)
        self.size_line.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.notes = NoteList()
        column = QWidget()
        box = QVBoxLayout(column)
        box.setContentsMargins(tokens.gap_4, tokens.gap_4, tokens.gap_4, tokens.gap_4)
        box.setSpacing(tokens.gap_3)
        box.addWidget(self.options)
        box.addWidget(Line())
        box.addWidget(self.size_line)
        box.addWidget(self.notes)
        box.addStretch(1)
        scroll = QScrollArea()
        scroll.setWidget(column)
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        room = column.minimumSizeHint().width() + tokens.scroll_bar
        scroll.setFixedWidth(max(_COLUMN, room))
        right = QVBoxLayout()
        right.setSpacing(0)
        right.addWidget(scroll, 1)
        right.addLayout(self._build_foot())
        whole = QHBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addWidget(self.view, 1)
        whole.addLayout(right)

    def _build_foot(self) -> QVBoxLayout:
        tokens = theme.current()
        self.status = QLabel()
        self.status.setWordWrap(True)
        self.status.setTextFormat(Qt.TextFormat.PlainText)
        self.status.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.status.hide()
        self.progress = QProgressBar()
        self.progress.setRange(0, 1000)
        self.progress.setTextVisible(False)
        self.progress.hide()
        self.stop_button = QPushButton("Stop")
        self.stop_button.setToolTip("Stop writing; no half file is kept")
        self.stop_button.clicked.connect(self._stop)
        self.stop_button.hide()
        self.close_button = QPushButton("Close")
        self.close_button.setToolTip("Close this page; a file that is being written goes on (Esc)")
        self.close_button.clicked.connect(self.close)
        self.export_button = QPushButton("Export…")
        self.export_button.setProperty("kind", "primary")
        self.export_button.clicked.connect(self._export)
        for keys in ("Ctrl+Return", "Ctrl+Enter"):
            QShortcut(QKeySequence(keys), self, self.export_button.click)
        row = QHBoxLayout()
        row.setSpacing(tokens.gap_2)
        row.addWidget(self.progress, 1)
        row.addStretch(0)
        for button in (self.stop_button, self.close_button, self.export_button):
            button.setAutoDefault(False)
            row.addWidget(button)
        foot = QVBoxLayout()
        foot.setContentsMargins(tokens.gap_4, tokens.gap_2, tokens.gap_4, tokens.gap_4)
        foot.setSpacing(tokens.gap_2)
        foot.addWidget(self.status)
        foot.addLayout(row)
        return foot

    # -- what is shown --------------------------------------------------------------------------

    def show_picture(
        self, map_id: str, picture: MapPicture, view_window_um: Rectangle | None
    ) -> None:
        """Show the page with a picture, and bring it to the front.

        Parameters
        ----------
        map_id : str
        picture : LayersPicture or PhasesPicture
        view_window_um : (float, float, float, float) or None
            Left, top, right, bottom in µm on the stored map of what is in view.
        """
        self._map_id = map_id
        self._picture = picture
        self._outdated = False
        self.setWindowTitle(f"Export picture: {picture.map.name}")
        self.options.set_view(view_window_um, picture.map.size_um)
        self._take_source()
        if self._job is None:
            self._say("", "dim")
        self.view.set_words("Drawing the page…")
        self.show()
        self.raise_()
        self.activateWindow()
        self._draw()

    def _take_source(self) -> None:
        """Lay the picture as the map lies now."""
        if self._picture is None:
            return
        orientation = self._desk.setup(self._map_id).orientation
        self._source = OrientedPicture(self._picture, orientation)
        self.options.set_way_up(orientation.way_up_deg)
        self.options.set_phases(self._source.classes)

    def _follow(self) -> None:
        """Take the look and the lie of the map as they are now."""
        if not self._outdated:
            return
        self._outdated = False
        if self._map_id not in self._desk.maps:
            self._picture = self._source = None
            return
        # The light table is no picture: the last one stays.
        if self._desk.look(self._map_id).mode != "table":
            self._picture = self._desk.picture(self._map_id)
        self._take_source()

    def _desk_changed(self, document: str) -> None:
        if document in ("look", "setup", "key"):
            self._outdate()

    def _phases_changed(self, map_id: str) -> None:
        if map_id == self._map_id:
            self._outdate()

    def _layers_changed(self, map_id: str) -> None:
        if map_id == self._map_id:
            self._outdate()

    def _outdate(self) -> None:
        self._outdated = True
        self._ask()

    def _choose(self) -> None:
        if self._job is None:
            self._say("", "dim")  # what was written is another file than the one now chosen
        self._ask()

    def _ask(self) -> None:
        """Draw the page anew, once no more changes come."""
        if self.isVisible():
            self._pause.start()

    def _draw(self) -> None:
        self._pause.stop()
        self._follow()
        source, choice, room = self._source, self.options.choice, self.view.room
        if source is None or not source.colours:
            self._latest.drop("page")
            gone = "This map is no longer in the project."
            empty = "No layer is shown. Choose layers for red, green or blue first."
            self._show_trouble(gone if source is None else empty)
            return

        def work(progress: Progress) -> Proof | Exception:
            try:
                return draw_proof(source, choice, room, progress)
            except CancelledError:
                raise
            except Exception as error:
                return error

        self._latest.ask("page", work, partial(self._drawn, source, choice))

    def _drawn(
        self, source: OrientedPicture, choice: Choice, found: Proof | Exception
    ) -> None:
        if isinstance(found, GrainlightError):
            self._show_trouble(_words(found), _place(found))
            return
        if isinstance(found, Exception):
            self._show_trouble(_any_words(found, "The page cannot be drawn."))
            self._desk.say(found)
            return
        self.options.show_fault(None, "")
        self.view.set_rgb(found.image)
        self.size_line.setText(size_words(found.foreseen, choice))
        self.notes.set_notes((*found.foreseen.notes, *_remarks(source, choice)))
        self._trouble = ""
        self._allow()

    def _show_trouble(self, text: str, place: Place | None = None) -> None:
        """Say why nothing can be exported."""
        self.options.show_fault(place, text if place else "")
        self.view.set_words("The page cannot be drawn." if place else text)
        self.size_line.setText("")
        self.notes.set_notes(())
        self._trouble = text
        self._allow()

    def _describe(self) -> None:
        self._follow()
        source = self._source
        if source is None:
            return
        try:
            words = caption_words(source, self.options.choice)
        except GrainlightError as error:
            self._show_trouble(_words(error), _place(error))
            return
        self.options.set_caption(words)

    # -- writing --------------------------------------------------------------------------------

    def _export(self) -> None:
        self._follow()
        source, choice = self._source, self.options.choice
        if source is None or self._trouble or self._job is not None:
            return
        chosen = self._ask_path(source, choice)
        if chosen is None:
            return
        QSettings().setValue(FOLDER, str(chosen.parent))
        try:
            path = named(chosen, choice)
        except GrainlightError as error:
            self._say(_words(error), "error")
            return
        # The file dialog asked about the name as it was typed, and about no other.
        overwrite = path == chosen
        self._say(f"Writing {path.name}…", "dim")
        try:
            job = self._desk.jobs.run(
                f"Export {path.name}",
                lambda progress: write(
                    self._desk, source, path, choice, overwrite=overwrite, progress=progress
                ),
                self._written,
                self._failed,
            )
        except Exception as error:
            # The job could not even be started.
            self._say(_any_words(error), "error")
            raise
        if not job.finished:
            self._job = job
            job.progressed.connect(self._progressed)
            job.ended.connect(self._ended)
            self._allow()

    def _ask_path(self, source: OrientedPicture, choice: Choice) -> Path | None:
        folder = Path(str(QSettings().value(FOLDER, str(self._desk.path.parent))))
        if not folder.is_dir():
            folder = self._desk.path.parent
        layers = ("phases",) if source.classes else tuple(name for name, _ in source.colours)
        name = suggested_name(source.picture.map.name, layers, choice.suffix)
        pattern = "*.tif *.tiff" if choice.suffix == ".tif" else f"*{choice.suffix}"
        kind = f"{KIND_WORDS[choice.kind]} ({pattern})"
        text, _ = QFileDialog.getSaveFileName(self, "Export picture", str(folder / name), kind)
        return Path(text) if text else None

    def _written(self, written: Written) -> None:
        self._ended()
        words = f"Wrote {written.path.name}, {written.width_px} × {written.height_px} px."
        if not self._gone:
            self._say(words, "dim")
            self.status.setToolTip(str(written.path))
        self._desk.said.emit("info", f"Picture written to {written.path}")

    def _failed(self, error: BaseException) -> None:
        """End the page's part in the job and say why, whatever has failed; then raise a defect."""
        self._ended()
        stopped = isinstance(error, CancelledError)
        if not self._gone:
            words = "Stopped; no file was written." if stopped else _any_words(error)
            self._say(words, "dim" if stopped else "error")
        if self._gone or not self.isVisible() or not isinstance(error, GrainlightError):
            self._desk.say(error)

    def _progressed(self, done: float, _doing: str) -> None:
        self.progress.setValue(round(1000 * done))

    def _ended(self) -> None:
        self._job = None
        if not self._gone:
            self._allow()

    def _stop(self) -> None:
        if self._job is not None:
            self._job.cancel()
            self.stop_button.setEnabled(False)

    # -- showing --------------------------------------------------------------------------------

    def _allow(self) -> None:
        running = self._job is not None
        self.export_button.setEnabled(not running and not self._trouble)
        self.export_button.setToolTip(
            "A file is being written" if running else self._trouble or "Choose a name (Ctrl+Return)"
        )
        self.progress.setVisible(running)
        self.stop_button.setVisible(running)
        self.stop_button.setEnabled(running)

    def _say(self, text: str, tone: str) -> None:
        set_property(self.status, "tone", tone)
        self.status.setText(text)
        self.status.setToolTip("")
        self.status.setVisible(bool(text))

    # -- coming and going -----------------------------------------------------------------------

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self._allow()

    def hideEvent(self, event: QHideEvent) -> None:
        super().hideEvent(event)
        if not event.spontaneous():
            # Nothing reads the project for a page that is closed; the caller may close it next.
            self._pause.stop()
            self._latest.stop()

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.DeferredDelete:
            self._leave()
        return super().event(event)

    def _leave(self) -> None:
        """Let the desk go: a job of this page may outlive it."""
        self._gone = True
        self._desk.changed.disconnect(self._desk_changed, missing_ok=True)
        self._desk.layers_changed.disconnect(self._layers_changed, missing_ok=True)
        self._desk.phases_changed.disconnect(self._phases_changed, missing_ok=True)
        if self._job is not None:
            self._job.progressed.disconnect(self._progressed, missing_ok=True)
            self._job.ended.disconnect(self._ended, missing_ok=True)
            self._job = None


def _words(error: GrainlightError) -> str:
    return f"{error.what} {error.hint}" if error.hint else error.what


def _any_words(error: BaseException, vain: str = "No file was written.") -> str:
    """What to show of any error; one that is not meant for a user is named by its kind."""
    if isinstance(error, GrainlightError):
        return _words(error)
    if isinstance(error, MemoryError):
        return f"There is not enough memory for this. {vain}"
    return f"{vain} This is a fault of the program: {type(error).__name__}: {error}"


def _place(error: GrainlightError) -> Place:
    return "part" if error.where == "window" else "size"


def _remarks(source: OrientedPicture, choice: Choice) -> tuple[Note, ...]:
    """What the plates cannot know of the picture."""
    notes = []
    picture = source.picture
    text = ""
    if isinstance(picture, PhasesPicture):
        text = "Phases have one colour each: 16 bits hold no more of them than 8."
    elif picture.colours is not None:
        text = "A colour map has 256 colours: 16 bits hold no more of a single layer than 8."
    if choice.depth == 16 and text:
        notes.append(Note("colour map", text, "info"))
    if picture.lit is not None:
        text = "Pixels that light up on the map are not exported in that colour."
        notes.append(Note("lit", text, "info"))
    return tuple(notes)


def main() -> None:
    """Show the page with a small synthetic project, in a temporary folder."""
    import sys
    import tempfile

    from PySide6.QtWidgets import QApplication

    from viewer.panels.publish.trial import trial_desk
    from viewer.panels.qt import Poster

    app = QApplication.instance() or QApplication(sys.argv)
    assert isinstance(app, QApplication)
    app.setOrganizationName("Grainlight")
    app.setApplicationName("Grainlight")
    theme.apply(app)
    poster = Poster()
    with tempfile.TemporaryDirectory() as folder, trial_desk(Path(folder), poster.post) as desk:
        dialog = ExportDialog(desk)
        found = desk.map()
        dialog.show_picture(found.id, desk.picture(found.id), (2000.0, 1000.0, 9000.0, 5000.0))
        app.exec()
        poster.close()


if __name__ == "__main__":
    main()
