"""Schemes in and out: apply one from a file or another map, see what moved, accept; export one."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from viewer.desk.desk import Desk
from viewer.desk.transfer import TransferPlan, apply_transfer, export_scheme, plan_transfer
from viewer.errors import GrainlightError, InputError
from viewer.panels.latest import Latest
from viewer.panels.parts import inset
from viewer.panels.qt import plain_tip, set_property
from viewer.panels.sort.scheme_table import MovementModel, MovementTable
from viewer.panels.theme import current
from viewer.science.progress import Progress
from viewer.science.sort.transfer import METHODS, Gain, Method
from viewer.store.schemes import SchemeFile, read_scheme, write_scheme

_WORDS: dict[Method, str] = {
    "peaks": "Peaks of all phases",
    "peak": "Peak of one phase",
    "dwell": "Dwell times",
    "quantiles": "Quantiles",
    "none": "As they are",
}


class SchemeDialog(QWidget):
    """A window of its own: choose a scheme, see how it lies on the map, accept or leave it.

    Nothing is changed before «Accept».

    Parameters
    ----------
    desk : Desk
    parent : QWidget, optional
    """

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent, Qt.WindowType.Tool)
        self.setWindowTitle("Apply scheme")
        self._desk = desk
        self._map_id = ""
        self._open = True
        self._file: SchemeFile | None = None
        self._mapping: dict[str, str] = {}
        self.plan: TransferPlan | None = None
        self._latest = Latest(self)
        self._latest.failed.connect(self._failed)
        self._build()
        desk.changed.connect(self._document_changed)

    def sizeHint(self) -> QSize:
        """Room for the table."""
        return QSize(720, 560)

    # -- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        tokens = current()
        self.source = QLabel("No scheme chosen", self)
        self.source.setTextFormat(Qt.TextFormat.PlainText)
        self.source.setWordWrap(True)
        self.open_file = self._button("Open file…", "Read a scheme file", self._ask_file)
        self.maps = QComboBox(self)
        self.maps.setToolTip("Take the scheme of another map of this project")
        self.maps.activated.connect(self._map_chosen)
        self.method = QComboBox(self)
        for method, words in _WORDS.items():
            self.method.addItem(words, method)
            tip = METHODS[method]
            self.method.setItemData(
                self.method.count() - 1, tip[0].upper() + tip[1:], Qt.ItemDataRole.ToolTipRole
            )
        self.method.setToolTip("How the counts of the two runs are brought to the same measure")
        self.method.currentIndexChanged.connect(self._work)
        self.method.activated.connect(self._method_chosen)
        self._chosen = False
        self.phase = QComboBox(self)
        self.phase.setToolTip("Phase whose peak is matched: common, and bright in most channels")
        self.phase.activated.connect(self._work)
        self.dwell_before, self.dwell_after = (inset(QDoubleSpinBox(self)) for _ in range(2))
        for dwell, tip in (
            (self.dwell_before, "Dwell time of the map that the scheme was drawn on"),
            (self.dwell_after, "Dwell time of this map"),
        ):
            dwell.setRange(0.0, 1e6)
            dwell.setDecimals(3)
            dwell.setSuffix(" ms")
            dwell.setSpecialValueText("not stated")
            dwell.setToolTip(tip)
            dwell.valueChanged.connect(self._work)
        self.mapping = QWidget(self)
        self._mapping_form = QFormLayout(self.mapping)
        self._mapping_form.setContentsMargins(0, 0, 0, 0)
        self.gains = QLabel(self)
        self.gains.setWordWrap(True)
        self.gains.setTextFormat(Qt.TextFormat.PlainText)
        self.model = MovementModel()
        self.table = MovementTable(self.model, self)
        self.notes = QLabel(self)
        self.notes.setWordWrap(True)
        self.notes.setTextFormat(Qt.TextFormat.PlainText)
        self.colours = QCheckBox("Take the file's colours for phases that the project knows", self)
        self.status = QLabel(self)
        self.status.setWordWrap(True)
        self.status.setTextFormat(Qt.TextFormat.PlainText)
        self.cancel = self._button("Cancel", "Close; nothing is changed (Esc)", self.hide)
        self.accept = self._button("Accept", "Sort this map by the scheme, as one step", self._accept)
        self.accept.setProperty("kind", "primary")

        first = QHBoxLayout()
        first.setSpacing(tokens.gap_2)
        first.addWidget(self.open_file)
        first.addWidget(self.maps)
        first.addWidget(self.source, 1)
        second = QHBoxLayout()
        second.setSpacing(tokens.gap_2)
        for part in (self.method, self.phase, self.dwell_before, self.dwell_after):
            second.addWidget(part)
        second.addStretch(1)
        form = QFormLayout()
        form.addRow("Scheme", first)
        form.addRow("Normalise by", second)
        foot = QHBoxLayout()
        foot.setSpacing(tokens.gap_2)
        foot.addWidget(self.status, 1)
        foot.addWidget(self.cancel)
        foot.addWidget(self.accept)
        box = QVBoxLayout(self)
        box.setContentsMargins(tokens.gap_3, tokens.gap_3, tokens.gap_3, tokens.gap_3)
        box.setSpacing(tokens.gap_2)
        box.addLayout(form)
        box.addWidget(self.mapping)
        box.addWidget(self.gains)
        box.addWidget(self.table, 1)
        box.addWidget(self.notes)
        box.addWidget(self.colours)
        box.addLayout(foot)
        self.setMinimumWidth(600)
        self.resize(self.sizeHint())

    def _button(self, words: str, tip: str, act: Callable[[], object]) -> QPushButton:
        button = QPushButton(words, self)
        button.setToolTip(tip)
        button.clicked.connect(lambda: act())
        return button

    # -- what the bench asks for -----------------------------------------------------------------

    def show_map(self, map_id: str, what: str = "apply") -> None:
        """Work on a map: ``export`` writes its scheme; ``import`` asks for a file; ``apply`` opens."""
        self.set_map(map_id)
        if what == "export":
            self._ask_export()
            return
        self.show()
        self.raise_()
        self.activateWindow()
        if what == "import":
            self._ask_file()

    def set_map(self, map_id: str) -> None:
        """Apply schemes to a map."""
        self._map_id = map_id
        self._mapping = {}
        self.setWindowTitle(f"Apply scheme to {self._desk.maps[map_id].name}")
        self._list_maps()
        self._work()

    def close(self) -> bool:
        """Let the desk go; call before the desk is closed."""
        if self._open:
            self._open = False
            self._latest.stop()
            self._desk.changed.disconnect(self._document_changed, missing_ok=True)
        return super().close()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Escape puts the window away."""
        if event.key() == Qt.Key.Key_Escape:
            self.hide()
        else:
            super().keyPressEvent(event)

    def _document_changed(self, document: str) -> None:
        if document in ("schemes", "key", "derived") and self._map_id in self._desk.maps:
            self._list_maps()
            if self.isVisible():
                self._work()

    def _list_maps(self) -> None:
        self.maps.clear()
        self.maps.addItem("From another map…", "")
        for found in self._desk.maps.values():
            if found.id != self._map_id and self._desk.sorting.scheme(found.id).phases:
                self.maps.addItem(found.name, found.id)
        self.maps.setEnabled(self.maps.count() > 1)

    # -- choosing a scheme -----------------------------------------------------------------------

    def _ask_file(self) -> None:
        path, _ = QFileDialog.getOpenFileName(
            self, "Open scheme", "", "Schemes (*.json);;All files (*)"
        )
        if path:
            self.read_file(Path(path))

    def read_file(self, path: Path) -> None:
        """Take the scheme of a file."""
        try:
            file = read_scheme(path)
        except InputError as error:
            self._file = None
            self.source.setText("No scheme chosen")
            self._work()
            self._say(str(error), "error")
            return
        self.set_scheme(file, path.name)

    def _map_chosen(self) -> None:
        source = self.maps.currentData()
        if source:
            name = self._desk.maps[source].name
            self._say("Looking at the other map…", "dim")
            self._latest.ask(
                "source",
                lambda progress: export_scheme(self._desk, source, progress=progress),
                lambda file: self.set_scheme(file, f"of {name}", own=True),
            )

    def _method_chosen(self) -> None:
        self._chosen = True

    def set_scheme(self, file: SchemeFile, words: str, *, own: bool = False) -> None:
        """Take a scheme; `words` say where it is from.

        Maps of one project (`own`) nearly always count alike: their gates stay as they are until the
        user chooses otherwise. Once chosen, a method stays.
        """
        self._file = file
        if not self._chosen:
            self.method.blockSignals(True)
            self.method.setCurrentIndex(self.method.findData("none" if own else "peaks"))
            self.method.blockSignals(False)
        self._mapping = {}
        phases = len(file.scheme.phases)
        self.source.setText(f"{words} ({phases} phase{'s' if phases != 1 else ''})")
        self.phase.clear()
        for phase in file.scheme.phases:
            self.phase.addItem(phase.name, phase.id)
        dwell = file.reference.dwell_ms if file.reference is not None else None
        self.dwell_before.blockSignals(True)
        self.dwell_before.setValue(dwell or 0.0)
        self.dwell_before.blockSignals(False)
        self._work()

    # -- what it would do ------------------------------------------------------------------------

    def _work(self) -> None:
        method: Method = self.method.currentData()
        self.phase.setVisible(method == "peak")
        for box in (self.dwell_before, self.dwell_after):
            box.setVisible(method == "dwell")
        self._latest.drop("plan")
        self._show_plan(None)
        file, map_id, mapping = self._file, self._map_id, dict(self._mapping)
        if file is None or not map_id:
            self._say("Open a scheme file, or take the scheme of another map.", "dim")
            return
        phase = self.phase.currentData()
        dwell = (self.dwell_before.value(), self.dwell_after.value())
        self._say("Looking at the map…", "dim")
        self._latest.ask(
            "plan",
            lambda progress: plan_transfer(
                self._desk, map_id, file, method,
                mapping=mapping, phase=phase, dwell_ms=dwell, progress=progress,
            ),
            self._show_plan,
        )

    def _failed(self, key: str, why: str) -> None:
        self._show_plan(None)
        self._say(why, "error")

    def _show_plan(self, plan: TransferPlan | None) -> None:
        self.plan = plan
        self.model.show(() if plan is None else plan.movements)
        self._show_mapping(plan)
        self.gains.setText("" if plan is None else _gain_words(plan.gains))
        self.gains.setVisible(bool(self.gains.text()))
        self.notes.setText("" if plan is None else _note_words(plan))
        self.notes.setVisible(bool(self.notes.text()))
        self.colours.setVisible(plan is not None and bool(plan.colours))
        ready = plan is not None and not plan.missing
        self.accept.setEnabled(ready and self._desk.readonly is None)
        if plan is None:
            return
        if plan.missing:
            count = len(plan.missing)
            self._say(
                f"This map lacks {count} layer{'s' if count > 1 else ''} that the scheme looks at: "
                "choose above which is meant.",
                "caution",
            )
            return
        bad = [m for m in plan.movements if m.verdict in ("far off", "empty")]
        if bad:
            self._say(
                f"{len(bad)} of {len(plan.movements)} populations are not where the scheme has them. "
                "Try another normalisation, or mend them after accepting.",
                "caution",
            )
        else:
            self._say(f"{len(plan.movements)} populations compared.", "dim")

    def _show_mapping(self, plan: TransferPlan | None) -> None:
        if plan is None:
            return
        while self._mapping_form.rowCount():
            self._mapping_form.removeRow(0)
        names = [x.name for x in self._desk.maps[self._map_id].layers.values()]
        offers = {m.layer: m.offers for m in plan.missing}
        for old in (*self._mapping, *(n for n in offers if n not in self._mapping)):
            box = QComboBox(self.mapping)
            box.addItem("choose…", "")
            near = offers.get(old, ())
            for name in (*near, *(n for n in names if n not in near)):
                box.addItem(f"{name} (like it)" if name in near else name, name)
            box.setCurrentIndex(max(0, box.findData(self._mapping.get(old, ""))))
            box.setToolTip(plain_tip(f"Layer of this map that stands for «{old}»"))
            box.activated.connect(lambda _, b=box, o=old: self.map_layer(o, b.currentData()))
            self._mapping_form.addRow(f"«{old}» is", box)
        self.mapping.setVisible(self._mapping_form.rowCount() > 0)

    def map_layer(self, old: str, new: str) -> None:
        """Say which layer of this map stands for one of the scheme; an empty one takes it back."""
        if new:
            self._mapping[old] = new
        else:
            self._mapping.pop(old, None)
        self._work()

    def _say(self, text: str, tone: str) -> None:
        self.status.setText(text)
        set_property(self.status, "tone", tone)

    # -- doing it --------------------------------------------------------------------------------

    def _accept(self) -> None:
        if self.plan is None:
            return
        try:
            apply_transfer(self._desk, self.plan, take_colours=self.colours.isChecked())
        except GrainlightError as error:
            self._say(str(error), "error")
            return
        self.hide()
        self._desk.said.emit("info", f"{self._desk.maps[self._map_id].name} is sorted by the scheme.")

    def _ask_export(self) -> None:
        found = self._desk.maps[self._map_id]
        name = re.sub(r"[^\w .-]+", "_", found.name).strip(" .") or "map"
        path, _ = QFileDialog.getSaveFileName(
            self, "Export scheme", f"{name}.scheme.json", "Schemes (*.json)"
        )
        if path:
            self.write_file(Path(path))

    def write_file(self, path: Path) -> None:
        """Write the scheme of the map into a file, in the background."""
        map_id = self._map_id
        if not path.suffix:
            path = path.with_name(path.name + ".json")

        def work(progress: Progress) -> Path:
            write_scheme(export_scheme(self._desk, map_id, progress=progress), path)
            return path

        self._desk.jobs.run(
            "Export scheme",
            work,
            lambda written: self._desk.said.emit("info", f"Scheme written: {written}"),
            self._desk.say,
        )


def _gain_words(gains: tuple[Gain, ...]) -> str:
    changed = [g for g in gains if g.change.gain != 1.0 or g.change.offset or g.note]
    words = []
    for gain in changed:
        error = "" if gain.error is None else f" ± {gain.error:.2g}"
        shift = f" {gain.change.offset:+.3g}" if gain.change.offset else ""
        note = f" ({gain.note.rstrip('.')})" if gain.note else ""
        words.append(f"{gain.layer} × {gain.change.gain:.3g}{error}{shift}{note}")
    return "Gains: " + "; ".join(words) + "." if words else ""


def _note_words(plan: TransferPlan) -> str:
    words = list(plan.remarks)
    if plan.layers:
        words.append("Layers to be made: " + ", ".join(x.name for x in plan.layers) + ".")
    if plan.left_out:
        words.append("Left out: " + ", ".join(plan.left_out) + ".")
    if plan.replaced:
        words.append("Replaces the phases that are here now: " + ", ".join(plan.replaced) + ".")
    if plan.colours:
        words.append("Other colours in this project, which it keeps: " + ", ".join(plan.colours) + ".")
    return " ".join(words)
