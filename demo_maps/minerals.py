"""The minerals of the slab: formulas, and the weight per cent of each element that follows from them.

Every phase is a binary solution between two end members, so that zoning is one number a pixel: the
mole fraction of the second end member. Phases that are not zoned have only one end member.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.science.sort.formulas import molar_mass, weight_percent


@dataclass(frozen=True)
class Phase:
    """One mineral of the slab.

    Attributes
    ----------
    id : int
        The number that stands for it in the label images.
    name : str
        Mineral name.
    formula : str
        First end member.
    other : str
        Second end member; the same as `formula` when the mineral is not zoned.
    typical : float
        Mole fraction of the second end member in a typical grain.
    density : float
        g/cm³, from memory, at the typical composition.
    """

    id: int
    name: str
    formula: str
    other: str
    typical: float
    density: float

    @cached_property
    def masses(self) -> tuple[float, float]:
        """Molar masses of the two end members, g/mol."""
        return molar_mass(self.formula), molar_mass(self.other)

    def mass_fraction(self, mole_fraction: ArrayLike) -> NDArray[np.float64]:
        """Turn mole fractions of the second end member into mass fractions."""
        mole = np.asarray(mole_fraction, dtype=np.float64)
        first, second = self.masses
        return mole * second / (mole * second + (1.0 - mole) * first)

    def composition(self, mole_fraction: float | None = None) -> dict[str, float]:
        """Return weight per cent by element at a mole fraction (the typical one by default)."""
        share = float(self.mass_fraction(self.typical if mole_fraction is None else mole_fraction))
        first, second = weight_percent(self.formula), weight_percent(self.other)
        return {
            name: (1.0 - share) * first.get(name, 0.0) + share * second.get(name, 0.0)
            for name in first | second
        }


NOT_ROCK, PLAGIOCLASE, PLAGIOCLASE_RIM, ORTHOPYROXENE, CLINOPYROXENE, OLIVINE = range(6)
CHROMITE, PHLOGOPITE, APATITE, PYRRHOTITE, PENTLANDITE, QUARTZ = range(6, 12)
K_FELDSPAR, ILMENITE, MAGNETITE, ZIRCON, BADDELEYITE = range(12, 17)

_ALBITE, _ANORTHITE = "NaAlSi3O8", "CaAl2Si2O8"

#: Label 0: mounting resin around the slab and in its cracks. An epoxy holds a little chlorine.
RESIN = Phase(NOT_ROCK, "resin", "C21H25O5Cl0.08", "C21H25O5Cl0.08", 0.0, 1.15)

PHASES: tuple[Phase, ...] = (
    RESIN,
    Phase(PLAGIOCLASE, "plagioclase", _ALBITE, _ANORTHITE, 0.66, 2.71),
    Phase(PLAGIOCLASE_RIM, "plagioclase rim", _ALBITE, _ANORTHITE, 0.82, 2.73),
    Phase(
        ORTHOPYROXENE, "orthopyroxene", "Mg1.9Ca0.06Al0.07Cr0.01Si1.96O6",
        "Fe1.9Ca0.06Al0.07Cr0.01Si1.96O6", 0.20, 3.38,
    ),
    Phase(
        CLINOPYROXENE, "clinopyroxene", "Na0.03Ca0.82Mg1.05Al0.12Cr0.015Ti0.015Si1.95O6",
        "Na0.03Ca0.82Fe1.05Al0.12Cr0.015Ti0.015Si1.95O6", 0.18, 3.32,
    ),
    Phase(OLIVINE, "olivine", "Mg1.99Ni0.01SiO4", "Fe1.99Ni0.01SiO4", 0.20, 3.47),
    Phase(
        CHROMITE, "chromite", "Mg0.55Fe0.45Cr1.25Al0.63Fe0.10Ti0.02O4",
        "Mg0.10Fe0.90Cr1.20Al0.42Fe0.33Ti0.05O4", 0.25, 4.6,
    ),
    Phase(
        PHLOGOPITE, "phlogopite", "K0.9Na0.05Mg2.35Fe0.4Ti0.2Al1.25Si2.75O10(OH)1.7F0.2Cl0.1",
        "K0.9Na0.05Mg1.75Fe1.0Ti0.2Al1.25Si2.75O10(OH)1.7F0.2Cl0.1", 0.15, 2.86,
    ),
    Phase(APATITE, "chlorapatite", "Ca5(PO4)3F0.5(OH)0.5", "Ca5(PO4)3Cl", 0.68, 3.18),
    Phase(PYRRHOTITE, "pyrrhotite", "Fe7S8", "Fe7S8", 0.0, 4.6),
    Phase(PENTLANDITE, "pentlandite", "Fe4.5Ni4.5S8", "Fe4.5Ni4.5S8", 0.0, 4.8),
    Phase(QUARTZ, "quartz", "SiO2", "SiO2", 0.0, 2.65),
    Phase(K_FELDSPAR, "K-feldspar", "KAlSi3O8", _ALBITE, 0.15, 2.57),
    Phase(ILMENITE, "ilmenite", "FeTiO3", "MgTiO3", 0.08, 4.7),
    Phase(MAGNETITE, "magnetite", "Fe3O4", "Fe2TiO4", 0.12, 5.1),
    Phase(ZIRCON, "zircon", "ZrSiO4", "ZrSiO4", 0.0, 4.65),
    Phase(BADDELEYITE, "baddeleyite", "ZrO2", "ZrO2", 0.0, 5.8),
)  # fmt: skip


def end_member_table(element: str, phases: Iterable[Phase] = PHASES) -> NDArray[np.float64]:
    """Return weight per cent of an element in both end members of every phase, ``[phase, 2]``."""
    return np.array(
        [
            [weight_percent(p.formula).get(element, 0.0), weight_percent(p.other).get(element, 0.0)]
            for p in phases
        ]
    )
