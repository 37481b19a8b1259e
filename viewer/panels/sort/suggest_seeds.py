"""Suggestions by example: painted seeds teach a random forest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QCheckBox,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSpinBox,
    QTreeWidget,
    QTreeWidgetItem,
    QVBoxLayout,
    QWidget,
)

from viewer.desk import grouping
from viewer.desk.desk import Desk
from viewer.desk.jobs import Job
from viewer.errors import GrainlightError
from viewer.panels.parts import inset
from viewer.panels.qt import plain_tip
from viewer.panels.sort.suggest_channels import ChannelTicks
from viewer.panels.sort.suggest_confusion import ConfusionTable
from viewer.panels.sort.suggest_picture import ClassPicture
from viewer.panels.sort.suggest_table import GroupRow, preview_colours
from viewer.panels.theme import current
from viewer.science.progress import Progress, part
from viewer.science.sort.forest import ForestModel, Trial, cross_validate
from viewer.science.sort.scheme import Painted

START = (
    "Paint a few strokes on each of two or more minerals, in different grains, then press «Train»."
)


@dataclass(frozen=True, eq=False)
class Taught:
    """A forest and how well it does."""

    map: str
    names: tuple[str, ...]
    model: ForestModel
    trial: Trial
    classes: npt.NDArray[np.uint8]
    confidence: npt.NDArray[np.float32]


class SeedsPage(QWidget):
    """Paint seeds, train, look at the confusion and the confidence, and accept.

    Seeds are the painted populations of the map: each teaches the mineral that its phase, or itself,
    is named after.

    Signals
    -------
    paint_wanted()
        The user wants to paint.
    accepted()
    """

    paint_wanted = Signal()
    accepted = Signal()

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self._desk = desk
        self._map_id: str | None = None
        self._taught: Taught | None = None
        self._job: Job | None = None
        self._turn = 0
        self.seeds = QTreeWidget(self)
        self.seeds.setHeaderLabels(["Painted mineral", "Strokes"])
        self.seeds.setRootIsDecorated(False)
        self.seeds.setUniformRowHeights(True)
        self.seeds.setAccessibleName("Painted seeds")
        self.seeds.setToolTip("Painted populations of this map; those ticked teach the forest")
        self.seeds.setFixedHeight(5 * tokens.row + tokens.gap_1)
        self.paint_button = QPushButton("Paint seeds", self)
        self.paint_button.setToolTip(
            "Take up the brush: each stroke joins the population being painted; name it to start one"
        )
        self.ticks = ChannelTicks("Channels that the forest looks at", self)
        self.radius = inset(QSpinBox(self))
        self.radius.setRange(0, 5)
        self.radius.setSpecialValueText("each pixel alone")
        self.radius.setSuffix(" pixels around")
        self.radius.setToolTip("Also look at the mean so many pixels around: quieter, coarser")
        self.trees = inset(QSpinBox(self))
        self.trees.setRange(30, 200)
        self.trees.setValue(40)
        self.trees.setSingleStep(10)
        self.trees.setSuffix(" trees")
        self.trees.setToolTip("More trees: smoother confidence, more time")
        self.train = QPushButton("Train", self)
        self.train.setToolTip("Train the forest and test it on strokes left out")
        self.picture = ClassPicture(self)
        self.picture.show_words(START)
        self.sure = QCheckBox("Show confidence", self)
        self.sure.setToolTip("Share of the votes for the mineral told: dark where the forest is unsure")
        self.confusion = ConfusionTable(self)
        self.note = QLabel(self)
        self.note.setTextFormat(Qt.TextFormat.PlainText)
        self.note.setWordWrap(True)
        self.note.setProperty("tone", "dim")
        self.note.setMinimumHeight(3 * self.note.fontMetrics().lineSpacing())
        self.note.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.keep_sure = QCheckBox("Keep confidence as a layer", self)
        self.keep_sure.setChecked(True)
        self.keep_sure.setToolTip("A second layer, to gate out what the forest is unsure of")
        self.accept = QPushButton("Accept", self)
        self.accept.setProperty("kind", "primary")
        self.accept.setToolTip(
            "Make a layer of minerals and let each phase be what the forest tells; one step of undo"
        )
        head = QHBoxLayout()
        head.addWidget(QLabel("Seeds", self))
        head.addStretch(1)
        head.addWidget(self.paint_button)
        how = QHBoxLayout()
        how.setSpacing(tokens.gap_2)
        how.addWidget(self.radius, 1)
        how.addWidget(self.trees)
        how.addWidget(self.train)
        foot = QHBoxLayout()
        foot.setSpacing(tokens.gap_2)
        foot.addWidget(self.keep_sure)
        foot.addStretch(1)
        foot.addWidget(self.accept)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, tokens.gap_2, 0, 0)
        box.setSpacing(tokens.gap_2)
        box.addLayout(head)
        box.addWidget(self.seeds)
        box.addWidget(self.ticks)
        box.addLayout(how)
        box.addWidget(self.picture, 3)
        box.addWidget(self.sure)
        box.addWidget(self.confusion, 2)
        box.addWidget(self.note)
        box.addLayout(foot)
        self.paint_button.clicked.connect(self.paint_wanted)
        self.train.clicked.connect(self._train)
        self.accept.clicked.connect(self._accept)
        self.sure.toggled.connect(self._draw)
        self.seeds.itemChanged.connect(self._enable)
        self._enable()

    def set_map(self, map_id: str) -> None:
        """Suggest for this map; what was learnt on another is dropped."""
        if map_id != self._map_id:
            self.stop()
            self._map_id = map_id
            self._taught = None
            self.confusion.setRowCount(0)
            self.confusion.setColumnCount(0)
            self.note.setText("")
            self.picture.show_words(START)
        layers = self._desk.maps[map_id].layers.values()
        self.ticks.set_layers((x.name, x.kind == "channel") for x in layers)
        self.show_seeds()

    def show_seeds(self) -> None:
        """Read the painted populations anew."""
        if self._map_id is None:
            return
        off = self._ticked(Qt.CheckState.Unchecked)
        self.seeds.blockSignals(True)
        self.seeds.clear()
        scheme = self._desk.sorting.scheme(self._map_id)
        for name, population in grouping.seeds_of(scheme, self._map_id):
            gate = population.gate
            assert isinstance(gate, Painted), "seeds are painted"
            strokes = sum(not s.erase for s in gate.strokes) + bool(gate.outlines)
            item = QTreeWidgetItem(self.seeds, [name, str(strokes)])
            item.setData(0, Qt.ItemDataRole.UserRole, population.id)
            on = population.id not in off
            item.setCheckState(0, Qt.CheckState.Checked if on else Qt.CheckState.Unchecked)
            item.setToolTip(0, plain_tip(population.name))
        self.seeds.resizeColumnToContents(0)
        self.seeds.blockSignals(False)
        self._enable()

    def stop(self) -> None:
        """Give up what is being worked out."""
        # What still comes of the job that is stopped is nobody's any more.
        self._turn += 1
        if self._job is not None:
            self._job.cancel()
            self._job = None
            self.train.setText("Train")

    @property
    def taught(self) -> Taught | None:
        """What is shown."""
        return self._taught

    def _ticked(self, state: Qt.CheckState) -> set[str]:
        """Ids of the seeds that are, or are not, ticked."""
        items = (self.seeds.topLevelItem(i) for i in range(self.seeds.topLevelItemCount()))
        return {
            item.data(0, Qt.ItemDataRole.UserRole)
            for item in items
            if item is not None and item.checkState(0) == state
        }

    def _chosen(self) -> list[tuple[str, Painted]]:
        if self._map_id is None:
            return []
        on = self._ticked(Qt.CheckState.Checked)
        scheme = self._desk.sorting.scheme(self._map_id)
        return [
            (name, p.gate)
            for name, p in grouping.seeds_of(scheme, self._map_id)
            if p.id in on and isinstance(p.gate, Painted)
        ]

    def _train(self) -> None:
        map_id, desk = self._map_id, self._desk
        if map_id is None:
            return
        names, seeds = self.ticks.names(), self._chosen()
        radius, trees = self.radius.value(), self.trees.value()

        def work(progress: Progress) -> Taught:
            model = grouping.teach(
                desk, map_id, names, seeds, radius, trees, part(progress, 0.0, 0.2)
            )
            trial = cross_validate(model, part(progress, 0.2, 0.9))
            progress(0.9, "preview")
            return Taught(map_id, names, model, trial, *grouping.foretaste(desk, map_id, names, model))

        self.stop()
        turn = self._turn

        def done(taught: Taught) -> None:
            if turn != self._turn:
                return
            self._job = None
            self.train.setText("Train")
            if taught.map == self._map_id:
                self._taught = taught
                self.confusion.show_trial(taught.model, taught.trial)
                self.note.setText(_words(taught.trial))
                self._draw()
            self._enable()

        def failed(error: BaseException) -> None:
            if turn != self._turn:
                return
            self._job = None
            self.train.setText("Train")
            self._enable()
            desk.say(error)

        self.train.setText("Training…")
        job = desk.jobs.run("Train on painted seeds", work, done, failed)
        self._job = None if job.finished else job
        self._enable()

    def _draw(self) -> None:
        taught = self._taught
        if taught is None:
            return
        orientation = self._desk.setup(taught.map).orientation
        pixel = self._desk.maps[taught.map].pixel_um
        if self.sure.isChecked():
            self.picture.show_grey(taught.confidence, orientation, pixel)
            return
        rows = [GroupRow(name, (0, 0, 0), 0, 0.0) for name in taught.model.classes]
        self.picture.show_classes(
            taught.classes, preview_colours(self._desk, rows), orientation, pixel
        )

    def _accept(self) -> None:
        taught, desk = self._taught, self._desk
        if taught is None:
            return
        layer = grouping.free_layer_name(desk, taught.map, "Minerals")
        sure = None
        if self.keep_sure.isChecked():
            sure = grouping.free_layer_name(desk, taught.map, "Confidence")
        groups = grouping.forest_groups(desk, taught.map, taught.names, taught.model, layer)
        recipes = grouping.forest_recipes(taught.names, taught.model, layer, sure)
        try:
            grouping.accept(
                desk, taught.map, "Accept minerals by seeds", groups, recipes, instead=True
            )
        except GrainlightError as error:
            desk.said.emit("caution", str(error))
            return
        self.accepted.emit()

    def _enable(self) -> None:
        minerals = {name for name, _ in self._chosen()}
        busy = self._job is not None
        self.train.setEnabled(not busy and len(minerals) > 1)
        writable = self._desk.readonly is None
        self.paint_button.setEnabled(writable and self._map_id is not None)
        self.accept.setEnabled(not busy and writable and self._taught is not None)
        self.sure.setEnabled(self._taught is not None)


def _words(trial: Trial) -> str:
    parts = []
    if np.isfinite(trial.accuracy):
        parts.append(
            f"Tested on whole strokes left out, {100 * trial.accuracy:.1f} % are told right "
            "(mean over the minerals)."
        )
    if trial.untested:
        parts.append(f"One stroke only, not tested: {', '.join(trial.untested)}.")
    if np.isfinite(trial.out_of_bag):
        parts.append(
            f"Out of bag: {100 * trial.out_of_bag:.1f} %, too good, since neighbours in a stroke "
            "are alike."
        )
    return " ".join(parts)
