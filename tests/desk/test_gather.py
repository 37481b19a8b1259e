"""Gathering: grids matched in space, sources named by digest, files streamed band by band."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt
import pytest
import tifffile

from viewer.desk.desk import Desk
from viewer.desk.gather import Resampled, common_pixel, distinct, gather, gather_into, plan, slug
from viewer.errors import CancelledError, InputError
from viewer.intake.base import ArrayReader, Candidate, PixelSize
from viewer.intake.formats import scan
from viewer.store.layers import TILE
from viewer.store.project import Placement, Project

Array = npt.NDArray[Any]


class Watched(ArrayReader):
    """Notes which rows it was asked for."""

    def __init__(self, array: Array, asked: list[tuple[int, int]]) -> None:
        super().__init__("watched", array)
        self.asked = asked

    def rows(self, start: int, stop: int) -> Array:
        self.asked.append((start, stop))
        return super().rows(start, stop)


def candidate(
    path: Path, array: Array, asked: list[tuple[int, int]] | None = None, **more: Any
) -> Candidate:
    """A candidate of an array; its file holds the array's bytes."""
    path.write_bytes(array.tobytes())
    return Candidate(
        path=path,
        inner="",
        name=path.stem,
        shape=array.shape,
        dtype=array.dtype,
        open=lambda: Watched(array, [] if asked is None else asked),
        **more,
    )


def only_map(path: Path, read: Callable[[Any], Any]) -> Any:
    with Project.open(path, write=False) as project:
        (found,) = project.maps.values()
        return read(found)


# -- resampling -----------------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [2, 3, 5])
def test_a_ramp_stays_a_ramp(factor: int) -> None:
    """A plane in µm, sampled at coarse centres, is met exactly at fine centres between them."""
    rows, cols, coarse_px = 9, 12, 30.0
    fine_px = coarse_px / factor

    def plane(shape: tuple[int, int], px: float) -> Array:
        y, x = np.indices(shape)
        return 3.0 + 0.25 * (x + 0.5) * px - 0.125 * (y + 0.5) * px

    shape = (rows * factor, cols * factor)
    coarse = plane((rows, cols), coarse_px)
    found = Resampled(ArrayReader("", coarse), shape).rows(0, shape[0])
    assert found.dtype == np.float32
    edge = factor // 2
    core = (slice(edge, shape[0] - edge), slice(edge, shape[1] - edge))
    np.testing.assert_allclose(found[core], plane(shape, fine_px)[core], rtol=1e-6)
    # Beyond the outermost centres the edge value holds.
    assert found[0, 0] == np.float32(coarse[0, 0])
    assert found[-1, -1] == np.float32(coarse[-1, -1])


def test_bands_of_a_resampled_channel_join(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    coarse = rng.poisson(40, (37, 21)).astype(np.uint16)
    reader = Resampled(ArrayReader("", coarse), (111, 63))
    whole = reader.rows(0, 111)
    banded = np.concatenate([reader.rows(a, min(a + 16, 111)) for a in range(0, 111, 16)])
    np.testing.assert_array_equal(banded, whole)
    # At every third pixel the centres meet.
    np.testing.assert_array_equal(whole[1::3, 1::3], coarse)


def test_a_missing_pixel_reaches_no_further_than_it_must() -> None:
    coarse = np.ones((4, 4))
    coarse[1, 1] = np.nan
    fine = Resampled(ArrayReader("", coarse), (12, 12)).rows(0, 12)
    # Pixels at a coarse centre, or on the line between two others, do not see it.
    assert not np.isnan(fine[1::3, 1::3][~np.isnan(coarse)]).any()
    assert np.isnan(fine[4, 4])
    assert np.isnan(fine).sum() == 25


def test_gathering_onto_the_finest_grid(tmp_path: Path) -> None:
    fine = np.random.default_rng(1).poisson(40, (60, 90)).astype(np.uint16)
    coarse = np.arange(20 * 30, dtype=np.uint16).reshape(20, 30)
    found = [
        candidate(tmp_path / "Fe.raw", fine, pixel_um=PixelSize(5.0, 7.0)),
        candidate(tmp_path / "Mg.raw", coarse, pixel_um=PixelSize(15.0, 21.0)),
    ]
    with pytest.raises(InputError, match="--resample"):
        plan(found, tmp_path / "p.maps.h5", name="m")
    planned = plan(found, tmp_path / "p.maps.h5", name="m", resample=True)
    assert planned.pixel_um == (5.0, 7.0)
    assert [c.name for c in planned.resampled] == ["Mg"]
    gather(planned)
    expected = Resampled(ArrayReader("", coarse), (60, 90)).rows(0, 60)

    def check(found: Any) -> None:
        whole = (slice(0, 60), slice(0, 90))
        np.testing.assert_array_equal(found.layers["Fe"].values(*whole), fine)
        np.testing.assert_array_equal(found.layers["Mg"].values(*whole), expected)
        assert "30 x 20" in found.layers["Mg"].info.notes[-1]
        assert found.layers["Fe"].info.notes == ()

    only_map(tmp_path / "p.maps.h5", check)


def test_the_same_shape_at_another_pixel_size_is_other_ground(tmp_path: Path) -> None:
    found = [
        candidate(tmp_path / "Fe.raw", np.ones((60, 90)), pixel_um=PixelSize(5.0, 5.0)),
        candidate(tmp_path / "Mg.raw", np.ones((20, 30)), pixel_um=PixelSize(5.0, 5.0)),
    ]
    with pytest.raises(InputError, match="same ground") as refused:
        plan(found, tmp_path / "p.maps.h5", name="m", resample=True)
    assert "Mg.raw" in str(refused.value)


# -- what is planned ------------------------------------------------------------------------------


def test_pixel_sizes_that_disagree_have_to_be_given(tmp_path: Path) -> None:
    found = [
        candidate(tmp_path / "Fe.raw", np.ones((6, 9)), pixel_um=PixelSize(5.0, 5.0)),
        candidate(tmp_path / "Mg.raw", np.ones((6, 9)), pixel_um=PixelSize(6.0, 5.0)),
        candidate(tmp_path / "Cr.raw", np.ones((6, 9))),
    ]
    assert common_pixel(found) is None
    assert common_pixel(found[::2]) == PixelSize(5.0, 5.0)
    with pytest.raises(InputError, match="agree"):
        plan(found, tmp_path / "p.maps.h5", name="m")
    assert plan(found, tmp_path / "p.maps.h5", name="m", pixel_um=(4, 3)).pixel_um == (4.0, 3.0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("Fe Kα1", "Fe-Ka1"), ("../etc", "etc"), ("µ", "layer"), ("", "layer"), ("Süd/Nord", "Sud-Nord")],
)
def test_ids_are_plain(text: str, expected: str) -> None:
    assert slug(text) == expected


def test_ids_are_distinct_whatever_the_case() -> None:
    assert distinct(["a", "A", "a-2", "a"]) == ["a", "A-2", "a-2-2", "a-3"]


@pytest.mark.parametrize(
    ("given", "made"),
    [("p", "p.maps.h5"), ("p.h5", "p.maps.h5"), ("p.maps", "p.maps.h5"), ("p.maps.h5", "p.maps.h5")],
)
def test_a_project_has_its_ending(tmp_path: Path, given: str, made: str) -> None:
    found = [candidate(tmp_path / "Fe.raw", np.ones((6, 9)))]
    assert plan(found, tmp_path / given, name="m", pixel_um=(1, 1)).target == tmp_path / made


# -- what is written ------------------------------------------------------------------------------


def test_no_reader_is_asked_for_more_than_a_band(tmp_path: Path) -> None:
    rows = 2 * TILE + 70
    pixels = np.random.default_rng(2).integers(0, 9000, (rows, 16), dtype=np.uint16)
    asked: dict[str, list[tuple[int, int]]] = {"Fe": [], "Cr": [], "Mg": []}
    found = [
        candidate(tmp_path / "Fe.raw", pixels, asked["Fe"]),
        candidate(tmp_path / "Cr.raw", pixels.astype(np.float32), asked["Cr"]),
        candidate(tmp_path / "Mg.raw", np.ascontiguousarray(pixels[::2, ::2]), asked["Mg"]),
    ]
    gather(plan(found, tmp_path / "p.maps.h5", name="m", pixel_um=(1, 1), resample=True))
    # Each row once, from the top: whatever needs them again has kept or stored them.
    bands = [(a, min(a + TILE, rows)) for a in range(0, rows, TILE)]
    assert asked["Fe"] == asked["Cr"] == bands
    # Between coarse rows, one more above and below.
    assert max(stop - start for start, stop in asked["Mg"]) <= TILE // 2 + 2


@pytest.mark.parametrize(
    ("given", "kept"),
    [("bool", "uint8"), ("float16", "float32"), (">u2", "uint16"), ("<i4", "int32"), ("f8", "float64")],
)
def test_numbers_keep_their_type(tmp_path: Path, given: str, kept: str) -> None:
    pixels = np.random.default_rng(3).integers(0, 100, (30, 40)).astype(given)
    gather(plan([candidate(tmp_path / "Fe.raw", pixels)], tmp_path / "p", name="m", pixel_um=(1, 1)))

    def check(found: Any) -> None:
        layer = found.layers["Fe"]
        assert layer.dtype == np.dtype(kept)
        np.testing.assert_array_equal(layer.values(slice(0, 30), slice(0, 40)), pixels)
        assert layer.stats.mean == pytest.approx(pixels.astype(float).mean())

    only_map(tmp_path / "p.maps.h5", check)


def test_sources_are_named_by_digest(tmp_path: Path) -> None:
    stack = np.random.default_rng(4).integers(0, 900, (3, 20, 30), dtype=np.uint16)
    tifffile.imwrite(tmp_path / "stack.tif", stack, photometric="minisblack")
    tifffile.imwrite(tmp_path / "Fe.tif", stack[0] + 1)
    found = scan([tmp_path / "stack.tif", tmp_path / "Fe.tif"])
    assert len(found) == 4
    gather(plan(found, tmp_path / "p.maps.h5", name="m", pixel_um=(1, 1)))

    def check(found: Any) -> None:
        told = {s.name: (s.size, s.sha256) for s in found.info.sources}
        assert set(told) == {"stack.tif", "Fe.tif"}
        for name, (size, digest) in told.items():
            content = (tmp_path / name).read_bytes()
            assert (size, digest) == (len(content), hashlib.sha256(content).hexdigest())
        # Pages of one file are told apart, though their file is the same.
        assert len({x.info.content for x in found.layers.values()}) == 4

    only_map(tmp_path / "p.maps.h5", check)


def test_both_files_of_a_pair_are_named(tmp_path: Path) -> None:
    pixels = np.ones((6, 9), np.uint8)
    (tmp_path / "other.bin").write_bytes(b"the other half")
    pair = replace(candidate(tmp_path / "Fe.raw", pixels), companions=(tmp_path / "other.bin",))
    gather(plan([pair], tmp_path / "p.maps.h5", name="m", pixel_um=(1, 1)))
    names = only_map(tmp_path / "p.maps.h5", lambda m: sorted(s.name for s in m.info.sources))
    assert names == ["Fe.raw", "other.bin"]


def test_the_same_files_give_the_same_content(tmp_path: Path) -> None:
    pixels = np.random.default_rng(5).poisson(9, (20, 30)).astype(np.uint16)
    contents = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        found = [candidate(tmp_path / name / "Fe.raw", pixels)]
        gather(plan(found, tmp_path / name, name="m", pixel_um=(1, 1)))
        path = tmp_path / f"{name}.maps.h5"
        contents.append(only_map(path, lambda m: m.layers["Fe"].info.content))
    assert contents[0] == contents[1]


def test_findings_on_quality_are_kept(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    good = rng.poisson(100.0, (300, 320)).astype(np.uint16)
    dead = good.copy()
    dead[140:142] = 0
    found = [
        candidate(tmp_path / "Fe.raw", good),
        candidate(tmp_path / "Mg.raw", dead),
        candidate(tmp_path / "Cr.raw", np.zeros_like(good)),
    ]
    gather(plan(found, tmp_path / "p.maps.h5", name="m", pixel_um=(1, 1)))

    def check(found: Any) -> None:
        flags = {name: {f.kind: f for f in x.flags} for name, x in found.layers.items()}
        assert flags["Fe"] == {}
        assert "140" in flags["Mg"]["dead"].where
        assert "empty" in flags["Cr"]

    only_map(tmp_path / "p.maps.h5", check)


def test_axes_are_pixel_centres_for_any_reader(tmp_path: Path) -> None:
    """NeXus NXdata: signal and axes by name, axes in µm (https://manual.nexusformat.org)."""
    found = [candidate(tmp_path / "Fe.raw", np.ones((6, 9), np.uint16))]
    map_id = gather(plan(found, tmp_path / "p", name="m", pixel_um=(2.0, 5.0)))
    with h5py.File(tmp_path / "p.maps.h5", "r") as file:
        group = file[f"maps/{map_id}/channels/Fe"]
        assert group.attrs["NX_class"] == "NXdata"
        signal = group[group.attrs["signal"]]
        y, x = (group[name] for name in group.attrs["axes"])
        assert signal.shape == (len(y), len(x))
        np.testing.assert_allclose(x[:], (np.arange(9) + 0.5) * 2.0)
        np.testing.assert_allclose(y[:], (np.arange(6) + 0.5) * 5.0)
        assert x.attrs["units"] == "um"


def test_progress_only_rises(tmp_path: Path) -> None:
    found = [candidate(tmp_path / f"{n}.raw", np.ones((600, 9), np.uint16)) for n in ("Fe", "Mg")]
    steps: list[tuple[float, str]] = []
    planned = plan(found, tmp_path / "p.maps.h5", name="m", pixel_um=(1, 1))
    gather(planned, lambda done, doing="": steps.append((done, doing)))
    shares = [done for done, _ in steps]
    assert shares == sorted(shares)
    assert 0 <= shares[0] < 0.3
    assert shares[-1] == 1.0
    assert any("Mg (2 of 2)" in doing for _, doing in steps)


# -- into an open project -------------------------------------------------------------------------


def gone(folder: Path) -> list[Candidate]:
    """A file that was there when it was looked at, and cannot be opened any more."""
    found = candidate(folder / "Fe.raw", np.ones((9, 12), np.uint16))
    found.path.unlink()
    return [replace(found, open=lambda: open(found.path, "rb"))]


def test_a_source_that_went_away_is_named(tmp_path: Path) -> None:
    """It is not the project that could not be written."""
    planned = plan(gone(tmp_path), tmp_path / "p.maps.h5", name="m", pixel_um=(20.0, 20.0))
    with pytest.raises(InputError, match="cannot be read: No such file") as told:
        gather(planned)
    assert told.value.where == str(tmp_path / "Fe.raw")
    assert list(tmp_path.iterdir()) == []


def test_a_source_that_went_away_is_named_by_an_open_project(desk: Desk, tmp_path: Path) -> None:
    target = desk.project.path
    planned = plan(gone(tmp_path), target, name="m", pixel_um=(20.0, 20.0), into=True)
    before = set(desk.project.maps)
    with pytest.raises(InputError, match="cannot be read: No such file") as told:
        gather_into(desk.project, planned)
    assert told.value.where == str(tmp_path / "Fe.raw")
    assert set(desk.project.maps) == before


def test_a_second_map_joins_an_open_project(desk: Desk, tmp_path: Path) -> None:
    told: list[str] = []
    desk.maps_changed.connect(lambda: told.append("maps"))
    desk.said.connect(lambda level, text: told.append(f"{level}: {text}"))
    placed = Placement(parent="m", matrix=((1.0, 0.0, 40.0), (0.0, 1.0, 90.0)))
    found = [candidate(tmp_path / "Fe.raw", np.ones((6, 9), np.uint16))]
    planned = plan(found, desk.path, name="Slab", pixel_um=(1, 1), into=True, placement=placed)
    job = desk.gather(planned)
    assert job.error is None
    assert [m.name for m in desk.maps.values()] == ["Slab", "Slab"]
    assert desk.maps["Slab"].info.placement == placed
    assert told == ["maps", "info: Gathered «Slab»: 1 channel."]


def test_stopped_in_an_open_project_nothing_is_added(desk: Desk, tmp_path: Path) -> None:
    told: list[str] = []
    desk.said.connect(lambda level, text: told.append(level))
    before = desk.path.stat().st_size

    class Stopping(Watched):
        def rows(self, start: int, stop: int) -> Array:
            raise CancelledError()

    pixels = np.ones((6, 9), np.uint16)
    found = [
        candidate(tmp_path / "Fe.raw", pixels),
        replace(candidate(tmp_path / "Mg.raw", pixels), open=lambda: Stopping(pixels, [])),
    ]
    desk.gather(plan(found, desk.path, name="Back", pixel_um=(1, 1), into=True))
    assert told == ["info"]
    assert list(desk.maps) == ["m"]
    assert desk.path.stat().st_size == before
