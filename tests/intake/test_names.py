"""Names as people give them, and the words in them that only look like elements."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.errors import InputError
from viewer.intake.names import known_elements, line_name, name, name_all
from viewer.intake.periodic import NUMBERS, SYMBOLS, atomic_number

ONE = [
    # text, name, element, line
    ("Fe", "Fe", "Fe", None),
    ("Fe.tif", "Fe", "Fe", None),
    ("Fe Ka1", "Fe", "Fe", "Ka1"),
    ("Fe_K", "Fe", "Fe", "K"),
    ("Fe-K", "Fe", "Fe", "K"),
    ("FeK", "Fe", "Fe", "K"),
    ("FeKa", "Fe", "Fe", "Ka"),
    ("FeKa1.tif", "Fe", "Fe", "Ka1"),
    ("Fe Kα", "Fe", "Fe", "Ka"),
    ("Fe Kα1", "Fe", "Fe", "Ka1"),
    ("FeKα1,2", "Fe", "Fe", "Ka"),
    ("Fe Kα1,2", "Fe", "Fe", "Ka"),
    ("Fe K-alpha1", "Fe", "Fe", "Ka1"),
    ("Fe K alpha", "Fe", "Fe", "Ka"),
    ("Fe Kbeta1", "Fe", "Fe", "Kb1"),
    ("Fe K-L3", "Fe", "Fe", "K"),
    ("Fe Kseries", "Fe", "Fe", "K"),
    ("FeKline", "Fe", "Fe", "K"),
    ("proline", "proline", None, None),
    ("saline", "saline", None, None),
    ("slab3-Fe-K.tif", "Fe", "Fe", "K"),
    ("hollin-A-Fe-K.tif", "Fe", "Fe", "K"),
    ("/some/folder/hollin-A-Fe-K.ome.tiff", "Fe", "Fe", "K"),
    ("C:\\maps\\Si_K.csv", "Si", "Si", "K"),
    ("26 Fe", "Fe", "Fe", None),
    ("26_Fe.tif", "Fe", "Fe", None),
    ("26Fe", "Fe", "Fe", None),
    ("Fe26", "Fe", "Fe", None),
    ("57Fe", "Fe", "Fe", None),
    ("Si29_CPS", "Si", "Si", None),
    ("Map 03 Ca K series", "Ca", "Ca", "K"),
    ("Map 03 K K series", "K", "K", "K"),
    ("K", "K", "K", None),
    ("K Ka", "K", "K", "Ka"),
    ("K-K", "K", "K", "K"),
    ("19 K", "K", "K", None),
    ("S-K", "S", "S", "K"),
    ("SK", "S", "S", "K"),
    ("OKa", "O", "O", "Ka"),
    ("Pb Ma1", "Pb", "Pb", "Ma1"),
    ("PbL", "Pb", "Pb", "L"),
    ("Ba La1", "Ba", "Ba", "La1"),
    ("Ba La", "Ba", "Ba", "La"),
    ("La", "La", "La", None),
    ("La La", "La", "La", "La"),
    ("La L", "La", "La", "L"),
    ("Au-M", "Au", "Au", "M"),
    ("BSE", "BSE", None, None),
    ("hollin-A-BSE.tif", "BSE", None, None),
    ("SE", "SE", None, None),
    ("Se", "Se", "Se", None),
    ("Cl", "Cl", "Cl", None),
    ("CL", "CL", None, None),
    ("Co", "Co", "Co", None),
    ("CO", "CO", None, None),
    ("C", "C", "C", None),
    ("As.tif", "As", "As", None),
    ("hollin-A-As.tif", "As", "As", None),
    ("As K", "As", "As", "K"),
    ("In L", "In", "In", "L"),
    ("FE.TIF", "Fe", "Fe", None),
    ("fe.tif", "Fe", "Fe", None),
    ("si_k", "Si", "Si", None),
    ("SiO2", "SiO2", "Si", None),
    ("slab Al2O3 wt%", "Al2O3", "Al", None),
    ("FeO", "FeO", "Fe", None),
    ("Fe counts", "Fe", "Fe", None),
    ("Fe (wt%)", "Fe", "Fe", None),
    ("at% Fe", "Fe", "Fe", None),
    ("In situ Fe map", "Fe", "Fe", None),
    ("As measured Fe", "Fe", "Fe", None),
    ("No 12 Mg", "Mg", "Mg", None),
    ("face-B Fe", "Fe", "Fe", None),
    ("face-B-S-K", "S", "S", "K"),
    ("No 12", "No 12", None, None),
    ("No. 12", "No 12", None, None),
    ("face-B", "face B", None, None),
    ("face-B.tif", "face B", None, None),
    ("section K", "section K", None, None),
    ("face-K-L", "face K L", None, None),
    ("At", "At", None, None),
    ("In situ", "In situ", None, None),
    ("As measured", "As measured", None, None),
    ("I", "I", "I", None),
    ("U", "U", "U", None),
    ("A-B", "A B", None, None),
    ("B12", "B12", None, None),
    ("Fe Ca ratio", "Fe Ca ratio", None, None),
    ("page 3", "page 3", None, None),
    ("Hollin sill", "Hollin sill", None, None),
    ("F M", "F M", None, None),
    ("", "channel", None, None),
    ("???", "???", None, None),
]


@pytest.mark.parametrize(("text", "short", "element", "line"), ONE)
def test_one_name(text: str, short: str, element: str | None, line: str | None) -> None:
    named = name(text)
    assert (named.name, named.element, named.line) == (short, element, line)
    assert named.number == (NUMBERS[element] if element else None)


LISTS = [
    (
        ["hollin-A-Fe-K.tif", "hollin-A-K-K.tif", "hollin-A-Si-K.tif", "hollin-A-BSE.tif"],
        [("Fe", "K"), ("K", "K"), ("Si", "K"), (None, None)],
    ),
    (
        ["Fe-K", "K-K", "Si-K", "Al-K"],
        [("Fe", "K"), ("K", "K"), ("Si", "K"), ("Al", "K")],
    ),
    (  # the sample is called Ti-3
        ["Ti-3-Fe", "Ti-3-Ti", "Ti-3-Si", "Ti-3-BSE"],
        [("Fe", None), ("Ti", None), ("Si", None), (None, None)],
    ),
    (  # Co is the place, not cobalt
        ["Co-12-sum", "Co-12-Fe", "Co-12-Ca"],
        [(None, None), ("Fe", None), ("Ca", None)],
    ),
    (  # face B, with boron mapped too
        ["face-B-Fe", "face-B-B", "face-B-Si"],
        [("Fe", None), ("B", None), ("Si", None)],
    ),
    (["FE.TIF", "SI.TIF", "CO.TIF", "CL.TIF", "SE.TIF"],
     [("Fe", None), ("Si", None), ("Co", None), ("Cl", None), (None, None)]),
    (["Fe.tif", "CL.tif", "CO.tif"], [("Fe", None), (None, None), (None, None)]),
    (["Fe pass 1", "Fe pass 2"], [("Fe", None), ("Fe", None)]),
    (["hollin-A-Fe", "hollin-B-Fe"], [("Fe", None), ("Fe", None)]),
    (["face-A-Fe-K", "face-B-Fe-K"], [("Fe", "K"), ("Fe", "K")]),
    (["face-B-1", "face-B-2"], [(None, None), (None, None)]),
    (["In.tif", "As.tif", "U.tif", "No.tif"],
     [("In", None), ("As", None), ("U", None), (None, None)]),
    (["O", "C", "N", "S"], [("O", None), ("C", None), ("N", None), ("S", None)]),
]  # fmt: skip


@pytest.mark.parametrize(("texts", "expected"), LISTS)
def test_names_of_a_list(texts: list[str], expected: list[tuple[str | None, str | None]]) -> None:
    assert [(n.element, n.line) for n in name_all(texts)] == expected


def test_lines_of_one_element_are_told_apart() -> None:
    assert [n.name for n in name_all(["Pb-La", "Pb-Ma", "Fe-K"])] == ["Pb La", "Pb Ma", "Fe"]


def test_duplicates_are_numbered_and_noted() -> None:
    named = name_all(["Fe", "a/Fe.tif", "Fe (2)", "Si"])
    assert [n.name for n in named] == ["Fe", "Fe (2)", "Fe (3)", "Si"]
    assert named[0].note is None
    assert named[1].note is not None
    assert "Fe (2)" in named[1].note


def test_unknown_names_drop_what_they_share() -> None:
    assert [n.name for n in name_all(["hollin red", "hollin green"])] == ["red", "green"]
    assert [n.name for n in name_all(["scene band 1", "scene band 2"])] == [
        "scene band 1",
        "scene band 2",
    ]


def test_units_in_names() -> None:
    assert name("Fe wt%").unit == "wt%"
    assert name("Fe_at%").unit == "at%"
    assert name("Fe counts").unit == "counts"
    assert name("Si29_CPS").unit == "cps"
    assert name("Cr2O3").unit == "wt%"
    assert name("flat Fe").unit == ""


def test_periodic_table() -> None:
    assert len(SYMBOLS) == len(set(SYMBOLS)) == 118
    # from memory: the ends of periods and of the f-block
    for symbol, z in [("Ne", 10), ("Kr", 36), ("Xe", 54), ("Lu", 71), ("Rn", 86), ("U", 92),
                      ("Og", 118)]:  # fmt: skip
        assert atomic_number(symbol) == z
    assert atomic_number("fe") is None


def test_lines_from_the_user() -> None:
    assert [line_name(t) for t in ("Kα1", "K-alpha", "L series", "Ma1", "fast", "")] == [
        "Ka1",
        "Ka",
        "L",
        "Ma1",
        None,
        None,
    ]


def test_elements_from_the_user() -> None:
    assert known_elements(["fe", " SI", "Co"]) == ["Fe", "Si", "Co"]
    with pytest.raises(InputError, match="'Xx'"):
        known_elements(["Fe", "Xx"])


SAFE = [s for s in SYMBOLS[:92] if len(s) == 2]


@given(
    st.sampled_from(["hollin", "slab3", "run 7", "corran-B"]),
    st.lists(st.sampled_from(SAFE), min_size=2, max_size=12, unique=True),
    st.sampled_from(["-", "_", " "]),
)
def test_elements_with_their_lines_are_found_in_any_list(
    sample: str, symbols: list[str], gap: str
) -> None:
    lines = ["K" if 4 <= NUMBERS[s] <= 30 else "La1" if NUMBERS[s] > 30 else "" for s in symbols]
    texts = [gap.join([sample, s, line]) for s, line in zip(symbols, lines, strict=True) if line]
    kept = [s for s, line in zip(symbols, lines, strict=True) if line]
    assert [n.element for n in name_all(texts)] == kept


@given(st.lists(st.text(max_size=30), max_size=8))
def test_any_text_gets_a_unique_name(texts: list[str]) -> None:
    named = name_all(texts)
    assert len(named) == len(texts)
    assert len({n.name for n in named}) == len(texts)
    assert all(n.name.strip() for n in named)
    assert all(n.element is None or n.element in NUMBERS for n in named)
