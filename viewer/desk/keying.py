"""Changes of the project's key: spread its colours, take over another, and where each phase is used."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec

from viewer.desk.desk import Desk
from viewer.plates.whole_file import whole_file
from viewer.science.sort.key import default_colours
from viewer.store.documents import Key, KeyEntry
from viewer.store.keys import key_bytes, merged, moved, read_key


def maps_of(desk: Desk, name: str) -> tuple[str, ...]:
    """Names of the maps that have a phase of a name."""
    wanted = name.strip().casefold()
    return tuple(
        desk.maps[map_id].name
        for map_id, scheme in desk.state.schemes.maps.items()
        if map_id in desk.maps
        and any(p.name.strip().casefold() == wanted for p in scheme.phases)
    )


def edit_entry(
    desk: Desk, label: str, name: str, *, merge: str | None = None, **changes: object
) -> None:
    """Change the colour, density or mineral of a phase, by the fields of `KeyEntry`.

    Raises
    ------
    ProjectReadOnlyError
    """
    entries = tuple(
        msgspec.structs.replace(e, **changes) if e.name == name else e
        for e in desk.sorting.key.entries
    )
    desk.sorting.set_key(label, Key(entries=entries), merge=merge)


def spread(desk: Desk) -> None:
    """Give all phases the default colours, those that are used on a map first.

    Raises
    ------
    ProjectReadOnlyError
    """
    entries = desk.sorting.key.entries
    ranked = sorted(range(len(entries)), key=lambda i: not maps_of(desk, entries[i].name))
    colours = dict(zip(ranked, default_colours(len(entries)), strict=True))
    changed = tuple(
        msgspec.structs.replace(e, colour=colours[i]) for i, e in enumerate(entries)
    )
    desk.sorting.set_key("Spread the key's colours", Key(entries=changed))


def unused(desk: Desk) -> tuple[KeyEntry, ...]:
    """Entries of phases that no map has."""
    return tuple(e for e in desk.sorting.key.entries if not maps_of(desk, e.name))


def drop(desk: Desk, entries: Sequence[KeyEntry]) -> None:
    """Take entries out of the key.

    Raises
    ------
    ProjectReadOnlyError
    """
    names = {e.name for e in entries}
    kept = tuple(e for e in desk.sorting.key.entries if e.name not in names)
    desk.sorting.set_key("Remove phases that no map has from the key", Key(entries=kept))


def import_key(desk: Desk, path: Path) -> int:
    """Take over the colours of a key file, and return how many phases it names.

    Phases whose colour gives way, so that no two have the same, are said.

    Raises
    ------
    InputError
        The file cannot be used.
    ProjectReadOnlyError
    """
    other = read_key(path)
    before = desk.sorting.key
    after = merged(before, other)
    desk.sorting.set_key(f"Import the key {path.name}", after)
    if away := moved(before, after, other):
        desk.said.emit("info", f"Given a new colour, as theirs was taken: {', '.join(away)}.")
    return len(other.entries)


def export_key(desk: Desk, path: Path, *, overwrite: bool = False) -> None:
    """Write the project's key as a file of its own.

    Raises
    ------
    InputError
        The file is there already, or cannot be written.
    ResourceError
        The disk is full.
    """
    with whole_file(path, overwrite=overwrite, what="key") as part:
        part.write_bytes(key_bytes(desk.sorting.key))
