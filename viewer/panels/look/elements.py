"""English names of the elements (IUPAC), in order of atomic number."""

from __future__ import annotations

from typing import Final

from viewer.intake.periodic import NUMBERS

_LISTED: Final = (
    "Hydrogen Helium Lithium Beryllium Boron Carbon Nitrogen Oxygen Fluorine Neon Sodium "
    "Magnesium Aluminium Silicon Phosphorus Sulfur Chlorine Argon Potassium Calcium Scandium "
    "Titanium Vanadium Chromium Manganese Iron Cobalt Nickel Copper Zinc Gallium Germanium "
    "Arsenic Selenium Bromine Krypton Rubidium Strontium Yttrium Zirconium Niobium Molybdenum "
    "Technetium Ruthenium Rhodium Palladium Silver Cadmium Indium Tin Antimony Tellurium "
    "Iodine Xenon Caesium Barium Lanthanum Cerium Praseodymium Neodymium Promethium Samarium "
    "Europium Gadolinium Terbium Dysprosium Holmium Erbium Thulium Ytterbium Lutetium Hafnium "
    "Tantalum Tungsten Rhenium Osmium Iridium Platinum Gold Mercury Thallium Lead Bismuth "
    "Polonium Astatine Radon Francium Radium Actinium Thorium Protactinium Uranium Neptunium "
    "Plutonium Americium Curium Berkelium Californium Einsteinium Fermium Mendelevium Nobelium "
    "Lawrencium Rutherfordium Dubnium Seaborgium Bohrium Hassium Meitnerium Darmstadtium "
    "Roentgenium Copernicium Nihonium Flerovium Moscovium Livermorium Tennessine Oganesson"
)
_NAMES: Final = tuple(_LISTED.split())


def element_name(symbol: str | None) -> str:
    """Name of an element by its symbol, empty where there is no such element."""
    number = NUMBERS.get(symbol or "")
    return "" if number is None else _NAMES[number - 1]
