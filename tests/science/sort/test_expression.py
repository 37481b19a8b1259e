"""Formulas: reading, writing back, working out, counting, and refusing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.science.sort import expression as ex
from viewer.science.sort import grammar
from viewer.science.sort.expression import (
    Binary,
    Call,
    Counts,
    Expression,
    ExpressionError,
    Name,
    Number,
    Unary,
    parse,
)

FE = np.array([[4.0, 0.0], [2.0, np.nan]])
MG = np.array([[1.0, 3.0], [0.0, 5.0]])


def one(text: str, **values: float) -> float:
    """Value of a formula at a single pixel."""
    arrays = {n: np.array([v]) for n, v in values.items()} or {"unused": np.zeros(1)}
    return float(parse(text).evaluate(arrays)[0])


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1 + 2 * 3", 7),
        ("(1 + 2) * 3", 9),
        ("8 / 4 / 2", 1),
        ("8 - 4 - 2", 2),
        ("2 ^ 3 ^ 2", 512),
        ("-2 ^ 2", -4),
        ("2 ^ -1", 0.5),
        ("2 ^ -1 * 4", 2),
        ("--3", 3),
        ("2 * -3", -6),
        ("1.5e1 + .5", 15.5),
        ("1 < 2", 1),
        ("2 <= 1", 0),
        ("not 1 == 2", 1),
        ("1 == 2 or 3 > 2 and 2 > 1", 1),
        ("(1 == 2 or 3 > 2) and 1 > 2", 0),
        ("1 + 1 != 2", 0),
        ("log(exp(2))", 2),
        ("log10(1000)", 3),
        ("sqrt(9) + abs(-2)", 5),
        ("min(3, 1, 2) + max(3, 1, 2)", 4),
        ("clip(7, 0, 5)", 5),
        ("where(2 > 1, 10, 20)", 10),
        ("ratio(1, 4)", 0.25),
        ("share(1, 2, 5)", 0.125),
        ("3 − 2 × 4 ÷ 8", 2),
        ("3 ≥ 3 and 2 ≠ 3 and 1 ≤ 2", 1),
    ],
)
def test_value(text: str, value: float) -> None:
    assert one(text) == pytest.approx(value)


def test_names_bare_and_quoted() -> None:
    e = parse("Ca_K + [Fe Ka1] * `a]b``c` - [log] - Té")
    assert e.names == {"Ca_K", "Fe Ka1", "a]b`c", "log", "Té"}
    assert parse(str(e)) == e


def test_division_by_zero_is_counted_and_missing_input_apart() -> None:
    result, counts = parse("Mg / Fe").evaluate_counted({"Mg": MG, "Fe": FE})
    assert result.dtype == np.float32
    np.testing.assert_array_equal(result, [[0.25, np.nan], [0.0, np.nan]])
    assert counts == Counts(divided_by_zero=1, missing_input=1)
    assert counts.sentence() == "1 pixel with no input value; 1 pixel divided by zero"


def test_zero_over_zero_is_a_division_by_zero() -> None:
    _, counts = parse("a / a").evaluate_counted({"a": np.zeros(3)})
    assert counts == Counts(divided_by_zero=3)


def test_logarithms_roots_and_overflow_are_counted() -> None:
    a = np.array([-1.0, 0.0, 1.0])
    for text, expected in [
        ("log(a)", Counts(bad_log=2)),
        ("log10(a)", Counts(bad_log=2)),
        ("sqrt(a)", Counts(bad_sqrt=1)),
        ("a ^ 0.5", Counts(bad_sqrt=1)),
        ("a ^ -1", Counts(divided_by_zero=1)),
        ("exp(a * 1000)", Counts(overflowed=1)),
        ("exp(a * 1000) - exp(a * 1000)", Counts(overflowed=1)),
        ("a * 1e300", Counts(overflowed=2)),
        ("log(a) + sqrt(a)", Counts(bad_log=2, bad_sqrt=1)),
    ]:
        result, counts = parse(text).evaluate_counted({"a": a})
        assert counts == expected, text
        assert not np.isinf(result).any()


def test_infinite_input_counts_as_missing() -> None:
    result, counts = parse("1 / a").evaluate_counted({"a": np.array([np.inf, -np.inf, 2.0])})
    np.testing.assert_array_equal(result, [np.nan, np.nan, 0.5])
    assert counts == Counts(missing_input=2)


def test_missing_pixel_is_never_true_or_false() -> None:
    values = {"a": np.array([np.nan])}
    comparisons = ("a > 1", "a != a", "not a", "a and 1")
    for text in (*comparisons, "a ^ 0", "1 ^ a", "max(a, 1)", "clip(0, a, 1)"):
        assert np.isnan(parse(text).evaluate(values)[0]), text


@pytest.mark.parametrize(
    "text", ["where(b > 0, a / b, 0)", "b > 0 and a / b > 1", "b == 0 or a / b > 0"]
)
def test_what_is_not_chosen_is_not_counted(text: str) -> None:
    result, counts = parse(text).evaluate_counted(
        {"a": np.array([1.0, 6.0]), "b": np.array([0.0, 2.0])}
    )
    assert counts == Counts()
    assert np.isfinite(result).all()


def test_nested_guards_combine() -> None:
    text = "where(a > 0, where(b > 0, log(a) / b, 1), 2)"
    a, b = np.array([-1.0, 1.0, 1.0, -1.0]), np.array([0.0, 0.0, 2.0, 2.0])
    result, counts = parse(text).evaluate_counted({"a": a, "b": b})
    np.testing.assert_array_equal(result, [2, 1, 0, 2])
    assert counts == Counts()


def test_work_is_done_in_float64() -> None:
    big = np.array([16_777_216], dtype=np.uint32)
    assert parse("(a + 1) - a").evaluate({"a": big})[0] == 1.0


def test_unsigned_integers_do_not_wrap() -> None:
    a, b = np.array([1], dtype=np.uint8), np.array([200], dtype=np.uint8)
    assert parse("a - b").evaluate({"a": a, "b": b})[0] == -199
    assert parse("b + b").evaluate({"b": b})[0] == 400


def test_a_constant_takes_the_shape_of_the_layers() -> None:
    assert parse("2 + 1").evaluate({"a": np.zeros((3, 4))}).shape == (3, 4)
    with pytest.raises(InputError, match="no size"):
        parse("2 + 1").evaluate({})


def test_inputs_are_left_alone() -> None:
    a = np.array([np.inf, 0.0, 1.0])
    before = a.copy()
    parse("where(a > 0, 1 / a, a)").evaluate({"a": a})
    np.testing.assert_array_equal(a, before)


@given(rows=st.integers(0, 40), columns=st.integers(1, 40), tile=st.integers(1, 200))
@settings(max_examples=40, deadline=None)
def test_tiles_give_what_the_whole_gives(rows: int, columns: int, tile: int) -> None:
    rng = np.random.default_rng(rows * 41 + columns)
    values = {n: rng.integers(0, 4, (rows, columns)).astype(float) for n in "ab"}
    e = parse("where(a > 1, log(b) / (a - 2), share(a, b))")
    whole = e.evaluate_counted(values)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ex, "TILE", tile)
        tiled = e.evaluate_counted(values)
    np.testing.assert_array_equal(tiled[0], whole[0])
    assert tiled[1] == whole[1]


def test_shapes_must_agree() -> None:
    with pytest.raises(InputError, match="a 2, b 3"):
        parse("a + b").evaluate({"a": np.zeros(2), "b": np.zeros(3)})


def test_complex_and_text_layers_are_refused() -> None:
    with pytest.raises(InputError, match="real numbers"):
        parse("a").evaluate({"a": np.zeros(2, dtype=complex)})


# --- messages ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "position", "says"),
    [
        ("", 0, "empty"),
        ("   ", 3, "empty"),
        ("Mg +", 4, "ends where"),
        ("(Mg + Fe", 0, "not closed"),
        ("Mg + Fe)", 7, "too many"),
        ("Mg Fe", 3, "operator is missing"),
        ("2Fe", 1, "run together"),
        ("1.2.3", 3, "run together"),
        ("1e", 1, "run together"),
        ("1,5 * Fe", 1, "decimals|Decimals"),
        ("(1,5) * Fe", 2, "Decimals"),
        ("[Fe Ka", 0, "not closed"),
        ("[] + 1", 0, "is empty"),
        ("lgo(Fe)", 0, "Did you mean log"),
        ("ln(Fe)", 0, "Did you mean log"),
        ("pow(Fe, 2)", 0, "a \\^ b"),
        ("Fe(2)", 0, "no function"),
        ("log + 1", 0, "is a function"),
        ("log(1, 2)", 0, "takes 1 value, not 2"),
        ("where(1, 2)", 0, "takes 3 values, not 2"),
        ("share(Fe)", 0, "2 or more"),
        ("min()", 0, "not 0"),
        ("a < b < c", 6, "do not chain"),
        ("a = b", 2, "write =="),
        ("a ** b", 2, "\\^"),
        ("a & b", 2, "Write and"),
        ("a + not b", 4, "not cannot stand here"),
        ("a + * b", 4, "before '\\*'"),
        ("1e999", 0, "too large"),
        ("a @ b", 2, "means nothing"),
        ("__import__('os')", 11, "backticks"),
        ("a.b", 1, "means nothing"),
    ],
)
def test_refusals_point_at_the_fault(text: str, position: int, says: str) -> None:
    with pytest.raises(ExpressionError, match=says) as caught:
        parse(text)
    assert caught.value.position == position
    caret = caught.value.pointer.splitlines()[-1]
    assert caret == " " * position + "^"
    assert caught.value.exit_code == 3


def test_unknown_layer_offers_the_nearest() -> None:
    with pytest.raises(ExpressionError, match=r"Did you mean \[Fe Ka1\]\?") as caught:
        parse("Mg + [Fe Ka]", layers=["Mg", "Fe Ka1", "Si"])
    assert caught.value.position == 5
    with pytest.raises(ExpressionError, match="Did you mean Mg"):
        parse("mg", layers={"Mg", "Mn"})
    with pytest.raises(ExpressionError, match="Layers: Mg, Si"):
        parse("qqqq", layers=["Si", "Mg"])
    with pytest.raises(ExpressionError, match="no layer 'Fe'"):
        parse("Fe").evaluate({"Mg": np.zeros(1)})


def test_long_and_deep_formulas_are_refused() -> None:
    with pytest.raises(ExpressionError, match="characters"):
        parse("a" * (ex.MAX_LENGTH + 1))
    for text in ("(" * 2000, "-" * 2000 + "1", "a^" * 1500 + "a", "abs(" * 900, "a+" * 1500 + "a"):
        with pytest.raises(ExpressionError, match="nested"):
            parse(text)
    assert one("+".join(["a"] * ex.MAX_DEPTH), a=1.0) == ex.MAX_DEPTH


def test_the_pointer_of_a_long_formula_shows_the_part_at_fault() -> None:
    text = " + ".join(["Fe"] * 60) + " + ) "
    with pytest.raises(ExpressionError) as caught:
        parse(text)
    shown, caret = caught.value.pointer.splitlines()
    assert shown[len(caret) - 1] == ")"
    assert len(shown) < 100


# --- properties -------------------------------------------------------------------------------

_words = st.sampled_from(["Fe", "Mg", "Fe Ka1", "a]b", "`", "and", "log", "26 Fe", "µ", "x_1"])
_leaves = st.one_of(
    st.floats(0, 1e300, allow_nan=False).map(Number),
    st.integers(0, 10**6).map(lambda i: Number(float(i))),
    _words.map(Name),
)


def _grow(children: st.SearchStrategy[ex.Node]) -> st.SearchStrategy[ex.Node]:
    def call(name: str) -> st.SearchStrategy[ex.Node]:
        fewest, most = grammar.ARITY[name]
        return st.lists(children, min_size=fewest, max_size=most or fewest + 2).map(
            lambda a: Call(name, tuple(a))
        )

    return st.one_of(
        st.builds(Unary, st.sampled_from(["-", "not"]), children),
        st.builds(Binary, st.sampled_from(list(grammar.BINDING)), children, children),
        st.sampled_from(list(grammar.ARITY)).flatmap(call),
    )


trees = st.recursive(_leaves, _grow, max_leaves=25)


@given(trees)
@settings(max_examples=400, deadline=None)
def test_written_formulas_read_back_the_same(tree: ex.Node) -> None:
    text = str(Expression(tree))
    if len(text) <= ex.MAX_LENGTH:
        again = parse(text)
        assert again.root == tree
        assert str(again) == text


@given(trees, st.integers(0, 2**32 - 1))
@settings(max_examples=200, deadline=None)
def test_every_pixel_without_result_is_counted_and_no_other(tree: ex.Node, seed: int) -> None:
    rng = np.random.default_rng(seed)
    e = Expression(tree)
    names = sorted(e.names) or ["unused"]
    pixels = [0.0, 1.0, -1.0, 2.5, -1e30, 1e30, np.nan, np.inf]
    for _ in range(4):
        values = {n: rng.choice(pixels, 1) for n in names}
        result, counts = e.evaluate_counted(values)
        total = (
            counts.divided_by_zero
            + counts.bad_log
            + counts.bad_sqrt
            + counts.missing_input
            + counts.overflowed
        )
        assert np.isnan(result[0]) == (total > 0)
        assert not np.isinf(result[0])


def _read_or_refused(text: str) -> None:
    refusal = None
    try:
        e = parse(text)
    except ExpressionError as error:
        refusal = error
    if refusal is None:
        assert parse(str(e)) == e
    else:
        assert 0 <= refusal.position <= len(text)
        assert refusal.what


@given(st.text(max_size=200))
@settings(max_examples=300, deadline=None)
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    _read_or_refused(text)


@given(st.text(alphabet="ab01.()+-*/^<>=!,[]` andotlgwhersq", max_size=60))
@settings(max_examples=500, deadline=None)
def test_formula_like_text_is_read_or_refused_in_words(text: str) -> None:
    _read_or_refused(text)


def _reference(node: ex.Node, v: dict[str, float]) -> float:
    """An independent reading of the tree with plain Python floats."""
    if isinstance(node, Number):
        return node.value
    if isinstance(node, Name):
        return v[node.name]
    if isinstance(node, Unary):
        a = _reference(node.operand, v)
        return -a if node.op == "-" else float(not a)
    assert isinstance(node, Binary)
    a, b = _reference(node.left, v), _reference(node.right, v)
    table = {
        "+": lambda: a + b,
        "-": lambda: a - b,
        "*": lambda: a * b,
        "<": lambda: float(a < b),
        "<=": lambda: float(a <= b),
        ">": lambda: float(a > b),
        ">=": lambda: float(a >= b),
        "==": lambda: float(a == b),
        "!=": lambda: float(a != b),
        "and": lambda: float(bool(a) and bool(b)),
        "or": lambda: float(bool(a) or bool(b)),
    }
    return table[node.op]()


_plain = st.recursive(
    st.one_of(st.integers(0, 5).map(lambda i: Number(float(i))), st.sampled_from("ab").map(Name)),
    lambda c: st.one_of(
        st.builds(Unary, st.sampled_from(["-", "not"]), c),
        st.builds(
            Binary,
            st.sampled_from(["+", "-", "*", "<", "<=", ">", ">=", "==", "!=", "and", "or"]),
            c,
            c,
        ),
    ),
    max_leaves=15,
)


@given(_plain, st.integers(-3, 3), st.integers(-3, 3))
@settings(max_examples=300, deadline=None)
def test_values_equal_plain_python(tree: ex.Node, a: int, b: int) -> None:
    values = {"a": np.array([float(a)]), "b": np.array([float(b)])}
    expected = np.float32(_reference(tree, {"a": float(a), "b": float(b)}))
    assert parse(str(Expression(tree))).evaluate(values)[0] == expected
