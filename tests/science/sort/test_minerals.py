"""The mineral table and the names it proposes."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.errors import InputError
from viewer.science.sort.minerals import candidates, mineral, minerals, propose

ELEMENTS = ("Na", "Mg", "Al", "Si", "P", "S", "Cl", "K", "Ca", "Ti", "Cr", "Fe", "Ni", "Zr")
ROCK = {
    # Rounded compositions of a norite's minerals, element weight per cent.
    "plagioclase": {"Na": 3, "Al": 16, "Si": 24, "Ca": 10, "Fe": 0.3},
    "orthopyroxene": {"Mg": 17.5, "Si": 25.5, "Fe": 11, "Ca": 1.0, "Al": 0.7, "Cr": 0.2},
    "clinopyroxene": {"Mg": 9.5, "Si": 24.5, "Fe": 4, "Ca": 14.5, "Al": 1.4, "Na": 0.3},
    "olivine": {"Mg": 26, "Si": 18, "Fe": 16, "Ni": 0.2},
    "chromite": {"Mg": 5, "Al": 9, "Cr": 32, "Fe": 18, "Ti": 0.6},
    "dark mica": {"Mg": 12, "Al": 8, "Si": 18, "K": 8, "Fe": 5, "Ti": 2, "Cl": 0.4},
    "apatite": {"P": 18, "Ca": 38.5, "Cl": 4.5},
    "pyrrhotite": {"Fe": 60.4, "S": 39.6},
    "pentlandite": {"Fe": 32.5, "Ni": 34, "S": 33.2},
    "chalcopyrite": {"Fe": 30.4, "S": 35},
    "quartz": {"Si": 46.7},
    "K-feldspar": {"K": 12.5, "Al": 9.8, "Si": 30.2, "Na": 1},
    "ilmenite": {"Fe": 35, "Ti": 31, "Mg": 1},
    "magnetite": {"Fe": 67, "Ti": 3},
    "zircon": {"Si": 15.3, "Zr": 49},
}


def percent(names: tuple[str, ...], elements: tuple[str, ...] = ELEMENTS) -> np.ndarray:
    return np.array([[ROCK[n].get(e, 0.0) for e in elements] for n in names])


def counts(seed: int, names: tuple[str, ...]) -> np.ndarray:
    """Mean counts through sensitivities and backgrounds that nobody knows."""
    rng = np.random.default_rng(seed)
    gain = 10 ** rng.uniform(0, 2, len(ELEMENTS))
    floor = gain * rng.uniform(0, 0.5, len(ELEMENTS))
    return percent(names) * gain * rng.uniform(0.95, 1.05, (len(names), len(gain))) + floor


@pytest.mark.parametrize("seed", range(6))
def test_names_of_a_norite_whatever_the_sensitivities(seed: int) -> None:
    names = tuple(n for n in ROCK if n != "chalcopyrite")
    found = propose(counts(seed, names), ELEMENTS)
    assert [p.name for p in found] == list(names)


def test_few_channels_and_few_minerals() -> None:
    names = ("plagioclase", "orthopyroxene", "chromite", "olivine")
    elements = ("Mg", "Al", "Si", "Ca", "Cr", "Fe")
    found = propose(7.0 * percent(names, elements) + 1.0, elements, [1000, 400, 200, 50])
    assert [p.name for p in found] == list(names)


def test_the_reason_is_told() -> None:
    names = tuple(n for n in ROCK if n != "chalcopyrite")
    chromite = propose(counts(0, names), ELEMENTS)[names.index("chromite")]
    assert chromite.reason.startswith("High Cr")
    assert "hardly any" in chromite.reason
    assert chromite.runner_up
    assert chromite.runner_up in chromite.reason
    assert chromite.runner_misfit > chromite.misfit
    assert "chromite" in chromite.composition
    assert mineral(chromite.mineral).series == "spinel group"
    assert 4.0 < (chromite.density or 0) < 5.1


def test_weight_per_cent_needs_no_other_cluster() -> None:
    for name in ROCK:
        if name != "chalcopyrite":
            (found,) = propose([percent((name,))[0]], ELEMENTS, calibrated=True)
            assert found.name == name
            assert "guess" not in found.reason


def test_copper_tells_chalcopyrite() -> None:
    elements = (*ELEMENTS, "Cu")
    copper = [34.6 if name == "chalcopyrite" else 0.0 for name in ROCK]
    table = np.column_stack([percent(tuple(ROCK)), copper])
    assert [p.name for p in propose(300 * table + 5, elements)] == list(ROCK)


def test_what_fits_nothing_is_not_named() -> None:
    names = ("plagioclase", "orthopyroxene", "chromite", "olivine", "apatite", "pyrrhotite", "ilmenite")
    table = percent(names)
    strange = np.zeros(len(ELEMENTS))
    strange[[ELEMENTS.index(e) for e in ("K", "Cr", "P", "Ti", "Na")]] = 15.0
    found = propose(np.vstack([table, strange]), ELEMENTS, calibrated=True)
    assert [p.name for p in found[:-1]] == list(names)
    assert found[-1].name == found[-1].mineral == ""
    assert "nothing in the table fits" in found[-1].reason


def test_what_holds_nothing_is_not_named() -> None:
    names = ("plagioclase", "orthopyroxene", "chromite", "olivine")
    table = np.vstack([20 * percent(names) + 4, np.full(len(ELEMENTS), 4.0)])
    found = propose(table, ELEMENTS)
    assert [p.name for p in found] == [*names, ""]
    assert "no channel stands for" in found[-1].reason


def test_channels_without_an_element_are_left_out() -> None:
    names = ("plagioclase", "clinopyroxene", "chromite", "olivine")
    table = np.column_stack([20 * percent(names), [1, 2, 3, 4]])
    assert [p.name for p in propose(table, (*ELEMENTS, None))] == list(names)
    with pytest.raises(InputError, match="No channel stands for an element"):
        propose([[1.0]], [None])


def test_one_cluster_is_a_guess_and_says_so() -> None:
    (found,) = propose(20 * percent(("chromite",)), ELEMENTS)
    assert "guess" in found.reason


def test_missing_means_do_no_harm() -> None:
    table = 20 * percent(("plagioclase", "orthopyroxene", "chromite"))
    table[1, 3] = np.nan
    assert len(propose(table, ELEMENTS)) == 3


def test_minerals_are_found_by_name_symbol_and_what_they_are_called() -> None:
    assert mineral("Chromite").symbol == "Chr"
    assert mineral("An").name == "anorthite"
    assert mineral("plagioclase").series == "feldspar"
    with pytest.raises(InputError, match="no «cheese»"):
        mineral("cheese")


def test_mixtures_are_called_by_most_of_their_parts() -> None:
    mixed = [c for c in candidates() if len(c.parts) > 1]
    assert len(mixed) > 100
    for candidate in mixed:
        assert sum(share for _, share in candidate.parts) == pytest.approx(1.0)
        assert len({m.series for m, _ in candidate.parts}) == 1
        densities = [m.density for m, _ in candidate.parts]
        assert min(densities) <= candidate.density <= max(densities)
        assert sum(candidate.percent.values()) == pytest.approx(100.0)
    assert {c.called for c in mixed} <= {m.called for m in minerals()}


def test_three_clusters_of_channels_about_alike_are_told() -> None:
    names = ("plagioclase", "orthopyroxene", "chromite")
    elements = ("Al", "Ca", "Cr", "Fe", "Mg", "Si")
    gains = np.array([15.0, 15.0, 12.0, 11.0, 13.0, 16.0])
    found = propose(percent(names, elements) * gains + 3.0, elements)
    assert [p.name for p in found] == list(names)
