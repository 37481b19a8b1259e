"""A change to a project is whole or not there, whenever the process dies."""

from __future__ import annotations

import errno
import shutil
from pathlib import Path

import h5py
import numpy as np
import pytest

from viewer.errors import ProjectDamagedError
from viewer.store import transaction
from viewer.store.transaction import PAGE, ShadowFile, record_path, recover, stated_end, unfinished


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "p.h5"
    with h5py.File(path, "w", libver="latest") as file:
        for n in range(40):
            file[f"old/{n}"] = np.full(3000, n)
        file.attrs["edition"] = 1
    return path


def _change(file: h5py.File) -> None:
    for n in range(0, 40, 3):
        del file[f"old/{n}"]
    file["old/1"][...] = -1
    file["new"] = np.arange(200_000)
    file.attrs["edition"] = 2


def _edition(path: Path) -> int:
    """Which state the file is in; every part of it must agree."""
    with h5py.File(path, "r") as file:
        edition = int(file.attrs["edition"])
        names = {int(n) for n in file["old"]}
        if edition == 1:
            assert names == set(range(40))
            assert "new" not in file
            assert (file["old/1"][...] == 1).all()
        else:
            assert names == set(range(40)) - set(range(0, 40, 3))
            assert (file["new"][...] == np.arange(200_000)).all()
            assert (file["old/1"][...] == -1).all()
        for n in names - {1}:
            assert (file[f"old/{n}"][...] == n).all()
    return edition


def _shadowed(path: Path) -> ShadowFile:
    shadow = ShadowFile(path)
    with h5py.File(shadow, "r+", libver="latest") as file:
        _change(file)
    return shadow


def test_commit_makes_the_change_visible(path: Path) -> None:
    shadow = _shadowed(path)
    assert _edition(path) == 1
    shadow.commit()
    shadow.close()
    assert _edition(path) == 2
    assert not record_path(path).exists()


def test_reading_goes_on_in_the_old_state_until_the_commit(path: Path) -> None:
    with h5py.File(path, "r", locking=False) as reader:
        shadow = _shadowed(path)
        assert reader.attrs["edition"] == 1
        assert len(reader["old"]) == 40
        shadow.roll_back()
        shadow.close()


def test_roll_back_leaves_every_byte(path: Path) -> None:
    before = path.read_bytes()
    shadow = _shadowed(path)
    shadow.roll_back()
    shadow.close()
    assert path.read_bytes() == before


def test_death_before_the_record_keeps_the_old_state(path: Path) -> None:
    before = path.read_bytes()
    _shadowed(path).close()
    assert path.stat().st_size > len(before)
    assert not recover(path)
    assert path.read_bytes() == before


class _Death(BaseException):
    pass


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 1.0])
def test_death_while_applying_is_made_good(
    path: Path, share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = transaction._apply

    def dies(target: Path, body: bytes) -> None:
        old = target.read_bytes()
        whole(target, body)
        new = target.read_bytes()
        cut = int(share * min(len(old), len(new))) // PAGE * PAGE
        target.write_bytes(new[:cut] + old[cut:] + new[len(old) :])
        raise _Death

    shadow = _shadowed(path)
    monkeypatch.setattr(transaction, "_apply", dies)
    with pytest.raises(_Death):
        shadow.commit()
    shadow.close()
    monkeypatch.undo()
    assert unfinished(path)
    assert recover(path)
    assert _edition(path) == 2
    assert not record_path(path).exists()


def test_a_record_cut_anywhere_is_dropped(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def dies(target: Path, body: bytes) -> None:
        raise _Death

    shadow = _shadowed(path)
    monkeypatch.setattr(transaction, "_apply", dies)
    with pytest.raises(_Death):
        shadow.commit()
    shadow.close()
    monkeypatch.undo()
    record = record_path(path).read_bytes()
    kept = path.read_bytes()
    rng = np.random.default_rng(5)
    for cut in (0, 5, *rng.integers(10, len(record), 12)):
        path.write_bytes(kept)
        record_path(path).write_bytes(record[: int(cut)])
        assert not recover(path)
        assert _edition(path) == 1
    path.write_bytes(kept)
    flipped = bytearray(record)
    flipped[len(record) // 2] ^= 1
    record_path(path).write_bytes(flipped)
    assert not recover(path)
    assert _edition(path) == 1


def test_many_changes_in_a_row_agree_with_plain_h5py(path: Path, tmp_path: Path) -> None:
    twin = tmp_path / "twin.h5"
    shutil.copy(path, twin)
    rng = np.random.default_rng(11)
    for n in range(12):
        values = rng.integers(0, 255, rng.integers(1, 40_000))

        def write(file: h5py.File, n: int = n, values: np.ndarray = values) -> None:
            if f"s/{n - 3}" in file:
                del file[f"s/{n - 3}"]
            file[f"s/{n}"] = values
            file.attrs[f"a{n}"] = "x" * int(values.size % 300)

        shadow = ShadowFile(path)
        with h5py.File(shadow, "r+", libver="latest") as file:
            write(file)
        shadow.commit()
        shadow.close()
        with h5py.File(twin, "r+", libver="latest") as file:
            write(file)
    with h5py.File(path, "r") as a, h5py.File(twin, "r") as b:
        assert dict(a.attrs) == dict(b.attrs)
        assert list(a["s"]) == list(b["s"])
        for name in a["s"]:
            np.testing.assert_array_equal(a[f"s/{name}"], b[f"s/{name}"])


def test_a_file_cut_short_is_named(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(ProjectDamagedError, match="cut short"):
        stated_end(path)


@pytest.mark.parametrize("code", [errno.EINVAL, errno.ENOTSUP, errno.EBADF, errno.EACCES, errno.EPERM])
def test_a_system_that_syncs_no_folders_is_put_up_with(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    def refuse(code: int) -> None:
        def fsync(_: int) -> None:
            raise OSError(code, "refused")

        monkeypatch.setattr(transaction.os, "fsync", fsync)

    refuse(code)
    transaction.sync_folder(tmp_path)
    refuse(errno.EIO)
    with pytest.raises(OSError, match="refused"):
        transaction.sync_folder(tmp_path)
    with pytest.raises(OSError, match="missing"):
        transaction.sync_folder(tmp_path / "missing")


def test_a_record_of_another_file_is_dropped(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def dies(target: Path, body: bytes) -> None:
        raise _Death

    shadow = ShadowFile(path, owner="a")
    with h5py.File(shadow, "r+", libver="latest") as file:
        _change(file)
    monkeypatch.setattr(transaction, "_apply", dies)
    with pytest.raises(_Death):
        shadow.commit()
    shadow.close()
    monkeypatch.undo()
    assert unfinished(path, "a")
    assert unfinished(path)
    assert not unfinished(path, "b")
    assert not recover(path, "b")
    assert _edition(path) == 1
    assert not record_path(path).exists()
