"""Which part of a map a measurement is limited to."""

from __future__ import annotations

from collections.abc import Sequence

from viewer.panels.measure.pickers import Choice, Picker
from viewer.store.requests import Window

_VIEW = Choice("in view", "What is in view")
"""Its id holds a space, which no unit's does."""

_KEPT = Choice("kept window", "The same window as before")


class RegionPicker(Picker):
    """Chooses the whole map, what is in view, or a rock unit.

    What is in view is taken down when a request is made: it does not move with the view afterwards.
    """

    def __init__(self) -> None:
        super().__init__(
            "Part of the map", "Part of the map that is measured", "nothing", without="Whole map"
        )
        self._view: Window | None = None
        self._kept: Window | None = None
        self._units: list[Choice] = []

    def fill_region(self, units: Sequence[Choice], view_um: Window | None) -> None:
        """Offer these units, and what is in view where that is known (µm on the stored map)."""
        self._view = view_um
        self._units = list(units)
        self._offer()

    def set_view(self, view_um: Window) -> None:
        """The view has moved (µm on the stored map)."""
        self._view = view_um

    def show_region(self, unit: str | None, view_um: Window | None) -> None:
        """Show the part that a request was limited to."""
        self._kept = view_um
        self._offer()
        self.choose(_KEPT.name if view_um is not None else unit)

    @property
    def unit(self) -> str | None:
        """Name of the rock unit; None where no unit is chosen."""
        return None if self._id in ("", _VIEW.id, _KEPT.id) else self.value

    @property
    def view_um(self) -> Window | None:
        """The window; None where none is chosen."""
        return {_VIEW.id: self._view, _KEPT.id: self._kept}.get(self._id)

    @property
    def _id(self) -> str:
        return str(self.currentData() or "")

    def _offer(self) -> None:
        windows = [c for c, w in ((_VIEW, self._view), (_KEPT, self._kept)) if w is not None]
        self.fill([*windows, *self._units])
