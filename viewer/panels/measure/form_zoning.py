"""What is asked for about zoning from core to rim."""

from __future__ import annotations

from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.panels.measure.form import Lack, RequestForm
from viewer.panels.measure.many_picker import ManyPicker
from viewer.panels.measure.pickers import Choice, NumberBox, Picker, phases_of
from viewer.store.requests import Point, Request, ZoningRequest

_BINS = 20
_LEAST_BINS, _MOST_BINS = 4, 200
_MIDDLE = Choice("middle", "The grain in the middle of the view")
_KEPT = Choice("kept", "The same grain as before")


class ZoningForm(RequestForm):
    """Which layer in the grains of which phase: all grains, or the one in the middle of the view."""

    kind = ZoningRequest.kind
    by_phases = True

    def __init__(self) -> None:
        super().__init__()
        self._kept: Point | None = None
        self.phase = self.pick_phase("Phase", "Phase whose grains are zoned")
        self.layer = self.pick_layer("Layer", "Channel or derived layer that changes")
        self.grains = self.pick(
            "Grains",
            lambda _desk, _map_id: self._grains(),
            Picker(
                "Grains",
                "Every grain of the phase, or the one grain that lies in the middle of the view",
                "all grains",
                without="All grains",
            ),
        )
        self.within()
        self.with_rims = self.pick_many(
            "With rims of",
            phases_of,
            ManyPicker(
                "With rims of",
                "Phases that grew around and count as part of the grain",
                "no phases yet",
                "none",
            ),
            more=True,
        )
        self.bins = self.number(
            "Steps",
            NumberBox(
                "Steps",
                f"Steps from core to rim, {_LEAST_BINS} to {_MOST_BINS}",
                "",
                most=_MOST_BINS,
                otherwise=str(_BINS),
                decimals=0,
            ),
        )
        self.smallest = self.number(
            "Smallest grain",
            NumberBox("Smallest grain", "Area of the smallest grain that counts", "µm²"),
        )

    def further_lack(self, desk: Desk, map_id: str) -> Lack | None:
        if self.with_rims.missing:
            return Lack(f"There is no «{self.with_rims.missing[0]}» on this map.")
        if self.phase.value in self.with_rims.values:
            return Lack(f"«{self.phase.value}» is the phase itself: it is no rim of its own.")
        return None

    @property
    def at_um(self) -> Point | None:
        """A place in the one grain that is meant (µm on the stored map); None for all grains."""
        chosen = str(self.grains.currentData() or "")
        if chosen == _MIDDLE.id and self._view_um is not None:
            left, top, right, bottom = self._view_um
            return (left + right) / 2, (top + bottom) / 2
        return self._kept if chosen == _KEPT.id else None

    def request(self) -> Request:
        assert self.region is not None
        bins = self.bins.number
        if bins is not None and bins < _LEAST_BINS:
            raise InputError(
                "There are too few steps from core to rim.", hint=f"Give {_LEAST_BINS} or more."
            )
        return ZoningRequest(
            phase=self.phase.value or "",
            layer=self.layer.value or "",
            with_rims=self.with_rims.values,
            at_um=self.at_um,
            bins=_BINS if bins is None else round(bins),
            smallest_um2=self.smallest.number,
            unit=self.region.unit,
            view_um=self.region.view_um,
        )

    def show_request(self, request: Request) -> None:
        assert isinstance(request, ZoningRequest)
        assert self.region is not None
        self.phase.choose(request.phase)
        self.layer.choose(request.layer)
        self._kept = request.at_um
        self.grains.fill(self._grains())
        self.grains.choose(None if request.at_um is None else _KEPT.name)
        self.with_rims.choose(request.with_rims)
        self.bins.set_number(None if request.bins == _BINS else request.bins)
        self.smallest.set_number(request.smallest_um2)
        self.region.show_region(request.unit, request.view_um)

    def _grains(self) -> list[Choice]:
        known = ((_MIDDLE, self._view_um), (_KEPT, self._kept))
        return [choice for choice, where in known if where is not None]
