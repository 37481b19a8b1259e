"""Imports run one way, and the heavy libraries stay behind their own doors.

panels, cli, app -> desk -> store, intake, plates -> science -> errors
"""

from __future__ import annotations

import ast
import graphlib
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

import viewer

ROOT = Path(viewer.__file__).parent

RANKS = {
    "errors": 0,
    "science": 1,
    "store": 2,
    "intake": 2,
    "plates": 2,
    "desk": 3,
    "panels": 4,
    "cli": 4,
    "app": 4,
    "__main__": 4,
}
QT = {"PySide6", "shiboken6", "pyqtgraph", "pytestqt", "qtpy", "PyQt5", "PyQt6"}
HDF5 = {"h5py", "hdf5plugin"}
PICTURE_FILES = {"tifffile", "imagecodecs", "PIL"}

BANNED = {
    "errors": QT | HDF5 | PICTURE_FILES,
    "science": QT | HDF5 | PICTURE_FILES,
    "store": QT,
    "intake": QT,
    "plates": QT | HDF5,
    "desk": QT | HDF5,
    "panels": HDF5,
    "cli": HDF5,
    "app": HDF5,
    "__main__": HDF5,
}


def part_of(module: str) -> str:
    """The part of the house that ``viewer.part.more`` belongs to; '' for the package itself."""
    names = module.split(".")
    return names[1] if len(names) > 1 else ""


def imports(source: str, module: str = "<test>") -> Iterator[tuple[int, str]]:
    """Line and dotted name of everything a module imports, wherever it does; relative: a dot first."""
    for node in ast.walk(ast.parse(source, module)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = "." * node.level + (node.module or "")
            for alias in node.names:
                yield node.lineno, f"{base}.{alias.name}" if base.strip(".") else base + alias.name
        elif isinstance(node, ast.Call):
            called = node.func
            name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
            first = node.args[0] if node.args else None
            if (
                name in {"import_module", "__import__"}
                and isinstance(first, ast.Constant)
                and isinstance(first.value, str)
            ):
                yield node.lineno, first.value


def faults(module: str, source: str) -> list[str]:
    """What is wrong with the imports of one module."""
    here = part_of(module)
    found = []
    for line, name in imports(source, module):
        top = name.split(".")[0]
        if name.startswith("."):
            found.append(f"{module}:{line}: relative import {name}")
        elif top == "viewer":
            there = part_of(name)
            if there in RANKS and here and RANKS[there] > RANKS[here]:
                found.append(f"{module}:{line}: {here} imports {there}")
            if there in RANKS and not here:
                found.append(f"{module}:{line}: the package itself imports {there}")
        elif top in BANNED.get(here, set()):
            found.append(f"{module}:{line}: {here} imports {top}")
    return found


def modules() -> dict[str, str]:
    """Source of every module of the package by its dotted name."""
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        names = ["viewer", *path.relative_to(ROOT).with_suffix("").parts]
        if names[-1] == "__init__":
            names.pop()
        found[".".join(names)] = path.read_text(encoding="utf-8")
    return found


def test_every_module_has_a_place_in_the_house():
    strangers = {part_of(name) for name in modules()} - set(RANKS) - {""}
    assert not strangers


def test_imports_run_one_way():
    assert [fault for name, source in modules().items() for fault in faults(name, source)] == []


def test_neighbours_do_not_import_each_other_in_a_ring():
    needs: dict[str, set[str]] = defaultdict(set)
    for module, source in modules().items():
        for _, name in imports(source, module):
            here, there = part_of(module), part_of(name) if name.startswith("viewer.") else ""
            if here in RANKS and there in RANKS and here != there:
                needs[here].add(there)
    tuple(graphlib.TopologicalSorter(needs).static_order())  # raises CycleError


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("viewer.science.look.blend", "import h5py"),
        ("viewer.science.look.blend", "def f():\n    import tifffile"),
        ("viewer.science.look.blend", "from PySide6.QtGui import QImage"),
        ("viewer.science.look.blend", "from viewer.store import project"),
        ("viewer.science.look.blend", "from viewer import desk"),
        ("viewer.errors", "import viewer.science.progress"),
        ("viewer.plates.page", "import pyqtgraph as pg"),
        ("viewer.plates.page", "from viewer.desk.desk import Desk"),
        ("viewer.desk.desk", "import h5py"),
        ("viewer.desk.desk", "from PySide6 import QtCore"),
        ("viewer.panels.shell", "import h5py"),
        ("viewer.store.project", "from . import documents"),
        ("viewer.store.project", "from .documents import Mark"),
        ("viewer.store.project", "from viewer.panels.look import table"),
        ("viewer.store.project", "import importlib\nimportlib.import_module('viewer.panels')"),
        ("viewer.store.project", "if TYPE_CHECKING:\n    from viewer.desk.desk import Desk"),
        ("viewer", "from viewer.science import look"),
    ],
)
def test_a_wrong_import_is_seen(module, source):
    assert len(faults(module, source)) == 1


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("viewer.science.look.blend", "import numpy\nfrom viewer.errors import InputError"),
        ("viewer.store.project", "import h5py, hdf5plugin"),
        ("viewer.intake.nexus", "import h5py\nimport tifffile"),
        ("viewer.plates.tables", "from viewer.store.documents import Row\nimport viewer"),
        ("viewer.panels.shell", "from PySide6 import QtWidgets\nfrom viewer.desk.desk import Desk"),
        ("viewer.cli", "from viewer.app import main"),
    ],
)
def test_a_right_import_passes(module, source):
    assert faults(module, source) == []
