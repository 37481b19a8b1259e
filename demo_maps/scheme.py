"""The scheme that sorts the demo slab's maps, as a petrologist would lasso it on face A.

The outlines run midway between the clusters of the scatterplots, so that a pixel on the edge between
two grains goes to the one it holds more of. Resin in cracks stays unsorted.
"""

from viewer.science.sort.recipe import Formula, Gaussian, Recipe
from viewer.science.sort.scheme import (
    Axis,
    Gate,
    InUnit,
    Phase,
    Plot,
    Polygon,
    Population,
    Range,
    Scheme,
    Term,
)

AN_SHARE = "An share"
"""Layer that tells a calcic rim from its core: calcium over calcium and sodium, of counts."""

RECIPES: tuple[tuple[str, Recipe], ...] = (
    ("Ca smooth", Gaussian(input="Ca", sigma_px=1.0)),
    ("Na smooth", Gaussian(input="Na", sigma_px=1.0)),
    (AN_SHARE, Formula(expression="[Ca smooth]/([Ca smooth]+[Na smooth])")),
)
"""Name and recipe of each derived layer that the scheme looks at, in the order to make them."""

DENSITIES: dict[str, float] = {
    "Plagioclase": 2.71,
    "Calcic rim": 2.73,
    "Orthopyroxene": 3.38,
    "Clinopyroxene": 3.32,
    "Olivine": 3.47,
    "Chromite": 4.6,
    "Phlogopite": 2.86,
    "Chlorapatite": 3.18,
    "Pyrrhotite": 4.6,
    "Pentlandite": 4.8,
    "Quartz": 2.65,
    "K-feldspar": 2.57,
    "Ilmenite": 4.7,
    "Magnetite": 5.1,
    "Zircon": 4.65,
    "Baddeleyite": 5.8,
}
"""g/cm³ of each phase, as the generator has them (from memory)."""

TRUE_PHASES: dict[str, str] = {
    "Plagioclase": "plagioclase",
    "Calcic rim": "plagioclase rim",
    "K-feldspar": "K-feldspar",
    **{
        name: name.lower()
        for name in DENSITIES
        if name not in ("Plagioclase", "Calcic rim", "K-feldspar")
    },
}
"""Name of each phase in the truth."""

_FAR = 2000.0


def _polygon(x: str, y: str, *points: tuple[float, float]) -> Polygon:
    return Polygon(x=Axis(layer=x), y=Axis(layer=y), points=points)


def scheme() -> Scheme:
    """Populations and phases of the slab, for counts as the generator makes them."""
    gates: dict[str, Gate] = {
        # Above the middle: films between crowded chromites are thinner than the beam.
        "Much Cr": Range(layer="Cr", low=225.0),
        "Sulfur": _polygon("S", "Fe", (280.0, 60.0), (_FAR, 60.0), (_FAR, _FAR), (280.0, _FAR)),
        "Nickel": Range(layer="Ni", low=80.0),
        "Iron oxide": _polygon(
            "S", "Fe", (-0.5, 390.0), (120.0, 390.0), (280.0, 560.0), (280.0, _FAR), (-0.5, _FAR)
        ),
        "Titanium": Range(layer="Ti", low=212.0),
        "Phosphorus": Range(layer="P", low=122.0),
        "Zirconium silicate": _polygon(
            "Si", "Zr", (170.0, 60.0), (_FAR, 60.0), (_FAR, _FAR), (170.0, _FAR)
        ),
        "Zirconium oxide": _polygon(
            "Si", "Zr", (-0.5, 60.0), (170.0, 60.0), (170.0, _FAR), (-0.5, _FAR)
        ),
        "Mica": _polygon("K", "Mg", (62.0, 84.0), (_FAR, 84.0), (_FAR, _FAR), (62.0, _FAR)),
        "Potassic feldspar": _polygon(
            "K", "Mg", (94.0, -0.5), (_FAR, -0.5), (_FAR, 84.0), (94.0, 84.0)
        ),
        "Olivine": _polygon(
            "Si", "Mg", (-0.5, 168.0), (227.0, 168.0), (440.0, 353.0), (440.0, _FAR), (-0.5, _FAR)
        ),
        "Pyroxene": _polygon(
            "Si", "Mg", (205.0, 113.0), (205.0, 168.0), (227.0, 168.0), (440.0, 353.0), (_FAR, 353.0),
            (_FAR, 113.0),
        ),
        "Silica": _polygon("Si", "Al", (560.0, -0.5), (_FAR, -0.5), (_FAR, 130.0), (560.0, 130.0)),
        "Feldspar": _polygon(
            "Al", "Ca", (128.0, 74.0), (_FAR, 74.0), (_FAR, 400.0), (128.0, 400.0)
        ),
        "Calcic pyroxene": _polygon(
            "Al", "Ca", (-0.5, 124.0), (60.0, 124.0), (138.0, 160.0), (138.0, 420.0), (-0.5, 420.0)
        ),
        "More calcic": Range(layer=AN_SHARE, low=0.852),
        "Leuconorite": InUnit(unit="laminated leuconorite"),
    }  # fmt: skip
    rules = {
        "Chromite": [["Much Cr"]],
        "Pentlandite": [["Sulfur", "Nickel"]],
        "Pyrrhotite": [["Sulfur"]],
        "Ilmenite": [["Titanium"]],
        "Magnetite": [["Iron oxide"]],
        # Before apatite: a line of zirconium lies on that of phosphorus.
        "Zircon": [["Zirconium silicate"]],
        "Baddeleyite": [["Zirconium oxide"]],
        "Chlorapatite": [["Phosphorus"]],
        "Phlogopite": [["Mica"]],
        "K-feldspar": [["Potassic feldspar"]],
        "Quartz": [["Silica"]],
        "Clinopyroxene": [["Calcic pyroxene"]],
        "Calcic rim": [["Feldspar", "More calcic", "Leuconorite"]],
        "Plagioclase": [["Feldspar"]],
        "Olivine": [["Olivine"]],
        "Orthopyroxene": [["Pyroxene"]],
    }
    ids = {name: f"population-{number}" for number, name in enumerate(gates, start=1)}
    return Scheme(
        name="Hollin Sill",
        populations=tuple(Population(id=ids[n], name=n, gate=g) for n, g in gates.items()),
        phases=tuple(
            Phase(
                id=f"phase-{number}",
                name=name,
                rules=tuple(tuple(Term(population=ids[n]) for n in rule) for rule in any_of),
            )
            for number, (name, any_of) in enumerate(rules.items(), start=1)
        ),
        plots=(
            Plot(x=Axis(layer="Al"), y=Axis(layer="Ca")),
            Plot(x=Axis(layer="Si"), y=Axis(layer="Mg")),
            Plot(x=Axis(layer="K"), y=Axis(layer="Mg")),
            Plot(x=Axis(layer="S"), y=Axis(layer="Fe")),
        ),
    )
