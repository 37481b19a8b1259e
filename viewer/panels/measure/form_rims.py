"""What is asked for about overgrowths around the grains of a phase."""

from __future__ import annotations

from viewer.desk.desk import Desk
from viewer.errors import InputError
from viewer.panels.measure.form import Lack, RequestForm
from viewer.panels.measure.pickers import NumberBox
from viewer.store.requests import Request, RimsRequest

_WIDTH_DEG = 15.0


class RimsForm(RequestForm):
    """Which phase grew around which, in classes of what width, and what open sides count for."""

    kind = RimsRequest.kind
    by_phases = True
    needs_up = True

    def __init__(self) -> None:
        super().__init__()
        self.host = self.pick_phase("Host", "Phase whose grains were grown around", suggest=False)
        self.rim = self.pick_phase("Rim", "Phase that grew around them", suggest=False)
        self.within()
        self.classes = self.number(
            "Classes of",
            NumberBox(
                "Classes of",
                "Width of a class of direction, 5 to 90 degrees",
                "°",
                most=90.0,
                otherwise=f"{_WIDTH_DEG:.0f}°",
            ),
        )
        self.smallest = self.number(
            "Smallest host", NumberBox("Smallest host", "Area of the smallest grain that counts", "µm²")
        )
        self.open_as_zero = self.tick(
            "Count open sides as no thickness",
            "Directions without a rim count as a rim of thickness 0; else they are told apart and "
            "left out of the means",
        )

    def further_lack(self, desk: Desk, map_id: str) -> Lack | None:
        if self.host.value == self.rim.value:
            return Lack("Host and rim are the same phase: choose another one.")
        return None

    def request(self) -> Request:
        assert self.region is not None
        width = self.classes.number
        if width is not None and width < 5.0:
            raise InputError("Classes of direction are too narrow.", hint="Give 5 degrees or more.")
        return RimsRequest(
            host=self.host.value or "",
            rim=self.rim.value or "",
            class_deg=_WIDTH_DEG if width is None else width,
            smallest_um2=self.smallest.number,
            open_as_zero=self.open_as_zero.isChecked(),
            unit=self.region.unit,
            view_um=self.region.view_um,
        )

    def show_request(self, request: Request) -> None:
        assert isinstance(request, RimsRequest)
        assert self.region is not None
        self.host.choose(request.host)
        self.rim.choose(request.rim)
        self.classes.set_number(None if request.class_deg == _WIDTH_DEG else request.class_deg)
        self.smallest.set_number(request.smallest_um2)
        self.open_as_zero.setChecked(request.open_as_zero)
        self.region.show_region(request.unit, request.view_um)
