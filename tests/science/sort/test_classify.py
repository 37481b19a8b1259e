"""Sorting by schemes of every kind, against NumPy on whole masks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from viewer.science.sort.classify import OUTSIDE, UNSORTED, classify, compile_scheme
from viewer.science.sort.columns import Column
from viewer.science.sort.gates import inside, known
from viewer.science.sort.scheme import (
    Axis,
    Ellipse,
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

SHAPE = (61, 83)
RNG = np.random.default_rng(8)
A = RNG.poisson(60, SHAPE).astype(np.uint16)
B = RNG.poisson(4, SHAPE).astype(np.uint8)
C = RNG.normal(20, 6, SHAPE)
C[:9] = np.nan
COLUMNS = {
    "a": Column.of_codes(A, np.arange(65536.0)),
    "b": Column.of_codes(B, np.arange(256.0)),
    "c": Column.of_values(C),
}
PLACES = {"paint": RNG.random(SHAPE) < 0.3}


def outline(x: float, y: float, wide: float, high: float, vertices: int, seed: int) -> tuple:
    rng = np.random.default_rng(seed)
    points = rng.normal(0, 1, (vertices, 2)) * (wide, high) + (x, y)
    return tuple((float(px), float(py)) for px, py in points)


ROOT, LOG, PLAIN = Axis(layer="a", scale="sqrt"), Axis(layer="b", scale="log"), Axis(layer="c")
GATES = {
    "lasso": Polygon(x=ROOT, y=LOG, points=outline(7.7, 0.6, 0.6, 0.3, 9, 1)),
    "scribble": Polygon(x=ROOT, y=LOG, points=outline(7.7, 0.6, 0.6, 0.3, 40, 2)),
    "ellipse": Ellipse(x=ROOT, y=LOG, centre=(7.7, 0.6), first=(0.5, 0.0), second=(0.1, 0.2)),
    "mixed": Polygon(x=PLAIN, y=ROOT, points=((10.0, 5.0), (30.0, 6.0), (20.0, 9.0))),
    "between": Range(layer="c", low=12.0, high=22.0),
    "above": Range(layer="c", low=18.0),
    "below": Range(layer="b", high=5.0),
    "three": Ternary(a="a", b="b", c="c", points=((0.1, 0.1), (0.4, 0.1), (0.3, 0.5))),
    "paint": Painted(map="m", strokes=(Stroke(points=((1.0, 1.0),), radius_um=2.0),)),
}


def population(name: str, inverted: bool = False) -> Population:
    return Population(id=name, name=name, gate=GATES[name], inverted=inverted)


def phase(name: str, *rules: tuple[Term, ...]) -> Phase:
    return Phase(id=name, name=name, rules=rules)


def yes(name: str) -> Term:
    return Term(population=name)


def no(name: str) -> Term:
    return Term(population=name, negated=True)


def masks(scheme: Scheme) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    out = {}
    for p in scheme.populations:
        held = known(p.gate, COLUMNS)
        held = np.ones(SHAPE, bool) if held is None else held
        out[p.id] = ((inside(p.gate, COLUMNS, place=PLACES.get(p.id)) ^ p.inverted) & held, held)
    return out


def claims(scheme: Scheme, mask: np.ndarray) -> np.ndarray:
    found = masks(scheme)
    out = np.zeros((len(scheme.phases), *SHAPE), bool)
    for k, p in enumerate(scheme.phases):
        for rule in p.rules:
            hit = np.full(SHAPE, bool(rule))
            for t in rule:
                member, held = found[t.population]
                hit &= held & ~member if t.negated else member
            out[k] |= hit
        out[k] &= mask
    return out


def check(scheme: Scheme, mask: np.ndarray | None = None):
    labels, tally = classify(
        compile_scheme(scheme), COLUMNS, places=PLACES, mask=mask, shape=SHAPE
    )
    where = np.ones(SHAPE, bool) if mask is None else mask
    claimed = claims(scheme, where)
    expected = np.full(SHAPE, UNSORTED)
    for k in reversed(range(len(claimed))):
        expected[claimed[k]] = k + 1
    expected = np.where(where, expected, OUTSIDE)
    np.testing.assert_array_equal(labels, expected)
    flat = claimed.reshape(len(claimed), labels.size).astype(np.int64)
    n = len(scheme.phases)
    np.testing.assert_array_equal(tally.claimed, flat.sum(axis=1))
    np.testing.assert_array_equal(tally.overlaps, flat @ flat.T)
    np.testing.assert_array_equal(
        tally.won, np.bincount(expected.ravel(), minlength=256)[1 : n + 1]
    )
    assert tally.pixels == labels.size
    assert tally.outside == (~where).sum()
    assert tally.unsorted == (expected == UNSORTED).sum()
    used = {t.population for p in scheme.phases for rule in p.rules for t in rule}
    found = masks(scheme)
    lacking = np.zeros(SHAPE, bool)
    for name in used:
        lacking |= ~found[name][1]
    assert tally.missing == (lacking & (expected == UNSORTED)).sum()
    assert tally.populations.tolist() == [
        int((found[p.id][0] & where).sum()) if p.id in used else 0 for p in scheme.populations
    ]
    return labels, tally


terms = st.builds(Term, population=st.sampled_from(sorted(GATES)), negated=st.booleans())
rules = st.lists(st.lists(terms, max_size=3).map(tuple), max_size=3).map(tuple)


@given(st.lists(rules, max_size=6), st.sets(st.sampled_from(sorted(GATES))), st.booleans())
@settings(max_examples=60, deadline=None)
def test_any_scheme(phases, inverted, masked):
    scheme = Scheme(
        populations=tuple(population(n, n in inverted) for n in GATES),
        phases=tuple(phase(str(k), *r) for k, r in enumerate(phases)),
    )
    check(scheme, np.random.default_rng(1).random(SHAPE) < 0.8 if masked else None)


def test_the_first_that_holds_a_pixel_has_it():
    scheme = Scheme(
        populations=(population("between"), population("above")),
        phases=(phase("one", (yes("between"),)), phase("two", (yes("above"),))),
    )
    _, tally = check(scheme)
    both = int(tally.overlaps[0, 1])
    assert both > 0
    assert tally.won[1] == tally.claimed[1] - both
    assert tally.missing == 9 * SHAPE[1]


def test_a_pixel_without_a_value_is_in_no_gate_nor_its_inverse():
    scheme = Scheme(
        populations=(population("between"), population("above", inverted=True)),
        phases=(
            phase("in", (yes("between"),)),
            phase("out", (no("between"),)),
            phase("inverse", (yes("above"),), (no("above"),)),
        ),
    )
    labels, tally = check(scheme)
    assert (labels[:9] == UNSORTED).all()
    assert (labels[9:] != UNSORTED).all()
    assert tally.unsorted == tally.missing == 9 * SHAPE[1]


def test_a_rule_without_terms_claims_nothing():
    scheme = Scheme(
        populations=(population("between"),), phases=(phase("no rules"), phase("no terms", ()))
    )
    labels, tally = check(scheme)
    assert (labels == UNSORTED).all()
    assert tally.missing == 0


def test_no_phases():
    labels, tally = check(Scheme())
    assert (labels == UNSORTED).all()
    assert tally.overlaps.shape == (0, 0)


def test_more_facts_than_one_word_holds():
    ranges = [
        Population(id=str(k), name=str(k), gate=Range(layer="a", low=35.0 + k, high=37.0 + k))
        for k in range(64)
    ]
    phases = tuple(
        phase(f"p{k}", (yes(str(k)), no(str((k + 7) % 64)))) for k in range(0, 64, 2)
    )
    check(Scheme(populations=tuple(ranges), phases=phases))


def test_more_combinations_than_are_remembered_at_once(monkeypatch):
    from viewer.science.kernels import classify as kernels

    monkeypatch.setattr(kernels, "SLOTS", 8)
    scheme = Scheme(
        populations=tuple(population(n) for n in GATES),
        phases=tuple(phase(n, (yes(n),)) for n in GATES),
    )
    check(scheme)


def test_bands_add_up():
    scheme = Scheme(
        populations=(population("mixed"), population("below")),
        phases=(phase("one", (yes("mixed"), no("below"))), phase("two", (yes("below"),))),
    )
    program = compile_scheme(scheme)
    assert program.layers == ("c", "a", "b")
    whole, tally = classify(program, COLUMNS)
    parts = []
    for rows in (slice(0, 20), slice(20, 61)):
        band = {
            n: Column(
                codes=None if c.codes is None else c.codes[rows],
                table=c.table,
                values=None if c.values is None else c.values[rows],
            )
            for n, c in COLUMNS.items()
        }
        labels, counted = classify(program, band)
        np.testing.assert_array_equal(labels, whole[rows])
        parts.append(counted)
    both = parts[0] + parts[1]
    for name in ("pixels", "outside", "unsorted", "missing", "won", "claimed", "overlaps"):
        np.testing.assert_array_equal(getattr(both, name), getattr(tally, name))


def test_what_does_not_go_together():
    scheme = Scheme(
        populations=(population("paint"), population("below")),
        phases=(phase("one", (yes("paint"),)), phase("two", (yes("below"),))),
    )
    program = compile_scheme(scheme)
    with pytest.raises(ValueError, match="place"):
        classify(program, COLUMNS)
    with pytest.raises(ValueError, match="shape"):
        classify(program, COLUMNS, places={"paint": np.ones((2, 2), bool)})
    with pytest.raises(KeyError):
        classify(program, {}, places=PLACES)
