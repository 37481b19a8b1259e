"""The chemical elements: symbol, atomic number and standard atomic weight.

Standard atomic weights, abridged to five digits, of the IUPAC Commission on Isotopic Abundances and
Atomic Weights: table 2 of Prohaska et al. 2022, Pure and Applied Chemistry 94, 573-600,
doi:10.1515/pac-2019-0603. Elements without a standard atomic weight are left out. Written down from
memory; the tests hold every value against two independent tables.
"""

from __future__ import annotations

_TABLE = """
1 H 1.0080    2 He 4.0026   3 Li 6.94     4 Be 9.0122   5 B 10.81     6 C 12.011
7 N 14.007    8 O 15.999    9 F 18.998    10 Ne 20.180  11 Na 22.990  12 Mg 24.305
13 Al 26.982  14 Si 28.085  15 P 30.974   16 S 32.06    17 Cl 35.45   18 Ar 39.95
19 K 39.098   20 Ca 40.078  21 Sc 44.956  22 Ti 47.867  23 V 50.942   24 Cr 51.996
25 Mn 54.938  26 Fe 55.845  27 Co 58.933  28 Ni 58.693  29 Cu 63.546  30 Zn 65.38
31 Ga 69.723  32 Ge 72.630  33 As 74.922  34 Se 78.971  35 Br 79.904  36 Kr 83.798
37 Rb 85.468  38 Sr 87.62   39 Y 88.906   40 Zr 91.224  41 Nb 92.906  42 Mo 95.95
44 Ru 101.07  45 Rh 102.91  46 Pd 106.42  47 Ag 107.87  48 Cd 112.41  49 In 114.82
50 Sn 118.71  51 Sb 121.76  52 Te 127.60  53 I 126.90   54 Xe 131.29  55 Cs 132.91
56 Ba 137.33  57 La 138.91  58 Ce 140.12  59 Pr 140.91  60 Nd 144.24  62 Sm 150.36
63 Eu 151.96  64 Gd 157.25  65 Tb 158.93  66 Dy 162.50  67 Ho 164.93  68 Er 167.26
69 Tm 168.93  70 Yb 173.05  71 Lu 174.97  72 Hf 178.49  73 Ta 180.95  74 W 183.84
75 Re 186.21  76 Os 190.23  77 Ir 192.22  78 Pt 195.08  79 Au 196.97  80 Hg 200.59
81 Tl 204.38  82 Pb 207.2   83 Bi 208.98  90 Th 232.04  91 Pa 231.04  92 U 238.03
"""

_WORDS = _TABLE.split()

ATOMIC_NUMBER: dict[str, int] = {
    symbol: int(number) for number, symbol in zip(_WORDS[::3], _WORDS[1::3], strict=True)
}
"""Atomic number by symbol, lightest first."""

ATOMIC_WEIGHT: dict[str, float] = {
    symbol: float(weight) for symbol, weight in zip(_WORDS[1::3], _WORDS[2::3], strict=True)
}
"""Standard atomic weight by symbol, which as a number is the molar mass in g/mol."""
