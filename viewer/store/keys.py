"""A key as a file of its own, to be shared between projects."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from viewer.errors import InputError
from viewer.science.sort.key import next_colour
from viewer.store.documents import Key, KeyEntry
from viewer.store.schemas import DRAFT

LARGEST_FILE = 1 << 20
"""Bytes: a key of thousands of phases."""


class KeyFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What a key file holds.

    Attributes
    ----------
    format, version
        Say what the file is.
    entries : tuple of KeyEntry
        One a phase name.
    """

    format: Literal["grainlight key"]
    version: Literal[1]
    entries: Annotated[tuple[KeyEntry, ...], msgspec.Meta(max_length=5000)]


def key_bytes(key: Key) -> bytes:
    """A key file, laid out to be read by people too."""
    file = KeyFile(format="grainlight key", version=1, entries=key.entries)
    return msgspec.json.format(msgspec.json.encode(file), indent=2) + b"\n"


def read_key(path: Path) -> Key:
    """Read a key file.

    Raises
    ------
    InputError
        It cannot be read, is no key file, or one of its entries cannot be used.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except OSError as error:
        raise InputError(
            f"The key file cannot be read: {(error.strerror or str(error)).lower()}.", where=str(path)
        ) from error
    if len(data) > LARGEST_FILE:
        raise InputError("This file is too large to be a key.", where=str(path))
    try:
        # A line of text before anything else says more than the first field that is missing.
        found = msgspec.json.decode(data)
        if not isinstance(found, dict) or found.get("format") != "grainlight key":
            raise _not_a_key(path)
        file = msgspec.convert(found, KeyFile)
        return Key(entries=file.entries)
    except msgspec.ValidationError as error:
        if found.get("version") not in (1, None):
            raise InputError(
                f"The key file is of version {found['version']}, which this program does not know.",
                where=str(path),
                hint="A newer version of the program wrote it.",
            ) from error
        raise InputError(f"The key file cannot be used: {error}.", where=str(path)) from error
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise _not_a_key(path) from error
    except InputError as error:
        if error.where == "key":
            raise InputError(error.what, where=str(path), hint="Rename one of them.") from error
        raise


def merged(key: Key, other: Key) -> Key:
    """A key that takes over another's colours.

    Phases that both know are as in `other`; a density or a mineral that it does not give stays.
    Phases that only `other` knows are added after the rest. Phases that would now share a colour with
    one of `other` get a new one; see `kept_apart`.
    """
    entries = []
    for entry in key.entries:
        new = other.entry(entry.name)
        if new is not None:
            entry = msgspec.structs.replace(
                entry,
                colour=new.colour,
                density=entry.density if new.density is None else new.density,
                mineral=entry.mineral if new.mineral is None else new.mineral,
            )
        entries.append(entry)
    entries += [e for e in other.entries if key.entry(e.name) is None]
    return kept_apart(Key(entries=tuple(entries)), other)


def kept_apart(key: Key, taken: Key) -> Key:
    """A key in which no phase has the colour of one whose colour was taken over.

    Parameters
    ----------
    key : Key
    taken : Key
        Phases whose colours in `key` stand; of two of them that have one colour, the first keeps it.
    """
    stand: set[str] = set()
    move = []
    for number, entry in enumerate(key.entries):
        if taken.entry(entry.name) is not None:
            if entry.colour in stand:
                move.append(number)
            stand.add(entry.colour)
    move += [
        number
        for number, entry in enumerate(key.entries)
        if taken.entry(entry.name) is None and entry.colour in stand
    ]
    entries = list(key.entries)
    for number in sorted(move):
        colour = next_colour([e.colour for e in entries])
        entries[number] = msgspec.structs.replace(entries[number], colour=colour)
    return Key(entries=tuple(entries))


def moved(before: Key, after: Key, taken: Key) -> tuple[str, ...]:
    """Names of phases whose colour gave way: it is neither what it was nor the one in `taken`."""
    out = []
    for entry in after.entries:
        known = (k.entry(entry.name) for k in (taken, before))
        wanted = next((e for e in known if e is not None), None)
        if wanted is not None and wanted.colour != entry.colour:
            out.append(entry.name)
    return tuple(out)


def key_schema() -> dict[str, Any]:
    """JSON schema (draft 2020-12) of a key file."""
    return {"$schema": DRAFT, "title": "Grainlight key file", **msgspec.json.schema(KeyFile)}


def schema_text() -> bytes:
    """The schema as it lies in ``resources/schemas``."""
    return msgspec.json.format(msgspec.json.encode(key_schema()), indent=2) + b"\n"


def _not_a_key(path: Path) -> InputError:
    return InputError(
        "This is not a key file.",
        where=str(path),
        hint="A key is written by «Export key…» on the page Key.",
    )


def main() -> None:
    """Write the schema into ``resources/schemas`` of a source tree."""
    folder = Path(__file__).parents[2] / "resources" / "schemas"
    (folder / "key-file.json").write_bytes(schema_text())


if __name__ == "__main__":
    main()
