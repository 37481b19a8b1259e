"""The journal: small edits, made durable one after the other.

A project's documents are edited many times a minute, its pixels hardly ever. So an edit does not touch
the HDF5 file at all: the new document is appended to ``NAME.maps.h5.journal`` and synced by a thread
of its own. When the project is closed the documents are folded into ``/state`` in one transaction
and the journal is removed.

A line is ``CRC32 SEQUENCE NAME JSON``. A line that was cut off or damaged is skipped and counted;
since each line holds a whole document, the ones after it still count. The first line, with the
sequence number 0, says which project the journal is of: one left behind by another project of the same
name is known by it.
"""

from __future__ import annotations

import os
import threading
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from viewer.errors import ResourceError
from viewer.store.transaction import sync_folder


@dataclass(frozen=True)
class Entry:
    """One edit: the new text of one document."""

    sequence: int
    name: str
    body: bytes


@dataclass(frozen=True)
class Contents:
    """What a journal holds.

    Attributes
    ----------
    owner : str or None
        The project that it is of; None where that line is missing or damaged.
    entries : tuple of Entry
        In order.
    damaged : int
        How many whole lines were unreadable.
    """

    owner: str | None
    entries: tuple[Entry, ...]
    damaged: int


def journal_path(path: Path) -> Path:
    """Where the journal of a project lies."""
    return path.with_name(path.name + ".journal")


def read(path: Path) -> Contents:
    """Read a journal file; one that does not exist is empty."""
    if not path.exists():
        return Contents(None, (), 0)
    owner, entries, damaged = None, [], 0
    lines = path.read_bytes().split(b"\n")
    for line in lines[:-1]:  # what follows the last line feed was never finished
        entry = _parse(line)
        if entry is None:
            damaged += 1
        elif entry.sequence == 0:
            owner = entry.body.decode("utf-8")
        else:
            entries.append(entry)
    return Contents(owner, tuple(entries), damaged)


def _parse(line: bytes) -> Entry | None:
    crc, _, rest = line.partition(b" ")
    if len(crc) != 8 or crc != b"%08x" % zlib.crc32(rest):
        return None
    sequence, _, rest = rest.partition(b" ")
    name, _, body = rest.partition(b" ")
    if not sequence.isdigit():
        return None
    return Entry(int(sequence), name.decode("utf-8"), body)


def _line(entry: Entry) -> bytes:
    rest = b"%d %s %s" % (entry.sequence, entry.name.encode("utf-8"), entry.body)
    return b"%08x %s\n" % (zlib.crc32(rest), rest)


class Journal:
    """Appends entries to a journal file from a thread of its own.

    `append` returns at once; the entry is on disk when `durable` has reached its sequence number,
    within a second unless the disk refuses. While it refuses, `trouble` holds the reason, the
    entries stay in memory and the write is tried again every second.
    """

    RETRY_S = 1.0

    def __init__(self, path: Path, owner: str) -> None:
        self._path = path
        self._owner = owner
        self._queue: list[Entry] = []
        self._changed = threading.Condition()
        self._closing = False
        self.durable = 0
        self.size = whole_length(path)
        self.trouble: OSError | None = None
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    def append(self, entry: Entry) -> None:
        """Queue one entry."""
        with self._changed:
            self._queue.append(entry)
            self._changed.notify_all()

    def flush(self, timeout_s: float = 30.0) -> None:
        """Wait until all that was appended is durable.

        Raises
        ------
        ResourceError
            The disk did not take it in time.
        """
        with self._changed:
            done = self._changed.wait_for(
                lambda: not self._queue or self.trouble is not None, timeout_s
            )
            if not done or self._queue:
                raise ResourceError(
                    f"The last edits could not be written: {self.trouble or 'no answer'}.",
                    where=str(self._path),
                    hint="Free some space or mend the permissions; the edits are kept in memory.",
                )

    def close(self) -> None:
        """Write what is left and stop the thread."""
        try:
            self.flush()
        finally:
            with self._changed:
                self._closing = True
                self._changed.notify_all()
            self._thread.join()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._queue or self._closing)
                if self._closing:
                    return
                batch = list(self._queue)
            try:
                self._write(batch)
            except OSError as error:
                with self._changed:
                    self.trouble = error
                    self._changed.notify_all()
                    self._changed.wait_for(lambda: self._closing, self.RETRY_S)
                continue
            with self._changed:
                self.trouble = None
                del self._queue[: len(batch)]
                self.durable = batch[-1].sequence
                self._changed.notify_all()

    def _write(self, batch: list[Entry]) -> None:
        data = b"".join(_line(entry) for entry in batch)
        if self.size == 0:
            data = _line(Entry(0, "project", self._owner.encode("utf-8"))) + data
        new = not self._path.exists()
        with open(self._path, "r+b" if not new else "w+b") as file:
            # A write that failed half-way, or a torn line of an earlier run, is overwritten.
            file.truncate(self.size)
            file.seek(self.size)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if new:
            sync_folder(self._path.parent)
        self.size += len(data)


def whole_length(path: Path) -> int:
    """Length of the journal up to its last finished line, in bytes."""
    if not path.exists():
        return 0
    content = path.read_bytes()
    return content.rfind(b"\n") + 1


def iter_latest(contents: Contents, after: int) -> Iterator[Entry]:
    """Last entry of each document whose sequence number is greater than `after`."""
    latest = {e.name: e for e in contents.entries if e.sequence > after}
    yield from latest.values()
