"""One writer a project: a lock that the system drops when its process dies, however it dies."""

from __future__ import annotations

from pathlib import Path

from filelock import FileLock, Timeout


def lock_path(path: Path) -> Path:
    """Where the lock of a project lies."""
    return path.with_name(f".{path.name}.lock")


class ProjectLock:
    """The right to write a project."""

    def __init__(self, path: Path) -> None:
        self._lock = FileLock(lock_path(path), timeout=0, thread_local=False)

    def acquire(self) -> bool:
        """Take the right; False where another process has it.

        Raises
        ------
        OSError
            The folder cannot be written.
        """
        try:
            self._lock.acquire()
        except Timeout:
            return False
        return True

    def release(self) -> None:
        """Give the right back."""
        self._lock.release()
