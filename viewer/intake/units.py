"""Units of length and energy as files write them."""

from __future__ import annotations

from typing import Final

_UM: Final = {
    "m": 1e6, "dm": 1e5, "cm": 1e4, "mm": 1e3, "um": 1.0, "µm": 1.0, "μm": 1.0, "nm": 1e-3,
    "pm": 1e-6, "fm": 1e-9, "km": 1e9, "å": 1e-4, "angstrom": 1e-4, "angstroms": 1e-4,
    "metre": 1e6, "metres": 1e6, "meter": 1e6, "meters": 1e6, "millimetre": 1e3,
    "millimetres": 1e3, "millimeter": 1e3, "millimeters": 1e3, "centimetre": 1e4,
    "centimetres": 1e4, "centimeter": 1e4, "centimeters": 1e4, "micrometre": 1.0,
    "micrometres": 1.0, "micrometer": 1.0, "micrometers": 1.0, "micron": 1.0, "microns": 1.0,
    "nanometre": 1e-3, "nanometres": 1e-3, "nanometer": 1e-3, "nanometers": 1e-3,
    "in": 25400.0, "inch": 25400.0, "inches": 25400.0, "thou": 25.4, "li": 25400.0 / 12,
    "ft": 304800.0, "yd": 914400.0, "pt": 25400.0 / 72,
}  # fmt: skip
_EV: Final = {"ev": 1.0, "kev": 1e3, "mev": 1e6, "electronvolt": 1.0, "electronvolts": 1.0}


def length_um(unit: str) -> float | None:
    """How many µm one of a unit of length is, or None if the unit is not known.

    Examples
    --------
    >>> length_um('mm'), length_um('pixel')
    (1000.0, None)
    """
    text = unit.strip()
    # Case tells milli from mega; only the spelt-out names may be in capitals.
    return _UM.get(text) or (_UM.get(text.lower()) if len(text) > 2 or text == "Å" else None)


def energy_ev(unit: str) -> float | None:
    """How many eV one of a unit of energy is, or None if the unit is not known."""
    text = unit.strip()
    if text == "meV":
        return 1e-3
    return _EV.get(text.lower())
