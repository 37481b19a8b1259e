"""What is asked for about the thickness of a layer along it."""

from __future__ import annotations

from viewer.desk.desk import Desk
from viewer.panels.measure.form import Lack, RequestForm
from viewer.panels.measure.pickers import NumberBox, Picker, lines_of, units_of
from viewer.store.requests import LayerThicknessRequest, Request, Window


class LayerThicknessForm(RequestForm):
    """A unit, or two contacts; how densely, and at what angle the face cuts the layer."""

    kind = LayerThicknessRequest.kind
    needs_up = True

    def __init__(self) -> None:
        super().__init__()
        self.unit = self.pick(
            "Unit",
            units_of,
            Picker(
                "Unit",
                "Unit that is measured between its lower and its upper edge along way-up",
                "no unit on this map",
                without="Between two contacts",
            ),
        )
        self.below = self._contact("Lower contact", "Contact below the layer")
        self.above = self._contact("Upper contact", "Contact above the layer")
        self.spacing = self.number(
            "Every", NumberBox("Every", "Distance between the places where it is measured")
        )
        self.cut = self.number(
            "Cut angle",
            NumberBox(
                "Cut angle",
                "Angle between the face and the layer, 90 where the face cuts it square: makes the "
                "thickness true",
                "°",
                most=90.0,
                otherwise="not known",
            ),
        )
        self.unit.changed.connect(self._show_contacts)

    def _contact(self, label: str, tip: str) -> Picker:
        return self.pick(
            label,
            lambda desk, map_id: lines_of(desk, map_id, "contact"),
            Picker(label, tip, "no contact on this map", without="none"),
        )

    def _show_contacts(self) -> None:
        # A unit has edges of its own.
        for picker in (self.below, self.above):
            picker.setEnabled(self.unit.value is None)

    def fill(self, desk: Desk, map_id: str | None, view_um: Window | None = None) -> None:
        super().fill(desk, map_id, view_um)
        self._show_contacts()

    def further_lack(self, desk: Desk, map_id: str) -> Lack | None:
        if self.unit.value is not None:
            return None
        if self.below.value is None or self.above.value is None:
            return Lack("Choose a unit, or a lower and an upper contact.", "contact", "Draw a contact")
        if self.below.value == self.above.value:
            return Lack("Lower and upper contact are the same line.")
        return None

    def request(self) -> Request:
        by_unit = self.unit.value is not None
        return LayerThicknessRequest(
            unit=self.unit.value,
            lower=None if by_unit else self.below.value,
            upper=None if by_unit else self.above.value,
            spacing_um=self.spacing.number,
            cut_deg=self.cut.number,
        )

    def show_request(self, request: Request) -> None:
        assert isinstance(request, LayerThicknessRequest)
        self.unit.choose(request.unit)
        self.below.choose(request.lower)
        self.above.choose(request.upper)
        self.spacing.set_number(request.spacing_um)
        self.cut.set_number(request.cut_deg)
        self._show_contacts()
