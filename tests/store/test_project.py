"""Opening, editing, sharing and losing nothing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import h5py
import msgspec
import numpy as np
import pytest

from tests.store.conftest import MakeProject
from viewer.errors import (
    InputError,
    NotAProjectError,
    ProjectDamagedError,
    ProjectError,
    ProjectReadOnlyError,
    ResourceError,
)
from viewer.store import lock, schemas, transaction
from viewer.store import project as projects
from viewer.store.documents import DOCUMENTS, Looks, MapLook, Mark, Marks, State
from viewer.store.journal import journal_path
from viewer.store.migrate import SCHEMA_VERSION, STEPS
from viewer.store.project import Project, new_project
from viewer.store.transaction import record_path


@pytest.fixture
def path(make_project: MakeProject) -> Path:
    rng = np.random.default_rng(0)
    return make_project({n: rng.poisson(40, (600, 520)).astype(np.uint16) for n in ("Fe", "Cr")})


def _marks(n: int) -> Marks:
    return Marks(
        marks=tuple(
            Mark(id=f"m{i}", map="m", kind="distance", points=((0, 0), (float(i), 1))) for i in range(n)
        )
    )


def test_edits_are_there_after_closing(path: Path) -> None:
    with Project.open(path) as project:
        project.put(marks=_marks(2))
        project.put(marks=_marks(3))
        assert project.state.marks == _marks(3)
    assert not journal_path(path).exists()
    with h5py.File(path, "r") as file:
        assert msgspec.json.decode(file["state/marks"].asstr()[()], type=Marks) == _marks(3)
    with Project.open(path) as project:
        assert project.state.marks == _marks(3)


def test_edits_are_there_after_a_kill_without_closing(path: Path) -> None:
    project = Project.open(path)
    project.put(marks=_marks(5))
    project.flush()
    project._journal.close()  # as if the process had died now
    project._lock.release()
    with Project.open(path) as again:
        assert again.state.marks == _marks(5)


def test_sequence_goes_on_after_a_fold(path: Path) -> None:
    with Project.open(path) as project:
        project.put(marks=_marks(1))
        project.fold()
        project.put(marks=_marks(2))
        project.flush()
        project._journal.close()
        project._lock.release()
        project._journal = None
    with Project.open(path) as project:
        assert project.state.marks == _marks(2)


def test_a_second_opening_is_for_reading_and_says_why(path: Path) -> None:
    with Project.open(path) as first:
        first.put(marks=_marks(1))
        first.flush()
        with Project.open(path) as second:
            assert second.readonly == "Another window or process has the project open."
            assert second.state.marks == _marks(1)
            with pytest.raises(ProjectReadOnlyError, match="Another window"):
                second.put(marks=_marks(2))
    with Project.open(path) as third:
        assert third.readonly is None


def test_a_project_open_for_reading_can_be_looked_at(path: Path) -> None:
    with Project.open(path, write=False) as project:
        looks = Looks(maps={"m": MapLook(mode="single", layer="Cr")})
        project.put(look=looks)
        assert project.state.look == looks
        with pytest.raises(ProjectReadOnlyError):
            project.put(look=looks, marks=_marks(1))
    with Project.open(path, write=False) as project:
        assert project.state.look == Looks()


def test_a_project_from_the_future_opens_for_reading(path: Path) -> None:
    with h5py.File(path, "r+", libver="latest") as file:
        file.attrs["schema_version"] = SCHEMA_VERSION + 1
        file["state/something_new"] = "{}"
    with Project.open(path) as project:
        assert "newer program" in (project.readonly or "")
        assert set(project.maps["m"].layers) == {"Fe", "Cr"}


def test_a_project_of_version_1_is_brought_up_when_it_is_opened_for_writing(path: Path) -> None:
    with h5py.File(path, "r+") as file:
        file.attrs["schema_version"] = 1
    with Project.open(path, write=False):
        pass
    with h5py.File(path) as file:
        assert file.attrs["schema_version"] == 1
    with Project.open(path), h5py.File(path, locking=False) as file:
        # Before anything is written that an older program would not know.
        assert file.attrs["schema_version"] == SCHEMA_VERSION


def test_there_is_a_step_for_every_old_version() -> None:
    assert set(STEPS) == set(range(1, SCHEMA_VERSION))


@pytest.mark.parametrize("content", [b"", b"no project at all", b"\x89HDF\r\n\x1a\n"])
def test_what_is_not_a_project_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.maps.h5"
    path.write_bytes(content)
    with pytest.raises((NotAProjectError, ProjectDamagedError)) as caught:
        Project.open(path)
    assert str(path) in str(caught.value)
    assert caught.value.exit_code == 4


def test_another_hdf5_file_is_refused_with_advice(tmp_path: Path) -> None:
    path = tmp_path / "x.h5"
    with h5py.File(path, "w", libver="latest") as file:
        file["image"] = np.zeros((4, 4))
    with pytest.raises(NotAProjectError, match="gather it"):
        Project.open(path)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NotAProjectError, match="no such file"):
        Project.open(tmp_path / "none.maps.h5")


def test_a_file_cut_short_is_named_and_left_alone(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-5000])
    before = path.read_bytes()
    with pytest.raises(ProjectDamagedError):
        Project.open(path)
    assert path.read_bytes() == before


def test_a_flipped_byte_in_the_pixels_is_named_and_the_rest_opens(path: Path) -> None:
    with h5py.File(path, "r") as file:
        chunk = file["maps/m/channels/Fe/data"].id.get_chunk_info(0)
    content = bytearray(path.read_bytes())
    content[chunk.byte_offset + chunk.size // 2] ^= 0x10
    path.write_bytes(content)
    whole = (slice(0, 600), slice(0, 520))
    with Project.open(path) as project:
        with pytest.raises(ProjectDamagedError, match="channels/Fe/data"):
            project.maps["m"].layers["Fe"].values(*whole)
        assert project.maps["m"].layers["Cr"].values(*whole).mean() == pytest.approx(40, rel=0.01)


def test_a_document_that_does_not_fit_is_named(path: Path) -> None:
    with h5py.File(path, "r+", libver="latest") as file:
        file["state/marks"] = '{"marks": [{"id": 7}]}'
    with pytest.raises(ProjectDamagedError, match="state/marks"):
        Project.open(path)


def test_a_folder_that_may_not_be_written_opens_for_reading(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The tests may run as root, whom no permission stops; so the lock is refused instead.
    def refused(self: object) -> bool:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(projects.ProjectLock, "acquire", refused)
    with Project.open(path) as project:
        assert project.readonly == "The folder of the project may not be written."
        assert project.maps["m"].layers["Fe"].stats.pixels == 600 * 520


def test_a_new_project_that_fails_leaves_nothing(tmp_path: Path) -> None:
    path = tmp_path / "new.maps.h5"

    def write() -> None:
        with new_project(path) as file:
            file["x"] = np.zeros(10)
            raise OSError(28, "No space left on device")

    with pytest.raises(ResourceError, match="disk is full"):
        write()
    assert [p.name for p in tmp_path.iterdir() if not p.name.endswith(".lock")] == []


def test_a_new_project_does_not_replace_a_file_unasked(path: Path) -> None:
    before = path.read_bytes()
    with pytest.raises(InputError, match="exists already"), new_project(path):
        pass
    assert path.read_bytes() == before


def test_a_change_that_fails_changes_nothing(path: Path) -> None:
    with Project.open(path) as project:

        def write(file: h5py.File) -> None:
            file["more"] = np.zeros(100_000)
            raise InputError("No.")

        with pytest.raises(InputError):
            project.change(write)
        assert project.maps["m"].layers["Fe"].values(slice(0, 5), slice(0, 5)).shape == (5, 5)
    with h5py.File(path, "r") as file:
        assert "more" not in file


def test_a_link_out_of_the_file_is_not_followed(path: Path, tmp_path: Path) -> None:
    with h5py.File(tmp_path / "other.h5", "w") as other:
        other.create_group("g").attrs["info"] = "{}"
    with h5py.File(path, "r+", libver="latest") as file:
        file["maps/evil"] = h5py.ExternalLink(str(tmp_path / "other.h5"), "/g")
        file["maps/soft"] = h5py.SoftLink("/maps/m")
    with Project.open(path) as project:
        assert set(project.maps) == {"m"}


def test_plain_h5py_finds_an_image_with_axes(path: Path) -> None:
    with h5py.File(path, "r") as file:
        group = file["maps/m/channels/Fe"]
        assert group.attrs["NX_class"] == "NXdata"
        assert group.attrs["signal"] == "data"
        assert list(group.attrs["axes"]) == ["y", "x"]
        assert group["data"].shape == (len(group["y"]), len(group["x"]))
        assert group["x"].attrs["units"] == "um"
        np.testing.assert_allclose(group["x"][:3], [1, 3, 5])
        np.testing.assert_allclose(group["y"][:3], [1.5, 4.5, 7.5])


def test_published_schemas_are_those_of_the_structs() -> None:
    folder = Path(__file__).parents[2] / "resources" / "schemas"
    for name in DOCUMENTS:
        assert (folder / f"{name}.json").read_bytes() == schemas.text_of(name), (
            "run: python -m viewer.store.schemas"
        )
    assert set(State.__struct_fields__) == set(DOCUMENTS)


EDITOR = textwrap.dedent(
    """
    import sys
    import numpy as np
    from viewer.store.documents import Mark, Marks
    from viewer.store.project import Project

    project = Project.open(sys.argv[1])
    n = len(project.state.marks.marks)
    while True:
        n += 1
        marks = tuple(
            Mark(id=str(i), map="m", kind="distance", points=((0, 0), (i, 1))) for i in range(n)
        )
        project.put(marks=Marks(marks=marks))
        project.flush()
        print("edit", n, flush=True)
        if n % 5 == 0:
            def write(file, n=n):
                file[f"bulk/{n}"] = np.full(300_000, n)
            project.change(write)
            print("bulk", n, flush=True)
        if n % 7 == 0:
            project.fold()
    """
)


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is of POSIX")
def test_a_killed_process_loses_nothing_that_was_acknowledged(path: Path, tmp_path: Path) -> None:
    script = tmp_path / "editor.py"
    script.write_text(EDITOR)
    with Project.open(path) as project:
        pixels = project.maps["m"].layers["Fe"].values(slice(0, 600), slice(0, 520))
    rng = np.random.default_rng(42)
    edits, bulks = 0, set()
    for _ in range(8):
        child = subprocess.Popen(
            [sys.executable, str(script), str(path)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        first = child.stdout.readline()
        time.sleep(float(rng.uniform(0, 0.25)))
        child.send_signal(signal.SIGKILL)
        said = first + child.stdout.read()
        child.wait()
        for line in said.splitlines():
            word, _, number = line.partition(" ")
            if word == "edit" and number.isdigit():
                edits = max(edits, int(number))
            elif word == "bulk" and number.isdigit():
                bulks.add(int(number))
        with Project.open(path) as project:
            assert project.readonly is None
            assert len(project.state.marks.marks) >= edits
            edits = len(project.state.marks.marks)
            np.testing.assert_array_equal(
                project.maps["m"].layers["Fe"].values(slice(0, 600), slice(0, 520)), pixels
            )
        with h5py.File(path, "r") as file:
            for n in bulks:
                assert (file[f"bulk/{n}"][...] == n).all()
    assert edits > 8


# -- what is left behind --------------------------------------------------------------------------


def test_a_replacement_that_fails_keeps_the_edits_of_the_old_project(path: Path) -> None:
    project = Project.open(path)
    project.put(marks=_marks(4))
    project.flush()
    project._journal.close()  # as if the process had died now
    project._lock.release()
    with pytest.raises(ResourceError), new_project(path, overwrite=True):
        raise OSError(28, "No space left on device")
    with Project.open(path) as again:
        assert again.state.marks == _marks(4)


def test_what_an_old_project_left_behind_is_not_done_to_the_new_one(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after a death between the replacement and the removal of the leftovers."""
    old = Project.open(path)
    old.put(marks=_marks(4))
    old.flush()
    old._journal.close()

    def dies(target: Path, body: bytes) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(transaction, "_apply", dies)
        with pytest.raises(ProjectError):
            old.change(lambda file: file.attrs.__setitem__("old", 1))
    old._lock.release()
    record, journal = record_path(path).read_bytes(), journal_path(path).read_bytes()
    with new_project(path, overwrite=True):
        pass
    record_path(path).write_bytes(record)
    journal_path(path).write_bytes(journal)
    with Project.open(path, write=False) as reading:
        assert reading.state.marks == Marks()
    with Project.open(path) as new:
        assert new.state.marks == Marks()
        assert new.remarks == (
            "Edits left behind by another project of the same name were passed over.",
        )
        new.put(marks=_marks(1))
    assert not record_path(path).exists()
    with Project.open(path) as new:
        assert new.remarks == ()
        assert new.state.marks == _marks(1)
        with new._reading() as file:
            assert "old" not in file.attrs


def test_a_damaged_head_of_the_journal_costs_no_edit(path: Path) -> None:
    project = Project.open(path)
    project.put(marks=_marks(4))
    project.flush()
    project._journal.close()
    project._lock.release()
    content = bytearray(journal_path(path).read_bytes())
    content[20] ^= 1
    journal_path(path).write_bytes(content)
    with Project.open(path) as again:
        assert again.state.marks == _marks(4)


# -- not waiting ----------------------------------------------------------------------------------


def test_an_edit_does_not_wait_for_a_change_that_runs(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(projects, "_FOLD_BYTES", 0)
    with Project.open(path) as project:
        project.put(marks=_marks(1))
        project.flush()

        def write(file: h5py.File) -> None:
            editor = threading.Thread(target=lambda: project.put(marks=_marks(2)), daemon=True)
            editor.start()
            editor.join(20)
            assert not editor.is_alive()

        project.change(write)
        assert project.state.marks == _marks(2)
        project.put(marks=_marks(3))
        project.flush()
        project.put(marks=_marks(4))
    with Project.open(path) as project:
        assert project.state.marks == _marks(4)


def test_a_fold_that_fails_does_not_fail_the_edit(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[int] = []

    def full(*_: object) -> None:
        tried.append(1)
        raise ResourceError("The disk is full.")

    monkeypatch.setattr(projects, "_FOLD_BYTES", 0)
    with Project.open(path) as project:
        project.put(marks=_marks(1))
        project.flush()
        with monkeypatch.context() as patch:
            patch.setattr(Project, "_change", full)
            project.put(marks=_marks(2))
            assert tried
        assert project.state.marks == _marks(2)
    with Project.open(path) as project:
        assert project.state.marks == _marks(2)


def test_reading_goes_on_while_the_pixels_are_synced(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Project.open(path) as project:
        free: list[bool] = []
        real = os.fsync

        def fsync(number: int) -> None:
            if not free:  # the first one is of the bulk

                def read() -> None:
                    project.maps["m"].layers["Fe"].values(slice(0, 4), slice(0, 4))

                reader = threading.Thread(target=read, daemon=True)
                reader.start()
                reader.join(20)
                free.append(not reader.is_alive())
            real(number)

        monkeypatch.setattr(transaction.os, "fsync", fsync)
        project.change(lambda file: file.__setitem__("bulk", np.zeros(1000)))
        assert free == [True]


# -- damage and strange places --------------------------------------------------------------------


@pytest.mark.parametrize("attribute", ["stats", "info", "complete"])
def test_one_bad_layer_does_not_keep_the_others_shut(path: Path, attribute: str) -> None:
    with h5py.File(path, "r+", libver="latest") as file:
        if attribute == "info":
            file["maps/m/channels/Fe"].attrs["info"] = 7
        else:
            del file["maps/m/channels/Fe"].attrs[attribute]
    with Project.open(path) as project:
        assert list(project.maps["m"].layers) == ["Cr"]
        assert list(project.maps["m"].damaged) == ["Fe"]
        project.refresh()
        assert len(project.remarks) == 1
        assert "«Fe»" in project.remarks[0]


def test_flipped_bytes_in_a_layers_description_are_survived(path: Path) -> None:
    with h5py.File(path, "r") as file:
        at = h5py.h5o.get_info(file["maps/m/channels/Fe"].id).addr
    content = bytearray(path.read_bytes())
    content[at + 20] ^= 0xFF
    path.write_bytes(content)
    with Project.open(path) as project:
        assert list(project.maps["m"].layers) == ["Cr"]
        assert list(project.maps["m"].damaged) == ["Fe"]


def test_a_file_system_without_locks_opens_for_reading(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def acquire(*_: object, **__: object) -> None:
        raise NotImplementedError("FileSystem does not appear to support flock")

    monkeypatch.setattr(lock.FileLock, "acquire", acquire)
    with Project.open(path) as project:
        assert "cannot be locked" in (project.readonly or "")
        assert project.maps["m"].layers["Fe"].stats.pixels == 600 * 520
    with pytest.raises(ProjectError, match="cannot lock"), new_project(path, overwrite=True):
        pass


def test_a_reader_looks_anew_when_another_process_has_written(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = (slice(0, 600), slice(0, 520))
    with Project.open(path, write=False) as reading:
        layer = reading.maps["m"].layers["Fe"]
        pixels = layer.values(*whole)

        class Stale:
            """A dataset whose offsets are out of date."""

            def __getitem__(self, _: object) -> None:
                raise OSError("filter returned failure during read")

        reading._datasets["/maps/m/channels/Fe/data"] = Stale()  # type: ignore[assignment]
        np.testing.assert_array_equal(layer.values(*whole), pixels)
    with Project.open(path) as writing:
        writing._datasets["/maps/m/channels/Fe/data"] = Stale()  # type: ignore[assignment]
        with pytest.raises(ProjectDamagedError):
            writing.maps["m"].layers["Fe"].values(*whole)
