"""Formulas against published ones, evaluated by an independent library, and against the standard.

The published formulas are the spectral indices of the Awesome Spectral Indices catalogue (Montero
et al. 2023, doi:10.1038/s41597-023-02096-0), evaluated by `spyndex`, its own library.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import spyndex

from viewer.science.sort.expression import ExpressionError, parse

ARITHMETIC = [
    name
    for name, index in sorted(spyndex.indices.items())
    if "kernel" not in index.formula and not set(index.formula) & set("[]{}'%")
]


def translated(formula: str) -> str:
    """Python writes powers ``**`` and may call numpy; formulas here write ``^`` and plain names."""
    return formula.replace("**", "^").replace("np.", "")


def test_the_catalogue_is_there() -> None:
    assert len(ARITHMETIC) > 200


@pytest.mark.parametrize("name", ARITHMETIC)
def test_published_formula(name: str) -> None:
    formula = spyndex.indices[name].formula
    e = parse(translated(formula))
    rng = np.random.default_rng(sum(map(ord, name)))
    values = {n: rng.uniform(0.05, 0.95, 500) for n in e.names}
    with np.errstate(all="ignore"):
        expected = np.asarray(spyndex.computeIndex(name, values), dtype=np.float64)
    result, counts = e.evaluate_counted(values)
    possible = np.isfinite(expected)
    np.testing.assert_allclose(result[possible], expected[possible], rtol=1e-5, atol=1e-6)
    assert np.isnan(result[~possible]).all()
    assert (counts.divided_by_zero, counts.missing_input) == (0, 0)


def test_magnesium_number() -> None:
    # Common practice: Mg# = 100 Mg / (Mg + Fe) by atoms. Fo90 olivine, (Mg1.8 Fe0.2) SiO4, is 90.
    layers = {"Mg": np.array([1.8, 0.0]), "Fe": np.array([0.2, 0.0])}
    result, counts = parse("100 * Mg / (Mg + Fe)").evaluate_counted(layers)
    assert result[0] == pytest.approx(90.0)
    assert math.isnan(result[1])
    assert counts.divided_by_zero == 1
    np.testing.assert_array_equal(parse("100 * share(Mg, Fe)").evaluate(layers), result)


def test_chromium_number_by_ratio() -> None:
    # Common practice: Cr# = Cr / (Cr + Al) by atoms.
    layers = {"Cr": np.array([1.2]), "Al": np.array([0.8])}
    assert parse("ratio(Cr, Cr + Al)").evaluate(layers)[0] == pytest.approx(0.6)


@pytest.mark.parametrize(
    "text",
    ["1+2*3", "2^3^2", "-2^2", "2^-1", "8/4/2", "1-2-3", "2*3^2", "-2*-3", "(1+2)*3", "1/2*4"],
)
def test_order_of_operations_is_that_of_python(text: str) -> None:
    # The Python Language Reference, 6.17, Operator precedence, worked out by Python itself.
    expected = {
        "1+2*3": 1 + 2 * 3,
        "2^3^2": 2**3**2,
        "-2^2": -(2**2),
        "2^-1": 2**-1,
        "8/4/2": 8 / 4 / 2,
        "1-2-3": 1 - 2 - 3,
        "2*3^2": 2 * 3**2,
        "-2*-3": -2 * -3,
        "(1+2)*3": (1 + 2) * 3,
        "1/2*4": 1 / 2 * 4,
    }[text]
    assert parse(text).evaluate({"any": np.zeros(1)})[0] == expected


@pytest.mark.parametrize(
    "text",
    [
        "__import__('os').system('true')",
        "().__class__.__bases__",
        "lambda: 0",
        "Fe.real",
        "Fe[0]",
        "Fe if Fe else Mg",
        "open(Fe)",
        "exec(Fe)",
        "f'{Fe}'",
        "Fe := 1",
    ],
)
def test_no_code_is_run(text: str) -> None:
    with pytest.raises(ExpressionError):
        parse(text)
