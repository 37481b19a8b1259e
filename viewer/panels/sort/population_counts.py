"""How many pixels each population of a map holds, counted once in the background and remembered."""

from __future__ import annotations

from collections.abc import Callable, Hashable

from PySide6.QtCore import QObject, Signal

from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.panels.latest import Latest
from viewer.science.progress import Progress
from viewer.science.sort.scheme import Gate, InUnit, Painted, Population, layers_of

MOST = 2000
"""Counts that are remembered."""

ONCE = "once"


class PopulationCounts(QObject):
    """Counts of pixels in gates, inside the outline.

    Signals
    -------
    counted()
        A count has come in.
    """

    counted = Signal()

    def __init__(self, desk: Desk, latest: Latest, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self._latest = latest
        self._known: dict[Hashable, int] = {}
        self._asked: dict[str, Hashable] = {}

    def trouble(self, map_id: str, gate: Gate) -> str:
        """Why a gate means nothing on a map; empty where it does."""
        for name in layers_of(gate):
            try:
                self._desk.layer(map_id, name)
            except InputError as error:
                return error.what
        if isinstance(gate, InUnit) and self._desk.sorting.unit_of(gate, map_id) is None:
            return f"There is no unit «{gate.unit}» on this map"
        if isinstance(gate, Painted) and gate.map != map_id:
            return "Painted on another map: it means nothing here"
        return ""

    def of(self, map_id: str, population: Population) -> int | None:
        """Pixels of a population; None while they are counted, which `counted` ends."""
        at = self._key(map_id, population.gate, population.inverted)
        if at is None:
            return None
        if at in self._known:
            return self._known[at]
        self._ask(f"count {population.id}", at, map_id, population.gate, population.inverted)
        return None

    def once(self, map_id: str, gate: Gate, done: Callable[[int], None]) -> None:
        """Count a gate of which only the latest matters; `done` gets the pixels."""
        at = self._key(map_id, gate, False)
        if at is None:
            return
        if at in self._known:
            done(self._known[at])
            return

        def take(pixels: int) -> None:
            self._remember(at, pixels)
            done(pixels)

        self._latest.ask(ONCE, lambda p: self._desk.sorting.count(map_id, gate, progress=p), take)

    def drop_once(self) -> None:
        """Nobody waits for `once` any more."""
        self._latest.drop(ONCE)

    def inside(self, map_id: str) -> int:
        """Pixels inside the outline, once the map is sorted; before, those of the whole map."""
        image = self._desk.sorting.latest(map_id)
        if image is not None:
            return image.inside
        rows, cols = self._desk.maps[map_id].shape
        return rows * cols

    def forget_questions(self) -> None:
        """Stop counting: another map is looked at."""
        for key in self._asked:
            self._latest.drop(key)
        self._asked.clear()

    def _ask(self, key: str, at: Hashable, map_id: str, gate: Gate, inverted: bool) -> None:
        if self._asked.get(key) == at:
            return
        self._asked[key] = at

        def work(progress: Progress) -> int:
            return self._desk.sorting.count(map_id, gate, inverted=inverted, progress=progress)

        def take(pixels: int) -> None:
            self._asked.pop(key, None)
            self._remember(at, pixels)
            self.counted.emit()

        self._latest.ask(key, work, take)

    def _remember(self, at: Hashable, pixels: int) -> None:
        self._known[at] = pixels
        while len(self._known) > MOST:
            del self._known[next(iter(self._known))]

    def _key(self, map_id: str, gate: Gate, inverted: bool) -> Hashable | None:
        """Equal where the count is; None where a layer of the gate is not there."""
        layers = []
        for name in layers_of(gate):
            try:
                layer = self._desk.layer(map_id, name)
            except InputError:
                return None
            layers.append((layer.path, layer.info.content))
        unit = self._desk.sorting.unit_of(gate, map_id) if isinstance(gate, InUnit) else None
        return (map_id, gate, inverted, tuple(layers), self._desk.setup(map_id).outline, unit)
