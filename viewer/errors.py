"""Errors meant for the person at the screen.

Every one says what is wrong, where, and what to do. The command line prints them and leaves with
``exit_code``; the window shows them in its message strip. Anything else that is raised is a defect.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import ClassVar

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_PLACE = {
    errno.EACCES,
    errno.EPERM,
    errno.EROFS,
    errno.ENOENT,
    errno.ENOTDIR,
    errno.EISDIR,
    errno.ENAMETOOLONG,
    errno.ELOOP,
}


class GrainlightError(Exception):
    """Base of all errors that the program explains to its user.

    Parameters
    ----------
    what : str
        What is wrong, as one sentence.
    where : str, optional
        The file, channel, row, cell or field at fault.
    hint : str, optional
        What to do about it.
    """

    exit_code: ClassVar[int] = 3

    def __init__(self, what: str, *, where: str | None = None, hint: str | None = None) -> None:
        self.what = what
        self.where = where
        self.hint = hint
        super().__init__(what)

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text} {self.hint}" if self.hint else text


class UsageError(GrainlightError):
    """A command was given words or values it does not take."""

    exit_code = 2


class InputError(GrainlightError):
    """A file or a value handed in cannot be used."""

    exit_code = 3


class ProjectError(GrainlightError):
    """A project cannot be opened or written."""

    exit_code = 4


class ProjectBusyError(ProjectError):
    """Another process has the project open for writing."""


class ProjectDamagedError(ProjectError):
    """A project's bytes are not what was written."""


class NotAProjectError(ProjectError):
    """The file is no Grainlight project."""


class ProjectReadOnlyError(ProjectError):
    """An edit was tried on a project that is open for reading only."""


class ResourceError(GrainlightError):
    """Not enough disk or memory."""

    exit_code = 5


class CancelledError(GrainlightError):
    """The user stopped the work; nothing was changed."""

    exit_code = 130

    def __init__(self, what: str = "Stopped; nothing was changed.") -> None:
        super().__init__(what)


def from_os_error(
    error: OSError,
    path: str | os.PathLike[str],
    what: str,
    *,
    other: type[GrainlightError] = InputError,
) -> GrainlightError:
    """Say why something could not be written, the same way for everything that is.

    Parameters
    ----------
    error : OSError
    path : path
        The file or folder that was to be written.
    what : str
        What was to be written, as one word: ``picture``, ``table``, ``project``.
    other : type
        For what is the fault neither of the space nor of the place.

    Returns
    -------
    ResourceError
        The disk or the user's share of it is full, or the file is larger than it may be.
    InputError
        The place may not be written or is not there.
    GrainlightError
        Of the type `other`: anything else.
    """
    path = Path(path)
    # HDF5 wraps what the disk said into words of its own.
    if error.errno in _FULL or "No space left" in str(error):
        return ResourceError(
            f"The disk is full; the {what} was not written.",
            where=str(path if path.is_dir() else path.parent),
            hint="Free some space or choose another disk.",
        )
    reason = (error.strerror or str(error)).lower()
    if error.errno in _PLACE:
        return InputError(
            f"The {what} cannot be written here: {reason}.",
            where=str(path),
            hint="Choose a folder that exists and that you may write to.",
        )
    return other(f"The {what} could not be written: {reason}.", where=str(path))
