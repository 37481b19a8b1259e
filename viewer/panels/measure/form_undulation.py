"""What is asked for about the waves of a contact."""

from __future__ import annotations

from viewer.errors import InputError
from viewer.panels.measure.form import RequestForm
from viewer.panels.measure.pickers import NumberBox
from viewer.store.requests import Request, UndulationRequest


class UndulationForm(RequestForm):
    """Which contact, and which wavelengths are looked for."""

    kind = UndulationRequest.kind

    def __init__(self) -> None:
        super().__init__()
        self.line = self.pick_line("Contact", "contact", "Contact that waves")
        self.shortest = self.number(
            "Shortest wave", NumberBox("Shortest wave", "Shortest wavelength that is looked for")
        )
        self.longest = self.number(
            "Longest wave", NumberBox("Longest wave", "Longest wavelength that is looked for")
        )

    def request(self) -> Request:
        shortest, longest = self.shortest.number, self.longest.number
        if shortest is not None and longest is not None and shortest >= longest:
            raise InputError(
                "The shortest wave is not shorter than the longest.",
                hint="Give a shorter one, or leave both to be chosen.",
            )
        return UndulationRequest(line=self.line.value or "", shortest_um=shortest, longest_um=longest)

    def show_request(self, request: Request) -> None:
        assert isinstance(request, UndulationRequest)
        self.line.choose(request.line)
        self.shortest.set_number(request.shortest_um)
        self.longest.set_number(request.longest_um)
