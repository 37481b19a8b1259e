"""The sort bench: wires plots, phases, populations, modes and the key to the desk.

The panels know nothing of the desk. Every edit goes through `Sorting.set_scheme`, so that it is one
step of undo; everything shown is read back from the desk. A population that was drawn is kept at once
and offered in a strip: naming it makes it a phase, in the same step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from msgspec.structs import replace
from PySide6.QtCore import QEvent, QObject, QPoint, QTimer, Signal
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QMenu

from viewer.desk.desk import Desk
from viewer.desk.sorting import new_id
from viewer.errors import GrainlightError, InputError
from viewer.panels.latest import Latest
from viewer.panels.look.digits import grouped
from viewer.panels.sort import phase_edits as edits
from viewer.panels.sort.bench_commands import Commands
from viewer.panels.sort.bench_rows import painted_groups, phase_rows, population_rows, rule_words
from viewer.panels.sort.board import PlotBoard
from viewer.panels.sort.key_panel import KeyPanel
from viewer.panels.sort.modes_panel import ModesPanel
from viewer.panels.sort.panel import SortPanel
from viewer.panels.sort.phase_list import UNSORTED
from viewer.panels.sort.phase_overlaps import Overlaps, overlaps_of
from viewer.panels.sort.phase_page import LEFT_OVER, NO_PHASES, PhasePage
from viewer.panels.sort.phase_rows import plain_menu_text
from viewer.panels.sort.population_counts import PopulationCounts
from viewer.panels.sort.population_words import axes_of, first_name
from viewer.science.sort.gates import crosses_itself
from viewer.science.sort.key import next_colour
from viewer.science.sort.scheme import (
    MAX_POPULATIONS,
    Cleaning,
    Gate,
    InUnit,
    Mixed,
    Painted,
    Phase,
    Point,
    Polygon,
    Population,
    Scheme,
    Stroke,
    Term,
    Ternary,
)

if TYPE_CHECKING:
    from viewer.panels.sort.calibrate_dialog import CalibrateDialog
    from viewer.panels.sort.scheme_dialog import SchemeDialog
    from viewer.panels.sort.suggest_dialog import SuggestDialog

Window = tuple[slice, slice]

CROSSED = (
    "The outline crosses itself: what it goes around twice is outside, by the even-odd rule."
)


@dataclass(frozen=True)
class _Offer:
    """What the strip asks about: a population of the scheme, or a region that is not one yet."""

    id: str
    gate: Gate
    stored: bool


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
        self._map_id: str | None = None
        self._offer: _Offer | None = None
        self._painting: str | None = None
        self._edited: str | None = None
        self._pinned: str | None = None
        self._hovered: tuple[str, str] | None = None
        self._told: tuple[str, str] | None = None
        self._painted: tuple[tuple[Painted, tuple[int, int, int]], ...] = ()
        self._latest = Latest(self)
        self._latest.failed.connect(lambda _, why: desk.said.emit("caution", why))
        self._counts = PopulationCounts(desk, self._latest, self)
        self._counts.counted.connect(lambda: self._soon.start())
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(0)
        self._soon.timeout.connect(self._show_scheme)
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
            (to.duplicate_phase, self._duplicate_phase),
            (to.delete_phase, lambda: self._delete_phase(self.chosen_phase)),
            (to.duplicate_population, self._duplicate_population),
            (
                to.delete_population,
                lambda: self._delete_population(self.phases.populations.current),
            ),
            (to.previous_phase, lambda: self._step(-1)),
            (to.next_phase, lambda: self._step(1)),
        ):
            action.triggered.connect(lambda _=False, r=run: r())
        for action in to.pages:
            action.triggered.connect(lambda _=False: self.wanted.emit())

    def _connect_panels(self) -> None:
        page, strip, board = self.phases, self.strip, self.board
        page.phases.chosen.connect(lambda _id: self._show_chosen())
        page.phases.hovered.connect(lambda i: self._hover(None if i is None else ("phase", i)))
        page.phases.rows.renamed.connect(self._rename_phase)
        page.phases.moved.connect(self._move_phase)
        page.phases.delete_wanted.connect(self._delete_phase)
        page.phases.menu_wanted.connect(self._phase_menu)
        page.phases.colour_wanted.connect(self.choose_colour)
        page.populations.chosen.connect(lambda _id: self._enable())
        page.populations.hovered.connect(self._hover_population)
        page.populations.rows.renamed.connect(self._rename_population)
        page.populations.delete_wanted.connect(self._delete_population)
        page.populations.tool_pressed.connect(self._population_tool)
        page.populations.menu_wanted.connect(self._population_menu)
        page.glow_wanted.connect(self._hover_population)
        page.rule.rules_changed.connect(self._set_rules)
        page.rule.unit_wanted.connect(self._add_unit)
        page.cleaning.cleaning_changed.connect(self._set_cleaning)
        page.mixed.mixed_changed.connect(self._set_mixed)
        strip.named.connect(self._name_offer)
        strip.joined.connect(self._join_offer)
        strip.kept.connect(self._keep_offer)
        strip.closed.connect(self._close_strip)
        strip.discarded.connect(self._discard_offer)
        strip.typed.connect(self._typed)
        self.modes.tool_wanted.connect(self.tool_wanted)
        self.modes.phase_hovered.connect(lambda i: self._hover(("phase", i) if i else None))
        self.key.phase_hovered.connect(self._hover_named)
        board.gate_drawn.connect(self._gate_drawn)
        board.gate_edited.connect(self._gate_edited)
        board.population_selected.connect(self._board_selected)
        board.tool_changed.connect(self._board_tool)

    def _connect_desk(self) -> None:
        for signal, slot in self._desk_slots():
            signal.connect(slot)

    def _desk_slots(self):  # type: ignore[no-untyped-def]
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
        return self._map_id

    @property
    def scheme(self) -> Scheme:
        """How the map is sorted."""
        return Scheme() if self._map_id is None else self._desk.sorting.scheme(self._map_id)

    @property
    def busy(self) -> bool:
        """True while something is counted or sorted."""
        return self._latest.busy or self._soon.isActive() or self.board.busy or self._stale

    @property
    def _stale(self) -> bool:
        """True while the map's phases are worked out anew."""
        sorting, map_id = self._desk.sorting, self._map_id
        return map_id is not None and not sorting.trouble(map_id) and not sorting.fresh(map_id)

    @property
    def chosen_phase(self) -> str | None:
        """Id of the phase that is chosen in the list; None for none, or for what is unsorted."""
        return self.phases.phases.current or None

    def set_map(self, map_id: str | None) -> None:
        """Sort another map."""
        if map_id == self._map_id:
            return
        self._close_strip()
        self._dark()
        self._counts.forget_questions()
        self._map_id = map_id
        self._painting = self._edited = self._pinned = None
        self.board.set_map(map_id)
        self.modes.set_map(map_id)
        self._show_scheme()
        first = next(iter(self.scheme.phases), None)
        self.phases.phases.choose(None if first is None else first.id)
        self._show_chosen()

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
        map_id = self._map_id
        if map_id is None:
            return
        stroke = Stroke(points=tuple(points), radius_um=radius_um, erase=erase)
        old = edits.find_population(self.scheme, self._painting)
        if old is not None and isinstance(old.gate, Painted) and old.gate.map == map_id:
            gate = replace(old.gate, strokes=(*old.gate.strokes, stroke))
            changed = edits.change_population(self.scheme, old.id, gate=gate)
            if not self._set(f"Paint {old.name}", changed):
                return
            if self._offer is not None and self._offer.id == old.id:
                self._offer = _Offer(old.id, gate, True)
                self._count_offer()
            self._light_population(old.id)
        elif erase:
            self._desk.said.emit("info", "There is nothing painted yet that could be taken away.")
        else:
            self._draw_population(Painted(map=map_id, strokes=(stroke,)))
            self._painting = None if self._offer is None else self._offer.id

    def region_drawn(self, points: tuple[Point, ...]) -> None:
        """A place was drawn around on the map: plots show its pixels; it may become a population."""
        map_id = self._map_id
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
        self._close_strip()
        self._desk.light_region(map_id, gate.outlines)
        if self._desk.readonly is None:
            self._offer_gate(_Offer(new_id(), gate, False), "Region")

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
        if self._map_id is None:
            return
        from viewer.panels.sort.suggest_dialog import SuggestDialog

        self.wanted.emit()
        if self._suggest is None:
            self._suggest = SuggestDialog(self._desk, self.panel)
        self._suggest.show_map(self._map_id)

    def open_calibrate(self) -> None:
        """Open the calibration."""
        if self._map_id is None:
            return
        from viewer.panels.sort.calibrate_dialog import CalibrateDialog

        self.wanted.emit()
        if self._calibrate is None:
            self._calibrate = CalibrateDialog(self._desk, self.panel)
        self._calibrate.show_map(self._map_id)

    def open_scheme(self, what: str) -> None:
        """Import, export or apply a scheme."""
        if self._map_id is None:
            return
        from viewer.panels.sort.scheme_dialog import SchemeDialog

        self.wanted.emit()
        if self._schemes is None:
            self._schemes = SchemeDialog(self._desk, self.panel)
        self._schemes.show_map(self._map_id, what)

    # -- edits ----------------------------------------------------------------------------------

    def _set(self, label: str, scheme: Scheme, merge: str | None = None) -> bool:
        """Change the scheme as one step; True where that worked."""
        if self._map_id is None:
            return False
        map_id = self._map_id
        return self._try(
            lambda: self._desk.sorting.set_scheme(label, map_id, scheme, merge=merge)
        )

    def _try(self, work: Callable[[], object]) -> bool:
        try:
            work()
        except InputError as error:
            self._desk.said.emit("caution", str(error))
            return False
        except GrainlightError as error:
            self._desk.say(error)
            return False
        return True

    def _edit(self, label: str, change: Callable[[Scheme], Scheme], merge: str | None = None) -> bool:
        """Change the scheme by a function that may refuse."""
        made: list[Scheme] = []
        if not self._try(lambda: made.append(change(self.scheme))):
            return False
        return self._set(label, made[0], merge)

    def add_phase(self) -> None:
        """Make a phase without a rule, and let its name be typed."""
        self.wanted.emit()
        name = edits.free_name("New phase", (p.name for p in self.scheme.phases))
        phase = Phase(id=new_id(), name=name)
        if self._edit(f"New phase {name}", lambda s: edits.add_phase(s, phase)):
            self._choose_phase(phase.id)
            self.phases.phases.rename(phase.id)

    def _duplicate_phase(self) -> None:
        old, made = self.chosen_phase, new_id()
        if old is not None and self._edit(
            f"Duplicate {self.scheme.phase(old).name}",
            lambda s: edits.duplicate_phase(s, old, made),
        ):
            self._choose_phase(made)

    def _delete_phase(self, phase_id: str | None) -> None:
        phase = edits.find_phase(self.scheme, phase_id)
        if phase is None:
            return
        at = self.scheme.phases.index(phase)
        self._leave()
        if self._edit(f"Delete phase {phase.name}", lambda s: edits.delete_phase(s, phase.id)):
            left = self.scheme.phases
            self._choose_phase(left[min(at, len(left) - 1)].id if left else None)

    def _move_phase(self, phase_id: str, to: int) -> None:
        if self.scheme.phases.index(self.scheme.phase(phase_id)) != to:
            self._edit("Reorder phases", lambda s: edits.move_phase(s, phase_id, to))
            self._choose_phase(phase_id)

    def _rename_phase(self, phase_id: str, name: str) -> None:
        map_id = self._map_id
        if map_id is None:
            return
        other = edits.named(self.scheme, name)
        if other is not None and other.id != phase_id:
            self._desk.said.emit(
                "caution", f"There is a phase «{other.name}» already: choose another name."
            )
            return
        self._try(lambda: self._desk.sorting.rename_phase(map_id, phase_id, name))

    def _set_rules(self, rules: edits.Rules) -> None:
        phase = edits.find_phase(self.scheme, self.chosen_phase)
        if phase is not None:
            self._edit(
                f"Change the rule of {phase.name}",
                lambda s: edits.change_phase(s, phase.id, rules=rules),
            )

    def _add_unit(self, group: int, unit: str, negated: bool) -> None:
        """Put a rock unit into a rule, as a population that is made for it where there is none."""
        phase = edits.find_phase(self.scheme, self.chosen_phase)
        if phase is None:
            return
        gate = InUnit(unit=unit)
        found = next((p for p in self.scheme.populations if p.gate == gate and not p.inverted), None)
        population = found or Population(id=new_id(), name=self._free_population(unit), gate=gate)

        def change(scheme: Scheme) -> Scheme:
            if found is None:
                scheme = edits.add_population(scheme, population)
            term = Term(population=population.id, negated=negated)
            rules = edits.with_term(phase.rules, group, term)
            return edits.change_phase(scheme, phase.id, rules=rules)

        self._edit(f"Change the rule of {phase.name}", change)

    def _set_cleaning(self, cleaning: Cleaning) -> None:
        phase = edits.find_phase(self.scheme, self.chosen_phase)
        if phase is not None:
            self._edit(
                f"Clean {phase.name}",
                lambda s: edits.change_phase(s, phase.id, cleaning=cleaning),
                merge=f"clean {phase.id}",
            )

    def _set_mixed(self, mixed: Mixed) -> None:
        self._edit("Treat mixed pixels", lambda s: replace(s, mixed=mixed), merge="mixed pixels")

    def _rename_population(self, population_id: str, name: str) -> None:
        old = self.scheme.population(population_id).name
        self._edit(
            f"Rename {old} to {name}", lambda s: edits.change_population(s, population_id, name=name)
        )

    def _invert(self, population_id: str) -> None:
        old = self.scheme.population(population_id)
        self._edit(
            f"Invert {old.name}",
            lambda s: edits.change_population(s, population_id, inverted=not old.inverted),
        )

    def _duplicate_population(self) -> None:
        old, made = edits.find_population(self.scheme, self.phases.populations.current), new_id()
        if old is not None and self._edit(
            f"Duplicate {old.name}", lambda s: edits.duplicate_population(s, old.id, made)
        ):
            self.phases.populations.choose(made)
            self._enable()

    def _delete_population(self, population_id: str | None) -> None:
        old = edits.find_population(self.scheme, population_id)
        if old is None:
            return
        users = edits.users(self.scheme, old.id)
        self._leave()
        if self._offer is not None and self._offer.id == old.id:
            self._close_strip()
        if not self._edit(
            f"Delete population {old.name}", lambda s: edits.delete_population(s, old.id)
        ):
            return
        if users:
            names = ", ".join(f"«{p.name}»" for p in users)
            self._desk.said.emit(
                "info", f"«{old.name}» is gone from the rule of {names} too. Undo brings it back."
            )

    # -- what is drawn --------------------------------------------------------------------------

    def _gate_drawn(self, gate: Gate) -> None:
        if self._desk.readonly is not None:
            self._desk.said.emit("caution", f"The population cannot be kept. {self._desk.readonly}")
            return
        self._draw_population(gate)

    def _draw_population(self, gate: Gate) -> None:
        """Keep a gate as a population at once, and ask what it is."""
        if self._map_id is None:
            return
        self._close_strip()
        if len(self.scheme.populations) >= MAX_POPULATIONS:
            self._desk.said.emit(
                "caution",
                f"A scheme holds {MAX_POPULATIONS} populations at most: delete one that no phase uses.",
            )
            return
        name = self._first_name(gate)
        population = Population(id=new_id(), name=name, gate=gate)
        if self._edit(
            f"Draw population {name}",
            lambda s: edits.add_population(s, population),
            merge=f"drawn {population.id}",
        ):
            self._offer_gate(_Offer(population.id, gate, True), "New population")

    def _free_population(self, wanted: str, but: str = "") -> str:
        return edits.free_name(wanted, (p.name for p in self.scheme.populations if p.id != but))

    def _first_name(self, gate: Gate) -> str:
        """A name for a population that has none: numbered from the first on."""
        return edits.numbered(first_name(gate), (p.name for p in self.scheme.populations))

    def _offer_gate(self, offer: _Offer, title: str) -> None:
        self._offer = offer
        self._dark()
        cautions = []
        outlines: list[tuple[Point, ...]] = []
        if isinstance(offer.gate, Polygon | Ternary):
            outlines = [offer.gate.points]
        elif isinstance(offer.gate, Painted):
            outlines = list(offer.gate.outlines)
        if any(crosses_itself(np.array(points, np.float64)) for points in outlines):
            cautions.append(CROSSED)
        here = {p.name.strip().casefold() for p in self.scheme.phases}
        known = [
            e.name for e in self._desk.sorting.key.entries if e.name.strip().casefold() not in here
        ]
        self._told = None
        self.strip.offer(title, axes_of(offer.gate), self._joinable(), known, cautions)
        if offer.stored:
            self.phases.populations.choose(offer.id)
            self._enable()
        self._glow()
        self._count_offer()

    def _joinable(self) -> list[tuple[str, str, QColor]]:
        colour = self._desk.sorting.colour
        return [(p.id, p.name, QColor(*colour(p.name))) for p in self.scheme.phases]

    def _count_offer(self) -> None:
        offer, map_id = self._offer, self._map_id
        if offer is None or map_id is None:
            return
        self.strip.set_count(None, 0)
        total = self._inside(map_id)

        def done(pixels: int) -> None:
            if self._offer == offer:
                self.strip.set_count(pixels, total)

        self._counts.latest_of("offer", map_id, offer.gate, done)

    def _typed(self, name: str) -> None:
        key = self._desk.sorting.key
        entry = key.entry(name) if name else None
        colour = entry.colour if entry is not None else next_colour([e.colour for e in key.entries])
        self.strip.set_colour(QColor(colour))

    def _name_offer(self, name: str) -> None:
        """Make a phase of what was drawn."""
        offer = self._offer
        if offer is None:
            return
        other = edits.named(self.scheme, name)
        if other is not None:
            self.strip.refuse(
                f"There is a phase «{other.name}» already: choose another name, or add the "
                "population to it."
            )
            return
        phase = Phase(id=new_id(), name=name, rules=((Term(population=offer.id),),))

        def change(scheme: Scheme) -> Scheme:
            return edits.add_phase(self._with_offer(scheme, offer, name), phase)

        if self._edit(f"New phase {name}", change, merge=self._merge(offer)):
            self._close_strip()
            self._choose_phase(phase.id)

    def _join_offer(self, phase_id: str, join: edits.Join) -> None:
        """Let what was drawn join a phase."""
        offer = self._offer
        phase = edits.find_phase(self.scheme, phase_id)
        if offer is None or phase is None:
            return

        def change(scheme: Scheme) -> Scheme:
            scheme = self._with_offer(scheme, offer, "")
            rules = edits.joined(phase.rules, offer.id, join)
            return edits.change_phase(scheme, phase.id, rules=rules)

        if self._edit(f"Add to {phase.name}", change, merge=self._merge(offer)):
            self._close_strip()
            self._choose_phase(phase.id)

    def _keep_offer(self, name: str) -> None:
        """Leave what was drawn as a population."""
        offer = self._offer
        if offer is not None and self._edit(
            "Keep a population", lambda s: self._with_offer(s, offer, name), merge=self._merge(offer)
        ):
            self._close_strip()

    def _discard_offer(self) -> None:
        offer = self._offer
        if offer is None:
            return
        self._close_strip()
        population = edits.find_population(self.scheme, offer.id)
        if population is None:
            return
        if self._desk.undo_label == f"Draw population {population.name}":
            self._desk.undo()
        else:
            self._delete_population(offer.id)

    def _with_offer(self, scheme: Scheme, offer: _Offer, name: str) -> Scheme:
        """The scheme with what was drawn as a population, under a name that is free."""
        if edits.find_population(scheme, offer.id) is None:
            named = self._free_population(name) if name else self._first_name(offer.gate)
            return edits.add_population(scheme, Population(id=offer.id, name=named, gate=offer.gate))
        if not name:
            return scheme
        free = self._free_population(name, but=offer.id)
        return edits.change_population(scheme, offer.id, name=free)

    @staticmethod
    def _merge(offer: _Offer) -> str:
        return f"drawn {offer.id}"

    def _close_strip(self) -> None:
        """End the question about what was drawn; what is stored of it stays."""
        if self._offer is None:
            return
        self._offer = None
        self._latest.drop("offer")
        self.strip.hide()
        self._desk.end_merge()
        if self._map_id is not None:
            self._desk.douse(self._map_id)

    def _gate_edited(self, population_id: str, gate: Gate, finished: bool) -> None:
        population = edits.find_population(self.scheme, population_id)
        if population is None or not finished:
            return
        self._edit(
            f"Edit the outline of {population.name}",
            lambda s: edits.change_population(s, population_id, gate=gate),
        )
        if isinstance(gate, Polygon | Ternary) and crosses_itself(np.array(gate.points, np.float64)):
            self._desk.said.emit("caution", CROSSED)
        if self._offer is not None and self._offer.id == population_id:
            self._offer = _Offer(population_id, gate, True)
            self._count_offer()

    # -- tools ----------------------------------------------------------------------------------

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
        self.phases.populations.choose(population_id or None)
        self._show_scheme()

    def _edit_outline(self, population_id: str) -> None:
        """Give a population handles in its plot, or a brush on the map; again, take them away."""
        population = self.scheme.population(population_id)
        if isinstance(population.gate, InUnit):
            self._desk.said.emit("info", "A unit is edited in the list of units, on the page «Modes».")
            return
        if isinstance(population.gate, Painted):
            self._painting = population_id
            self.acts.paint.setChecked(True)
            self.wanted.emit()
            self.tool_wanted.emit("paint")
            self._painting = population_id
            return
        self._edited = None if self._edited == population_id else population_id
        self.board.edit_population(self._edited)
        self._show_scheme()

    def _population_tool(self, population_id: str, tool: str) -> None:
        if tool == "eye":
            self._pinned = None if self._pinned == population_id else population_id
            self._show_scheme()
            self._glow()
        elif self._desk.readonly is not None:
            self._desk.said.emit("caution", f"Nothing can be changed. {self._desk.readonly}")
        elif tool == "invert":
            self._invert(population_id)
        else:
            self._edit_outline(population_id)

    def _step(self, by: int) -> None:
        self.wanted.emit()
        ids = [p.id for p in self.scheme.phases]
        if ids:
            at = ids.index(self.chosen_phase) + by if self.chosen_phase in ids else 0
            self._choose_phase(ids[at % len(ids)])

    def _choose_phase(self, phase_id: str | None) -> None:
        self.phases.phases.choose(phase_id)
        self._show_chosen()

    def choose_colour(self, phase_id: str) -> None:
        """Let the user choose the colour of a phase, on the page of the key."""
        phase = edits.find_phase(self.scheme, phase_id)
        model = self.key.model
        for at in range(model.rowCount()) if phase is not None else ():
            assert phase is not None
            if model.entry(at).name.strip().casefold() == phase.name.strip().casefold():
                self.panel.show_page("key")
                self.key.choose_colour(at)

    def _phase_menu(self, phase_id: str, at: QPoint) -> None:
        menu = QMenu(self.panel)
        self.fill_phase_menu(menu, phase_id)
        menu.popup(at)

    def fill_phase_menu(self, menu: QMenu, phase_id: str) -> None:
        """Put into a menu what can be done with a phase."""
        menu.setToolTipsVisible(True)
        writable = self._desk.readonly is None
        if phase_id == UNSORTED:
            action = menu.addAction("What is left cannot be changed: add phases to make it less")
            action.setEnabled(False)
            return
        phase_list = self.phases.phases
        ids = [p.id for p in self.scheme.phases]
        for text, run, able in (
            ("Rename", lambda: phase_list.rename(phase_id), True),
            ("Colour…", lambda: self.choose_colour(phase_id), True),
            ("", None, True),
            ("Move up\tAlt+Up", lambda: phase_list.step(phase_id, -1), ids[0] != phase_id),
            ("Move down\tAlt+Down", lambda: phase_list.step(phase_id, 1), ids[-1] != phase_id),
            ("", None, True),
            ("Duplicate", self._duplicate_phase, True),
            ("Delete\tDel", lambda: self._delete_phase(phase_id), True),
        ):
            if run is None:
                menu.addSeparator()
            else:
                menu.addAction(text, run).setEnabled(able and writable)

    def _population_menu(self, population_id: str, at: QPoint) -> None:
        menu = QMenu(self.panel)
        self.fill_population_menu(menu, population_id)
        menu.popup(at)

    def fill_population_menu(self, menu: QMenu, population_id: str) -> None:
        """Put into a menu what can be done with a population."""
        menu.setToolTipsVisible(True)
        writable = self._desk.readonly is None
        populations = self.phases.populations
        menu.addAction("Rename", lambda: populations.rename(population_id)).setEnabled(writable)
        for text, tool in (("Edit the outline", "edit"), ("Invert", "invert"), ("Keep lit", "eye")):
            action = menu.addAction(text, lambda t=tool: self._population_tool(population_id, t))
            action.setEnabled(writable or tool == "eye")
        menu.addSeparator()
        action = menu.addAction("New phase of it…", lambda: self._ask_name(population_id))
        action.setEnabled(writable)
        sub = menu.addMenu("Add to phase")
        sub.setEnabled(writable and bool(self.scheme.phases))
        for phase in self.scheme.phases:
            entry = sub.addMenu(plain_menu_text(phase.name))
            for text, join in (("or it", "or"), ("and it", "and"), ("and not it", "not")):
                entry.addAction(
                    text,
                    lambda p=phase.id, j=join: self._join(population_id, p, j),  # type: ignore[misc]
                )
        menu.addSeparator()
        menu.addAction("Duplicate", self._duplicate_population).setEnabled(writable)
        menu.addAction(
            "Delete\tDel", lambda: self._delete_population(population_id)
        ).setEnabled(writable)

    def _ask_name(self, population_id: str) -> None:
        """Offer a population in the strip once more."""
        population = self.scheme.population(population_id)
        self._close_strip()
        self._offer_gate(_Offer(population.id, population.gate, True), population.name)

    def _join(self, population_id: str, phase_id: str, join: edits.Join) -> None:
        phase = self.scheme.phase(phase_id)
        self._edit(
            f"Change the rule of {phase.name}",
            lambda s: edits.change_phase(
                s, phase_id, rules=edits.joined(phase.rules, population_id, join)
            ),
        )
        self._choose_phase(phase_id)

    # -- glowing --------------------------------------------------------------------------------

    def _hover_population(self, population_id: str | None) -> None:
        self._hover(None if population_id is None else ("population", population_id))

    def _hover_named(self, name: str) -> None:
        """The pointer is on a phase of the key, which this map need not have."""
        phase = edits.named(self.scheme, name) if name else None
        self._hover(None if phase is None else ("phase", phase.id))

    def _hover(self, what: tuple[str, str] | None) -> None:
        self._hovered = what
        self._glow()

    def _leave(self) -> None:
        """What is under the pointer is about to go: it glows no more."""
        self._hovered = None
        self._glow()

    def _glow(self) -> None:
        """Light up what is under the pointer; else what is kept lit, or is asked about."""
        map_id = self._map_id
        if map_id is None:
            return
        what = self._hovered
        if what is None and self._pinned is not None:
            what = ("population", self._pinned)
        if what is None and self._offer is not None:
            if self._offer.stored:
                what = ("population", self._offer.id)
            elif isinstance(self._offer.gate, Painted):
                self._desk.light_region(map_id, self._offer.gate.outlines)
                return
        if what == self._told:
            return
        self._told = what
        self.board.glow(None if what is None else what[1])
        if what is None:
            self._desk.douse(map_id)
        elif what[0] == "phase":
            self._desk.light_phase(map_id, what[1])
        else:
            self._light_population(what[1])

    def _light_population(self, population_id: str) -> None:
        population = edits.find_population(self.scheme, population_id)
        if population is not None and self._map_id is not None:
            self._desk.light_gate(self._map_id, population.gate, population.inverted)

    def _dark(self) -> None:
        self._hovered = None
        self._told = None
        self.board.glow(None)

    # -- what the desk tells ---------------------------------------------------------------------

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        # A map is sorted and populations are counted for who looks at them only.
        if watched is self.panel and event.type() in (QEvent.Type.Show, QEvent.Type.PaletteChange):
            self._soon.start()
        return super().eventFilter(watched, event)

    def _document_changed(self, name: str) -> None:
        if name not in ("schemes", "key", "setup", "units"):
            return
        if self._offer is not None and self._offer.stored:
            if edits.find_population(self.scheme, self._offer.id) is None:
                self._close_strip()  # it was undone
            else:
                self.strip.set_phases(self._joinable())
        if self._pinned is not None and edits.find_population(self.scheme, self._pinned) is None:
            self._pinned = None
        if self._edited is not None and edits.find_population(self.scheme, self._edited) is None:
            self._edited = None
        self._show_scheme()

    def _phases_changed(self, map_id: str) -> None:
        if map_id == self._map_id:
            self._show_scheme()

    # -- showing --------------------------------------------------------------------------------

    def _inside(self, map_id: str) -> int:
        """Pixels inside the outline, as far as they are counted; else of the whole map."""
        image = self._desk.sorting.latest(map_id)
        if image is not None:
            return image.inside
        rows, cols = self._desk.maps[map_id].shape
        return rows * cols

    def _show_scheme(self) -> None:
        """Show everything anew from the desk."""
        map_id, scheme, sorting = self._map_id, self.scheme, self._desk.sorting
        page = self.phases
        visible = self.panel.isVisible()
        image, stale = None, False
        if map_id is not None and map_id in self._desk.maps:
            image = sorting.image(map_id) if visible else sorting.latest(map_id)
            stale = bool(scheme.phases) and not sorting.fresh(map_id)
        rows = phase_rows(self._desk, scheme, image, stale=stale)
        page.phases.show_rows(rows)
        trouble = sorting.trouble(map_id) if map_id is not None else ""
        page.trouble.setText(f"The map cannot be sorted. {trouble}" if trouble else "")
        page.trouble.setVisible(bool(trouble))
        page.state.setText("sorting …" if stale and visible and not trouble else "")
        overlaps = Overlaps()
        if image is not None:
            tally = image.tally
            overlaps = overlaps_of(tally.claimed, tally.won, tally.overlaps)
        page.overlaps.show_overlaps(overlaps, () if image is None else image.names)
        if map_id is not None:
            counts = self._counts if visible else None
            shown, edited = self._pinned, self._edited
            page.populations.show_rows(
                population_rows(self._desk, map_id, scheme, counts, shown=shown, edited=edited)
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
        page, map_id = self.phases, self._map_id
        phase = edits.find_phase(self.scheme, self.chosen_phase)
        if phase is not None and map_id is not None:
            names = {p.id: p.name for p in self.scheme.populations}
            units = [u.name for u in self._desk.sorting.units(map_id)]
            page.rule.show_rules(phase.rules, names, units)
            page.cleaning.show_cleaning(phase.cleaning, self._desk.maps[map_id].pixel_um)
            image = self._desk.sorting.latest(map_id)
            report = None
            if image is not None and phase.id in image.ids and not phase.cleaning.idle:
                report = image.reports[image.label(phase.id) - 1]
            stale = not self._desk.sorting.fresh(map_id)
            page.cleaning.show_report(report, stale=stale)
            page.show_chosen(phase.name)
            page.sum_up(rule_words(self.scheme, phase.rules))
        else:
            page.show_chosen(None, self._left_over())
            page.sum_up("")
        self._enable()

    def _left_over(self) -> str:
        """What is said of the row of unsorted pixels, where that is chosen."""
        if self.phases.phases.current != UNSORTED or self._map_id is None:
            return ""
        image = self._desk.sorting.latest(self._map_id)
        if image is None:
            return ""
        text = LEFT_OVER
        if image.tally.missing:
            missing = grouped(image.tally.missing)
            text += f" {missing} of them have no value in a layer that a rule looks at."
        return text

    def _enable(self) -> None:
        self.acts.enable(
            shown=self._map_id is not None,
            phases=bool(self.scheme.phases),
            phase=self.chosen_phase is not None,
            population=self.phases.populations.current is not None,
            several_maps=len(self._desk.maps) > 1,
        )

    def _show_painted(self) -> None:
        painted = painted_groups(self._desk, self._map_id, self.scheme)
        if painted != self._painted:
            self._painted = painted
            self.painted_changed.emit(painted)
