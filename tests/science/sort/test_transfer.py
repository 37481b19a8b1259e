"""One rock in two runs: gains, moved gates, and populations that are not where they were."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from msgspec.structs import replace

from viewer.errors import InputError
from viewer.science.sort.gates import inside
from viewer.science.sort.recipe import Formula, Median, Total
from viewer.science.sort.rescale import (
    Change,
    rename_inputs,
    rename_layers,
    rescale_gate,
    rescale_scheme,
    without,
)
from viewer.science.sort.scheme import (
    Axis,
    Ellipse,
    Gate,
    Painted,
    Phase,
    Polygon,
    Population,
    Range,
    Scheme,
    Stroke,
    Term,
    Ternary,
)
from viewer.science.sort.transfer import (
    by_dwell,
    by_peak,
    by_peaks,
    by_quantiles,
    columns_of,
    movements,
    near_layers,
    reference_of,
)

Sample = dict[str, npt.NDArray[np.float64]]

MEANS = {"Fe": (40.0, 160.0, 15.0), "Mg": (220.0, 70.0, 12.0), "Ca": (9.0, 30.0, 190.0)}
GAINS = {"Fe": 1.7, "Mg": 1.35, "Ca": 0.6}
SHARES, OTHER_SHARES = (0.6, 0.3, 0.1), (0.15, 0.35, 0.5)


def run(shares: tuple[float, ...], gains: dict[str, float], seed: int, n: int = 20_000) -> Sample:
    rng = np.random.default_rng(seed)
    phase = rng.choice(len(shares), n, p=shares)
    zoned = 1 + 0.04 * rng.standard_normal(n)
    return {
        name: rng.poisson(np.array(means)[phase] * zoned * gains.get(name, 1.0)).astype(np.float64)
        for name, means in MEANS.items()
    }


def round_gate(x: str, y: str, at: tuple[float, float], scale: str = "sqrt") -> Ellipse:
    centre = (math.sqrt(at[0]), math.sqrt(at[1]))
    return Ellipse(
        x=Axis(layer=x, scale=scale),  # type: ignore[arg-type]
        y=Axis(layer=y, scale=scale),  # type: ignore[arg-type]
        centre=centre,
        first=(2.4, 0.0),
        second=(0.0, 2.4),
    )


SCHEME = Scheme(
    populations=(
        Population(id="a", name="olivine field", gate=round_gate("Fe", "Mg", (40, 220))),
        Population(id="b", name="oxide field", gate=round_gate("Fe", "Mg", (160, 70))),
        Population(id="c", name="bright Ca", gate=Range(layer="Ca", low=110.0)),
    ),
    phases=(
        Phase(id="1", name="olivine", rules=((Term(population="a"),),)),
        Phase(id="2", name="oxide", rules=((Term(population="b"),),)),
        Phase(id="3", name="; DROP", rules=((Term(population="c"),),)),
    ),
)
HERE = run(SHARES, {}, 1)
REFERENCE = reference_of(SCHEME, HERE, dwell_ms=10.0)


def gates() -> dict[str, Gate]:
    outline = ((3.0, 9.0), (8.0, 9.5), (9.0, 16.0), (4.0, 17.0))
    return {
        "sqrt polygon": Polygon(
            x=Axis(layer="Fe", scale="sqrt"), y=Axis(layer="Mg", scale="sqrt"), points=outline
        ),
        "linear polygon": Polygon(
            x=Axis(layer="Fe"), y=Axis(layer="Mg"), points=((5, 100), (90, 120), (60, 300))
        ),
        "mixed axes": Polygon(
            x=Axis(layer="Fe", scale="log"),
            y=Axis(layer="Mg", scale="sqrt"),
            points=((1.0, 9.0), (2.3, 8.0), (1.9, 18.0)),
        ),
        "ellipse": round_gate("Fe", "Mg", (40, 220)),
        "log ellipse": Ellipse(
            x=Axis(layer="Fe", scale="log"),
            y=Axis(layer="Mg", scale="log"),
            centre=(1.6, 2.3),
            first=(0.2, 0.1),
            second=(-0.05, 0.15),
        ),
        "range": Range(layer="Mg", low=90.0, high=240.0),
        "open range": Range(layer="Fe", high=77.0),
        "ternary": Ternary(
            a="Fe", b="Mg", c="Ca", weights=(1.0, 2.0, 0.5), points=((0.4, 0.0), (1, 0), (0.7, 0.3))
        ),
    }


@pytest.mark.parametrize("name", list(gates()))
def test_a_moved_gate_holds_the_same_pixels(name: str) -> None:
    gate = gates()[name]
    changes = {n: Change(gain=g) for n, g in GAINS.items()}
    rng = np.random.default_rng(2)
    here = {n: rng.uniform(1.0, 300.0, 20_000) for n in MEANS}
    there = {n: changes[n](v) for n, v in here.items()}
    before = inside(gate, columns_of(here))
    after = inside(rescale_gate(gate, changes), columns_of(there))
    assert 200 < np.count_nonzero(before) < 19_800
    np.testing.assert_array_equal(before, after)


@pytest.mark.parametrize("name", ["sqrt polygon", "linear polygon", "mixed axes", "ellipse", "range"])
def test_an_offset_bends_the_outline_and_keeps_the_pixels(name: str) -> None:
    gate = gates()[name]
    changes = {"Fe": Change(gain=1.7, offset=12.0), "Mg": Change(gain=0.8, offset=5.0)}
    rng = np.random.default_rng(2)
    here = {n: rng.uniform(1.0, 300.0, 20_000) for n in MEANS}
    there = {n: changes[n](v) if n in changes else v for n, v in here.items()}
    before = inside(gate, columns_of(here))
    after = inside(rescale_gate(gate, changes), columns_of(there))
    assert np.count_nonzero(before ^ after) <= 0.004 * np.count_nonzero(before)


def test_what_an_offset_cannot_do() -> None:
    with pytest.raises(InputError, match="ternary"):
        rescale_gate(gates()["ternary"], {"Fe": Change(offset=3.0)})
    with pytest.raises(InputError, match="logarithmic axis"):
        rescale_gate(gates()["mixed axes"], {"Fe": Change(offset=-50.0)})
    with pytest.raises(InputError, match="above 0"):
        Change(gain=0.0)


def test_dwell() -> None:
    assert by_dwell(["Fe"], 10.0, 25.0)["Fe"].change.gain == 2.5
    with pytest.raises(InputError, match="above 0"):
        by_dwell(["Fe"], 0.0, 25.0)


def test_peaks_give_the_gain_whatever_the_shares() -> None:
    there = run(OTHER_SHARES, GAINS, 7)
    gains = by_peaks(REFERENCE, there)
    for name, gain in GAINS.items():
        assert gains[name].change.gain == pytest.approx(gain, rel=0.03), name


def test_gains_that_the_peaks_hardly_tell_are_left_as_they_are() -> None:
    rng = np.random.default_rng(8)

    def zoned(n: int) -> Sample:
        # Two minerals that grade into each other, and low counts of an element that none is rich in.
        fe = np.concatenate([rng.uniform(90, 190, n), rng.uniform(150, 260, n)])
        return {"Fe": rng.poisson(fe).astype(float), "Ti": rng.poisson(3.0, 2 * n).astype(float)}

    cut = Population(id="a", name="low Fe", gate=Range(layer="Fe", high=170.0))
    rest = Population(id="b", name="high Fe", gate=Range(layer="Fe", low=170.0))
    scheme = Scheme(
        populations=(cut, rest),
        phases=(
            Phase(id="1", name="core", rules=((Term(population="a"),),)),
            Phase(id="2", name="; DROP", rules=((Term(population="b"),),)),
        ),
    )
    gains = by_peaks(reference_of(scheme, zoned(20_000)), zoned(20_000))
    for name, gain in gains.items():
        assert gain.change == Change() or abs(gain.change.gain - 1) <= 2 * (gain.error or 0.0), name
    assert gains["Ti"].change == Change()
    assert "left as it is" in gains["Ti"].note
    assert gains["Ti"].error is None


def test_low_whole_counts_give_their_gain() -> None:
    def low(gain: float, seed: int) -> Sample:
        rng = np.random.default_rng(seed)
        mean = np.where(rng.random(40_000) < 0.3, 25.0, 2.0)
        return {"Na": rng.poisson(gain * mean).astype(float)}

    rich = Population(id="a", name="rich", gate=Range(layer="Na", low=11.0))
    scheme = Scheme(
        populations=(rich,),
        phases=(
            Phase(id="1", name="feldspar", rules=((Term(population="a"),),)),
            Phase(id="2", name="rest", rules=((Term(population="a", negated=True),),)),
        ),
    )
    found = by_peaks(reference_of(scheme, low(1.0, 1)), low(1.4, 2))["Na"]
    assert found.error is not None
    assert found.change.gain == pytest.approx(1.4, rel=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_one_peak_gives_the_gain_within_its_error(seed: int) -> None:
    there = run(OTHER_SHARES, GAINS, 20 + seed)
    for phase, layers in (("1", ("Fe", "Mg")), ("2", ("Fe", "Mg")), ("3", ("Ca",))):
        gains = by_peak(REFERENCE, SCHEME, there, phase)
        for name in layers:
            found = gains[name]
            assert found.error is not None
            # Edges of the gate cut a tail off, as the counts' noise is not the same at another gain.
            allowed = 3.5 * found.error + 0.01 * GAINS[name]
            assert abs(found.change.gain - GAINS[name]) < allowed, (phase, name)


def test_quantiles_are_right_only_where_the_shares_are_alike() -> None:
    alike = by_quantiles(REFERENCE, run(SHARES, GAINS, 3))
    unlike = by_quantiles(REFERENCE, run(OTHER_SHARES, GAINS, 3))
    assert alike["Mg"].change.gain == pytest.approx(GAINS["Mg"], rel=0.05)
    assert abs(unlike["Mg"].change.gain / GAINS["Mg"] - 1) > 0.15
    # With an offset the counting noise, which does not grow as the counts do, counts for less.
    line = by_quantiles(REFERENCE, run(SHARES, GAINS, 3), offset=True)["Fe"].change
    assert line(100.0) == pytest.approx(100 * GAINS["Fe"], rel=0.06)


def test_the_report_tells_a_right_gain_from_a_wrong_one() -> None:
    there = run(OTHER_SHARES, GAINS, 9)
    right = movements(SCHEME, REFERENCE, there, {n: Change(gain=g) for n, g in GAINS.items()})
    assert {m.verdict for m in right} == {"in place"}
    shares = {m.population: (m.before, m.after) for m in right}
    assert shares["a"] == pytest.approx((0.6, 0.15), abs=0.04)
    wrong = movements(SCHEME, REFERENCE, there, {**{n: Change(gain=g) for n, g in GAINS.items()},
                                                 "Mg": Change(gain=1.0)})
    assert wrong[0].population == "a"
    assert wrong[0].verdict in ("far off", "empty")
    assert [m.verdict for m in wrong if m.population == "c"] == ["in place"]


def test_a_copy_of_the_map_has_not_moved() -> None:
    for movement in movements(SCHEME, REFERENCE, HERE, {}):
        assert movement.moved == pytest.approx(0.0, abs=0.02)
        assert movement.before == movement.after


def test_a_phase_that_is_not_there() -> None:
    there = run((0.0, 0.5, 0.5), GAINS, 4)
    start = {n: Change(gain=g) for n, g in GAINS.items()}
    with pytest.raises(InputError, match="Too few pixels"):
        by_peak(REFERENCE, SCHEME, there, "1", start)
    with pytest.raises(InputError, match="where the phase's peak was"):
        by_peak(replace(REFERENCE, phases={}), SCHEME, there, "1", start)
    empty = movements(SCHEME, REFERENCE, there, {n: Change(gain=g) for n, g in GAINS.items()})
    assert empty[0].verdict in ("empty", "far off")


def test_layers_by_other_names() -> None:
    renamed = rename_layers(SCHEME, {"Fe": "Fe K", "Ca": "Ca K"})
    assert renamed.populations[0].gate.x.layer == "Fe K"  # type: ignore[union-attr]
    assert renamed.populations[2].gate.layer == "Ca K"  # type: ignore[union-attr]
    share = rename_inputs(Formula(expression="Mg / (Mg + Fe)"), {"Fe": "Fe K"})
    assert isinstance(share, Formula)
    assert set(share.inputs) == {"Mg", "Fe K"}
    assert rename_inputs(Median(input="Fe"), {"Fe": "Fe K"}).inputs == ("Fe K",)
    assert rename_inputs(Total(inputs=("Fe", "Mg")), {"Fe": "Fe K"}).inputs == ("Fe K", "Mg")
    assert rename_inputs(Total(inputs=("Ca", "Mg")), {"Fe": "Fe K"}).inputs == ("Ca", "Mg")


def test_near_names() -> None:
    there = {"Fe K": "Fe", "Fe L": "Fe", "F K": "F", "Magnesium": "Mg", "BSE": None}
    assert near_layers("Fe", there)[:2] == ("Fe K", "Fe L")
    assert near_layers("Fe Ka1", there)[0] == "Fe K"
    assert near_layers("Mg", there) == ("Magnesium",)
    assert near_layers("Zr", there) == ()


def test_painted_populations_stay_behind_with_the_rules_that_need_them() -> None:
    seed = Painted(map="m", strokes=(Stroke(points=((1.0, 1.0),), radius_um=5.0),))
    scheme = replace(
        SCHEME,
        populations=(*SCHEME.populations, Population(id="p", name="seed", gate=seed)),
        phases=(
            *SCHEME.phases,
            Phase(id="4", name="glass", rules=((Term(population="p"),), (Term(population="a"),))),
        ),
    )
    left = without(scheme, frozenset({"p"}))
    assert [p.id for p in left.populations] == ["a", "b", "c"]
    assert left.phase("glass").rules == ((Term(population="a"),),)
    assert rescale_scheme(scheme, {"Fe": Change(gain=2.0)}).population("p").gate == seed
    assert "p" not in reference_of(scheme, HERE).populations
