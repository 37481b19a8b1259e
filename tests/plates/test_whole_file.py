"""A file is there whole, or not at all."""

from __future__ import annotations

import errno
import os
import stat

import pytest

from viewer.errors import InputError, ResourceError
from viewer.plates.whole_file import whole_file


def test_the_name_is_taken_only_at_the_end(tmp_path):
    target = tmp_path / "a.png"
    with whole_file(target) as part:
        part.write_bytes(b"whole")
        assert not target.exists()
        assert part.parent == tmp_path
    assert target.read_bytes() == b"whole"
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]


def test_an_older_file_stays_until_then(tmp_path):
    target = tmp_path / "a.png"
    target.write_bytes(b"before")
    target.chmod(0o640)
    with whole_file(target, overwrite=True) as part:
        part.write_bytes(b"after")
        assert target.read_bytes() == b"before"
    assert target.read_bytes() == b"after"
    assert stat.S_IMODE(target.stat().st_mode) == 0o640


def test_any_error_leaves_the_folder_as_it_was(tmp_path):
    def write_half() -> None:
        with whole_file(tmp_path / "a.png") as part:
            part.write_bytes(b"half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_half()
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_replaced_only_when_told(tmp_path):
    target = tmp_path / "a.png"
    target.write_bytes(b"before")
    with pytest.raises(InputError, match="already") as caught, whole_file(target):
        pytest.fail("the caller must not get to work")
    assert str(target) in str(caught.value)
    assert target.read_bytes() == b"before"


@pytest.mark.parametrize("links", [True, False])
def test_a_file_made_meanwhile_is_not_lost(tmp_path, monkeypatch, links):
    target = tmp_path / "a.png"

    def refuse(*args):
        raise OSError(errno.EPERM, "Operation not permitted")

    if not links:
        monkeypatch.setattr(os, "link", refuse)
    def write_both() -> None:
        with whole_file(target) as part:
            part.write_bytes(b"mine")
            target.write_bytes(b"theirs")

    with pytest.raises(InputError, match="already"):
        write_both()
    assert target.read_bytes() == b"theirs"
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]


def test_a_disk_without_hard_links_will_do(tmp_path, monkeypatch):
    def refuse(*args):
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    with whole_file(tmp_path / "a.png") as part:
        part.write_bytes(b"whole")
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
def test_a_full_disk_is_a_matter_of_resources(tmp_path, number):
    with pytest.raises(ResourceError, match="disk is full"), whole_file(tmp_path / "a.png"):
        raise OSError(number, os.strerror(number))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there(tmp_path):
    with (
        pytest.raises(InputError, match="cannot be written here"),
        whole_file(tmp_path / "no" / "a.png"),
    ):
        pytest.fail("the caller must not get to work")


def test_a_folder_is_no_file(tmp_path):
    with pytest.raises(InputError, match="folder"), whole_file(tmp_path, overwrite=True):
        pytest.fail("the caller must not get to work")


def test_a_link_goes_on_pointing_at_its_file(tmp_path):
    real, link = tmp_path / "real.png", tmp_path / "link.png"
    real.write_bytes(b"before")
    link.symlink_to(real)
    with whole_file(link, overwrite=True) as part:
        part.write_bytes(b"after")
    assert link.is_symlink()
    assert real.read_bytes() == b"after"


def test_the_longest_name_still_has_a_part(tmp_path):
    target = tmp_path / ("n" * 240 + ".png")
    with whole_file(target) as part:
        part.write_bytes(b"whole")
    assert target.exists()
