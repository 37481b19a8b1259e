"""What lights up on map and plots: what the pointer is on, what is kept lit, what is asked about."""

from __future__ import annotations

from typing import Literal

from viewer.panels.sort.bench_editor import Editor
from viewer.panels.sort.board import PlotBoard
from viewer.science.sort.scheme import Painted

Lamp = tuple[Literal["phase", "population"], str]
"""What is to light up: its kind and its id; a phase of id ``""``: what is unsorted."""


class Glow:
    """Decides what lights up.

    Attributes
    ----------
    pinned : str or None
        Id of the population that is kept lit.
    asked : Lamp or Painted or None
        What the bench asks about: it is lit unless the pointer is on something.
    """

    def __init__(self, editor: Editor, board: PlotBoard) -> None:
        self._editor = editor
        self._board = board
        self._under: Lamp | None = None
        self._lit: Lamp | Painted | None = None
        self.pinned: str | None = None
        self.asked: Lamp | Painted | None = None

    def hover(self, what: Lamp | None) -> None:
        """The pointer is on something, or on nothing any more."""
        if what != self._under:
            self._under = what
            self.refresh()

    def refresh(self, *, anew: bool = False) -> None:
        """Light up what is due.

        Parameters
        ----------
        anew : bool
            Even if it was due before: it has changed, or something else was lit in between.
        """
        what: Lamp | Painted | None = self._under
        if what is None and self.pinned is not None:
            what = ("population", self.pinned)
        if what is None:
            what = self.asked
        map_id = self._editor.map_id
        if map_id is None or (what == self._lit and not anew):
            return
        desk, self._lit = self._editor.desk, what
        self._board.glow(what[1] if isinstance(what, tuple) else None)
        if what is None:
            desk.douse(map_id)
        elif isinstance(what, Painted):
            desk.light_region(map_id, what.outlines)
        elif what[0] == "phase":
            desk.light_phase(map_id, what[1])
        else:
            population = self._editor.population(what[1])
            if population is not None:
                desk.light_gate(map_id, population.gate, population.inverted)

    def forget(self) -> None:
        """Another map is looked at: nothing of this one is lit any more."""
        self._under = self.pinned = self.asked = None
        self.refresh()
