"""A result's files: every table as CSV, every figure, and all its numbers as JSON."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import msgspec

from viewer.desk.measures.keep import plain, stem
from viewer.desk.measures.result import Result
from viewer.errors import InputError, from_os_error
from viewer.plates.tables import write_table
from viewer.plates.whole_file import whole_file


def files_of(folder: str | os.PathLike[str], result: Result, formats: Sequence[str]) -> dict[str, Path]:
    """Where each file of a result goes, by what it holds: ``table NAME``, ``figure NAME.pdf``.

    Parameters
    ----------
    formats : sequence of {"pdf", "svg", "png"}
        Of the figures.
    """
    base = Path(folder) / stem(result)
    return {
        "numbers": base.with_name(f"{base.name}.json"),
        **{f"table {t.name}": base.with_name(f"{base.name}-{t.name}.csv") for t in result.tables},
        **{
            f"figure {f.name}.{kind}": base.with_name(f"{base.name}-{f.name}.{kind}")
            for f in result.figures
            for kind in formats
        },
    }


def refuse_existing(folder: str | os.PathLike[str], result: Result, formats: Sequence[str]) -> None:
    """Leave files that are there alone.

    Raises
    ------
    InputError
        One of the result's files exists already.
    """
    for path in files_of(folder, result, formats).values():
        if path.exists():
            raise InputError(
                "The file exists already.", where=str(path), hint="Replace it with --force."
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
    for table in result.tables:
        write_table(files[f"table {table.name}"], list(table.header), table.rows)
    for figure in result.figures:
        for kind in formats:
            write_figure(files[f"figure {figure.name}.{kind}"], figure)
    return list(files.values())
