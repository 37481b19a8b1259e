"""Symbols of the 118 elements in order of atomic number (IUPAC, 2016)."""

from __future__ import annotations

from typing import Final

_IN_ORDER: Final = (
    "H He Li Be B C N O F Ne Na Mg Al Si P S Cl Ar K Ca Sc Ti V Cr Mn Fe Co Ni Cu Zn Ga Ge As "
    "Se Br Kr Rb Sr Y Zr Nb Mo Tc Ru Rh Pd Ag Cd In Sn Sb Te I Xe Cs Ba La Ce Pr Nd Pm Sm Eu "
    "Gd Tb Dy Ho Er Tm Yb Lu Hf Ta W Re Os Ir Pt Au Hg Tl Pb Bi Po At Rn Fr Ra Ac Th Pa U Np "
    "Pu Am Cm Bk Cf Es Fm Md No Lr Rf Db Sg Bh Hs Mt Ds Rg Cn Nh Fl Mc Lv Ts Og"
)

SYMBOLS: Final[tuple[str, ...]] = tuple(_IN_ORDER.split())

NUMBERS: Final[dict[str, int]] = {symbol: z for z, symbol in enumerate(SYMBOLS, start=1)}


def atomic_number(symbol: str) -> int | None:
    """Atomic number of an element's symbol (spelt as IUPAC does), or None if there is none."""
    return NUMBERS.get(symbol)
