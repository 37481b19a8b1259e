"""The slab on disk: files, determinism, and truth that agrees with the images."""

import csv
import hashlib
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from scipy import ndimage

from demo_maps import DemoSlab, make
from demo_maps import minerals as m
from demo_maps.__main__ import main
from demo_maps.counts import CHANNELS
from demo_maps.rock import FOOTWALL, LEUCONORITE, NORITE, SEAM, UNITS, Rock

A, B, FINE = "Slab face A", "Slab face B", "Seam close-up"


def table(slab: DemoSlab, name: str, of: str | None = None) -> list[dict[str, str]]:
    with (slab.truth / name).open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if of is None or row["map"] == of]


def numbers(rows: list[dict[str, str]], column: str) -> NDArray[np.float64]:
    return np.array([float(row[column]) for row in rows])


def truth(slab: DemoSlab, of: str, kind: str) -> NDArray[np.uint8]:
    image: NDArray[np.uint8] = tifffile.imread(slab.truth / f"{slab.faces[of].name}-{kind}.tif")
    return image


def counts(slab: DemoSlab, of: str, element: str) -> NDArray[np.uint16]:
    (path,) = slab.faces[of].glob(f"*-{element}-K.tif")
    image: NDArray[np.uint16] = tifffile.imread(path)
    return image


def digests(root: Path) -> dict[str, str]:
    return {
        str(path.relative_to(root)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(root.rglob("*"))
        if path.is_file()
    }


def test_the_same_seed_gives_the_same_bytes(
    slab: DemoSlab, summary: dict[str, Any], tmp_path: Path
) -> None:
    told: list[float] = []
    again = make(tmp_path, scale=summary["scale"], progress=lambda share, what: told.append(share))
    assert digests(again.root) == digests(slab.root)
    assert told == sorted(told)
    assert told[0] == 0.0
    assert told[-1] == 1.0


def test_another_seed_gives_another_rock(
    slab: DemoSlab, summary: dict[str, Any], tmp_path: Path
) -> None:
    other = make(tmp_path, scale=summary["scale"], seed=21)
    assert np.mean(truth(other, A, "phases") != truth(slab, A, "phases")) > 0.1
    assert not np.array_equal(counts(other, A, "Si"), counts(slab, A, "Si"))


def test_every_map_has_every_channel_with_its_pixel_size(slab: DemoSlab) -> None:
    shapes = {A: (180, 480), B: (180, 480), FINE: (140, 180)}
    for name, folder in slab.faces.items():
        names = sorted(path.name for path in folder.iterdir())
        stem = names[0].rsplit("-", 2)[0]
        assert names == sorted(f"{stem}-{c.element}-K.tif" for c in CHANNELS)
        for path in folder.iterdir():
            with tifffile.TiffFile(path) as tiff:
                page = tiff.pages[0]
                assert page.shape == shapes[name]
                assert page.dtype == np.uint16
                assert page.tags["ResolutionUnit"].value == 3  # centimetres, TIFF 6.0
                for tag in ("XResolution", "YResolution"):
                    above, below = page.tags[tag].value
                    assert 10_000 / (above / below) == pytest.approx(slab.pixel_um[name])
                assert "DateTime" not in page.tags


@pytest.mark.parametrize("scale", [0.12, 0.3])
def test_scale_sets_the_size_and_keeps_the_units(scale: float, tmp_path: Path) -> None:
    other = make(tmp_path, scale=scale)
    units = truth(other, A, "units")
    assert units.shape == (round(900 * scale), round(2400 * scale))
    assert set(np.unique(units)) == set(range(len(UNITS)))


@pytest.mark.parametrize("scale", [0.0, 0.05, -1.0, float("nan"), float("inf")])
def test_an_absurd_scale_is_refused(scale: float, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="scale"):
        make(tmp_path / "none", scale=scale)
    assert not (tmp_path / "none").exists()


def test_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path), "--scale", "0.12"]) == 0
    assert "Slab face B" in capsys.readouterr().out
    with pytest.raises(SystemExit) as refused:
        main([str(tmp_path), "--scale", "0"])
    assert refused.value.code == 2


def test_modes_are_the_counts_of_labels(slab: DemoSlab) -> None:
    for name in slab.faces:
        phases, units = truth(slab, name, "phases"), truth(slab, name, "units")
        shares: dict[str, float] = defaultdict(float)
        for row in table(slab, "modes.csv", name):
            unit = UNITS.index(row["unit"])
            mine = (units == unit) & (phases > 0)
            pixels = int(np.sum(mine & (phases == int(row["phase_id"]))))
            assert pixels == int(row["pixels"])
            assert float(row["area_percent"]) == pytest.approx(100 * pixels / mine.sum(), abs=1e-5)
            shares[row["unit"]] += float(row["area_percent"])
        assert all(total == pytest.approx(100) for total in shares.values())


def test_at_least_nine_minerals_in_their_units(slab: DemoSlab) -> None:
    phases, units = truth(slab, A, "phases"), truth(slab, A, "units")
    assert len(set(np.unique(phases)) - {m.NOT_ROCK}) >= 14
    share = {u: np.bincount(phases[units == u], minlength=17) / np.sum(units == u) for u in range(5)}
    assert share[SEAM][m.CHROMITE] > 0.5
    assert share[FOOTWALL][m.PLAGIOCLASE] > 0.6
    assert share[NORITE][m.ORTHOPYROXENE] > 0.4
    assert share[LEUCONORITE][m.PLAGIOCLASE] > 0.5
    assert share[LEUCONORITE][m.CHROMITE] < 0.01
    assert share[0][m.NOT_ROCK] == 1.0


def test_counts_follow_the_phase_image(slab: DemoSlab) -> None:
    phases = truth(slab, A, "phases")
    inner = {
        p: ndimage.binary_erosion(phases == p, iterations=2)
        for p in (m.PLAGIOCLASE, m.CHROMITE, m.ORTHOPYROXENE)
    }
    for element in ("Al", "Cr", "Mg"):
        channel = next(c for c in CHANNELS if c.element == element)
        image = counts(slab, A, element)
        for phase, mask in inner.items():
            expected = channel.per_percent * m.PHASES[phase].composition().get(element, 0.0)
            seen = image[mask].mean() - channel.background
            assert seen == pytest.approx(expected, rel=0.10, abs=8)


def test_counts_are_poisson_where_a_phase_holds_none_of_the_element(slab: DemoSlab) -> None:
    inner = ndimage.binary_erosion(truth(slab, A, "phases") == m.PLAGIOCLASE, iterations=4)
    image = counts(slab, A, "Cr")[inner].astype(float)
    # The drift adds a fraction of a per cent to the variance of so few counts.
    assert image.var() / image.mean() == pytest.approx(1.0, abs=4 * np.sqrt(2.5 / image.size))


def test_outside_the_slab_there_is_little_to_count(slab: DemoSlab) -> None:
    outside = ndimage.binary_erosion(truth(slab, A, "units") == 0, iterations=2)
    inside = truth(slab, A, "phases") > 0
    for element in ("Si", "Al", "Fe", "Ca"):
        image = counts(slab, A, element)
        assert image[outside].mean() < 0.1 * image[inside].mean()


def test_contacts_lie_where_the_units_change(slab: DemoSlab) -> None:
    for name in (A, B):
        units = truth(slab, name, "units")
        pixel = slab.pixel_um[name]
        for contact, below in (("footwall contact", FOOTWALL), ("seam top", SEAM)):
            rows = [r for r in table(slab, "contacts.csv", name) if r["contact"] == contact]
            x, y = numbers(rows, "x_um"), numbers(rows, "y_um")
            assert np.all(np.diff(x) > 0)
            for u, v in zip(x[40:-40], y[40:-40], strict=True):
                column = units[:, int(u / pixel)]
                first = int(np.argmax((column > 0) & (column <= below)))
                assert abs(first * pixel - v) <= pixel


def test_the_footwall_undulates_as_stated(slab: DemoSlab, summary: dict[str, Any]) -> None:
    rows = [r for r in table(slab, "contacts.csv", A) if r["contact"] == "footwall contact"]
    x, y = numbers(rows, "x_um"), numbers(rows, "y_um")
    wave = summary["contacts"]["footwall contact"]["undulation"]
    pit = Rock(summary["seed"], summary["scale"]).pit(x)
    phase = 2 * np.pi * (x - wave["crest_x_um"]) / wave["wavelength_um"]
    design = np.column_stack([np.ones_like(x), np.cos(phase), np.sin(phase), pit])
    fitted = np.linalg.lstsq(design, y, rcond=None)[0]
    # A crest is high rock, so y is least there; the roughness keeps the fit from being exact.
    assert fitted[1] == pytest.approx(-wave["amplitude_um"], rel=0.15)
    assert abs(fitted[2]) < 0.15 * wave["amplitude_um"]
    assert fitted[3] == pytest.approx(1.0, abs=0.1)
    assert pit.max() == pytest.approx(summary["depression"]["depth_um"], rel=0.01)


def test_the_seam_is_sharp_below_and_diffuse_above(slab: DemoSlab) -> None:
    phases = truth(slab, A, "phases")
    pixel = slab.pixel_um[A]
    profiles = {}
    for contact in ("footwall contact", "seam top"):
        rows = [r for r in table(slab, "contacts.csv", A) if r["contact"] == contact]
        away = np.arange(-9, 10)  # rows, downwards
        stack = []
        for row in rows[30:-30]:
            middle = round(float(row["y_um"]) / pixel - 0.5)
            stack.append(phases[middle + away, int(float(row["x_um"]) / pixel)] == m.CHROMITE)
        profiles[contact] = np.mean(stack, axis=0)
    steepest = {name: np.abs(np.diff(p)).max() for name, p in profiles.items()}
    assert steepest["footwall contact"] > 2 * steepest["seam top"]
    top = profiles["seam top"]
    assert top[:4].mean() < 0.5 * top[-4:].mean()


def test_the_seam_thickens_in_the_depression(slab: DemoSlab, summary: dict[str, Any]) -> None:
    thickness = (truth(slab, A, "units") == SEAM).sum(axis=0)
    centre = int(summary["depression"]["centre_x_um"] / slab.pixel_um[A])
    assert thickness[centre - 3 : centre + 4].mean() > 1.7 * np.median(thickness)


def test_overgrowths_are_thicker_on_the_upper_side(tmp_path: Path) -> None:
    larger = make(tmp_path, scale=0.35)
    for name in (A, B):
        rims = {int(r["direction_deg"]): r for r in table(larger, "rims.csv", name)}
        law = {k: float(r["law_um"]) for k, r in rims.items()}
        assert law[0] > law[90] > law[180]
        assert law[90] == pytest.approx(law[270])
        for direction in (0, 180):
            row = rims[direction]
            error = float(row["measured_sd_um"]) / np.sqrt(int(row["n"]))
            # Sections of an overgrowth that other grains eat into come out thinner, never thicker.
            seen = float(row["measured_mean_um"])
            assert 0.75 * law[direction] - 3 * error < seen < 1.1 * law[direction] + 3 * error
        up, down = (float(rims[k]["measured_mean_um"]) for k in (0, 180))
        assert up > 2 * down


def test_laths_are_where_and_how_the_table_says(slab: DemoSlab, summary: dict[str, Any]) -> None:
    phases = truth(slab, A, "phases")
    pixel = slab.pixel_um[A]
    rows = table(slab, "laths.csv", A)
    column = (numbers(rows, "x_um") / pixel).astype(int)
    row = (numbers(rows, "y_um") / pixel).astype(int)
    here = phases[row, column]
    # A centre may be hidden under an inclusion or a later grain, not often.
    assert np.mean(np.isin(here, (m.PLAGIOCLASE, m.PLAGIOCLASE_RIM))) > 0.85
    assert np.all(numbers(rows, "long_um") > numbers(rows, "short_um"))
    assert np.all((numbers(rows, "angle_deg") >= 0) & (numbers(rows, "angle_deg") < 180))
    # 90° is along the layering; A's laths dip to its right, and in B, seen from behind, left.
    for name, sign in ((A, 1), (B, -1)):
        fabric = summary["maps"][name]["fabric"]
        dip = sign * summary["laths"]["dip_from_layering_deg"]
        assert fabric["mean_axis_deg"] == pytest.approx(90 + dip, abs=5)
        assert fabric["resultant_length"] > 0.7


def test_about_twenty_bright_grains_stand_out(slab: DemoSlab) -> None:
    rows = table(slab, "bright_grains.csv", A)
    assert 16 <= len(rows) <= 24
    image = counts(slab, A, "Zr").astype(float)
    inside = truth(slab, A, "phases") > 0
    background = np.median(image[inside])
    found = 0
    for row in rows:
        r, c = (int(float(row[k]) / slab.pixel_um[A]) for k in ("y_um", "x_um"))
        window = image[max(r - 1, 0) : r + 2, max(c - 1, 0) : c + 2]
        found += window.max() > background + 8 * np.sqrt(background + 1)
        assert 1 <= int(row["pixels"]) <= 40
    assert found >= 0.9 * len(rows)


def test_inclusions_hold_several_phases_in_their_host(slab: DemoSlab) -> None:
    rows = table(slab, "inclusions.csv", FINE) + table(slab, "inclusions.csv", A)
    assert {row["host"] for row in rows} >= {"chromite", "plagioclase"}
    assert sum("; " in row["guests"] for row in rows) >= 10
    assert all(row["host"] not in row["guests"].split("; ") for row in rows)


def test_flakes_lie_beside_sulfides(slab: DemoSlab, summary: dict[str, Any]) -> None:
    rows = table(slab, "flakes.csv", A)
    axis = np.deg2rad(2 * numbers(rows, "angle_deg"))
    assert np.abs(np.exp(1j * axis).mean()) > 0.85
    phases = truth(slab, A, "phases")
    sulfide = np.isin(phases, (m.PYRRHOTITE, m.PENTLANDITE))
    near = ndimage.binary_dilation(sulfide, iterations=2) & (phases > 0) & ~sulfide
    # Far more mica in the two pixels around sulfide than in the rock as a whole.
    assert np.mean(phases[near] == m.PHLOGOPITE) > 4 * np.mean(phases[phases > 0] == m.PHLOGOPITE)


def test_the_close_up_is_the_same_rock(slab: DemoSlab) -> None:
    coarse, fine = truth(slab, A, "phases"), truth(slab, FINE, "phases")
    ratio = round(slab.pixel_um[A] / slab.pixel_um[FINE])
    row, column = (round(v / slab.pixel_um[A]) for v in (slab.placement.y_um, slab.placement.x_um))
    middle = fine[ratio // 2 :: ratio, ratio // 2 :: ratio]
    under = coarse[row : row + middle.shape[0], column : column + middle.shape[1]]
    # The centre of a coarse pixel is the centre of a fine one.
    np.testing.assert_array_equal(middle, under)


def test_face_b_is_the_back_of_other_rock(slab: DemoSlab, summary: dict[str, Any]) -> None:
    outside = {name: truth(slab, name, "units") == 0 for name in (A, B)}
    np.testing.assert_array_equal(outside[B], outside[A][:, ::-1])
    assert outside[A][:20, -30:].sum() > 1.5 * outside[A][:20, :30].sum()  # the chipped corner
    same = truth(slab, A, "phases")[:, ::-1] == truth(slab, B, "phases")
    inside = ~outside[B]
    assert same[inside].mean() < 0.9
    units = truth(slab, A, "units")[:, ::-1] == truth(slab, B, "units")
    assert units[inside].mean() > 0.9
    assert [summary["maps"][name]["mirrored"] for name in (A, B, FINE)] == [False, True, False]


def test_planted_faults_are_in_face_b_only(slab: DemoSlab) -> None:
    rows = table(slab, "quality.csv")
    assert {row["map"] for row in rows} == {B}
    by_kind = {row["defect"]: row for row in rows}
    assert set(by_kind) == {"striped", "saturated", "dead"}
    dead = [int(v) for v in by_kind["dead"]["rows"].split()]
    image = counts(slab, B, "K")
    assert np.flatnonzero(image.sum(axis=1) == 0).tolist() == dead
    assert counts(slab, A, "K").sum(axis=1).min() > 0
    assert counts(slab, B, "S").max() == int(by_kind["saturated"]["value"])
    assert counts(slab, A, "S").max() > int(by_kind["saturated"]["value"])
    nickel = counts(slab, B, "Ni").mean(axis=1)
    gain = float(by_kind["striped"]["value"])
    for row in (int(v) for v in by_kind["striped"]["rows"].split()):
        beside = (nickel[row - 1] + nickel[row + 1]) / 2
        assert nickel[row] / beside == pytest.approx(gain, rel=0.2)


def test_truth_names_its_files(slab: DemoSlab, summary: dict[str, Any]) -> None:
    found = {path.name for path in slab.truth.iterdir()} - {"truth.json"}
    assert found == set(summary["files"])
    phases = table(slab, "phases.csv")
    assert [row["name"] for row in phases] == [p.name for p in m.PHASES]
    for row in phases:
        total = sum(float(v) for k, v in row.items() if k.endswith("_wt_percent"))
        assert total == pytest.approx(100, abs=0.01)
