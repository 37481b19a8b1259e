"""What is asked for about a phase that comes or goes across a contact."""

from __future__ import annotations

from viewer.panels.measure.form import RequestForm
from viewer.panels.measure.pickers import NumberBox
from viewer.store.requests import GradientRequest, Request


class GradientForm(RequestForm):
    """Which phase across which contact, and how far from it."""

    kind = GradientRequest.kind
    by_phases = True

    def __init__(self) -> None:
        super().__init__()
        self.line = self.pick_line("Contact", "contact", "Contact across which the phase comes or goes")
        self.phase = self.pick_phase("Phase", "Phase that comes or goes")
        self.within()
        self.reach = self.number(
            "Reach", NumberBox("Reach", "How far to either side of the contact is looked at")
        )

    def request(self) -> Request:
        assert self.region is not None
        return GradientRequest(
            line=self.line.value or "",
            phase=self.phase.value or "",
            reach_um=self.reach.number,
            unit=self.region.unit,
            view_um=self.region.view_um,
        )

    def show_request(self, request: Request) -> None:
        assert isinstance(request, GradientRequest)
        assert self.region is not None
        self.line.choose(request.line)
        self.phase.choose(request.phase)
        self.reach.set_number(request.reach_um)
        self.region.show_region(request.unit, request.view_um)
