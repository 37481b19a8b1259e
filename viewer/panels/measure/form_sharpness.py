"""What is asked for about the sharpness of a contact."""

from __future__ import annotations

from viewer.panels.measure.form import RequestForm
from viewer.panels.measure.pickers import NumberBox
from viewer.store.requests import Request, SharpnessRequest


class SharpnessForm(RequestForm):
    """Which contact in which layer, how far from it, and how wide the spot was."""

    kind = SharpnessRequest.kind

    def __init__(self) -> None:
        super().__init__()
        self.line = self.pick_line("Contact", "contact", "Contact across which the layer changes")
        self.layer = self.pick_layer("Layer", "Channel or derived layer that changes")
        self.within()
        self.reach = self.number(
            "Reach", NumberBox("Reach", "How far to either side of the contact is looked at")
        )
        self.beam = self.number(
            "Beam width",
            NumberBox(
                "Beam width",
                "Full width at half maximum of the spot that the map was made with; taken off",
                otherwise="not taken off",
                decimals=2,
            ),
        )
        self.local = self.number(
            "Local over",
            NumberBox("Local over", "Length of contact over which local sharpness is told"),
        )
        self.follow = self.tick(
            "Find the edge again near the line",
            "A traced line misses the edge a little: it is found again, stretch by stretch, before "
            "values are averaged, lest the tracing widen the contact",
            on=True,
        )

    def request(self) -> Request:
        assert self.region is not None
        return SharpnessRequest(
            line=self.line.value or "",
            layer=self.layer.value or "",
            reach_um=self.reach.number,
            beam_um=self.beam.number or 0.0,
            window_um=self.local.number,
            follow=self.follow.isChecked(),
            unit=self.region.unit,
            view_um=self.region.view_um,
        )

    def show_request(self, request: Request) -> None:
        assert isinstance(request, SharpnessRequest)
        assert self.region is not None
        self.line.choose(request.line)
        self.layer.choose(request.layer)
        self.reach.set_number(request.reach_um)
        self.beam.set_number(request.beam_um or None)
        self.local.set_number(request.window_um)
        self.follow.setChecked(request.follow)
        self.region.show_region(request.unit, request.view_um)
