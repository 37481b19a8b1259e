"""A result's files: every table as CSV, every figure, and all its numbers as JSON."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path

import msgspec

from viewer.desk.gather import distinct
from viewer.desk.measures.keep import mark, plain, stem
from viewer.desk.measures.result import Result, Table
from viewer.errors import InputError, from_os_error
from viewer.plates.chart import Figure
from viewer.plates.tables import write_table
from viewer.plates.whole_file import whole_file
from viewer.store.requests import Request


def files_of(folder: str | os.PathLike[str], result: Result, formats: Sequence[str]) -> dict[str, Path]:
    """Where each file of a result goes, by what it holds: ``table NAME``, ``figure NAME.pdf``.

    Parameters
    ----------
    formats : sequence of {"pdf", "svg", "png"}
        Of the figures.
    """
    base = Path(folder) / stem(result)

    def beside(name: str, suffix: str) -> Path:
        return base.with_name(f"{base.name}-{name}.{suffix}")

    return {
        "numbers": base.with_name(f"{base.name}.json"),
        **{f"table {name}": beside(name, "csv") for name in _names(result.tables)},
        **{
            f"figure {name}.{kind}": beside(name, kind)
            for name in _names(result.figures)
            for kind in formats
        },
    }


def _names(parts: Sequence[Table] | Sequence[Figure]) -> list[str]:
    """Names of tables or figures; where two layers' names differ only in signs, numbered."""
    return distinct([part.name for part in parts])


def refuse_existing(folder: str | os.PathLike[str], map_id: str, requests: Sequence[Request]) -> None:
    """Leave files of earlier answers to the same requests alone, before anything is measured.

    Raises
    ------
    InputError
        There are such files, or the folder cannot be looked into.
    """
    target = Path(folder)
    try:
        names = sorted(os.listdir(target))
    except FileNotFoundError:
        return
    except OSError as error:
        raise from_os_error(error, target, "result") from error
    for request in requests:
        own = re.compile(rf"{re.escape(request.kind)}-.*-{mark(map_id, request)}[-.]")
        for name in filter(own.match, names):
            raise InputError(
                "The file exists already.", where=str(target / name), hint="Replace it with --force."
            )


def write_result(
    folder: str | os.PathLike[str],
    result: Result,
    formats: Sequence[str] = ("pdf",),
    *,
    map_name: str = "",
) -> list[Path]:
    """Write all of a result into a folder, which is made where it is not there.

    Files that are there are replaced, each only once the new one is whole.

    Parameters
    ----------
    map_name : str
        Kept with the numbers.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    ResourceError, InputError
        The disk is full, or the folder cannot be written.
    """
    from viewer.plates.chart_page import write_figure

    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise from_os_error(error, target, "result") from error
    files = files_of(target, result, formats)
    numbers = {"map_name": map_name, **plain(result)}
    with whole_file(files["numbers"], overwrite=True, what="table") as part:
        part.write_bytes(msgspec.json.format(msgspec.json.encode(numbers), indent=2) + b"\n")
    for name, table in zip(_names(result.tables), result.tables, strict=True):
        write_table(files[f"table {name}"], list(table.header), table.rows)
    for name, figure in zip(_names(result.figures), result.figures, strict=True):
        for kind in formats:
            write_figure(files[f"figure {name}.{kind}"], figure)
    return list(files.values())
