"""Bad files, bad values and a disk that gives out: what the user is told, and that nothing is left.

Every test gathers through the command line. It must end with the right exit code and a message that
names the file and the place in it, and leave the folder of the project as it was.
"""

from __future__ import annotations

import errno
import json
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import tifffile
from PIL import Image

import viewer.desk.gather as gathering
from viewer import cli
from viewer.store.project import Project

RNG = np.random.default_rng(5)
COUNTS = RNG.poisson(90, (64, 80)).astype(np.uint16)


class Bench:
    """A folder of sources, and an empty folder that a project would go to."""

    def __init__(self, root: Path, capture: pytest.CaptureFixture[str]) -> None:
        self.sources = root / "sources"
        self.target = root / "target"
        self.sources.mkdir()
        self.target.mkdir()
        self._capture = capture

    @property
    def project(self) -> Path:
        return self.target / "p.maps.h5"

    def gather(self, *words: object) -> tuple[int, str]:
        """Exit code and message of gathering all sources."""
        self._capture.readouterr()
        given = [str(w) for w in words] or ["--pixel-um", "20"]
        code = cli.main(["gather", str(self.sources), "-o", str(self.project), *given])
        return code, self._capture.readouterr().err

    def refused(self, code: int, *words: object) -> str:
        """The message of a gathering that must fail and leave nothing."""
        got, message = self.gather(*words)
        assert got == code, message
        assert list(self.target.iterdir()) == []
        assert "Traceback" not in message
        return message

    def gathered(self, *words: object) -> dict[str, Any]:
        """Layers of the project that was gathered, by name."""
        code, message = self.gather(*words)
        assert code == 0, message
        cli.main(["about", str(self.project), "--json"])
        (found,) = json.loads(self._capture.readouterr().out)["maps"]
        return {x["name"]: x for x in found["layers"]}


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Bench:
    return Bench(tmp_path, capsys)


# -- files ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.02, 0.5, 0.98])
@pytest.mark.parametrize("compression", [None, "zlib"])
def test_a_truncated_tiff(bench: Bench, share: float, compression: str | None) -> None:
    whole, cut = bench.sources / "Cr.tif", bench.sources / "Fe.tif"
    tifffile.imwrite(whole, COUNTS)
    tifffile.imwrite(cut, COUNTS, compression=compression, rowsperstrip=8)
    content = cut.read_bytes()
    cut.write_bytes(content[: int(share * len(content))])
    message = bench.refused(3)
    assert str(cut) in message
    assert str(whole) not in message


@pytest.mark.parametrize(
    ("line", "text", "places"),
    [
        (17, "1,2,3", ("18",)),
        (17, ",".join(["7"] * 21), ("18",)),
        (9, ",".join(["7"] * 4 + ["seven"] + ["7"] * 15), ("10", "5", "seven")),
    ],
    ids=["short row", "long row", "word"],
)
def test_a_text_grid_with_a_bad_line(
    bench: Bench, line: int, text: str, places: tuple[str, ...]
) -> None:
    path = bench.sources / "Fe.csv"
    lines = [",".join(map(str, row)) for row in COUNTS[:30, :20]]
    lines[line] = text
    path.write_text("\n".join(lines) + "\n")
    message = bench.refused(3)
    assert str(path) in message
    # Lines and columns are counted from 1, as every editor shows them.
    assert all(place in message.replace(str(path), "") for place in places), message


def test_a_jpeg_named_tif_is_read_with_a_caution(bench: Bench) -> None:
    path = bench.sources / "Fe.tif"
    Image.fromarray(COUNTS.astype(np.uint8)).save(path, format="JPEG")
    (layer,) = bench.gathered().values()
    assert any(".tif" in note and "JPEG" in note for note in layer["notes"])


def test_a_damaged_jpeg_named_tif(bench: Bench) -> None:
    path = bench.sources / "Fe.tif"
    Image.fromarray(COUNTS.astype(np.uint8)).save(path, format="JPEG")
    path.write_bytes(path.read_bytes()[:300])
    assert str(path) in bench.refused(3)


@pytest.mark.parametrize("name", ["Fe.tif", "Fe.csv", "Fe.npy", "Fe.png", "Fe.h5"])
def test_an_empty_file(bench: Bench, name: str) -> None:
    path = bench.sources / name
    path.touch()
    message = bench.refused(3)
    assert str(path) in message
    assert "0 bytes" in message


def test_three_maps_of_different_sizes(bench: Bench) -> None:
    shapes = {"Al": (40, 50), "Cr": (40, 51), "Fe": (30, 80)}
    for name, shape in shapes.items():
        tifffile.imwrite(bench.sources / f"{name}.tif", np.ones(shape, np.uint8))
    message = bench.refused(3)
    for name, (rows, cols) in shapes.items():
        assert f"{name} {cols} x {rows}" in message
    # The finest is the grid; the files that do not fit on it are named.
    assert str(bench.sources / "Al.tif") in message
    assert str(bench.sources / "Cr.tif") in message
    # Resampling is no way out where the extents differ.
    assert "same ground" in bench.refused(3, "--pixel-um", "20", "--resample")


def test_sizes_that_differ_on_the_same_ground_are_named(bench: Bench) -> None:
    tifffile.imwrite(bench.sources / "Al.tif", np.ones((40, 60), np.uint8))
    tifffile.imwrite(bench.sources / "Cr.tif", np.ones((20, 30), np.uint8))
    message = bench.refused(3)
    assert str(bench.sources / "Cr.tif") in message
    assert "--resample" in message


def test_missing_and_negative_counts_are_allowed_and_counted(bench: Bench) -> None:
    values = COUNTS.astype(np.float32)
    values[3, 4:9] = np.nan
    values[10, :7] = -2.5
    values[20, 20] = np.inf
    tifffile.imwrite(bench.sources / "Fe.tif", values)
    signed = COUNTS.astype(np.int16)
    signed[0, :3] = -1
    tifffile.imwrite(bench.sources / "Mg.tif", signed)
    layers = bench.gathered()
    stats = layers["Fe"]["stats"]
    finite = values[np.isfinite(values)]
    assert stats["negative"] == 7
    assert stats["missing"] == 6  # an infinity is no value
    assert stats["minimum"] == -2.5
    assert stats["maximum"] == finite.max()
    assert np.isfinite(stats["mean"])
    assert layers["Mg"]["stats"]["negative"] == 3
    with Project.open(bench.project, write=False) as project:
        layer = next(iter(project.maps.values())).layers["Fe"]
        np.testing.assert_array_equal(layer.values(slice(0, 64), slice(0, 80)), values)
        assert layer.histogram().missing == 6
        assert layer.histogram().percentile(100) == pytest.approx(finite.max(), rel=1e-4)


def test_nothing_but_missing_values(bench: Bench) -> None:
    np.save(bench.sources / "Fe.npy", np.full((20, 30), np.nan))
    (layer,) = bench.gathered().values()
    assert layer["stats"]["missing"] == 600
    assert layer["stats"]["mean"] is None


@pytest.mark.parametrize(
    ("size", "said"),
    [("0", "0 µm is not possible"), ("-3", "-3 µm is not possible"), ("nan", "not possible"),
     ("20x0", "0 µm is not possible"), ("inf", "not possible"), ("1e6", "hardly meant"),
     ("1e-4", "hardly meant")],
)  # fmt: skip
def test_a_pixel_size_that_cannot_be_meant(bench: Bench, size: str, said: str) -> None:
    tifffile.imwrite(bench.sources / "Fe.tif", COUNTS)
    message = bench.refused(3, f"--pixel-um={size}")
    assert said in message
    assert "pixel size" in message


def test_an_unusual_pixel_size_is_taken_where_insisted_on(bench: Bench) -> None:
    tifffile.imwrite(bench.sources / "Fe.tif", COUNTS)
    assert bench.gathered("--pixel-um", "5000", "--any-pixel-size")


@pytest.mark.parametrize("per_cm", [0, 2, 1e9])
def test_absurd_resolution_tags(bench: Bench, per_cm: float) -> None:
    """0 is no size; 2 a cm is 5 mm a pixel; 1e9 a cm is finer than an atom."""
    path = bench.sources / "Fe.tif"
    tifffile.imwrite(path, COUNTS, resolution=(1, 1), resolutionunit="CENTIMETER")
    with tifffile.TiffFile(path, mode="r+") as file:
        for tag in ("XResolution", "YResolution"):
            file.pages[0].tags[tag].overwrite((int(per_cm), 1))
    message = bench.refused(3, "--name", "slab")
    assert str(bench.sources) in message
    assert "µm" in message


def test_duplicate_channel_names(bench: Bench) -> None:
    for name in ("Fe", "Mg"):
        tifffile.imwrite(bench.sources / f"{name}.tif", COUNTS)
    message = bench.refused(3, "--pixel-um", "20", "--rename", "Mg", "fe ")
    assert "«Fe»" in message
    assert str(bench.sources / "Fe.tif") in message
    assert str(bench.sources / "Mg.tif") in message


def test_one_name_in_two_files_is_told_apart(bench: Bench) -> None:
    tifffile.imwrite(bench.sources / "run1_Fe.tif", COUNTS)
    tifffile.imwrite(bench.sources / "run2_Fe.tif", COUNTS)
    layers = bench.gathered()
    assert len(layers) == 2
    assert {x["element"] for x in layers.values()} == {"Fe"}


def test_no_read_permission(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    path = bench.sources / "Fe.tif"
    tifffile.imwrite(path, COUNTS)
    # The tests may run as root, whom no permission stops.
    real = Path.open

    def refuse(self: Path, *rest: Any, **more: Any) -> Any:
        if self == path:
            raise PermissionError(errno.EACCES, "Permission denied", str(self))
        return real(self, *rest, **more)

    monkeypatch.setattr(Path, "open", refuse)
    message = bench.refused(3)
    assert str(path) in message
    assert "Permission denied" in message


def test_a_source_that_goes_away_while_it_is_read(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = bench.sources / "Fe.tif"
    tifffile.imwrite(path, COUNTS)
    real = gathering.plan

    def plan(*rest: Any, **more: Any) -> Any:
        planned = real(*rest, **more)
        path.unlink()
        return planned

    monkeypatch.setattr(gathering, "plan", plan)
    assert str(path) in bench.refused(3)


def test_a_folder_that_is_not_there(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    tifffile.imwrite(bench.sources / "Fe.tif", COUNTS)
    target = bench.target / "new" / "p.maps.h5"
    code = cli.main(["gather", str(bench.sources), "-o", str(target), "--pixel-um", "20"])
    assert code == 3
    assert str(target.parent) in capsys.readouterr().err


# -- the disk -------------------------------------------------------------------------------------


def test_a_disk_that_fills_up_between_channels(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("Fe", "Mg"):
        tifffile.imwrite(bench.sources / f"{name}.tif", COUNTS)
    real = gathering.write_layer

    def full(parent: Any, info: Any, *rest: Any, **more: Any) -> Any:
        if info.name == "Mg":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(parent, info, *rest, **more)

    monkeypatch.setattr(gathering, "write_layer", full)
    message = bench.refused(5)
    assert "The disk is full" in message
    assert str(bench.target) in message


def limited(size: int) -> Callable[[], None]:
    """No file of the child process may grow beyond this: the system itself refuses the bytes."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    return limit


def in_child(size: int, *words: object, form: str = "--json") -> Any:
    """Run the command line where no file grows beyond a size."""
    return subprocess.run(
        [sys.executable, "-m", "viewer", *map(str, words), *form.split()],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        preexec_fn=limited(size),
    )


def gather_in_child(sources: Path, project: Path, size: int, *words: str) -> Any:
    return in_child(size, "gather", sources, "-o", project, "--pixel-um", "20", *words)


@pytest.fixture(scope="module")
def noisy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two channels that do not pack well: 1.4 MB."""
    folder = tmp_path_factory.mktemp("noisy")
    for name in ("Fe", "Mg"):
        pixels = np.random.default_rng(len(name)).integers(0, 60000, (600, 600), dtype=np.uint16)
        tifffile.imwrite(folder / f"{name}.tif", pixels)
    return folder


# At once, in the first channel, and in the second.
@pytest.mark.parametrize("size", [1000, 800_000, 1_400_000])
def test_a_disk_that_really_refuses(noisy: Path, tmp_path: Path, size: int) -> None:
    project = tmp_path / "p.maps.h5"
    ended = gather_in_child(noisy, project, size)
    assert ended.returncode == 5, ended.stderr
    told = json.loads(ended.stdout)
    assert told["exit_code"] == 5
    assert told["where"] == str(tmp_path)
    assert "disk is full" in told["error"]
    assert "HDF5" not in ended.stderr
    assert "Traceback" not in ended.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_refuses_a_second_map(noisy: Path, tmp_path: Path) -> None:
    project = tmp_path / "p.maps.h5"
    assert cli.main(["gather", str(noisy / "Fe.tif"), "-o", str(project), "--pixel-um", "20"]) == 0
    before = project.read_bytes()
    ended = gather_in_child(noisy, project, len(before) + 300_000, "--into")
    assert ended.returncode == 5, ended.stderr
    assert "Traceback" not in ended.stderr
    assert project.read_bytes() == before
    assert {p.name for p in tmp_path.iterdir()} <= {project.name, f".{project.name}.lock"}
    # With room again the same words succeed.
    assert gather_in_child(noisy, project, 10**9, "--into").returncode == 0
    with Project.open(project, write=False) as opened:
        assert [len(m.layers) for m in opened.maps.values()] == [1, 2]


@pytest.mark.parametrize("verb", ["derive", "measure", "blend", "ledger"])
def test_other_verbs_on_a_full_disk(noisy: Path, tmp_path: Path, verb: str) -> None:
    project = tmp_path / "p.maps.h5"
    words = ["gather", str(noisy), "-o", str(project), "--pixel-um", "20"]
    assert cli.main(words) == 0
    assert cli.main(["measure", str(project), "distance", "--points", "0,0", "900,900"]) == 0
    before = project.read_bytes()
    # The file can take nothing more; a file beside it very little.
    size, more = {
        "derive": (len(before) + 100_000, ("--name", "x", "--expr", "Fe*1.5")),
        "measure": (len(before), ("distance", "--points", "0,0", "100,100")),
        "blend": (30_000, ("--rgb", "Fe,Mg,-", "-o", tmp_path / "x.tif")),
        "ledger": (100, ("-o", tmp_path / "x.csv")),
    }[verb]
    ended = in_child(size, verb, project, *more)
    assert ended.returncode == 5, ended.stderr
    assert json.loads(ended.stdout)["exit_code"] == 5
    assert str(tmp_path) in ended.stderr
    assert "Traceback" not in ended.stderr
    assert project.read_bytes() == before
    left = {p.name for p in tmp_path.iterdir()} - {project.name, f".{project.name}.lock"}
    # Nobody is told a number that is not in the project.
    assert verb != "measure" or in_child(size, verb, project, *more, form="").stdout == ""
    # The journal keeps what was measured: it is folded into the project when there is room.
    assert left == ({f"{project.name}.journal"} if verb == "measure" else set())
    with Project.open(project) as opened:
        assert len(opened.state.ledger.rows) == (3 if verb == "measure" else 1)


def test_a_process_that_is_killed_does_not_bar_the_next(noisy: Path, tmp_path: Path) -> None:
    project = tmp_path / "p.maps.h5"
    code = (
        "import os, signal, sys\n"
        "import viewer.desk.gather as g\n"
        "real = g.write_layer\n"
        "def die(parent, info, *rest, **more):\n"
        "    if info.name == 'Mg': os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return real(parent, info, *rest, **more)\n"
        "g.write_layer = die\n"
        "from viewer.cli import main\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    words = ["gather", str(noisy), "-o", str(project), "--pixel-um", "20"]
    ended = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, timeout=120)
    assert ended.returncode == -signal.SIGKILL
    assert not project.exists()
    assert cli.main(words) == 0
    left = {p.name for p in tmp_path.iterdir()}
    assert left <= {project.name, f".{project.name}.lock"}


# -- stopping -------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [1, 3, 8])
def test_stopped_by_the_user(bench: Bench, step: int) -> None:
    from viewer.errors import CancelledError
    from viewer.intake.formats import scan

    for name in ("Fe", "Mg", "Cr"):
        tifffile.imwrite(bench.sources / f"{name}.tif", COUNTS)
    planned = gathering.plan(scan([bench.sources]), bench.project, name="m", pixel_um=(20, 20))
    calls = 0

    def progress(done: float, doing: str = "") -> None:
        nonlocal calls
        calls += 1
        if calls == step:
            raise CancelledError()

    with pytest.raises(CancelledError):
        gathering.gather(planned, progress)
    assert list(bench.target.iterdir()) == []


# -- projects -------------------------------------------------------------------------------------


@pytest.fixture
def project(bench: Bench) -> Path:
    tifffile.imwrite(bench.sources / "Fe.tif", COUNTS)
    bench.gathered()
    return bench.project


def derive(path: Path, capture: pytest.CaptureFixture[str]) -> tuple[int, str]:
    capture.readouterr()
    code = cli.main(["derive", str(path), "--name", "x", "--expr", "Fe+1"])
    return code, capture.readouterr().err


def test_a_project_from_the_future(project: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with h5py.File(project, "r+", libver="latest") as file:
        file.attrs["schema_version"] = 99
        file["state/moods"] = '{"maps": "better"}'
    before = project.read_bytes()
    code, message = derive(project, capsys)
    assert code == 4
    assert str(project) in message
    assert "newer program" in message
    assert "version 99" in message
    # Reading goes as far as it can.
    assert cli.main(["about", str(project), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert "newer program" in told["readonly"]
    assert told["maps"][0]["layers"][0]["name"] == "Fe"
    assert project.read_bytes() == before


@pytest.mark.parametrize("version", [None, "one", 0, -4])
def test_a_project_whose_version_cannot_be_read(
    project: Path, capsys: pytest.CaptureFixture[str], version: object
) -> None:
    with h5py.File(project, "r+", libver="latest") as file:
        del file.attrs["schema_version"]
        if version is not None:
            file.attrs["schema_version"] = version
    code, message = derive(project, capsys)
    assert code == 4
    assert str(project) in message
    assert "schema_version" in message


def other_hdf5(path: Path) -> None:
    with h5py.File(path, "w") as file:
        file["image"] = COUNTS


def recent_hdf5(path: Path) -> None:
    """As near to a project as another program's file comes, with something behind its end."""
    with h5py.File(path, "w", libver="latest") as file:
        file["image"] = COUNTS
    with path.open("ab") as file:
        file.write(b"appended by another program")


NOT_PROJECTS: dict[str, Callable[[Path], object]] = {
    "text": lambda p: p.write_text("maps of a slab"),
    "empty": lambda p: p.touch(),
    "tiff": lambda p: tifffile.imwrite(p, COUNTS),
    "folder": lambda p: p.mkdir(),
    "hdf5": other_hdf5,
    "recent hdf5": recent_hdf5,
}


@pytest.mark.parametrize("kind", NOT_PROJECTS)
def test_a_project_that_is_not_one(
    bench: Bench, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    path = bench.target / "p.maps.h5"
    NOT_PROJECTS[kind](path)
    before = path.read_bytes() if path.is_file() else None
    code, message = derive(path, capsys)
    assert code == 4, message
    assert str(path) in message
    assert "not a Grainlight project" in message
    tifffile.imwrite(bench.sources / "Fe.tif", COUNTS)
    code, message = bench.gather("--pixel-um", "20", "--into")
    assert code == 4, message
    assert str(path) in message
    assert before == (path.read_bytes() if path.is_file() else None)
    assert {p.name for p in bench.target.iterdir()} <= {path.name, f".{path.name}.lock"}


@pytest.mark.parametrize("share", [0.01, 0.3, 0.9, 0.999])
def test_a_project_that_is_cut_short(
    project: Path, capsys: pytest.CaptureFixture[str], share: float
) -> None:
    content = project.read_bytes()
    project.write_bytes(content[: int(share * len(content))])
    code, message = derive(project, capsys)
    assert code == 4, message
    assert str(project) in message
