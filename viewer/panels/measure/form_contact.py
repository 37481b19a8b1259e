"""What is asked for about the length and direction of a contact."""

from __future__ import annotations

from viewer.panels.measure.form import RequestForm
from viewer.panels.measure.pickers import NumberBox
from viewer.store.requests import ContactRequest, Request


class ContactForm(RequestForm):
    """Which contact, and how closely it is followed."""

    kind = ContactRequest.kind

    def __init__(self) -> None:
        super().__init__()
        self.line = self.pick_line("Contact", "contact", "Contact that is measured")
        self.step = self.number(
            "Step", NumberBox("Step", "Length of the steps in which the contact is followed")
        )

    def request(self) -> Request:
        return ContactRequest(line=self.line.value or "", step_um=self.step.number)

    def show_request(self, request: Request) -> None:
        assert isinstance(request, ContactRequest)
        self.line.choose(request.line)
        self.step.set_number(request.step_um)
