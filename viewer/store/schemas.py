"""JSON schemas of the documents, made from the structs that read them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from viewer.store.documents import DOCUMENTS

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def schema_of(name: str) -> dict[str, Any]:
    """JSON schema (draft 2020-12) of a document of ``/state``.

    Raises
    ------
    KeyError
        No document has that name.
    """
    return {
        "$schema": DRAFT,
        "title": f"Grainlight document «{name}»",
        **msgspec.json.schema(DOCUMENTS[name]),
    }


def text_of(name: str) -> bytes:
    """The schema as it lies in ``resources/schemas``."""
    return msgspec.json.format(msgspec.json.encode(schema_of(name)), indent=2) + b"\n"


def main() -> None:
    """Write every schema into ``resources/schemas`` of a source tree."""
    folder = Path(__file__).parents[2] / "resources" / "schemas"
    folder.mkdir(exist_ok=True)
    for name in DOCUMENTS:
        (folder / f"{name}.json").write_bytes(text_of(name))


if __name__ == "__main__":
    main()
