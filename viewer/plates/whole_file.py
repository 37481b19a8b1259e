"""A file is there whole, or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

from viewer.errors import InputError, from_os_error


@contextlib.contextmanager
def whole_file(
    path: str | os.PathLike[str], *, overwrite: bool = False, what: str = "picture"
) -> Iterator[Path]:
    """Write to a part file that takes the real name once it is complete and on the disk.

    Parameters
    ----------
    path : path
        The file wanted.
    overwrite : bool
        Replace a file that is there already; it stays as it was until the new one is whole.
    what : str
        What the file is, as one word for the user.

    Yields
    ------
    Path
        The part file, in the same folder: empty, to be written by the caller. It is removed when
        the caller raises.

    Raises
    ------
    InputError
        A file is there and `overwrite` is false; the path is a folder; nothing can be written here.
    ResourceError
        The disk is full.
    """
    target = Path(path)
    part: Path | None = None
    try:
        # Replacing a link would cut it off from the file that it stands for.
        target = target.resolve() if target.is_symlink() else target
        if target.is_dir():
            raise InputError("This is a folder, not a file.", where=str(path), hint="Give a file name.")
        if target.exists() and not overwrite:
            raise _taken(path)
        fresh = target.with_name(f".{target.name[:200]}.{uuid4().hex[:8]}.part")
        open(fresh, "xb").close()
        part = fresh
        yield part
        with open(part, "rb+") as stream:
            os.fsync(stream.fileno())
        if overwrite:
            with contextlib.suppress(FileNotFoundError):
                os.chmod(part, target.stat().st_mode & 0o777)
            os.replace(part, target)
        else:
            _claim(part, target, path)
        part = None
    except OSError as error:
        raise from_os_error(error, path, what) from error
    finally:
        if part is not None:
            with contextlib.suppress(OSError):
                part.unlink()


def _claim(part: Path, target: Path, path: str | os.PathLike[str]) -> None:
    """Give `part` a name that must still be free: a file made meanwhile is not lost."""
    try:
        os.link(part, target)
    except FileExistsError:
        raise _taken(path) from None
    except OSError:  # a file system without hard links
        if target.exists():
            raise _taken(path) from None
        os.replace(part, target)
    else:
        part.unlink()


def _taken(path: str | os.PathLike[str]) -> InputError:
    return InputError(
        "There is a file of this name already.",
        where=str(path),
        hint="Choose another name, or say that it may be replaced.",
    )
