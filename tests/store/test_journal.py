"""The journal keeps every acknowledged edit and passes over what is torn."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from viewer.errors import ResourceError
from viewer.store import journal
from viewer.store.journal import Entry, Journal, read


def _entries(n: int) -> list[Entry]:
    return [Entry(i + 1, "marks", b'{"marks":[%d]}' % i) for i in range(n)]


def test_what_was_appended_is_read_back_in_order(tmp_path: Path) -> None:
    path = tmp_path / "j"
    log = Journal(path, "p")
    for entry in _entries(50):
        log.append(entry)
    log.flush()
    assert log.durable == 50
    log.close()
    assert read(path).entries == tuple(_entries(50))


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_cut_keeps_all_whole_lines(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("j") / "j"
    text = b"".join(journal._line(e) for e in _entries(9))
    cut = data.draw(st.integers(0, len(text)))
    path.write_bytes(text[:cut])
    whole = text[:cut].count(b"\n")
    assert read(path).entries == tuple(_entries(9)[:whole])
    assert read(path).damaged == 0
    log = Journal(path, "p")
    log.append(Entry(99, "look", b"{}"))
    log.close()
    assert read(path).entries == (*_entries(9)[:whole], Entry(99, "look", b"{}"))


def test_a_flipped_byte_costs_one_line(tmp_path: Path) -> None:
    path = tmp_path / "j"
    lines = [journal._line(e) for e in _entries(5)]
    lines[2] = lines[2].replace(b"2", b"7", 1)
    path.write_bytes(b"".join(lines))
    contents = read(path)
    assert contents.damaged == 1
    assert [e.sequence for e in contents.entries] == [1, 2, 4, 5]


def test_a_disk_that_refuses_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "j"
    monkeypatch.setattr(Journal, "RETRY_S", 0.01)
    refuse = True
    fsync = journal.os.fsync

    def flaky(fd: int) -> None:
        if refuse:
            raise OSError(28, "No space left on device")
        fsync(fd)

    monkeypatch.setattr(journal.os, "fsync", flaky)
    log = Journal(path, "p")
    for entry in _entries(3):
        log.append(entry)
    with pytest.raises(ResourceError, match="could not be written"):
        log.flush()
    refuse = False
    deadline = 200
    while log.durable < 3 and deadline:
        deadline -= 1
        with log._changed:
            log._changed.wait(0.05)
    log.close()
    assert read(path).entries == tuple(_entries(3))
