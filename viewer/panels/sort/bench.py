"""The sort bench: wires plots, phases, populations, modes and the key to the desk.

The panels know nothing of the desk. Every edit goes through `Sorting.set_scheme`, so that it is one
step of undo; everything shown is read back from the desk. A population that was drawn is kept at once
and offered in a strip: naming it makes it a phase, in the same step.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from msgspec.structs import replace
from psygnal import SignalInstance
from PySide6.QtCore import QEvent, QObject, QPoint, Qt, QTimer, Signal
from PySide6.QtWidgets import QMenu

from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.panels.latest import Latest
from viewer.panels.look.digits import grouped
from viewer.panels.sort import phase_edits as edits
from viewer.panels.sort.bench_commands import Commands
from viewer.panels.sort.bench_editor import Editor
from viewer.panels.sort.bench_glow import Glow
from viewer.panels.sort.bench_menus import phase_menu, population_menu
from viewer.panels.sort.bench_offer import CROSSED, Offers, crosses
from viewer.panels.sort.bench_rows import painted_groups, phase_rows, population_rows, rule_words
from viewer.panels.sort.board import PlotBoard
from viewer.panels.sort.key_panel import KeyPanel
from viewer.panels.sort.modes_panel import ModesPanel
from viewer.panels.sort.panel import SortPanel
from viewer.panels.sort.phase_list import UNSORTED
from viewer.panels.sort.phase_overlaps import Overlaps, overlaps_of
from viewer.panels.sort.phase_page import LEFT_OVER, NO_PHASES, PhasePage, claim_words
from viewer.panels.sort.population_counts import PopulationCounts
from viewer.science.sort.scheme import Gate, InUnit, Painted, Point, Scheme, Stroke

if TYPE_CHECKING:
    from viewer.panels.sort.calibrate_dialog import CalibrateDialog
    from viewer.panels.sort.scheme_dialog import SchemeDialog
    from viewer.panels.sort.suggest_dialog import SuggestDialog

Window = tuple[slice, slice]


class SortBench(QObject):
    """The sort bench of an open project.

    Attributes
    ----------
    panel : SortPanel
        For the right side of the window.
    board : PlotBoard
        To be docked under the map.
    acts : Commands
    commands : list of QAction
        Those of `acts` that are for the menu.

    Signals
    -------
    tool_wanted(str)
        The map is to take up this tool: ``paint``, ``region`` or ``hand``.
    painted_changed(object)
        What is painted on the map: a tuple of (`Painted`, (red, green, blue)).
    wanted()
        A command needs the bench in front.
    """

    tool_wanted = Signal(str)
    painted_changed = Signal(object)
    wanted = Signal()

    def __init__(self, desk: Desk, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self.editor = Editor(desk)
        self._painting: str | None = None
        self._edited: str | None = None
        self._painted: tuple[tuple[Painted, tuple[int, int, int]], ...] = ()
        self._latest = Latest(self)
        self._latest.failed.connect(lambda _, why: desk.said.emit("caution", why))
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(0)
        self._soon.timeout.connect(self._show_scheme)
        self._counts = PopulationCounts(desk, self._latest, self)
        self._counts.counted.connect(self._soon.start)
        self._suggest: SuggestDialog | None = None
        self._calibrate: CalibrateDialog | None = None
        self._schemes: SchemeDialog | None = None

        self.board = PlotBoard(desk)
        self.acts = acts = Commands(desk.readonly, self)
        self.commands = acts.all
        self.phases = PhasePage(
            (acts.new_phase, acts.duplicate_phase, acts.delete_phase),
            (acts.paint, acts.region, acts.duplicate_population, acts.delete_population),
        )
        self.modes = ModesPanel(desk)
        self.key = KeyPanel(desk)
        self.panel = SortPanel(
            self.phases,
            self.modes,
            self.key,
            acts.pages,
            (acts.suggest, acts.calibrate),
            acts.scheme,
        )
        self.strip = self.panel.strip
        self.glow = Glow(self.editor, self.board)
        self.offers = Offers(self.editor, self.strip, self._counts, self.glow, self)
        self._connect_commands()
        self._connect_panels()
        self._connect_desk()
        self.panel.installEventFilter(self)
        self._show_scheme()

    # -- building -------------------------------------------------------------------------------

    def _connect_commands(self) -> None:
        to = self.acts
        for name, action in to.draw.items():
            action.triggered.connect(lambda _=False, n=name: self.take_tool(n))
        for action, run in (
            (to.paint, lambda: self._take_map_tool("paint")),
            (to.region, lambda: self._take_map_tool("region")),
            (to.suggest, self.open_suggest),
            (to.calibrate, self.open_calibrate),
            (to.import_scheme, lambda: self.open_scheme("import")),
            (to.export_scheme, lambda: self.open_scheme("export")),
            (to.apply_scheme, lambda: self.open_scheme("apply")),
            (to.new_phase, self.add_phase),
            (to.duplicate_phase, self.duplicate_phase),
            (to.delete_phase, lambda: self.delete_phase(self.chosen_phase)),
            (to.duplicate_population, self.duplicate_population),
            (to.delete_population, lambda: self.delete_population(self.phases.populations.current)),
            (to.previous_phase, lambda: self._step(-1)),
            (to.next_phase, lambda: self._step(1)),
        ):
            action.triggered.connect(lambda _=False, r=run: r())
        for action in to.pages:
            action.triggered.connect(lambda _=False: self.wanted.emit())

    def _connect_panels(self) -> None:
        page, board, editor, offers = self.phases, self.board, self.editor, self.offers
        phases, populations = page.phases, page.populations
        phases.chosen.connect(lambda _id: self._show_chosen())
        phases.hovered.connect(self._hover_phase)
        phases.rows.renamed.connect(editor.rename_phase)
        phases.moved.connect(self._move_phase)
        phases.delete_wanted.connect(self.delete_phase)
        phases.colour_wanted.connect(self.choose_colour)
        phases.menu_wanted.connect(lambda i, at: self._show_menu(phase_menu(self, i), at))
        populations.chosen.connect(lambda _id: self._enable())
        populations.hovered.connect(self._hover_population)
        populations.rows.renamed.connect(editor.rename_population)
        populations.delete_wanted.connect(self.delete_population)
        populations.tool_pressed.connect(self.use_tool)
        populations.menu_wanted.connect(
            lambda i, at: self._show_menu(population_menu(self, i), at)
        )
        page.glow_wanted.connect(self._hover_population)
        page.rule.rules_changed.connect(lambda rules: editor.set_rules(self.chosen_phase, rules))
        page.rule.unit_wanted.connect(
            lambda group, unit, no: editor.add_unit(self.chosen_phase, group, unit, negated=no)
        )
        page.cleaning.cleaning_changed.connect(
            lambda cleaning: editor.set_cleaning(self.chosen_phase, cleaning)
        )
        page.mixed.mixed_changed.connect(editor.set_mixed)
        offers.offered.connect(self._choose_population)
        offers.phase_made.connect(self._phase_made)
        offers.closed.connect(self._offer_closed)
        self.modes.tool_wanted.connect(self.tool_wanted)
        self.modes.phase_hovered.connect(lambda i: self._hover_phase(i or None))
        self.key.phase_hovered.connect(self._hover_named)
        board.gate_drawn.connect(self._gate_drawn)
        board.gate_edited.connect(self._gate_edited)
        board.population_selected.connect(self._board_selected)
        board.tool_changed.connect(self._board_tool)

    def _connect_desk(self) -> None:
        for signal, slot in self._desk_slots():
            signal.connect(slot)

    def _desk_slots(self) -> tuple[tuple[SignalInstance, Callable[[str], None]], ...]:
        desk = self._desk
        return (
            (desk.changed, self._document_changed),
            (desk.phases_changed, self._phases_changed),
            (desk.layers_changed, self._phases_changed),
        )

    def close(self) -> None:
        """Stop all counting and let the desk go; call before the desk is closed."""
        for signal, slot in self._desk_slots():
            signal.disconnect(slot, missing_ok=True)
        self.panel.removeEventFilter(self)
        self._soon.stop()
        self._latest.stop()
        self.board.close()
        self.modes.close()
        self.key.close()
        for dialog in (self._suggest, self._calibrate, self._schemes):
            if dialog is not None:
                dialog.close()

    # -- what the shell asks for -----------------------------------------------------------------

    @property
    def map_id(self) -> str | None:
        """The map that is sorted."""
        return self.editor.map_id

    @property
    def scheme(self) -> Scheme:
        """How the map is sorted."""
        return self.editor.scheme

    @property
    def busy(self) -> bool:
        """True while something is counted or sorted."""
        return self._latest.busy or self._soon.isActive() or self.board.busy or self._stale

    @property
    def _stale(self) -> bool:
        """True while the map's phases are worked out anew, which they are for who looks at them."""
        sorting, map_id = self._desk.sorting, self.map_id
        if map_id is None or not self.panel.isVisible() or sorting.trouble(map_id):
            return False
        return not sorting.fresh(map_id)

    @property
    def chosen_phase(self) -> str | None:
        """Id of the phase that is chosen in the list; None for none, or for what is unsorted."""
        return self.phases.phases.current or None

    def set_map(self, map_id: str | None) -> None:
        """Sort another map."""
        if map_id == self.map_id:
            return
        self.offers.close()
        self.glow.forget()
        self._counts.forget_questions()
        self.editor.map_id = map_id
        self._painting = self._edited = None
        self.board.set_map(map_id)
        self.modes.set_map(map_id)
        for dialog in (self._suggest, self._calibrate, self._schemes):
            if dialog is not None and dialog.isVisible() and map_id is not None:
                dialog.set_map(map_id)
        self._show_scheme()
        first = next(iter(self.scheme.phases), None)
        self.choose_phase(None if first is None else first.id)
        self.phases.populations.scrollToTop()

    def set_window(self, window: Window | None) -> None:
        """Tell which rows and columns of the map are in view."""
        self.board.set_window(window)
        self.modes.set_window(window)

    def set_cross(self, row: int, col: int) -> None:
        """The pointer is over a pixel of the map."""
        self.board.set_cross(row, col)

    def clear_cross(self) -> None:
        """The pointer has left the map."""
        self.board.clear_cross()

    def map_tool_changed(self, name: str) -> None:
        """The map has taken up a tool, by whatever way."""
        self.acts.paint.setChecked(name == "paint")
        self.acts.region.setChecked(name == "region")
        if name != "paint":
            self._painting = None

    def stroke_drawn(self, points: tuple[Point, ...], radius_um: float, erase: bool) -> None:
        """A line was painted on the map: it joins the population that is being painted."""
        map_id = self.map_id
        if map_id is None:
            return
        stroke = Stroke(points=tuple(points), radius_um=radius_um, erase=erase)
        old = self.editor.population(self._painting)
        if old is not None and isinstance(old.gate, Painted) and old.gate.map == map_id:
            gate = replace(old.gate, strokes=(*old.gate.strokes, stroke))
            if self.editor.redraw("Paint", old.id, gate):
                self.offers.redrawn(old.id, gate)
                self.glow.refresh(anew=True)
        elif erase:
            self._desk.said.emit("info", "There is nothing painted yet that could be taken away.")
        else:
            self._painting = self.offers.draw(Painted(map=map_id, strokes=(stroke,)))

    def region_drawn(self, points: tuple[Point, ...]) -> None:
        """A place was drawn around on the map: plots show its pixels; it may become a population."""
        map_id = self.map_id
        if map_id is None or len(points) < 3:
            return
        if self.panel.page == "modes":
            self.modes.region_drawn(points)
            return
        try:
            gate = Painted(map=map_id, outlines=(tuple(points),))
        except InputError as error:
            self._desk.said.emit("caution", str(error))
            return
        if self.writable:
            self.offers.region(gate)
        else:
            self._desk.light_region(map_id, gate.outlines)

    def take_tool(self, name: str) -> None:
        """Take up a tool of the plots, or put down the one that is up."""
        self.wanted.emit()
        self.board.set_tool("pan" if self.board.tool == name else name)
        self.board.setFocus()

    def show_page(self, name: str) -> None:
        """Show ``phases``, ``modes`` or ``key``."""
        self.panel.show_page(name)

    def open_suggest(self) -> None:
        """Open the suggestions."""
        if self.map_id is None:
            return
        from viewer.panels.sort.suggest_dialog import SuggestDialog

        self.wanted.emit()
        if self._suggest is None:
            self._suggest = SuggestDialog(self._desk, self.panel)
            self._suggest.tool_wanted.connect(self.tool_wanted)
        self._suggest.show_map(self.map_id)

    def open_calibrate(self) -> None:
        """Open the calibration."""
        if self.map_id is None:
            return
        from viewer.panels.sort.calibrate_dialog import CalibrateDialog

        self.wanted.emit()
        if self._calibrate is None:
            self._calibrate = CalibrateDialog(self._desk, self.panel)
        self._calibrate.show_map(self.map_id)

    def open_scheme(self, what: str) -> None:
        """Import, export or apply a scheme."""
        if self.map_id is None:
            return
        from viewer.panels.sort.scheme_dialog import SchemeDialog

        self.wanted.emit()
        if self._schemes is None:
            self._schemes = SchemeDialog(self._desk, self.panel)
        self._schemes.show_map(self.map_id, what)

    # -- phases and populations -----------------------------------------------------------------

    @property
    def writable(self) -> bool:
        """False while the project is open for reading."""
        return self._desk.readonly is None

    def add_phase(self) -> None:
        """Make a phase without a rule, and let its name be typed."""
        self.wanted.emit()
        self.panel.show_page("phases")
        made = self.editor.add_phase()
        if made is not None:
            self.choose_phase(made)
            self.phases.phases.rename(made)

    def duplicate_phase(self) -> None:
        """Copy the chosen phase."""
        made = self.editor.duplicate_phase(self.chosen_phase)
        if made is not None:
            self.choose_phase(made)

    def delete_phase(self, phase_id: str | None) -> None:
        """Delete a phase; the one that takes its place is chosen."""
        phase = self.editor.phase(phase_id)
        if phase is None:
            return
        self.glow.hover(None)
        self.editor.delete_phase(phase.id)

    def choose_phase(self, phase_id: str | None) -> None:
        """Choose a phase in the list, and show its rule."""
        self.phases.phases.choose(phase_id)
        self._show_chosen()

    def choose_colour(self, phase_id: str) -> None:
        """Let the user choose the colour of a phase, on the page of the key."""
        phase, model = self.editor.phase(phase_id), self.key.model
        if phase is None:
            return
        for at in range(model.rowCount()):
            if model.entry(at).name.strip().casefold() == phase.name.strip().casefold():
                self.panel.show_page("key")
                self.key.choose_colour(at)

    def duplicate_population(self) -> None:
        """Copy the chosen population."""
        made = self.editor.duplicate_population(self.phases.populations.current)
        if made is not None:
            self._choose_population(made)

    def delete_population(self, population_id: str | None) -> None:
        """Delete a population, out of every rule too."""
        if population_id is None:
            return
        self.glow.hover(None)
        if self.offers.current is not None and self.offers.current.id == population_id:
            self.offers.close()
        self.editor.delete_population(population_id)

    def join(self, population_id: str, phase_id: str, how: edits.Join) -> None:
        """Let a population join the rules of a phase, and show them."""
        self.editor.join(population_id, phase_id, how)
        self.choose_phase(phase_id)

    def ask_name(self, population_id: str) -> None:
        """Ask once more what becomes of a population."""
        population = self.editor.population(population_id)
        if population is not None:
            self.offers.ask(population)

    def use_tool(self, population_id: str, tool: str) -> None:
        """Invert a population, edit its outline, or keep it lit: what the signs in its row do."""
        if tool == "eye":
            self.glow.pinned = None if self.glow.pinned == population_id else population_id
            self._show_scheme()
            self.glow.refresh()
        elif not self.writable:
            self._desk.said.emit("caution", f"Nothing can be changed. {self._desk.readonly}")
        elif tool == "invert":
            self.editor.invert(population_id)
            self.glow.refresh(anew=True)
        else:
            self._edit_outline(population_id)

    def _edit_outline(self, population_id: str) -> None:
        """Give a population handles in its plot, or a brush on the map; again, take them away."""
        gate = self.scheme.population(population_id).gate
        if isinstance(gate, InUnit):
            self._desk.said.emit("info", "A unit is edited in the list of units, on the page «Modes».")
        elif isinstance(gate, Painted):
            self._painting = population_id
            self.wanted.emit()
            self.tool_wanted.emit("paint")
        else:
            self._edited = None if self._edited == population_id else population_id
            self.board.edit_population(self._edited)
            self._show_scheme()

    def _choose_population(self, population_id: str | None) -> None:
        self.phases.populations.choose(population_id)
        self._enable()

    def _move_phase(self, phase_id: str, to: int) -> None:
        self.editor.move_phase(phase_id, to)
        self.choose_phase(phase_id)

    def _step(self, by: int) -> None:
        self.wanted.emit()
        ids = [p.id for p in self.scheme.phases]
        if ids:
            at = ids.index(self.chosen_phase) + by if self.chosen_phase in ids else 0
            self.choose_phase(ids[at % len(ids)])

    # -- what is drawn --------------------------------------------------------------------------

    def _gate_drawn(self, gate: Gate) -> None:
        if self.writable:
            self.offers.draw(gate)
        else:
            self._desk.said.emit("caution", f"The population cannot be kept. {self._desk.readonly}")

    def _gate_edited(self, population_id: str, gate: Gate, finished: bool) -> None:
        if not finished or not self.editor.redraw("Edit the outline of", population_id, gate):
            return
        self.offers.redrawn(population_id, gate)
        if crosses(gate):
            self._desk.said.emit("caution", CROSSED)

    def _offer_closed(self, population_id: str) -> None:
        if self._painting == population_id:
            self._painting = None  # the next stroke begins another

    def _phase_made(self, phase_id: str) -> None:
        self.choose_phase(phase_id)
        self.board.setFocus()  # the next cluster

    # -- tools and pointing ---------------------------------------------------------------------

    def _take_map_tool(self, name: str) -> None:
        action = self.acts.paint if name == "paint" else self.acts.region
        if action.isChecked():
            self.wanted.emit()
            self.tool_wanted.emit(name)
        else:
            self.tool_wanted.emit("hand")

    def _board_tool(self, name: str) -> None:
        for which, action in self.acts.draw.items():
            action.setChecked(which == name)

    def _board_selected(self, population_id: str) -> None:
        self._edited = population_id or None
        self._show_scheme()
        self._choose_population(self._edited)

    def _hover_phase(self, phase_id: str | None) -> None:
        self.glow.hover(None if phase_id is None else ("phase", phase_id))

    def _hover_population(self, population_id: str | None) -> None:
        self.glow.hover(None if population_id is None else ("population", population_id))

    def _hover_named(self, name: str) -> None:
        """The pointer is on a phase of the key, which this map need not have."""
        phase = edits.named(self.scheme, name) if name else None
        self._hover_phase(None if phase is None else phase.id)

    def _show_menu(self, menu: QMenu, at: QPoint) -> None:
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        menu.popup(at)

    # -- what the desk tells ---------------------------------------------------------------------

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        # A map is sorted and populations are counted for who looks at them only.
        if watched is self.panel and event.type() in (QEvent.Type.Show, QEvent.Type.PaletteChange):
            self._soon.start()
        return super().eventFilter(watched, event)

    def _document_changed(self, name: str) -> None:
        if name not in ("schemes", "key", "setup", "units"):
            return
        self.offers.refresh()
        if self.editor.population(self.glow.pinned) is None:
            self.glow.pinned = None
        if self.editor.population(self._edited) is None:
            self._edited = None
        self._show_scheme()

    def _phases_changed(self, map_id: str) -> None:
        if map_id == self.map_id:
            self._show_scheme()

    # -- showing --------------------------------------------------------------------------------

    def _show_scheme(self) -> None:
        """Show everything anew from the desk."""
        map_id, scheme, sorting = self.map_id, self.scheme, self._desk.sorting
        page = self.phases
        visible = self.panel.isVisible()
        image, stale = None, False
        if map_id is not None and map_id in self._desk.maps:
            image = sorting.image(map_id) if visible else sorting.latest(map_id)
            stale = bool(scheme.phases) and not sorting.fresh(map_id)
        rows = phase_rows(self._desk, scheme, image, stale=stale)
        chosen = page.phases.rows.place_of(page.phases.current)
        page.phases.show_rows(rows)
        if chosen is not None and page.phases.current is None and scheme.phases:
            # The chosen phase was taken away, or its making was undone: its neighbour is chosen.
            page.phases.choose(scheme.phases[min(chosen, len(scheme.phases) - 1)].id)
        trouble = sorting.trouble(map_id) if map_id is not None else ""
        page.trouble.setText(f"The map cannot be sorted. {trouble}" if trouble else "")
        page.trouble.setVisible(bool(trouble))
        page.state.setText("sorting …" if stale and visible and not trouble else "")
        overlaps = Overlaps()
        if image is not None:
            tally = image.tally
            overlaps = overlaps_of(tally.claimed, tally.won, tally.overlaps)
        page.overlaps.show_overlaps(overlaps, () if image is None else image.names)
        counts = self._counts if visible else None
        shown, edited = self.glow.pinned, self._edited
        page.populations.show_rows(
            population_rows(self._desk, map_id, scheme, counts, shown=shown, edited=edited)
            if map_id is not None
            else []
        )
        page.mixed.show_mixed(scheme.mixed)
        found = None if image is None or scheme.mixed.treat == "off" else image.mixed
        page.mixed.show_found(found, 0 if image is None else image.inside, stale=stale)
        page.set_writable(writable=self._desk.readonly is None)
        self.panel.say_readonly(self._desk.readonly)
        words = NO_PHASES if map_id is not None else "There is no map to sort."
        page.show_empty(phases=not rows, populations=not scheme.populations, words=words)
        self._show_chosen()
        self._show_painted()

    def _show_chosen(self) -> None:
        """Show the rule and the cleaning of the phase that is chosen."""
        page, map_id = self.phases, self.map_id
        phase = self.editor.phase(self.chosen_phase)
        if phase is not None and map_id is not None:
            names = {p.id: p.name for p in self.scheme.populations}
            units = [u.name for u in self._desk.sorting.units(map_id)]
            page.rule.show_rules(phase.rules, names, units)
            page.cleaning.show_cleaning(phase.cleaning, self._desk.maps[map_id].pixel_um)
            image = self._desk.sorting.latest(map_id)
            report, claim = None, ""
            if image is not None and phase.id in image.ids:
                at = image.label(phase.id) - 1
                report = None if phase.cleaning.idle else image.reports[at]
                claim = claim_words(int(image.tally.claimed[at]), int(image.tally.won[at]))
            stale = not self._desk.sorting.fresh(map_id)
            page.show_claim(claim if phase.rules and not stale else "")
            page.cleaning.show_report(report, stale=stale)
            page.show_chosen(phase.name)
            page.sum_up(rule_words(self.scheme, phase.rules))
        else:
            page.show_chosen(None, self._left_over())
            page.sum_up("")
        self._enable()

    def _left_over(self) -> str:
        """What is said of the row of unsorted pixels, where that is chosen."""
        if self.phases.phases.current != UNSORTED or self.map_id is None:
            return ""
        image = self._desk.sorting.latest(self.map_id)
        if image is None:
            return ""
        text = LEFT_OVER
        if image.tally.missing:
            missing = grouped(image.tally.missing)
            text += f" {missing} of them have no value in a layer that a rule looks at."
        return text

    def _enable(self) -> None:
        self.acts.enable(
            shown=self.map_id is not None,
            phases=bool(self.scheme.phases),
            phase=self.chosen_phase is not None,
            population=self.phases.populations.current is not None,
        )

    def _show_painted(self) -> None:
        painted = painted_groups(self._desk, self.map_id, self.scheme)
        if painted != self._painted:
            self._painted = painted
            self.painted_changed.emit(painted)


def main() -> None:
    """Show the bench on a small demo slab, without a map view."""
    import tempfile
    from pathlib import Path

    from PySide6.QtWidgets import QHBoxLayout, QWidget

    from viewer.desk.demo import build
    from viewer.panels.look.trial import show
    from viewer.panels.qt import Poster

    with tempfile.TemporaryDirectory() as folder:
        poster = Poster()
        desk = Desk.open(build(Path(folder), scale=0.2).project, poster.post)
        benches = []

        def make() -> QWidget:
            bench = SortBench(desk)
            benches.append(bench)
            window = QWidget()
            row = QHBoxLayout(window)
            row.setContentsMargins(0, 0, 0, 0)
            row.addWidget(bench.board, 1)
            row.addWidget(bench.panel)
            window.resize(1280, 760)
            bench.set_map(next(iter(desk.maps)))
            return window

        show(make)
        for bench in benches:
            bench.close()
        poster.close()
        desk.close()


if __name__ == "__main__":
    main()
