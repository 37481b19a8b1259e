"""What the disk says, in the user's words."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from viewer.desk import demo
from viewer.errors import InputError, ProjectError, ResourceError, from_os_error


def said(number: int) -> OSError:
    return OSError(number, os.strerror(number))


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
def test_a_lack_of_room_names_the_folder(tmp_path: Path, number: int) -> None:
    told = from_os_error(said(number), tmp_path / "a.csv", "table", other=ProjectError)
    assert isinstance(told, ResourceError)
    assert told.what == "The disk is full; the table was not written."
    assert told.where == str(tmp_path)


def test_a_folder_without_room_names_itself(tmp_path: Path) -> None:
    assert from_os_error(said(errno.ENOSPC), tmp_path, "demo").where == str(tmp_path)


def test_a_lack_of_room_that_another_layer_wraps(tmp_path: Path) -> None:
    error = OSError("Can't write data (file write failed: No space left on device)")
    assert isinstance(from_os_error(error, tmp_path / "p", "project"), ResourceError)


@pytest.mark.parametrize("number", [errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOENT])
def test_a_place_that_may_not_be_written(tmp_path: Path, number: int) -> None:
    told = from_os_error(said(number), tmp_path / "a.png", "picture", other=ProjectError)
    assert isinstance(told, InputError)
    assert told.what == f"The picture cannot be written here: {os.strerror(number).lower()}."
    assert told.where == str(tmp_path / "a.png")
    assert told.hint


def test_anything_else_is_of_the_kind_asked_for(tmp_path: Path) -> None:
    told = from_os_error(said(errno.EIO), tmp_path / "p", "project", other=ProjectError)
    assert isinstance(told, ProjectError)
    assert os.strerror(errno.EIO).lower() in told.what


def test_a_demo_on_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*args: object, **keywords: object) -> None:
        raise said(errno.ENOSPC)

    monkeypatch.setattr(demo, "make", full)
    with pytest.raises(ResourceError, match="the demo was not written"):
        demo.build(tmp_path / "demo")
