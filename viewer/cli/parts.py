"""What the verbs share: where answers go, progress, opening a project."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from viewer.errors import InputError
from viewer.science.progress import Progress


def printable(text: str) -> str:
    """A text that any stream takes: names from a command line may hold bytes that are no text."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


class Out:
    """Where a verb's answer goes: words on a terminal, or one JSON document."""

    def __init__(self, as_json: bool) -> None:
        self.as_json = as_json
        self._document: dict[str, Any] = {}

    def put(self, **fields: Any) -> None:
        """Add fields to the JSON answer."""
        self._document |= fields

    @property
    def document(self) -> dict[str, Any]:
        """The JSON answer so far."""
        return self._document

    def say(self, text: str = "") -> None:
        """A line for a person; not printed with ``--json``."""
        if not self.as_json:
            print(printable(text))

    def end(self) -> None:
        """Print the JSON answer, where one was asked for."""
        if self.as_json:
            text = json.dumps(self._document, indent=2, ensure_ascii=False, default=str)
            print(printable(text))


@contextmanager
def showing_progress(title: str, quiet: bool) -> Iterator[Progress]:
    """A bar with the time left on a terminal's error stream; silence elsewhere."""
    if quiet or not sys.stderr.isatty():
        yield lambda done, doing="": None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
        TextColumn("{task.fields[doing]}"),
    )
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=1.0, doing="")

        def step(done: float, doing: str = "") -> None:
            bar.update(task, completed=done, doing=doing)

        yield step


def has_display() -> bool:
    """Whether a window could be opened here."""
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def open_desk(args: argparse.Namespace, *, write: bool = True) -> Any:
    from viewer.desk.desk import Desk

    desk = Desk.open(args.project, write=write, inline=True)
    for remark in desk.project.remarks:
        print(remark, file=sys.stderr)
    if write:
        try:
            desk.require_writable()
        except BaseException:
            desk.close()
            raise
    return desk


def refuse_unknown(wanted: Iterable[str], names: Sequence[str], option: str) -> None:
    """Refuse a channel that an option names and the files do not offer."""
    for name in wanted:
        if name not in names:
            raise InputError(
                f"The files offer no channel «{name}».",
                where=option,
                hint="They offer: " + ", ".join(dict.fromkeys(names)) + ".",
            )


def builtins(value: Any) -> Any:
    import msgspec

    return msgspec.to_builtins(value)


def free_file(args: argparse.Namespace) -> Path | None:
    """The file that a table goes to, if one was named.

    Raises
    ------
    InputError
        It exists already, and `--force` was not given.
    """
    if args.output is None:
        return None
    path = Path(args.output)
    if path.exists() and not args.force:
        raise InputError("The file exists already.", where=str(path), hint="Replace it with --force.")
    return path


@contextmanager
def with_way_up(desk: Any, map_id: str, degrees: float | None) -> Iterator[None]:
    """Set the way-up first, where one was given.

    It is put back where what it was given for fails. Where some of it was kept before that, in the
    ledger or on the map, it stays: what was kept stands on it.
    """
    import msgspec

    before = desk.state
    if degrees is not None:
        setup = desk.setup(map_id)
        orientation = msgspec.structs.replace(setup.orientation, way_up_deg=degrees % 360.0)
        setup = msgspec.structs.replace(setup, orientation=orientation)
        desk.set_setup("Set the way-up", map_id, setup)
    try:
        yield
    except BaseException:
        kept = ("ledger", "units", "lines")
        if all(getattr(desk.state, name) == getattr(before, name) for name in kept):
            desk.apply("Put the way-up back", setup=before.setup)
        raise
