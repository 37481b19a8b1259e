"""What is asked for about values along traverses."""

from __future__ import annotations

from viewer.desk.desk import Desk
from viewer.panels.measure.form import Lack, RequestForm
from viewer.panels.measure.many_picker import ManyPicker
from viewer.panels.measure.pickers import NumberBox, Picker, layers_of, lines_of, phases_of
from viewer.store.requests import Request, TraverseRequest, Window


class TraverseForm(RequestForm):
    """Which traverses, what is followed along them, and which change would matter."""

    kind = TraverseRequest.kind

    def __init__(self) -> None:
        super().__init__()
        self.lines = self.pick_many(
            "Traverses",
            lambda desk, map_id: lines_of(desk, map_id, "traverse"),
            ManyPicker(
                "Traverses",
                "Traverses that are measured; several are averaged",
                "no traverse on this map",
                "choose one or more",
            ),
        )
        self.layers = self.pick_many(
            "Layers",
            layers_of,
            ManyPicker("Layers", "Channels and derived layers to follow", "no layer", "none"),
        )
        self.phases = self.pick_many(
            "Phases",
            phases_of,
            ManyPicker("Phases", "Phases whose share is followed", "no phases yet", "none"),
        )
        self.only_in = self.pick(
            "Layers only in",
            phases_of,
            Picker(
                "Layers only in",
                "Phase whose pixels alone count for the layers: the composition of one mineral, "
                "whatever the modes do",
                "no phases yet",
                without="all pixels",
            ),
        )
        self.contact = self.pick(
            "From contact",
            lambda desk, map_id: lines_of(desk, map_id, "contact"),
            Picker(
                "From contact",
                "Contact that the traverses cross: distances count from there, and the step at it is "
                "told",
                "no contact on this map",
                without="none",
            ),
        )
        self.bound = self.number(
            "Largest change",
            NumberBox(
                "Largest change",
                "Largest change from end to end that would not matter, in the layer's unit (for phases "
                "area %): asks whether the change is no larger than that",
                "",
                otherwise="not tested",
                decimals=4,
            ),
            more=False,
        )
        self.within()
        self.width_box = self.number(
            "Width",
            NumberBox("Width", "Full width of the traverses", otherwise="as drawn"),
        )
        self.step = self.number("Step", NumberBox("Step", "Length of a step along the traverse"))
        self.log = self.tick("Average logarithms", "For values that spread over powers of ten")

    def fill(self, desk: Desk, map_id: str | None, view_um: Window | None = None) -> None:
        super().fill(desk, map_id, view_um)
        # With one traverse on the map there is nothing to choose.
        if map_id is not None and not self.lines.values and not self.lines.missing:
            there = lines_of(desk, map_id, "traverse")
            if len(there) == 1:
                self.lines.choose([there[0].name])
        if map_id is not None:
            units = {desk.layer(map_id, name).unit for name in self.layers.values}
            units |= {"area %"} if self.phases.values else set()
            self.bound.set_unit(units.pop() if len(units) == 1 else "")

    def further_lack(self, desk: Desk, map_id: str) -> Lack | None:
        if self.lines.missing:
            words = f"There is no «{self.lines.missing[0]}» on this map."
            return Lack(words, "traverse", "Draw a traverse")
        lost = (*self.layers.missing, *self.phases.missing)
        if lost:
            return Lack(f"There is no «{lost[0]}» on this map.")
        if not self.lines.values:
            return Lack("Choose a traverse, or draw one on the map.", "traverse", "Draw a traverse")
        if not self.layers.values and not self.phases.values:
            return Lack("Choose a layer or a phase to follow.")
        return None

    @property
    def wants_phases(self) -> bool:
        return bool(self.phases.values) or self.only_in.value is not None

    def request(self) -> Request:
        assert self.region is not None
        return TraverseRequest(
            lines=self.lines.values,
            layers=self.layers.values,
            phases=self.phases.values,
            only_in=self.only_in.value if self.layers.values else None,
            width_um=self.width_box.number,
            step_um=self.step.number,
            contact=self.contact.value,
            bound=self.bound.number,
            log=self.log.isChecked(),
            unit=self.region.unit,
            view_um=self.region.view_um,
        )

    def show_request(self, request: Request) -> None:
        assert isinstance(request, TraverseRequest)
        assert self.region is not None
        self.lines.choose(request.lines)
        self.layers.choose(request.layers)
        self.phases.choose(request.phases)
        self.only_in.choose(request.only_in)
        self.width_box.set_number(request.width_um)
        self.step.set_number(request.step_um)
        self.contact.choose(request.contact)
        self.bound.set_number(request.bound)
        self.log.setChecked(request.log)
        self.region.show_region(request.unit, request.view_um)
