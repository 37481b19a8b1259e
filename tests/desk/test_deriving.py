"""Derived layers hold what NumPy and SciPy make of the whole arrays, and follow their inputs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest
from scipy import ndimage

from tests.desk.conftest import MAP, ROCK, SHAPE, TRIANGLE, WHOLE, Array, inside
from viewer.desk import deriving
from viewer.desk.deriving import Follower, derive, derive_now, remove, stale
from viewer.desk.desk import Desk
from viewer.desk.jobs import Job
from viewer.errors import CancelledError, InputError, ProjectReadOnlyError
from viewer.science.progress import Progress, silent
from viewer.science.sort.recipe import (
    Component,
    EdgePreserving,
    Formula,
    Gaussian,
    Median,
    Recipe,
    Total,
)
from viewer.store.documents import Deriveds, MapSetup
from viewer.store.transaction import ShadowFile

FE, MG, CR, AL, CA = (ROCK[n].astype(np.float64) for n in ("Fe", "Mg", "Cr", "Al", "Ca"))


def values(desk: Desk, layer_id: str) -> Array:
    return desk.maps[MAP].layers[layer_id].values(*WHOLE)


def outline(desk: Desk, shift: float = 0.0) -> None:
    moved = tuple((x + shift, y) for x, y in TRIANGLE)
    desk.set_setup("Outline", MAP, MapSetup(outline=(moved,)))


# -- numbers --------------------------------------------------------------------------------------

FORMULAS: dict[str, Callable[[], Array]] = {
    "Mg/(Mg+Fe)": lambda: MG / (MG + FE),
    "log(Ca)": lambda: np.log(np.where(CA > 0, CA, np.nan)),
    "sqrt(Ca - 20)": lambda: np.sqrt(np.where(CA >= 20, CA - 20, np.nan)),
    "Fe / (Al - 40)": lambda: FE / np.where(AL == 40, np.nan, AL - 40),
    "where(Fe > 500, Mg, -Al)": lambda: np.where(FE > 500, MG, -AL),
    "abs(Cr) + max(Fe, Mg) - min(Fe, Mg)": lambda: np.abs(CR) + np.abs(FE - MG),
    "Fe ^ 2": lambda: FE**2,
}


@pytest.mark.parametrize("text", FORMULAS)
def test_formulas(desk: Desk, text: str) -> None:
    layer, counts = derive_now(desk, MAP, "new", Formula(expression=text))
    expected = FORMULAS[text]()
    assert layer.dtype == np.float32
    np.testing.assert_allclose(values(desk, layer.id), expected, rtol=1e-6)
    missing = int(np.isnan(expected).sum())
    assert layer.stats.missing == missing
    assert sum(counts.values()) == missing
    assert layer.stats.mean == pytest.approx(np.nanmean(expected), rel=1e-5)


def test_what_divides_by_zero_is_counted(desk: Desk) -> None:
    _, counts = derive_now(desk, MAP, "new", Formula(expression="Fe / (Al - 40) + log(Ca) + Cr"))
    assert counts["divided_by_zero"] == (AL == 40).sum() > 0
    assert counts["bad_log"] == (CA <= 0).sum() > 0
    assert counts["missing_input"] == np.isnan(CR).sum() > 0


@pytest.mark.parametrize("size", [3, 7])
def test_median(desk: Desk, size: int) -> None:
    layer, _ = derive_now(desk, MAP, "new", Median(input="Fe", size=size))
    found, half = values(desk, layer.id), size // 2
    core = (slice(half, -half), slice(half, -half))
    # At the map's edge fewer pixels are in the window; everywhere else SciPy has the same.
    np.testing.assert_array_equal(found[core], ndimage.median_filter(FE, size)[core])
    assert found[0, 0] == np.median(FE[: half + 1, : half + 1])


def test_gaussian(desk: Desk) -> None:
    layer, _ = derive_now(desk, MAP, "new", Gaussian(input="Fe", sigma_px=2.0))
    # What lies beyond the edge counts for nothing: both sums are over the map only.
    near = {"sigma": 2.0, "mode": "constant", "truncate": 4.0}
    expected = ndimage.gaussian_filter(FE, **near) / ndimage.gaussian_filter(np.ones(SHAPE), **near)
    np.testing.assert_allclose(values(desk, layer.id), expected, rtol=1e-6)


def test_gaussian_beside_missing_pixels(desk: Desk) -> None:
    layer, _ = derive_now(desk, MAP, "new", Gaussian(input="Cr", sigma_px=1.0))
    known = ~np.isnan(CR)
    near = {"sigma": 1.0, "mode": "constant", "truncate": 4.0}
    sums = ndimage.gaussian_filter(np.where(known, CR, 0.0), **near)
    weights = ndimage.gaussian_filter(known.astype(float), **near)
    expected = np.where(known, sums / np.where(known, weights, 1.0), np.nan)
    np.testing.assert_allclose(values(desk, layer.id), expected, rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("recipe", [EdgePreserving(input="Fe", radius=3), Median(input="Cr", size=5)])
def test_bands_are_put_together_without_a_seam(desk: Desk, recipe: EdgePreserving | Median) -> None:
    layer, _ = derive_now(desk, MAP, "new", recipe)
    whole = recipe.filter(ROCK[recipe.input].astype(np.float64))
    np.testing.assert_array_equal(values(desk, layer.id), whole)


def test_total(desk: Desk) -> None:
    layer, counts = derive_now(desk, MAP, "new", Total(inputs=("Fe", "Cr", "Ca")))
    np.testing.assert_allclose(values(desk, layer.id), FE + CR + CA, rtol=1e-6, atol=1e-4)
    assert counts["missing_input"] == np.isnan(CR).sum()


def principal(pixels: Array, index: int, mask: Array, standardised: bool) -> Array:
    """Score of a component by NumPy's singular value decomposition of the pixels inside a mask."""
    known = mask & np.isfinite(pixels).all(axis=0)
    inner = pixels[:, known]
    mean = inner.mean(axis=1, keepdims=True)
    scale = inner.std(axis=1, ddof=1, keepdims=True) if standardised else np.ones_like(mean)
    axes = np.linalg.svd((inner - mean) / scale, full_matrices=False)[0]
    axis = axes[:, index]
    axis = axis * np.sign(axis[np.abs(axis).argmax()])
    return np.tensordot(axis, (pixels - mean[..., None]) / scale[..., None], 1)


@pytest.mark.parametrize("index", [0, 2])
@pytest.mark.parametrize("scaling", ["plain", "standardised", "counts"])
@pytest.mark.parametrize("outlined", [False, True])
def test_components(desk: Desk, index: int, scaling: str, outlined: bool) -> None:
    if outlined:
        outline(desk)
    names = ("Fe", "Mg", "Al", "Cr") if scaling == "plain" else ("Fe", "Mg", "Al")
    recipe = Component(inputs=names, index=index, scaling=scaling)  # type: ignore[arg-type]
    layer, _ = derive_now(desk, MAP, "new", recipe)
    pixels = np.stack([ROCK[n].astype(np.float64) for n in names])
    if scaling == "counts":
        # Anscombe, F. J. (1948) doi:10.1093/biomet/35.3-4.246: Poisson counts of equal variance.
        pixels = 2.0 * np.sqrt(pixels + 3.0 / 8.0)
    mask = inside(TRIANGLE) if outlined else np.ones(SHAPE, bool)
    expected = principal(pixels, index, mask, scaling == "standardised")
    np.testing.assert_allclose(values(desk, layer.id), expected, rtol=1e-4, atol=2e-3)


# -- names ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["Fe", "fe", " Fe ", "new"])
def test_a_name_that_is_taken(desk: Desk, name: str) -> None:
    derive_now(desk, MAP, "new", Formula(expression="Fe+1"))
    with pytest.raises(InputError, match="already means"):
        derive_now(desk, MAP, name, Formula(expression="Fe+2"))
    assert len(desk.state.derived.layers) == 1


def test_a_derived_layer_can_be_an_input(desk: Desk) -> None:
    derive_now(desk, MAP, "Mg share", Formula(expression="Mg/(Mg+Fe)"))
    layer, _ = derive_now(desk, MAP, "smooth", Median(input="Mg share"))
    assert layer.stats.missing == 0
    with pytest.raises(InputError, match="«smooth» is made from «Mg share»"):
        remove(desk, MAP, "Mg-share")
    remove(desk, MAP, layer.id)
    remove(desk, MAP, "Mg-share")
    assert not desk.state.derived.layers
    with pytest.raises(InputError, match="was measured"):
        remove(desk, MAP, "Fe")


# -- staying in step ------------------------------------------------------------------------------


class Computed:
    """Which layers were worked out, in order."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.names: list[str] = []
        real = deriving.compute

        def compute(desk: Desk, work: deriving.Work, *rest: object) -> object:
            self.names.append(work.entry.name)
            return real(desk, work, *rest)  # type: ignore[arg-type]

        monkeypatch.setattr(deriving, "compute", compute)

    def clear(self) -> list[str]:
        names, self.names = self.names, []
        return names


@pytest.fixture
def computed(monkeypatch: pytest.MonkeyPatch) -> Computed:
    return Computed(monkeypatch)


@pytest.fixture
def follower(desk: Desk, computed: Computed) -> Follower:
    """Held by the test: signals do not keep those alive whom they call."""
    return Follower(desk)


@pytest.mark.usefixtures("follower")
def test_undo_and_redo_of_deriving(desk: Desk, computed: Computed) -> None:
    told: list[str] = []
    derive(desk, MAP, "ratio", Formula(expression="Mg/Fe"))
    desk.layers_changed.connect(told.append)
    before = values(desk, "ratio")
    desk.undo()
    assert "ratio" not in desk.maps[MAP].layers
    assert told == [MAP]
    desk.redo()
    np.testing.assert_array_equal(values(desk, "ratio"), before)
    # Its pixels had been kept.
    assert computed.clear() == ["ratio"]
    remove(desk, MAP, "ratio")
    assert "ratio" not in desk.maps[MAP].layers
    desk.undo()
    np.testing.assert_array_equal(values(desk, "ratio"), before)
    assert computed.clear() == []


@pytest.mark.usefixtures("follower")
def test_a_name_used_again_after_an_undo_is_worked_out_anew(desk: Desk) -> None:
    derive(desk, MAP, "x", Formula(expression="Fe+1"))
    desk.undo()
    derive(desk, MAP, "x", Formula(expression="Fe+2"))
    np.testing.assert_array_equal(values(desk, "x"), FE + 2)
    desk.undo()
    desk.redo()
    np.testing.assert_array_equal(values(desk, "x"), FE + 2)
    assert stale(desk) == []


@pytest.mark.usefixtures("follower")
def test_only_what_depends_on_the_outline_follows_it(desk: Desk, computed: Computed) -> None:
    derive(desk, MAP, "ratio", Formula(expression="Mg/Fe"))
    derive(desk, MAP, "first", Component(inputs=("Fe", "Mg"), scaling="plain"))
    derive(desk, MAP, "twice", Formula(expression="first * 2"))
    derive(desk, MAP, "four times", Formula(expression="twice * 2"))
    computed.clear()
    before = values(desk, "four-times")
    outline(desk)
    assert computed.clear() == ["first", "twice", "four times"]
    assert stale(desk) == []
    pixels = np.stack([FE, MG])
    expected = 4 * principal(pixels, 0, inside(TRIANGLE), False)
    np.testing.assert_allclose(values(desk, "four-times"), expected, rtol=1e-4, atol=5e-3)
    assert not np.array_equal(values(desk, "four-times"), before)
    desk.undo()
    assert stale(desk) == []
    np.testing.assert_array_equal(values(desk, "four-times"), before)


def test_what_went_stale_unseen_is_found_when_opened(desk: Desk, computed: Computed) -> None:
    derive_now(desk, MAP, "first", Component(inputs=("Fe", "Mg")))
    outline(desk)  # nothing follows: as from the command line
    assert [d.name for d in stale(desk)] == ["first"]
    path = desk.path
    desk.close()
    computed.clear()
    with Desk.open(path, inline=True) as again:
        assert [d.name for d in stale(again)] == ["first"]
        Follower(again)
        assert stale(again) == []
        assert computed.clear() == ["first"]
    with Desk.open(path, write=False, inline=True) as reading:
        Follower(reading)
    assert computed.clear() == []


def test_pixels_that_were_lost_are_worked_out_again(desk: Desk) -> None:
    """The pixels are a cache: without them, those made from them wait their turn too."""
    import h5py

    derive_now(desk, MAP, "first", Formula(expression="Fe + Mg"))
    derive_now(desk, MAP, "second", Formula(expression="first * 2"))
    path = desk.path
    desk.close()
    with h5py.File(path, "r+", libver="latest") as file:
        del file[f"maps/{MAP}/derived/first"]
        del file[f"maps/{MAP}/derived/second"]
    with Desk.open(path, inline=True) as again:
        assert "second" not in again.maps[MAP].layers
        follower = Follower(again)
        np.testing.assert_array_equal(values(again, "second"), 2 * (FE + MG))
        assert stale(again) == []
        del follower


def test_the_recipe_lies_beside_the_pixels(desk: Desk) -> None:
    import h5py

    recipe = Median(input="Fe", size=5)
    derive_now(desk, MAP, "smooth", recipe)
    with h5py.File(desk.path, "r", locking=False) as file:
        kept = file[f"maps/{MAP}/derived/smooth"].attrs["recipe"]
    assert msgspec.json.decode(kept, type=Recipe) == recipe  # type: ignore[arg-type]


def test_stopped_deriving_leaves_nothing(desk: Desk) -> None:
    before, names = desk.path.stat().st_size, set(desk.maps[MAP].layers)

    def progress(done: float, doing: str = "") -> None:
        if done > 0.4:
            raise CancelledError()

    with pytest.raises(CancelledError):
        derive_now(desk, MAP, "x", Formula(expression="Fe+1"), progress)
    assert set(desk.maps[MAP].layers) == names
    assert desk.undo_label is None
    assert desk.path.stat().st_size == before


def test_nothing_is_derived_when_reading_only(rock_file: Path) -> None:
    with (
        Desk.open(rock_file, write=False, inline=True) as desk,
        pytest.raises(ProjectReadOnlyError) as refused,
    ):
        derive_now(desk, MAP, "x", Formula(expression="Fe+1"))
    assert str(rock_file) in str(refused.value)


# -- what it takes --------------------------------------------------------------------------------


@pytest.mark.usefixtures("follower")
def test_deriving_again_holds_few_pages_in_memory(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Freed space that HDF5 fills again lies below the old end: it would all wait for the commit."""
    held: list[int] = []
    real = ShadowFile.commit

    def commit(shadow: ShadowFile) -> None:
        held.append(shadow.held)
        real(shadow)

    derive(desk, MAP, "first", Component(inputs=("Fe", "Mg"), scaling="plain"))
    monkeypatch.setattr(ShadowFile, "commit", commit)
    before = values(desk, "first")
    outline(desk)
    assert not np.array_equal(values(desk, "first"), before)
    assert len(held) == 1
    assert held[0] < 0.1 * before.nbytes


@pytest.mark.parametrize(
    "recipe",
    [
        Total(inputs=("Fe", "Mg", "Al", "Ca")),
        Component(inputs=("Fe", "Mg", "Al", "Ca"), scaling="plain"),
        Formula(expression="Fe + Mg * 2"),
        Median(input="Fe", size=7),
    ],
)
def test_what_is_read_at_a_time_is_bounded(
    desk: Desk, recipe: Recipe, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, _ = derive_now(desk, MAP, "whole", recipe)
    most = 8 * SHAPE[1] * len(recipe.inputs) * 40
    monkeypatch.setattr(deriving, "BLOCK_BYTES", most)
    taken: list[int] = []
    real = deriving.Work.read

    def read(work: deriving.Work, start: int, stop: int) -> dict[str, Array]:
        taken.append((stop - start) * len(work.inputs))
        return real(work, start, stop)

    monkeypatch.setattr(deriving.Work, "read", read)
    cut, _ = derive_now(desk, MAP, "cut", recipe)
    assert max(taken) * 8 * SHAPE[1] <= most
    np.testing.assert_allclose(values(desk, cut.id), values(desk, whole.id), rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize("size", [3, 31])
def test_blocks_cover_every_row_once_whatever_the_halo(
    desk: Desk, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(deriving, "BLOCK_BYTES", 1)
    recipe = Median(input="Fe", size=size)
    work = deriving.plan(desk, deriving.entry_for(desk, MAP, "x", recipe))
    cuts = list(work.blocks(7, 101))
    assert [r for a, b in cuts for r in range(a, b)] == list(range(7, 101))
    assert all(b - a >= 2 * recipe.halo for a, b in cuts[:-1])


# -- overtaken ------------------------------------------------------------------------------------


class Waiting:
    """Jobs that are started when the test says so."""

    def __init__(self, desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
        self.queue: list[Callable[[], None]] = []
        self.jobs: list[Job] = []

        def run(
            title: str,
            work: Callable[[Progress], object],
            done: Callable[[object], None],
            failed: Callable[[BaseException], None],
        ) -> Job:
            job = Job(title, lambda call: call())
            desk.jobs.running.append(job)
            self.jobs.append(job)
            self.queue.append(lambda: desk.jobs._work(job, work, done, failed))
            return job

        monkeypatch.setattr(desk.jobs, "run", run)

    def next(self) -> None:
        self.queue.pop(0)()


def test_an_overtaken_job_is_stopped_and_changes_nothing(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    derive_now(desk, MAP, "first", Component(inputs=("Fe", "Mg"), scaling="plain"))
    follower = Follower(desk)
    said: list[tuple[str, str]] = []
    desk.said.connect(lambda level, text: said.append((level, text)))
    before = values(desk, "first")
    waiting = Waiting(desk, monkeypatch)
    changes: list[object] = []
    real = desk.project.change
    monkeypatch.setattr(desk.project, "change", lambda w: (changes.append(w), real(w))[1])
    outline(desk)
    outline(desk, 10.0)
    outline(desk, 20.0)
    assert len(waiting.queue) == 1
    assert waiting.jobs[0].cancelled
    waiting.next()
    assert changes == []
    assert len(waiting.queue) == 1
    waiting.next()
    assert waiting.queue == []
    assert stale(desk) == []
    assert said == []
    assert not np.array_equal(values(desk, "first"), before)
    del follower


def test_what_is_overtaken_while_it_is_written_is_not_kept(desk: Desk) -> None:
    derive_now(desk, MAP, "first", Component(inputs=("Fe", "Mg"), scaling="plain"))
    outline(desk)
    work = deriving.plan(desk, stale(desk)[0])
    before, size = values(desk, "first"), desk.path.stat().st_size
    answers = iter([True, False])
    with pytest.raises(CancelledError):
        deriving.compute(desk, work, silent, lambda: next(answers))
    np.testing.assert_array_equal(values(desk, "first"), before)
    assert desk.path.stat().st_size == size


# -- damage ---------------------------------------------------------------------------------------


def test_layers_of_a_missing_one_are_told_of(desk: Desk) -> None:
    import h5py

    derive_now(desk, MAP, "first", Formula(expression="Fe + Mg"))
    derive_now(desk, MAP, "second", Formula(expression="first * 2"))
    derive_now(desk, MAP, "other", Formula(expression="Al * 2"))
    path = desk.path
    desk.close()
    with h5py.File(path, "r+", libver="latest") as file:
        del file[f"maps/{MAP}/channels/Fe"].attrs["stats"]
        del file[f"maps/{MAP}/derived/first"]
        del file[f"maps/{MAP}/derived/other"].attrs["complete"]
    with Desk.open(path, inline=True) as again:
        said: list[tuple[str, str]] = []
        again.said.connect(lambda level, text: said.append((level, text)))
        assert list(again.maps[MAP].damaged) == ["Fe", "other"]
        follower = Follower(again)
        assert [level for level, _ in said] == ["caution", "caution"]
        assert said[0][1].startswith("«first» cannot be worked out. ")
        assert said[1][1].startswith("«second» cannot be worked out. ")
        # What was only unfinished is made again.
        np.testing.assert_array_equal(values(again, "other"), AL * 2)
        remove(again, MAP, "other")
        del follower


def test_pixels_of_removed_layers_go_when_the_project_is_closed(desk: Desk) -> None:
    import h5py

    derive_now(desk, MAP, "kept", Formula(expression="Fe + Mg"))
    derive_now(desk, MAP, "gone", Formula(expression="Fe - Mg"))
    remove(desk, MAP, "gone")
    desk.project.fold()
    desk.undo()  # undo still finds the pixels
    assert stale(desk) == []
    desk.redo()
    desk.close()
    with h5py.File(desk.path, "r") as file:
        assert list(file[f"maps/{MAP}/derived"]) == ["kept"]
    with Desk.open(desk.path, inline=True) as again:
        np.testing.assert_array_equal(values(again, "kept"), FE + MG)


def test_a_derived_layer_whose_description_is_damaged_is_told_of(desk: Desk) -> None:
    import h5py

    derive_now(desk, MAP, "first", Formula(expression="Fe + Mg"))
    path = desk.path
    desk.close()
    with h5py.File(path, "r") as file:
        at = h5py.h5o.get_info(file[f"maps/{MAP}/derived/first"].id).addr
    content = bytearray(path.read_bytes())
    content[at + 20] ^= 0xFF
    path.write_bytes(content)
    with Desk.open(path, inline=True) as again:
        assert list(again.maps[MAP].damaged) == ["first"]
        said: list[tuple[str, str]] = []
        again.said.connect(lambda level, text: said.append((level, text)))
        Follower(again)
        assert [level for level, _ in said] == ["error"]
        assert "cannot be replaced" in said[0][1]
        again.set_setup("Outline", MAP, MapSetup(outline=(TRIANGLE,)))
        again.apply("Remove", derived=Deriveds())
    # Nor can it be tidied away; the documents are kept all the same.
    with Desk.open(path, inline=True) as again:
        assert again.maps[MAP].damaged == {}
        assert len(again.state.setup.maps[MAP].outline) == 1
        np.testing.assert_array_equal(values(again, "Fe"), FE)
