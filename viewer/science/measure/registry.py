"""Every kind of measurement there is: read by the command line, the ledger and the guide.

A new measurement is a file beside this one and a row in one of the ``kinds_`` files.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from viewer.errors import UsageError
from viewer.science.measure.kind import Kind
from viewer.science.measure.kinds_contact import CONTACTS
from viewer.science.measure.kinds_modes import MODES
from viewer.science.measure.kinds_rims import RIMS
from viewer.science.measure.kinds_ruler import RULERS
from viewer.science.measure.kinds_thickness import THICKNESSES
from viewer.science.measure.kinds_traverse import TRAVERSES

__all__ = ["KINDS", "Kind", "kind"]

KINDS: Mapping[str, Kind] = MappingProxyType(
    {k.name: k for k in (*RULERS, *MODES, *CONTACTS, *THICKNESSES, *RIMS, *TRAVERSES)}
)
"""Kinds by name, in the order in which they are listed to the user."""


def kind(name: str) -> Kind:
    """The kind called `name`.

    Raises
    ------
    UsageError
        There is none.
    """
    if name not in KINDS:
        raise UsageError(
            f"There is no measurement called {name!r}.", hint=f"There are: {', '.join(KINDS)}."
        )
    return KINDS[name]
