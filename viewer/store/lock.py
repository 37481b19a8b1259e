"""One writer a project: a lock that the system drops when its process dies, however it dies."""

from __future__ import annotations

import contextlib
import errno
from pathlib import Path

from filelock import FileLock, Timeout


def lock_path(path: Path) -> Path:
    """Where the lock of a project lies."""
    return path.with_name(f".{path.name}.lock")


NO_LOCKS = {errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.ENOLCK}
"""What file systems say that know no locks."""


class ProjectLock:
    """The right to write a project."""

    def __init__(self, path: Path) -> None:
        self._lock = FileLock(lock_path(path), timeout=0, thread_local=False)

    def acquire(self) -> bool:
        """Take the right; False where another process has it.

        Raises
        ------
        OSError
            The folder cannot be written or, with a number of `NO_LOCKS`, knows no locks.
        """
        try:
            self._lock.acquire()
        except Timeout:
            return False
        except NotImplementedError as error:
            raise OSError(errno.ENOTSUP, "the file system cannot lock files") from error
        return True

    def release(self, *, remove: bool = False) -> None:
        """Give the right back; take its file away too, where there is no project after all.

        The file goes while the right is still held: whoever takes the lock next sees that what it
        has opened is gone, and makes it anew.
        """
        if remove and self._lock.is_locked:
            with contextlib.suppress(OSError):  # some systems remove it on release, none before
                Path(self._lock.lock_file).unlink()
        self._lock.release()
