"""What was just drawn, and what the user makes of it: a new phase, part of one, a population only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QObject, Signal
from PySide6.QtGui import QColor

from viewer.desk.measuring import new_id
from viewer.panels.sort import phase_edits as edits
from viewer.panels.sort.bench_editor import Editor
from viewer.panels.sort.bench_glow import Glow, Lamp
from viewer.panels.sort.population_counts import PopulationCounts
from viewer.panels.sort.population_strip import PopulationStrip
from viewer.panels.sort.population_words import axes_of
from viewer.science.sort.gates import crosses_itself
from viewer.science.sort.key import next_colour
from viewer.science.sort.scheme import (
    MAX_POPULATIONS,
    Gate,
    Painted,
    Phase,
    Point,
    Polygon,
    Population,
    Scheme,
    Term,
    Ternary,
)

CROSSED = (
    "The outline crosses itself: what it goes around twice is outside, by the even-odd rule."
)


@dataclass(frozen=True)
class Offer:
    """What the strip asks about.

    Attributes
    ----------
    stored : bool
        It is a population of the scheme. A region of the map becomes one only on request.
    """

    id: str
    gate: Gate
    stored: bool

    @property
    def merge(self) -> str:
        """Drawing and naming are one step of undo."""
        return f"drawn {self.id}"


class Offers(QObject):
    """Asks in the strip what becomes of a gate.

    Signals
    -------
    offered(str)
        Id of a population that is asked about now.
    phase_made(str)
        Id of a phase that it was made into, or that it joined.
    closed(str)
        Id of what is asked about no more.
    """

    offered = Signal(str)
    phase_made = Signal(str)
    closed = Signal(str)

    def __init__(
        self,
        editor: Editor,
        strip: PopulationStrip,
        counts: PopulationCounts,
        glow: Glow,
        parent: QObject,
    ) -> None:
        super().__init__(parent)
        self._editor = editor
        self._strip = strip
        self._counts = counts
        self._glow = glow
        self.current: Offer | None = None
        strip.named.connect(self.name)
        strip.joined.connect(self.join)
        strip.kept.connect(self.keep)
        strip.closed.connect(self.close)
        strip.discarded.connect(self.discard)
        strip.typed.connect(self._typed)

    # -- asking ---------------------------------------------------------------------------------

    def draw(self, gate: Gate) -> str | None:
        """Keep a gate as a population at once, and ask; the id of the population."""
        editor = self._editor
        self.close()
        if len(editor.scheme.populations) >= MAX_POPULATIONS:
            editor.desk.said.emit(
                "caution",
                f"A scheme holds {MAX_POPULATIONS} populations at most: delete one that no phase uses.",
            )
            return None
        name = editor.first_population(gate)
        offer = Offer(new_id(), gate, stored=True)
        population = Population(id=offer.id, name=name, gate=gate)
        label = f"Draw population {name}"
        if not editor.edit(label, lambda s: edits.add_population(s, population), offer.merge):
            return None
        self._ask(offer, "New population")
        return offer.id

    def region(self, gate: Painted) -> None:
        """Ask about a region of the map, which is no population yet."""
        self.close()
        self._ask(Offer(new_id(), gate, stored=False), "Region")

    def ask(self, population: Population) -> None:
        """Ask about a population that is there."""
        self.close()
        self._ask(Offer(population.id, population.gate, stored=True), population.name)

    def redrawn(self, population_id: str, gate: Gate) -> None:
        """A population has another gate: what is asked about follows."""
        if self.current is not None and self.current.id == population_id:
            self.current = Offer(population_id, gate, stored=True)
            self._count()

    def refresh(self) -> None:
        """The scheme has changed: what was undone is asked about no more."""
        offer = self.current
        if offer is None:
            return
        if offer.stored and self._editor.population(offer.id) is None:
            self.close()
        else:
            self._strip.set_phases(self._joinable())

    def _ask(self, offer: Offer, title: str) -> None:
        self.current = offer
        self._glow.hover(None)
        self._glow.asked = self._lamp(offer)
        key, scheme = self._editor.desk.sorting.key, self._editor.scheme
        known = [e.name for e in key.entries if edits.named(scheme, e.name) is None]
        cautions = [CROSSED] if crosses(offer.gate) else []
        self._strip.offer(title, axes_of(offer.gate), self._joinable(), known, cautions)
        self._glow.refresh(anew=True)
        self._count()
        if offer.stored:
            self.offered.emit(offer.id)

    @staticmethod
    def _lamp(offer: Offer) -> Lamp | Painted:
        if isinstance(offer.gate, Painted) and not offer.stored:
            return offer.gate
        return ("population", offer.id)

    def _joinable(self) -> list[tuple[str, str, QColor]]:
        colour = self._editor.desk.sorting.colour
        return [(p.id, p.name, QColor(*colour(p.name))) for p in self._editor.scheme.phases]

    def _count(self) -> None:
        offer, map_id = self.current, self._editor.map_id
        if offer is None or map_id is None:
            return
        self._strip.set_count(None, 0)
        total = self._counts.inside(map_id)

        def done(pixels: int) -> None:
            if self.current == offer:
                self._strip.set_count(pixels, total)

        self._counts.once(map_id, offer.gate, done)

    def _typed(self, name: str) -> None:
        key = self._editor.desk.sorting.key
        entry = key.entry(name) if name else None
        colour = entry.colour if entry is not None else next_colour([e.colour for e in key.entries])
        self._strip.set_colour(QColor(colour))

    # -- answers --------------------------------------------------------------------------------

    def name(self, name: str) -> None:
        """Make a phase of it."""
        offer = self.current
        if offer is None:
            return
        other = edits.named(self._editor.scheme, name)
        if other is not None:
            self._strip.refuse(
                f"There is a phase «{other.name}» already: choose another name, or add the "
                "population to it."
            )
            return
        phase = Phase(id=new_id(), name=name, rules=((Term(population=offer.id),),))

        def change(scheme: Scheme) -> Scheme:
            return edits.add_phase(self._with(scheme, offer, name), phase)

        if self._editor.edit(f"New phase {name}", change, offer.merge):
            self.close()
            self.phase_made.emit(phase.id)

    def join(self, phase_id: str, how: edits.Join) -> None:
        """Let it join a phase."""
        offer, phase = self.current, self._editor.phase(phase_id)
        if offer is None or phase is None:
            return

        def change(scheme: Scheme) -> Scheme:
            rules = edits.joined(phase.rules, offer.id, how)
            return edits.change_phase(self._with(scheme, offer, ""), phase.id, rules=rules)

        if self._editor.edit(f"Add to {phase.name}", change, offer.merge):
            self.close()
            self.phase_made.emit(phase.id)

    def keep(self, name: str) -> None:
        """Leave it a population, under a name or the one it has."""
        offer = self.current
        if offer is not None and self._editor.edit(
            "Keep a population", lambda s: self._with(s, offer, name), offer.merge
        ):
            self.close()

    def discard(self) -> None:
        """Take it away again."""
        offer = self.current
        if offer is None:
            return
        self.close()
        population = self._editor.population(offer.id)
        if population is None:
            return
        if self._editor.desk.undo_label == f"Draw population {population.name}":
            self._editor.desk.undo()
        else:
            self._editor.delete_population(offer.id)

    def close(self) -> None:
        """Ask no more; what is stored of it stays."""
        offer, self.current = self.current, None
        if offer is None:
            return
        self._counts.drop_once()
        self._strip.hide()
        self._editor.desk.end_merge()
        self._glow.asked = None
        self._glow.refresh(anew=True)
        self.closed.emit(offer.id)

    def _with(self, scheme: Scheme, offer: Offer, name: str) -> Scheme:
        """The scheme with it as a population, under a name that is free."""
        editor = self._editor
        if edits.find_population(scheme, offer.id) is None:
            free = editor.free_population(name) if name else editor.first_population(offer.gate)
            population = Population(id=offer.id, name=free, gate=offer.gate)
            return edits.add_population(scheme, population)
        if not name:
            return scheme
        free = editor.free_population(name, but=offer.id)
        return edits.change_population(scheme, offer.id, name=free)


def crosses(gate: Gate) -> bool:
    """True where an outline of a gate crosses itself."""
    outlines: tuple[tuple[Point, ...], ...] = ()
    if isinstance(gate, Polygon | Ternary):
        outlines = (gate.points,)
    elif isinstance(gate, Painted):
        outlines = gate.outlines
    return any(crosses_itself(np.array(points, np.float64)) for points in outlines)
