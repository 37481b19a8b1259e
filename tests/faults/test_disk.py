"""What the disk does while a project is written: refuse bytes, fail late, or be shared with another."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path

import h5py
import numpy as np
import pytest

from viewer.errors import ProjectBusyError, ProjectError, ResourceError
from viewer.science.progress import silent
from viewer.store import transaction
from viewer.store.project import MapInfo, Project, new_project, write_map
from viewer.store.transaction import ShadowFile, record_path, unfinished

NOISE = np.random.default_rng(0).integers(0, 255, 400_000, dtype=np.uint8)


class Disk:
    """Refuses every byte from the nth write on."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, after: int, code: int = errno.ENOSPC) -> None:
        self.left = after
        self.refused = 0
        real = ShadowFile._write_disk

        def write(shadow: ShadowFile, position: int, view: memoryview) -> None:
            self.left -= 1
            if self.left < 0:
                self.refused += 1
                raise OSError(code, os.strerror(code))
            real(shadow, position, view)

        monkeypatch.setattr(ShadowFile, "_write_disk", write)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "p.maps.h5"
    with new_project(path) as file:
        write_map(file, MapInfo(id="m", name="m", shape=(4, 5), pixel_um=(1, 1)))
        file["old"] = NOISE[:50_000]
    return path


@pytest.fixture
def project(path: Path) -> Iterator[Project]:
    with Project.open(path) as opened:
        yield opened


def grow(file: h5py.File) -> None:
    for n in range(8):
        file.create_dataset(f"new{n}", data=NOISE, chunks=(50_000,))


@pytest.mark.parametrize("after", [0, 1, 2, 5, 9, 20, 40])
def test_a_new_project_that_is_refused_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    disk = Disk(monkeypatch, after)
    with pytest.raises(ResourceError) as refused, new_project(tmp_path / "p.maps.h5") as file:
        grow(file)
    assert disk.refused
    assert str(tmp_path) in str(refused.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("after", [0, 1, 3, 10, 40])
def test_a_change_that_is_refused_changes_nothing(
    project: Project, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    before = project.path.read_bytes()
    with monkeypatch.context() as patch:
        disk = Disk(patch, after)
        with pytest.raises(ResourceError):
            project.change(grow)
        assert disk.refused
    assert project.path.read_bytes() == before
    assert not record_path(project.path).exists()
    assert list(project.maps) == ["m"]
    project.change(grow)
    with h5py.File(project.path, "r", locking=False) as file:
        np.testing.assert_array_equal(file["new7"], NOISE)


def test_what_was_refused_is_still_read_back(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The library must find its own pages again until it has let go of the file."""
    shadow = ShadowFile(path)
    Disk(monkeypatch, 2)
    with h5py.File(shadow, "r+", libver="latest") as file:
        grow(file)
        file.flush()
        for n in range(8):
            np.testing.assert_array_equal(file[f"new{n}"], NOISE)
    for ending in (shadow.check, shadow.sync, shadow.commit):
        with pytest.raises(OSError, match="No space"):
            ending()
    shadow.roll_back()
    shadow.close()


def test_work_stops_at_its_next_step(project: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    Disk(monkeypatch, 0)
    steps: list[int] = []

    def write(file: object) -> None:
        progress = file.watched(silent)  # type: ignore[attr-defined]
        for n in range(100):
            progress(n / 100)
            steps.append(n)
            file[f"n{n}"] = NOISE  # type: ignore[index]

    with pytest.raises(ResourceError):
        project.change(write)
    assert steps == [0]


def test_another_trouble_is_not_called_a_full_disk(
    project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    Disk(monkeypatch, 0, errno.EIO)
    with pytest.raises(ProjectError, match=r"(?i)input/output error"):
        project.change(grow)


def test_a_record_that_is_refused_is_taken_away(
    project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = project.path.read_bytes()
    real = os.fsync
    calls = 0

    def fsync(number: int) -> None:
        nonlocal calls
        calls += 1
        if calls == 2:  # the pixels were taken, the commit record is not
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(number)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fsync)
        with pytest.raises(ResourceError):
            project.change(grow)
    assert project.path.read_bytes() == before
    assert not record_path(project.path).exists()


@pytest.mark.parametrize("reopened", [False, True])
def test_a_commit_that_fails_late_is_finished_later(
    path: Path, monkeypatch: pytest.MonkeyPatch, reopened: bool
) -> None:
    """Once its record is whole a change is made, though the disk fails while it is applied."""

    def fail(path: Path, body: bytes) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    project = Project.open(path)
    try:
        with monkeypatch.context() as patch:
            patch.setattr(transaction, "_apply", fail)
            with pytest.raises(ProjectError):
                project.change(grow)
        assert unfinished(path)
        if reopened:
            project.close()
            project = Project.open(path)
            assert project.remarks == ("An interrupted save was finished.",)
        else:
            project.change(lambda file: file.attrs.__setitem__("next", 1))
    finally:
        project.close()
    assert not record_path(path).exists()
    with h5py.File(path, "r") as file:
        np.testing.assert_array_equal(file["old"], NOISE[:50_000])
        for n in range(8):
            np.testing.assert_array_equal(file[f"new{n}"], NOISE)


def test_who_comes_second_leaves_the_first_alone(tmp_path: Path) -> None:
    path = tmp_path / "p.maps.h5"
    with new_project(path) as file:
        with pytest.raises(ProjectBusyError), new_project(path):
            pass
        assert (tmp_path / "p.maps.h5.part").exists()
        grow(file)
    with Project.open(path, write=False) as project:
        assert project.maps == {}


def test_nothing_of_the_old_project_is_done_to_the_new_one(path: Path) -> None:
    journal = path.with_name(path.name + ".journal")
    journal.write_bytes(b"00000000 1 look {}\n")
    record_path(path).write_bytes(b"GLCOMMIT1\n")
    with new_project(path, overwrite=True):
        pass
    assert not journal.exists()
    assert not record_path(path).exists()
