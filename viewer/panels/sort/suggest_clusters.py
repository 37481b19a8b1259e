"""Suggestions by clusters: found in the channels together, named by the mineral table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QComboBox,
    QDoubleSpinBox,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSpinBox,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.desk import grouping
from viewer.desk.desk import Desk
from viewer.desk.grouping import Accepted, Sampled
from viewer.desk.jobs import Job
from viewer.errors import GrainlightError
from viewer.panels.parts import inset
from viewer.panels.sort.suggest_channels import ChannelTicks
from viewer.panels.sort.suggest_picture import ClassPicture
from viewer.panels.sort.suggest_table import UNNAMED, GroupRow, GroupTable, preview_colours
from viewer.panels.theme import current
from viewer.science.progress import Progress, part
from viewer.science.sort.clusters import (
    MAX_CLUSTERS,
    ClusterModel,
    ClusterTally,
    Method,
    by_size,
    find_clusters,
    merge,
    split,
)
from viewer.science.sort.minerals import Proposal

METHODS: tuple[tuple[Method, str, str], ...] = (
    (
        "density",
        "Density",
        "As many clusters as stand apart (HDBSCAN); pixels between them, on the edges of grains, "
        "belong to none",
    ),
    ("k-means", "k-means", "So many clusters of about the same spread; quick (mini-batch k-means)"),
    ("mixture", "Gaussian mixture", "So many clusters of any size and slant; slower"),
)

START = (
    "Tick channels and press «Find clusters».\n"
    "Nothing on the map changes before you accept."
)


@dataclass(frozen=True, eq=False)
class Found:
    """Clusters of a map and what is known of them."""

    map: str
    sampled: Sampled
    model: ClusterModel
    counted: ClusterTally
    proposals: tuple[Proposal | None, ...]
    classes: npt.NDArray[np.uint8]


class ClustersPage(QWidget):
    """Find clusters, look at them, merge and split, and accept.

    Signals
    -------
    accepted()
        What was accepted is in the scheme, or on its way.
    """

    accepted = Signal()

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = current()
        self._desk = desk
        self._map_id: str | None = None
        self._found: Found | None = None
        self._job: Job | None = None
        self._turn = 0
        self.ticks = ChannelTicks("Channels in which pixels of one cluster are alike", self)
        self.method = QComboBox(self)
        for key, words, tip in METHODS:
            self.method.addItem(words, key)
            self.method.setItemData(self.method.count() - 1, tip, Qt.ItemDataRole.ToolTipRole)
        self.method.setToolTip("How clusters are found")
        self.count = inset(QSpinBox(self))
        self.count.setRange(2, MAX_CLUSTERS)
        self.count.setValue(24)
        self.count.setSuffix(" clusters")
        self.count.setToolTip("More than there are minerals: those of one mineral are merged by name")
        self.least = inset(QDoubleSpinBox(self))
        self.least.setRange(0.1, 20.0)
        self.least.setSingleStep(0.1)
        self.least.setValue(0.5)
        self.least.setDecimals(1)
        self.least.setSuffix(" % at least")
        self.least.setToolTip("Smallest cluster among the pixels drawn; more are drawn of rare ones")
        self.amount = QStackedWidget(self)
        self.amount.addWidget(self.count)
        self.amount.addWidget(self.least)
        self.amount.setFixedHeight(tokens.control_small)
        self.seek = QPushButton("Find clusters", self)
        self.seek.setToolTip("Draw pixels from the whole map and find clusters among them")
        self.picture = ClassPicture(self)
        self.picture.show_words(START)
        self.table = GroupTable("Or else", patterns=True, parent=self)
        self.reason = QLabel(self)
        self.reason.setTextFormat(Qt.TextFormat.PlainText)
        self.reason.setWordWrap(True)
        self.reason.setProperty("tone", "dim")
        self.reason.setMinimumHeight(3 * self.reason.fontMetrics().lineSpacing())
        self.reason.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.merge = QPushButton("Merge", self)
        self.merge.setToolTip("Make one cluster of those selected")
        self.split = QPushButton("Split", self)
        self.split.setToolTip("Part the selected cluster in two; the others stay as they are")
        self.leave = QPushButton("Leave out", self)
        self.leave.setToolTip("Take the names off those selected: they make no phase")
        self.accept = QPushButton("Accept", self)
        self.accept.setProperty("kind", "primary")
        self.accept.setToolTip(
            "Make a layer of cluster numbers, a population for each named cluster, and a phase for "
            "each name; one step of undo"
        )
        row = QHBoxLayout()
        row.setSpacing(tokens.gap_2)
        row.addWidget(self.method, 1)
        row.addWidget(self.amount)
        row.addWidget(self.seek)
        buttons = QHBoxLayout()
        buttons.setSpacing(tokens.gap_2)
        for button in (self.merge, self.split, self.leave):
            buttons.addWidget(button)
        buttons.addStretch(1)
        buttons.addWidget(self.accept)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, tokens.gap_2, 0, 0)
        box.setSpacing(tokens.gap_2)
        box.addWidget(self.ticks)
        box.addLayout(row)
        box.addWidget(self.picture, 2)
        box.addWidget(self.table, 3)
        box.addWidget(self.reason)
        box.addLayout(buttons)
        self.method.currentIndexChanged.connect(self._method_changed)
        self.seek.clicked.connect(self._find)
        self.merge.clicked.connect(self._merge)
        self.split.clicked.connect(self._split)
        self.leave.clicked.connect(self._leave)
        self.accept.clicked.connect(self._accept)
        self.table.chosen.connect(self._chosen)
        self.table.renamed.connect(self._renamed)
        self._method_changed()
        self._enable()

    def set_map(self, map_id: str) -> None:
        """Suggest for this map; what was found on another is dropped."""
        if map_id != self._map_id:
            self.stop()
            self._map_id = map_id
            self._found = None
            self.table.set_rows(())
            self.picture.show_words(START)
        layers = self._desk.maps[map_id].layers.values()
        self.ticks.set_layers((x.name, x.kind == "channel") for x in layers)
        self._enable()

    def stop(self) -> None:
        """Give up what is being worked out."""
        # What still comes of the job that is stopped is nobody's any more.
        self._turn += 1
        if self._job is not None:
            self._job.cancel()
            self._job = None
            self.seek.setText("Find clusters")

    @property
    def found(self) -> Found | None:
        """What is shown."""
        return self._found

    # -- finding ---------------------------------------------------------------------------------

    def _method_changed(self) -> None:
        self.amount.setCurrentIndex(1 if self.method.currentData() == "density" else 0)
        self.method.setToolTip(METHODS[self.method.currentIndex()][2])

    def _find(self) -> None:
        map_id, desk = self._map_id, self._desk
        if map_id is None:
            return
        names = self.ticks.names()
        method = cast(Method, self.method.currentData())
        count, least = self.count.value(), self.least.value() / 100
        before = self._found
        kept = before.sampled if before is not None and before.sampled.names == names else None

        def work(progress: Progress) -> Found:
            drawn = kept or grouping.sample(desk, map_id, names, part(progress, 0.0, 0.3))
            model = find_clusters(
                drawn.values, drawn.scaling, method, count, least, progress=part(progress, 0.3, 0.5)
            )
            return self._told(map_id, drawn, model, part(progress, 0.5, 1.0))

        self._run("Find clusters", work, ())

    def _told(
        self, map_id: str, drawn: Sampled, model: ClusterModel, progress: Progress
    ) -> Found:
        """Count the clusters over the whole map and propose their names; any thread."""
        progress(0.0, "counting pixels")
        counted = grouping.tally(self._desk, map_id, drawn.names, model, part(progress, 0.0, 0.9))
        model, counted = by_size(model, counted)
        progress(0.9, "naming")
        return Found(
            map_id,
            drawn,
            model,
            counted,
            grouping.name_clusters(self._desk, map_id, drawn.names, counted),
            grouping.preview(self._desk, map_id, drawn.names, model),
        )

    def _run(
        self, title: str, work: Callable[[Progress], Found], kept: tuple[GroupRow, ...]
    ) -> None:
        self.stop()
        turn = self._turn
        self.seek.setText("Finding…")

        def done(found: Found) -> None:
            if turn != self._turn:
                return
            self._job = None
            self.seek.setText("Find clusters")
            if found.map == self._map_id:
                self._show(found, kept)

        def failed(error: BaseException) -> None:
            if turn != self._turn:
                return
            self._job = None
            self.seek.setText("Find clusters")
            self._enable()
            self._desk.say(error)

        job = self._desk.jobs.run(title, work, done, failed)
        self._job = None if job.finished else job
        self._enable()

    def _show(self, found: Found, kept: tuple[GroupRow, ...]) -> None:
        """Show clusters; `kept` rows lend their typed names to clusters of the same pixels."""
        self._found = found
        typed = {(row.pixels, row.means): row for row in kept if row.edited}
        level = found.counted.means / np.maximum(found.counted.means.max(axis=0), 1e-9)
        shares = grouping.shares_of(found.counted)
        rows = []
        for k, proposal in enumerate(found.proposals):
            row = GroupRow(
                name=proposal.name if proposal else "",
                colour=UNNAMED,
                pixels=int(found.counted.pixels[k + 1]),
                share=float(shares[k]),
                pattern=tuple(float(v) for v in level[k]),
                other=proposal.runner_up if proposal else "",
                reason=_words(proposal),
                mineral=proposal.mineral if proposal else "",
                density=proposal.density if proposal else None,
                means=tuple(float(v) for v in found.counted.means[k]),
            )
            if (row.pixels, row.means) in typed:
                old = typed[row.pixels, row.means]
                row = replace(
                    row, name=old.name, mineral=old.mineral, density=old.density, edited=True
                )
            rows.append(row)
        self.table.set_rows(rows, found.sampled.names)
        self._draw()
        self._enable()

    def _draw(self) -> None:
        found = self._found
        if found is None:
            return
        # Those of one name are one phase: in the colour that accepting them will give it.
        colours = preview_colours(self._desk, self.table.rows)
        setup = self._desk.setup(found.map)
        pixel = self._desk.maps[found.map].pixel_um
        self.picture.show_classes(found.classes, colours, setup.orientation, pixel)
        self.table.colour_rows(colours)
        self.picture.bring_out(frozenset(self.table.selected()))

    # -- changing --------------------------------------------------------------------------------

    def _merge(self) -> None:
        self._change("Merge clusters", lambda f, these: merge(f.model, these))

    def _split(self) -> None:
        self._change("Split a cluster", lambda f, these: split(f.model, these[0], f.sampled.values))

    def _change(
        self, title: str, change: Callable[[Found, tuple[int, ...]], ClusterModel]
    ) -> None:
        found, these = self._found, self.table.selected()
        if found is None or not these:
            return

        def work(progress: Progress) -> Found:
            return self._told(found.map, found.sampled, change(found, these), progress)

        self._run(title, work, self.table.rows)

    def _leave(self) -> None:
        for number in self.table.selected():
            self.table.name_group(number, "")

    def _accept(self) -> None:
        found, desk = self._found, self._desk
        if found is None:
            return
        layer = grouping.free_layer_name(desk, found.map, "Clusters")
        groups = [
            Accepted(row.name, grouping.number_range(layer, number), row.mineral, row.density)
            for number, row in enumerate(self.table.rows, start=1)
            if row.name
        ]
        recipe = grouping.clusters_recipe(found.sampled.names, found.model)
        try:
            grouping.accept(desk, found.map, "Accept clusters", groups, [(layer, recipe)])
        except GrainlightError as error:
            desk.said.emit("caution", str(error))
            return
        self.accepted.emit()

    def _renamed(self) -> None:
        self._draw()
        self._enable()

    def _chosen(self, numbers: tuple[int, ...]) -> None:
        self.picture.bring_out(frozenset(numbers))
        words = ""
        if len(numbers) == 1:
            row = self.table.rows[numbers[0] - 1]
            words = row.reason or "No channel stands for an element, so no mineral is proposed."
        elif len(numbers) > 1:
            words = f"{len(numbers)} clusters selected."
        elif self._found is not None:
            phases = {r.name.casefold() for r in self.table.rows if r.name}
            words = (
                f"{self._found.model.count} clusters, {len(phases)} named phases. "
                "Select one to read why it is named so; double-click a name to change it."
            )
        self.reason.setText(words)
        self._enable()

    def _enable(self) -> None:
        chosen = len(self.table.selected())
        busy = self._job is not None
        writable = self._desk.readonly is None
        self.seek.setEnabled(not busy and self._map_id is not None)
        self.merge.setEnabled(not busy and chosen > 1)
        self.split.setEnabled(not busy and chosen == 1)
        self.leave.setEnabled(chosen > 0)
        named = any(r.name for r in self.table.rows)
        self.accept.setEnabled(not busy and writable and self._found is not None and named)


def _words(proposal: Proposal | None) -> str:
    if proposal is None:
        return ""
    fit = f" Misfit {proposal.misfit:.2f}"
    if proposal.name and proposal.composition:
        fit = f" Nearest: {proposal.composition}; misfit {proposal.misfit:.2f}"
    if proposal.runner_up:
        fit += f", {proposal.runner_up} {proposal.runner_misfit:.2f}"
    return f"{proposal.reason}{fit}."
