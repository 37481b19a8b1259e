"""What is installed: the package with its resources, the demo's generator and the commands."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    source.mkdir()
    # Built from a copy, so that the tree is left as it is.
    for name in ("viewer", "resources", "demo_maps", "pyproject.toml", "README.md", "LICENSE"):
        target = ROOT / name
        (source / name).symlink_to(target, target_is_directory=target.is_dir())
    made = subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "-o", str(folder), str(source)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert made.returncode == 0, made.stdout + made.stderr
    return zipfile.ZipFile(next(folder.glob("*.whl")))


def test_every_file_that_the_program_reads_is_in_the_wheel(wheel: zipfile.ZipFile) -> None:
    inside = set(wheel.namelist())
    tree = {
        path.relative_to(ROOT).as_posix()
        for folder in ("viewer", "resources", "demo_maps")
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert tree <= inside, sorted(tree - inside)
    assert not any(name.startswith("tests/") for name in inside)


def test_the_wheel_installs_the_commands(wheel: zipfile.ZipFile) -> None:
    (name,) = (n for n in wheel.namelist() if n.endswith("entry_points.txt"))
    text = wheel.read(name).decode()
    assert "grainlight = viewer.cli:main" in text
    assert "grainlight-window = viewer.app:main" in text
