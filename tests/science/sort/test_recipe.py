"""Recipes: stored and read back, refused when wrong, and worked out block by block."""

from __future__ import annotations

import msgspec
import numpy as np
import numpy.typing as npt
import pytest

from viewer.errors import InputError
from viewer.science.sort.clusters import ClusterModel, Partition
from viewer.science.sort.components import principal_components
from viewer.science.sort.expression import Counts
from viewer.science.sort.forest import ForestModel
from viewer.science.sort.recipe import (
    Clusters,
    Component,
    Context,
    EdgePreserving,
    Forest,
    Formula,
    Gaussian,
    Median,
    Recipe,
    Total,
    first_pass,
    run_block,
)
from viewer.science.sort.sampling import Scaling

CLUSTERS = ClusterModel(
    scaling=Scaling(shift=(0.0, 0.0), scale=(1.0, 1.0)),
    partitions=(
        Partition(centres=((6.0, 6.0), (7.5, 7.5)), clusters=(1, 2), reaches=(1.5, 1.5)),
        Partition(centres=((6.0, 5.0), (6.0, 7.0)), clusters=(3, 4), of=(1,)),
    ),
    numbers=(0, 1, 2, 3),
)
SEEDS = ForestModel(
    classes=("dark", "bright"),
    values=((8.0, 12.0), (9.0, 12.0), (15.0, 12.0), (16.0, 12.0)),
    labels=(1, 1, 2, 2),
    strokes=(0, 0, 1, 1),
    radius_px=2,
    trees=5,
)

RECIPES: list[Recipe] = [
    Formula(expression="where(Fe > 10, Mg / [Ca K], 0)"),
    Median(input="Fe", size=5),
    Gaussian(input="Mg", sigma_px=1.5),
    EdgePreserving(input="Fe", radius=2, keep=2.0, noise=3.0),
    Total(inputs=("Fe", "Mg", "Ca K")),
    Component(inputs=("Fe", "Mg", "Ca K"), index=1, scaling="standardised"),
    Clusters(inputs=("Fe", "Mg"), model=CLUSTERS),
    Forest(inputs=("Fe",), model=SEEDS),
    Forest(inputs=("Fe",), model=SEEDS, result="confidence"),
]


def layers(gaps: bool = True) -> dict[str, npt.NDArray[np.float64]]:
    rng = np.random.default_rng(5)
    out = {n: rng.poisson(12, (60, 75)).astype(float) for n in ("Fe", "Mg", "Ca K")}
    if gaps:
        out["Fe"][10:14, 20:22] = np.nan
        out["Ca K"][30:33] = 0
    return out


def context(recipe: Recipe, blocks: dict[str, npt.NDArray[np.float64]]) -> Context:
    sums = first_pass(recipe)
    if sums is None:
        return Context()
    sums.add(np.stack([blocks[n] for n in recipe.inputs]))
    return Context(components=principal_components(sums.finish()))


@pytest.mark.parametrize("recipe", RECIPES)
def test_a_recipe_survives_json(recipe: Recipe) -> None:
    text = msgspec.json.encode(recipe)
    again = msgspec.json.decode(text, type=Recipe)
    assert again == recipe
    assert b'"operation":' in text
    assert b'"version":1' in text


def test_the_schema_of_recipes_can_be_written() -> None:
    schema = msgspec.json.schema(Recipe)
    assert set(schema["discriminator"]["mapping"]) == {
        "formula",
        "median",
        "gaussian",
        "edge_preserving",
        "total",
        "component",
        "clusters",
        "forest",
    }


@pytest.mark.parametrize("recipe", RECIPES)
@pytest.mark.parametrize("tile", [13, 64])
def test_blocks_with_their_halo_equal_the_whole(recipe: Recipe, tile: int) -> None:
    whole = layers()
    learnt = context(recipe, whole)
    expected, expected_counts = run_block(recipe, whole, learnt)
    rows, columns = whole["Fe"].shape
    h = recipe.halo
    result = np.empty_like(expected)
    counts = Counts()
    for r in range(0, rows, tile):
        for c in range(0, columns, tile):
            r0, c0 = max(0, r - h), max(0, c - h)
            r1, c1 = min(rows, r + tile), min(columns, c + tile)
            blocks = {n: a[r0 : r1 + h, c0 : c1 + h] for n, a in whole.items()}
            core = (slice(r - r0, r1 - r0), slice(c - c0, c1 - c0))
            result[r:r1, c:c1], found = run_block(recipe, blocks, learnt, core)
            counts = counts + found
    np.testing.assert_array_equal(result, expected)
    assert counts == expected_counts
    assert expected_counts != Counts() or "Fe" not in recipe.inputs


def test_total_is_the_sum_and_counts_the_missing() -> None:
    blocks = layers()
    layer, counts = run_block(Total(inputs=("Fe", "Mg")), blocks)
    np.testing.assert_array_equal(layer, (blocks["Fe"] + blocks["Mg"]).astype(np.float32))
    assert counts == Counts(missing_input=8)
    _, counts = run_block(Total(inputs=("a",)), {"a": np.array([[1e300, np.inf, 2.0]])})
    assert counts == Counts(missing_input=1, overflowed=1)


def test_total_of_small_integers_does_not_wrap() -> None:
    full = np.full((2, 2), 255, dtype=np.uint8)
    layer, _ = run_block(Total(inputs=("a", "b")), {"a": full, "b": full})
    assert (layer == 510).all()


def test_formula_names_its_inputs_and_counts() -> None:
    recipe = Formula(expression="Mg/[Ca K]")
    assert recipe.inputs == ("Ca K", "Mg")
    assert recipe.title() == "Mg / [Ca K]"
    _, counts = run_block(recipe, layers())
    assert counts == Counts(divided_by_zero=3 * 75)


def test_titles_are_words() -> None:
    assert [r.title() for r in RECIPES[1:]] == [
        "Median of Fe, 5 × 5 pixels",
        "Gaussian mean of Mg, sigma 1.5 pixels",
        "Edge-preserving mean of Fe, 5 × 5 pixels",
        "Sum of Fe, Mg, Ca K",
        "Component 2 of Fe, Mg, Ca K (standardised)",
        "3 clusters of Fe, Mg",
        "Minerals by seeds in Fe, 5 trees",
        "Confidence by seeds in Fe, 5 trees",
    ]
    many = Total(inputs=tuple("abcdefgh"))
    assert many.title() == "Sum of 8 layers"


def test_only_components_need_a_first_pass() -> None:
    learners = [r for r in RECIPES if first_pass(r) is not None]
    assert learners == [RECIPES[5]]
    with pytest.raises(InputError, match="not been fitted"):
        run_block(RECIPES[5], layers())


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('{"operation":"formula","expression":"Fe +"}', "ends where"),
        ('{"operation":"formula","expression":"1 + 2"}', "reads no layer"),
        ('{"operation":"median","input":"Fe","size":4}', "odd"),
        ('{"operation":"gaussian","input":"Fe","sigma_px":-1}', "above 0"),
        ('{"operation":"edge_preserving","input":"Fe","radius":0}', "radius"),
        ('{"operation":"total","inputs":["Fe","Fe"]}', "named twice"),
        ('{"operation":"component","inputs":["Fe","Mg"],"index":2}', "components 1 to 2"),
        ('{"operation":"median","input":"Fe","version":2}', "version 2"),
    ],
)
def test_wrong_recipes_are_refused_in_words(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        msgspec.json.decode(text, type=Recipe)


@pytest.mark.parametrize(
    "text",
    [
        '{"operation":"median","input":"Fe","colour":1}',
        '{"operation":"total","inputs":[]}',
        '{"operation":"component","inputs":["Fe"],"scaling":"log"}',
        '{"operation":"run","command":"x"}',
        '{"operation":"median","input":""}',
    ],
)
def test_misshapen_recipes_are_refused_when_read(text: str) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.json.decode(text, type=Recipe)


def test_missing_layers_and_unequal_shapes_are_refused() -> None:
    with pytest.raises(InputError, match="no layer 'Fe'"):
        run_block(Median(input="Fe"), {"Mg": np.zeros((3, 3))})
    with pytest.raises(InputError, match="Did you mean Fe"):
        run_block(Formula(expression="fe + 1"), {"Fe": np.zeros((3, 3))})
    with pytest.raises(InputError, match="differ in size"):
        run_block(Total(inputs=("a", "b")), {"a": np.zeros((3, 3)), "b": np.zeros((3, 4))})


def test_classes_are_whole_numbers_and_none_is_missing() -> None:
    blocks = layers()
    layer, counts = run_block(RECIPES[-3], blocks)
    assert set(np.unique(layer[~np.isnan(layer)])) <= {1.0, 2.0, 3.0}
    assert counts.missing_input == np.isnan(layer).sum() > 8
    layer, _ = run_block(RECIPES[-2], blocks)
    assert set(np.unique(layer[~np.isnan(layer)])) == {1.0, 2.0}
    assert np.isnan(layer[10:14, 20:22]).all()
    sure, _ = run_block(RECIPES[-1], blocks)
    assert np.nanmin(sure) >= 0.5
    assert np.nanmax(sure) <= 1.0


def test_a_model_of_other_layers_is_refused() -> None:
    with pytest.raises(InputError, match="of 2 layers, not 3"):
        Clusters(inputs=("Fe", "Mg", "Ca K"), model=CLUSTERS)
    with pytest.raises(InputError, match="other layers"):
        Forest(inputs=("Fe", "Mg"), model=SEEDS)
