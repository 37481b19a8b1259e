"""What is asked for about the local thickness of a phase."""

from __future__ import annotations

from viewer.panels.measure.form import RequestForm
from viewer.store.requests import LocalThicknessRequest, Request


class LocalThicknessForm(RequestForm):
    """Which phase, and in which part of the map."""

    kind = LocalThicknessRequest.kind
    by_phases = True

    def __init__(self) -> None:
        super().__init__()
        self.phase = self.pick_phase("Phase", "Phase whose pieces are measured")
        self.within()

    def request(self) -> Request:
        assert self.region is not None
        return LocalThicknessRequest(
            phase=self.phase.value or "", unit=self.region.unit, view_um=self.region.view_um
        )

    def show_request(self, request: Request) -> None:
        assert isinstance(request, LocalThicknessRequest)
        assert self.region is not None
        self.phase.choose(request.phase)
        self.region.show_region(request.unit, request.view_um)
