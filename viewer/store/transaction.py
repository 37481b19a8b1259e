"""All-or-nothing changes to a project file.

HDF5 itself is not safe against a crash in the middle of a write: its index pages are changed in place.
A `ShadowFile` stands between h5py and the disk so that they are not. Bytes beyond the old end of the
file are written straight through, where nothing points at them yet. Changes to bytes that the file
already had are held in memory. `ShadowFile.commit` makes the new bytes durable, writes the held
changes to a *commit record* beside the file, and only then applies them.

The held changes stay small as long as a writer frees nothing before its bulk is written: HDF5 fills
freed space first, and every page that is filled so lies below the old end.

A process that dies before the record is whole leaves the old file, with unused bytes behind its end;
one that dies later leaves a record that `recover` applies again. A record carries the word that its
file is known by: left behind by another file of the same name, it is dropped. Readers in this process
go on reading the old state until the commit.

A disk that refuses bytes must not be seen by the HDF5 library: it drops such errors while it lets go
of datasets, and may crash when it closes the file. `ShadowFile` therefore keeps refused bytes in
memory, remembers the error and raises it from `check` and `commit`.
"""

from __future__ import annotations

import errno
import hashlib
import io
import os
import struct
import threading
from pathlib import Path
from typing import Any

from viewer.errors import ProjectDamagedError

PAGE = 4096
SYNC_BYTES = 32 * 1024 * 1024
"""Bytes written between two syncs in the background."""
_MAGIC = b"GLCOMMIT2\n"
_HEAD = struct.Struct("<32sQQQ")  # owner, old end, new end, number of pages
_PAGE_HEAD = struct.Struct("<QI")  # offset, length
_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_NO_FOLDER_SYNC = {errno.EINVAL, errno.ENOTSUP, errno.EBADF, errno.EACCES, errno.EPERM}
"""What systems say that do not sync folders: some of those on a network or in user space."""


def record_path(path: Path) -> Path:
    """Where the commit record of a project lies while a commit is under way."""
    return path.with_name(path.name + ".commit")


def sync_folder(folder: Path) -> None:
    """Make a rename or a removal in `folder` durable, where the system has a way to."""
    if os.name == "nt":
        return
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(fd)
    except OSError as error:
        if error.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(fd)


def stated_end(path: Path) -> int:
    """Length of the file as its own superblock (version 2 or 3) states it, in bytes.

    Raises
    ------
    ProjectDamagedError
        The file is not HDF5 or is shorter than it says.
    """
    with open(path, "rb") as file:
        head = file.read(48)
    if not head.startswith(_SIGNATURE):
        raise ProjectDamagedError("This is not an HDF5 file.", where=str(path))
    if len(head) < 48 or head[8] not in (2, 3) or head[9] != 8:
        raise ProjectDamagedError(
            "The head of the file is not one that Grainlight writes.", where=str(path)
        )
    end = int.from_bytes(head[28:36], "little")
    size = path.stat().st_size
    if size < end:
        raise ProjectDamagedError(
            f"The file is cut short: {size:,} bytes of {end:,} are there.",
            where=str(path),
            hint="Bring it back from a copy, or gather the maps again.",
        )
    return end


class ShadowFile(io.RawIOBase):
    """A file object for h5py that leaves the old bytes of a file alone until `commit`.

    Parameters
    ----------
    path : Path
        An existing HDF5 file with nobody else writing to it; or, where `fresh`, a file to be made.
    fresh : bool
        Begin with an empty file: every byte is written straight through.
    owner : str
        What the file is known by, at most 32 letters; its commit record carries it.
    """

    def __init__(self, path: Path, *, fresh: bool = False, owner: str = "") -> None:
        super().__init__()
        self._path = path
        self._owner = owner
        self._base = 0 if fresh else stated_end(path)
        self._file = io.FileIO(path, "w+" if fresh else "r+")
        self._end = self._base
        self._at = 0
        self._pages: dict[int, bytearray] = {}
        self._refused: list[tuple[int, bytes]] = []
        self._error: OSError | None = None
        self._recorded = False
        self._unsynced = 0
        self._synced = False
        self._syncing: threading.Thread | None = None

    # -- the file protocol that h5py uses -------------------------------------------------------

    def readable(self) -> bool:
        return True

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        origin = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._end}[whence]
        self._at = origin + offset
        return self._at

    def readinto(self, buffer: Any) -> int:
        view = memoryview(buffer).cast("B")
        count = max(0, min(len(view), self._end - self._at))
        view = view[:count]
        self._read_disk(self._at, view)
        first, last = self._at // PAGE, (self._at + count + PAGE - 1) // PAGE
        if self._pages and self._at < self._base:
            wanted = range(first, last)
            held = (
                (n for n in wanted if n in self._pages)
                if len(wanted) < len(self._pages)
                else (n for n in self._pages if first <= n < last)
            )
            for number in list(held):
                page = self._pages[number]
                start = number * PAGE
                a, b = max(start, self._at), min(start + len(page), self._at + count)
                if a < b:
                    view[a - self._at : b - self._at] = page[a - start : b - start]
        for start, lost in self._refused:
            a, b = max(start, self._at), min(start + len(lost), self._at + count)
            if a < b:
                view[a - self._at : b - self._at] = lost[a - start : b - start]
        self._at += count
        return count

    def write(self, data: Any) -> int:
        view = memoryview(data).cast("B")
        position, total = self._at, len(view)
        while position < self._base and len(view):
            number = position // PAGE
            page = self._page(number)
            inside = position - number * PAGE
            take = min(len(page) - inside, len(view))
            page[inside : inside + take] = view[:take]
            view, position = view[take:], position + take
        if len(view):
            try:
                if self._error is not None:
                    raise self._error
                self._write_disk(position, view)
            except OSError as error:
                self._error = error
                self._refused.append((position, bytes(view)))
            position += len(view)
        self._at = position
        self._end = max(self._end, position)
        return total

    def truncate(self, size: int | None = None) -> int:
        self._end = self._at if size is None else size
        self._synced = False
        if self._end > self._base and self._error is None:
            try:
                self._file.truncate(self._end)
            except OSError as error:
                self._error = error
        return self._end

    def flush(self) -> None:
        """Nothing is buffered here; durability comes with `commit`."""

    def close(self) -> None:
        if not self.closed:
            self._wait_for_disk()
            self._file.close()
        super().close()

    # -- ending ---------------------------------------------------------------------------------

    def check(self) -> None:
        """Raise what the disk said, where it refused bytes.

        Raises
        ------
        OSError
        """
        if self._error is not None:
            raise self._error

    @property
    def held(self) -> int:
        """Bytes of changes that wait in memory for the commit."""
        return sum(len(page) for page in self._pages.values())

    def sync(self) -> None:
        """Make the bytes written so far durable, where they are not. Errors as of `check`."""
        self._wait_for_disk()
        self.check()
        if not self._synced:
            os.fsync(self._file.fileno())
            self._synced = True

    def commit(self) -> None:
        """Make every change durable and visible, or (on any error before that) none.

        Where others wait for it, call `sync` before, which is the long part.

        Raises
        ------
        OSError
            The disk refused bytes, now or earlier.
        """
        self.sync()
        record = record_path(self._path)
        body = bytearray(_HEAD.pack(_word(self._owner), self._base, self._end, len(self._pages)))
        for number, page in sorted(self._pages.items()):
            body += _PAGE_HEAD.pack(number * PAGE, len(page))
            body += page
        try:
            with open(record, "wb") as out:
                out.write(_MAGIC)
                out.write(body)
                out.write(hashlib.sha256(body).digest())
                out.flush()
                os.fsync(out.fileno())
        except BaseException:
            record.unlink(missing_ok=True)
            raise
        self._recorded = True
        sync_folder(self._path.parent)
        _apply(self._path, bytes(body))
        record.unlink()
        sync_folder(self._path.parent)

    def roll_back(self) -> None:
        """Drop every change; the file is as it was.

        Once the commit record is whole the change is made, whatever happens later: `recover` then
        needs the bytes behind the old end.
        """
        if self._recorded:
            return
        self._pages.clear()
        self._refused.clear()
        self._file.truncate(self._base)
        self._end = self._base

    # -- inside ---------------------------------------------------------------------------------

    def _page(self, number: int) -> bytearray:
        page = self._pages.get(number)
        if page is None:
            start = number * PAGE
            page = bytearray(min(PAGE, self._base - start))
            self._read_disk(start, memoryview(page))
            self._pages[number] = page
        return page

    def _read_disk(self, position: int, view: memoryview) -> None:
        self._file.seek(position)
        done = 0
        while done < len(view):
            got = self._file.readinto(view[done:])
            if not got:
                # HDF5 may read a region that it has allocated and not yet written.
                view[done:] = bytes(len(view) - done)
                return
            done += got

    def _write_disk(self, position: int, view: memoryview) -> None:
        self._synced = False
        self._file.seek(position)
        done = 0
        while done < len(view):
            done += self._file.write(view[done:]) or 0
        self._unsynced += done
        if self._unsynced >= SYNC_BYTES and self._syncing is None:
            self._unsynced = 0
            self._syncing = threading.Thread(target=self._sync_behind, name="sync", daemon=True)
            self._syncing.start()

    def _sync_behind(self) -> None:
        """Let the disk work while the next pixels are packed, instead of all at the end."""
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            # The system tells of a failed write once: it is kept for `check`.
            self._error = self._error or error
        finally:
            self._syncing = None

    def _wait_for_disk(self) -> None:
        syncing = self._syncing
        if syncing is not None:
            syncing.join()


def recover(path: Path, owner: str | None = None) -> bool:
    """Finish or drop a commit that was cut off, and trim what lies behind the file's end.

    Call it with the project's lock held. Returns True where a commit was finished.

    Parameters
    ----------
    path : Path
    owner : str, optional
        What the file is known by. Unknown, as of a file torn in the middle of a commit: any record
        is taken as its own.
    """
    record = record_path(path)
    finished = False
    if record.exists():
        body = _read_record(record, owner)
        if body is not None:
            _apply(path, body)
            finished = True
        record.unlink()
        sync_folder(path.parent)
    end = stated_end(path)
    if path.stat().st_size > end:
        with open(path, "r+b") as file:
            file.truncate(end)
    return finished


def unfinished(path: Path, owner: str | None = None) -> bool:
    """True where a whole commit record of the file waits to be applied; `owner` as of `recover`."""
    record = record_path(path)
    return record.exists() and _read_record(record, owner) is not None


def _word(owner: str) -> bytes:
    return owner.encode("ascii", "replace")[:32].ljust(32)


def _read_record(record: Path, owner: str | None) -> bytes | None:
    content = record.read_bytes()
    body, digest = content[len(_MAGIC) : -32], content[-32:]
    if not content.startswith(_MAGIC) or hashlib.sha256(body).digest() != digest:
        return None
    if owner is not None and _HEAD.unpack_from(body, 0)[0] != _word(owner):
        return None
    return body


def _apply(path: Path, body: bytes) -> None:
    _, _, end, count = _HEAD.unpack_from(body, 0)
    at = _HEAD.size
    with open(path, "r+b", buffering=0) as file:
        for _ in range(count):
            offset, length = _PAGE_HEAD.unpack_from(body, at)
            at += _PAGE_HEAD.size
            file.seek(offset)
            file.write(body[at : at + length])
            at += length
        file.truncate(end)
        os.fsync(file.fileno())
