"""A scheme as a file of its own, to be laid on other maps and other projects.

It carries all that a scheme needs elsewhere: the recipes of the derived layers it looks at, the key's
entries of its phases, and how the map it was drawn on counted (`Reference`), so that another run's
counts can be compared.
"""

from __future__ import annotations

import contextlib
import math
import os
from pathlib import Path
from typing import Annotated, Any, Literal
from uuid import uuid4

import msgspec

from viewer.errors import GrainlightError, InputError, from_os_error
from viewer.science.sort.recipe import Recipe
from viewer.science.sort.scheme import Name, Scheme
from viewer.science.sort.transfer import Reference
from viewer.store.documents import KeyEntry
from viewer.store.transaction import sync_folder

FORMAT = "grainlight scheme"
VERSION = 1

LARGEST_FILE = 32 << 20
"""Bytes: 64 populations of 10 000 vertices each, laid out to be read."""


class SchemeLayer(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A derived layer that the scheme looks at, and how it is made."""

    name: Name
    recipe: Recipe


class SchemeFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What a scheme file holds.

    Attributes
    ----------
    format, version
        Say what the file is.
    name, program, made : str
        Of the map it was drawn on; what wrote it; when (ISO 8601).
    scheme : Scheme
    layers : tuple of SchemeLayer
        In the order in which they can be made.
    key : tuple of KeyEntry
        Colour and density of its phases.
    reference : Reference or None
        How the map that it was drawn on counted; None in a file that was written by hand.
    """

    format: Literal["grainlight scheme"] = "grainlight scheme"
    version: Literal[1] = 1
    name: Annotated[str, msgspec.Meta(max_length=200)] = ""
    program: Annotated[str, msgspec.Meta(max_length=200)] = ""
    made: Annotated[str, msgspec.Meta(max_length=40)] = ""
    scheme: Scheme
    layers: Annotated[tuple[SchemeLayer, ...], msgspec.Meta(max_length=1000)] = ()
    key: Annotated[tuple[KeyEntry, ...], msgspec.Meta(max_length=5000)] = ()
    reference: Reference | None = None

    def __post_init__(self) -> None:
        names = [layer.name.casefold() for layer in self.layers]
        if len(set(names)) < len(names):
            raise InputError("Two of its layers have the same name.", where="scheme")
        entries = [e.name.strip().casefold() for e in self.key]
        if len(set(entries)) < len(entries):
            raise InputError("Two entries of its key have the same name.", where="scheme")


def scheme_bytes(file: SchemeFile) -> bytes:
    """The file, laid out to be read by people too."""
    return msgspec.json.format(msgspec.json.encode(file), indent=2) + b"\n"


def read_scheme(path: Path | str) -> SchemeFile:
    """Read a scheme file.

    Raises
    ------
    InputError
        It cannot be read, is no scheme file, is of another version, or something in it cannot be used;
        the message says what and where.
    """
    path = Path(path)
    try:
        with path.open("rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except OSError as error:
        raise InputError(
            f"The scheme file cannot be read: {(error.strerror or str(error)).lower()}.",
            where=str(path),
        ) from error
    if len(data) > LARGEST_FILE:
        raise InputError(
            f"This file is too large to be a scheme ({LARGEST_FILE >> 20} MB are the most).",
            where=str(path),
        )
    return parse_scheme(data, str(path))


def parse_scheme(data: bytes, where: str = "scheme") -> SchemeFile:
    """The scheme file in some bytes; errors as of `read_scheme`, `where` naming their source."""
    try:
        found = msgspec.json.decode(data.removeprefix(b"\xef\xbb\xbf"))
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        hint = "A scheme is written by «Export scheme…»."
        if any(word in data for word in (b"NaN", b"Infinity")):
            hint = "It holds NaN or Infinity, which are no numbers in JSON."
        raise InputError(f"This is not a scheme file ({error}).", where=where, hint=hint) from error
    if not isinstance(found, dict) or found.get("format") != FORMAT:
        raise InputError(
            "This is not a scheme file.", where=where, hint="A scheme is written by «Export scheme…»."
        )
    if found.get("version") != VERSION:
        raise InputError(
            f"The scheme file is of version {found.get('version')!r}; this program reads version "
            f"{VERSION}.",
            where=where,
            hint="Open it with a newer program.",
        )
    try:
        file = msgspec.convert(found, SchemeFile)
        # Numbers like 1e999 are read as infinite.
        _check_numbers(found, "$")
    except (msgspec.ValidationError, RecursionError) as error:
        raise InputError(f"The scheme cannot be used: {error}.", where=where) from error
    except GrainlightError as error:
        at = f"{where}: {error.where}" if error.where else where
        raise InputError(error.what, where=at, hint=error.hint) from error
    return file


def write_scheme(file: SchemeFile, path: Path | str, *, overwrite: bool = True) -> None:
    """Write a scheme file; it is there whole or not at all.

    Raises
    ------
    InputError, ResourceError
    """
    path = Path(path)
    if path.exists() and not overwrite:
        raise InputError(
            "There is a file of this name already.", where=str(path), hint="Choose another name."
        )
    part = path.with_name(f".{path.name[:200]}.{uuid4().hex[:8]}.part")
    try:
        with open(part, "xb") as stream:
            stream.write(scheme_bytes(file))
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, path)
        sync_folder(path.absolute().parent)
    except OSError as error:
        raise from_os_error(error, path, "scheme") from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def scheme_schema() -> dict[str, Any]:
    """JSON schema (draft 2020-12) of a scheme file."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Grainlight scheme file",
        **msgspec.json.schema(SchemeFile),
    }


def _check_numbers(value: Any, at: str) -> None:
    if isinstance(value, float) and not math.isfinite(value):
        raise InputError("A number is not finite.", where=at)
    if isinstance(value, dict):
        for name, item in value.items():
            _check_numbers(item, f"{at}.{name}")
    elif isinstance(value, list):
        for number, item in enumerate(value):
            _check_numbers(item, f"{at}[{number}]")
