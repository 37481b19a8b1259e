"""JSON schemas of the documents, made from the structs that read them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from viewer.store.documents import DOCUMENTS
from viewer.store.schemes import scheme_schema

DRAFT = "https://json-schema.org/draft/2020-12/schema"


FILES: dict[str, Callable[[], dict[str, Any]]] = {"scheme": scheme_schema}
"""Files of their own that have a schema."""


def schema_of(name: str) -> dict[str, Any]:
    """JSON schema (draft 2020-12) of a document of ``/state``, or of one of `FILES`.

    Raises
    ------
    KeyError
        No document and no file has that name.
    """
    if name in FILES:
        return FILES[name]()
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
    for name in (*DOCUMENTS, *FILES):
        (folder / f"{name}.json").write_bytes(text_of(name))


if __name__ == "__main__":
    main()
